"""A capture cut into stretches of sound with quiet around them, block by block."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from sigkit.arrays import Flags, Real, runs
from sigkit.captures.wav import Capture

FRAME_S, WINDOW = 0.005, 8
"""Levels are taken over 8 frames of 5 ms: a period of the lowest carrier."""
ABOVE_FLOOR = 10.0
"""Power above the floor from which on something sounds."""
RANGE = 1e-8
"""The same re the loudest so far."""
AT_FLOOR = 2.0
"""Power re the floor below which nothing sounds."""
LEAD_S = 1.0
"""Quiet kept before a stretch, to learn hum and noise from."""
APART_S = 0.25
"""Quiet that parts two stretches."""
TAIL_S, TAIL_SHARE = 1.0, 0.5
"""Quiet kept after a stretch: so long at least, and so much of its length."""
MOST_SAMPLES = 2_400_000
"""Longest stretch that is kept: 50 s at 48 kHz."""
BLOCK_S = 4.0
SHORTEST_S = 0.005


@dataclass(frozen=True, eq=False)
class Stretch:
    """One stretch of sound with the quiet around it.

    Parameters
    ----------
    sound : ndarray, shape (n_samples,)
        Samples, full scale = 1, its direct voltage taken out.
    rate : int
        Sample rate in Hz.
    start_s : float
        Time of the first sample from the start of the capture.
    sounds_s : tuple of float
        From when to when it sounds.
    quiet : ndarray of bool, shape (n_samples,)
        Where nothing sounds.
    began_before, goes_on : bool
        Whether it sounds at the very start or end of the capture, or is cut because it is long.
    flat_top : float
        Largest absolute sample of the stretch where several in a row reach it, else 0.
    """

    sound: Real
    rate: int
    start_s: float
    sounds_s: tuple[float, float]
    quiet: Flags
    began_before: bool
    goes_on: bool


@dataclass
class _Buffer:
    """Sound that is not yet told, and the levels of its frames."""

    rate: int
    size: int
    first: int = 0
    sound: Real = field(default_factory=lambda: np.zeros(0))
    sums: Real = field(default_factory=lambda: np.zeros((2, 0)))

    def add(self, block: Real) -> None:
        self.sound = np.concatenate([self.sound, block])
        done = self.sums.shape[1] * self.size
        count = (self.sound.size - done) // self.size
        new = self.sound[done : done + count * self.size].reshape(count, self.size)
        self.sums = np.concatenate(
            [self.sums, np.stack([new.sum(axis=1), (new**2).sum(axis=1)])], 1
        )

    def drop(self, frames: int) -> None:
        self.sound = self.sound[frames * self.size :].copy()
        self.sums = self.sums[:, frames:].copy()
        self.first += frames * self.size

    def power(self, window: int) -> Real:
        """Return the variance of the sound over a running window, one value a frame."""
        if not self.sums.shape[1]:
            return np.zeros(0)
        kernel = np.ones(min(window, self.sums.shape[1]))
        count = np.convolve(np.ones(self.sums.shape[1]), kernel, mode="same") * self.size
        mean, square = (np.convolve(row, kernel, mode="same") / count for row in self.sums)
        out: Real = np.maximum(square - mean**2, 0.0)
        return out


def stretches(capture: Capture) -> Iterator[Stretch]:
    """Yield each stretch of a capture that sounds, read once from start to end.

    Parameters
    ----------
    capture : Capture
        Notes with quiet between, before or after them.

    Yields
    ------
    Stretch
        In order; notes closer than 0.25 s come together.

    Notes
    -----
    Something sounds where the level over 40 ms lies 10 dB above the lowest so far over 0.1 s, and
    no more than 80 dB below the loudest.
    """
    buffer = _Buffer(capture.rate, max(1, round(FRAME_S * capture.rate)))
    floor, loudest = math.inf, 0.0
    keep = round(LEAD_S / FRAME_S)
    for block in capture.blocks(BLOCK_S):
        buffer.add(block)
        power = buffer.power(WINDOW)
        # Windows at the end of the buffer are not whole yet.
        known = power[: -2 * WINDOW] if power.size > 2 * WINDOW else power[:0]
        if known.size:
            low = buffer.power(20)[: known.size]
            low = low[low > 0]
            floor = min(floor, float(low.min())) if low.size else floor
            loudest = max(loudest, float(known.max()))
        yield from _told(buffer, floor, loudest, keep, last=False)
    power = buffer.power(WINDOW)
    if power.size:
        low = buffer.power(20)
        low = low[low > 0]
        floor = min(floor, float(low.min())) if low.size else floor
        loudest = max(loudest, float(power.max()))
    yield from _told(buffer, floor, loudest, keep, last=True)


def _told(
    buffer: _Buffer, floor: float, loudest: float, keep: int, *, last: bool
) -> Iterator[Stretch]:
    """Yield the stretches in the buffer that are whole, and drop what is no longer needed."""
    apart = round(APART_S / FRAME_S)
    while True:
        power = buffer.power(WINDOW)
        if not power.size or not loudest > 0:
            return
        base = floor if math.isfinite(floor) else 0.0
        limit = max(ABOVE_FLOOR * base, RANGE * loudest, 1e-20)
        found = runs(power > limit, apart)
        found = [(a, b) for a, b in found if (b - a) * FRAME_S >= SHORTEST_S + FRAME_S * WINDOW]
        full = buffer.sound.size > MOST_SAMPLES
        if not found:
            if not last:
                buffer.drop(max(0, power.size - keep))
            return
        a, b = found[0]
        tail = max(round(TAIL_S / FRAME_S), round(TAIL_SHARE * (b - a)))
        following = found[1][0] if len(found) > 1 else None
        room = power.size - 2 * WINDOW if not last else power.size
        if not last and not full and following is None and room < b + tail:
            return
        stop = min(b + tail, power.size if following is None else max(b, following - WINDOW))
        cut = full and following is None and b >= room - 1
        yield _stretch(buffer, power, (a, b, stop), base, cut=cut or (last and b >= power.size - 1))
        begins = stop if following is None else max(stop - keep, b)
        buffer.drop(min(begins, power.size))


def _stretch(
    buffer: _Buffer, power: Real, frames: tuple[int, int, int], floor: float, *, cut: bool
) -> Stretch:
    first, end, stop = frames
    size = buffer.size
    begin = max(0, first - round(LEAD_S / FRAME_S))
    sound = buffer.sound[begin * size : stop * size].copy()
    soft = power[begin:stop] <= AT_FLOOR * floor if floor > 0 else power[begin:stop] == 0
    inside = np.arange(begin, stop)
    soft &= (inside < first - WINDOW) | (inside > end)
    quiet = np.repeat(soft, size)
    sound -= sound[quiet].mean() if quiet.any() else sound.mean()
    return Stretch(
        sound=sound,
        rate=buffer.rate,
        start_s=(buffer.first + begin * size) / buffer.rate,
        sounds_s=(
            (buffer.first + first * size) / buffer.rate,
            (buffer.first + end * size) / buffer.rate,
        ),
        quiet=quiet,
        began_before=buffer.first + first * size == 0,
        goes_on=cut,
    )
