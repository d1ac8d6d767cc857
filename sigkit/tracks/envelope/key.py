"""When a key goes down and up, from a gate or a microphone on another channel."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from sigkit.arrays import Real

STEP_S = 0.0005
"""An edge is a change within this time."""
REST_S = 0.02
"""Time after an edge in which its bounces belong to it."""
SHARE = 0.3
"""Change from which on it is an edge, re the largest."""
STANDS_OUT = 8.0
"""The same re the usual change."""
STAYS_S = 0.01


@dataclass
class KeyWatch:
    """Edges on the channel of a key, found block by block.

    Parameters
    ----------
    rate : int
        Sample rate in Hz.
    """

    rate: int
    _last: Real = field(default_factory=lambda: np.zeros(0))
    _first: int = 0
    _at: list[int] = field(default_factory=list)
    _size: list[float] = field(default_factory=list)
    _stays: list[float] = field(default_factory=list)
    _usual: list[float] = field(default_factory=list)

    def add(self, block: Real) -> None:
        """Look at the next block."""
        lag = max(1, round(STEP_S * self.rate))
        stays = round(STAYS_S * self.rate)
        joined = np.concatenate([self._last, block])
        if joined.size <= lag + stays + 1:
            self._last = joined
            return
        usable = joined.size - stays
        change = joined[lag:usable] - joined[: usable - lag]
        size = round(REST_S / 4 * self.rate)
        count = -(-change.size // size)
        padded = np.zeros(count * size)
        padded[: change.size] = np.abs(change)
        best = padded.reshape(count, size).max(axis=1)
        self._usual.append(float(np.median(best)))
        limit = max(STANDS_OUT * float(np.median(best)), 1e-6)
        for i in np.flatnonzero(best > limit).tolist():
            place = i * size + int(np.argmax(padded[i * size : (i + 1) * size]))
            top = change[place]
            begin = place
            # The edge is where half of its change is done.
            while begin > 0 and abs(change[begin - 1]) > 0.5 * abs(top) and place - begin < lag:
                begin -= 1
            at = begin + lag
            after = float(np.median(joined[at : at + stays])) - float(joined[max(0, at - lag - 1)])
            self._at.append(self._first + at)
            self._size.append(float(top))
            self._stays.append(after / top if top else 0.0)
        self._last = joined[usable - lag :]
        self._first += usable - lag

    def edges(self) -> tuple[Real, Real, Literal["gate", "microphone"]]:
        """Return instants in seconds, sign of each edge, and what the channel seems to hold.

        A gate's change stays for 10 ms or more, even where it is coupled by a capacitor; the knock
        of a key swings back, and its sign says nothing.
        """
        if not self._at:
            return np.zeros(0), np.zeros(0), "microphone"
        at, size = np.array(self._at, float), np.array(self._size)
        order = np.argsort(at)
        at, size, stays = at[order], size[order], np.array(self._stays)[order]
        big = np.abs(size) > SHARE * np.quantile(np.abs(size), 0.9)
        at, size, stays = at[big], size[big], stays[big]
        kept: list[int] = []
        for i in range(at.size):
            if not kept or at[i] - at[kept[-1]] > REST_S * self.rate:
                kept.append(i)
        gate = float(np.median(stays[kept])) > 0.5
        return at[kept] / self.rate, np.sign(size[kept]), "gate" if gate else "microphone"


def nearest_before(edges: Real, time_s: float, within_s: float, after_s: float = 0.0) -> float:
    """Return the last edge before a time, or just after it; nan where there is none."""
    near = edges[(edges > time_s - within_s) & (edges <= time_s + after_s)]
    return float(near[-1]) if near.size else math.nan
