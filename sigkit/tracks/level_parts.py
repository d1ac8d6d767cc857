"""A capture cut where its level changes: quiet, a held tone, digital silence; block by block."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from sigkit.arrays import Real, runs
from sigkit.captures.wav import Capture

WINDOW_S = 0.1
"""Whole periods of 50 and of 60 Hz, so that hum reads the same in every window."""
STEP_DB, STEADY_WINDOWS = 8.0, 3
"""A new part begins where the level lies so far from that of the part for so many windows."""
MOST_S = 30.0
"""Longer parts are cut in consecutive ones."""
EDGE_DB = 3.0
"""Windows at the ends of a part that lie so far above its median are a tail or a thump."""
BURST_DB, MOST_BURSTS = 6.0, 0.1
LOOK_BACK = 40


@dataclass(frozen=True, eq=False)
class Part:
    """A stretch of a capture in which the level does not change by much.

    Parameters
    ----------
    start_s : float
        Where it begins.
    sound : ndarray, shape (n_samples,)
        Samples, full scale = 1.
    rate : int
        Sample rate in Hz.
    level_dbfs : float
        Median level of windows of 0.1 s without their mean; a full-scale sine reads 0; minus
        infinity in digital silence.
    loudest_db : float
        By how much the loudest window lies above that.
    bursts : tuple of (float, float)
        From when to when in the part it is 6 dB louder than that, seconds from its start; empty
        where that is more than a tenth of it.
    """

    start_s: float
    sound: Real
    rate: int
    level_dbfs: float
    loudest_db: float
    bursts: tuple[tuple[float, float], ...] = ()

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.sound.size / self.rate

    @property
    def stop_s(self) -> float:
        """Where it ends."""
        return self.start_s + self.duration_s


def level_parts(capture: Capture) -> Iterator[Part]:
    """Cut a capture into parts of steady level, in one pass.

    Parameters
    ----------
    capture : Capture
        The recording; its chosen channel is read once, in blocks.

    Yields
    ------
    Part
        In order, none longer than 30 s. What lies in a change of level itself belongs to none, or
        to short ones; digital silence is a part of its own.

    Notes
    -----
    A burst of less than 0.3 s does not cut a part. Windows at either end of a part that are 3 dB
    louder than its median, as a note that has not died away, are left out.
    """
    cutter = _Cutter(capture.rate)
    for block in capture.blocks():
        yield from cutter.add(block)
    yield from cutter.close()


class _Cutter:
    def __init__(self, rate: int) -> None:
        self.rate, self.size = rate, max(1, round(WINDOW_S * rate))
        self.held: Real = np.zeros(0)
        self.windows: list[Real] = []
        self.levels: list[float] = []
        self.first, self.away = 0, 0

    def add(self, block: Real) -> Iterator[Part]:
        self.held = np.concatenate([self.held, block])
        count = self.held.size // self.size
        cut = self.held[: count * self.size].reshape(count, self.size)
        self.held = self.held[count * self.size :]
        with np.errstate(divide="ignore"):
            levels = 10 * np.log10(2 * cut.var(axis=1))
        # Only a sound that stands still to the last bit is digital silence.
        levels[np.ptp(cut, axis=1) == 0] = -math.inf
        for window, level in zip(cut, levels.tolist(), strict=True):
            yield from self._window(window, level)

    def _window(self, window: Real, level: float) -> Iterator[Part]:
        apart = self._apart(level)
        self.away = self.away + 1 if apart else 0
        self.windows.append(window)
        self.levels.append(level)
        silent = apart and math.isinf(level) != math.isinf(self._typical())
        if self.away >= STEADY_WINDOWS or silent:
            yield from self._cut(len(self.levels) - self.away)
        elif not self.away and len(self.levels) * WINDOW_S >= MOST_S:
            yield from self._cut(len(self.levels))

    def _typical(self) -> float:
        known = self.levels[-LOOK_BACK - self.away : len(self.levels) - self.away]
        return float(np.median(known)) if known else math.nan

    def _apart(self, level: float) -> bool:
        known = self._typical()
        if math.isnan(known):
            return False
        if math.isinf(level) or math.isinf(known):
            return level != known
        return abs(level - known) > STEP_DB

    def _cut(self, count: int) -> Iterator[Part]:
        levels, windows = self.levels[:count], self.windows[:count]
        start = self.first
        self.levels, self.windows = self.levels[count:], self.windows[count:]
        self.first, self.away = self.first + count * self.size, 0
        if not levels:
            return
        middle = float(np.median(levels))
        inside = np.flatnonzero(np.array(levels) <= middle + EDGE_DB)
        begin, end = int(inside[0]), int(inside[-1]) + 1
        silent = math.isinf(middle)
        yield Part(
            (start + begin * self.size) / self.rate,
            np.concatenate(windows[begin:end]),
            self.rate,
            middle,
            0.0 if silent else max(levels[begin:end]) - middle,
            () if silent else self._bursts(np.array(levels[begin:end]) - middle),
        )

    def _bursts(self, above: Real) -> tuple[tuple[float, float], ...]:
        loud = above > BURST_DB
        if not loud.any() or loud.mean() > MOST_BURSTS:
            return ()
        step_s = self.size / self.rate
        # A burst near the edge of a window sounds in the next one too, below what is looked for.
        return tuple((max(0, a - 1) * step_s, (b + 1) * step_s) for a, b in runs(loud))

    def close(self) -> Iterator[Part]:
        if len(self.levels) < 1 and self.held.size:
            self.levels.append(float(10 * np.log10(max(2 * self.held.var(), 1e-300))))
            self.windows.append(self.held)
        yield from self._cut(len(self.levels) - self.away)
        yield from self._cut(len(self.levels))
