"""A stretch of sound that follows itself, sample for sample: a buffer that was sent twice."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

SHORTEST, LONGEST = 32, 16384
"""Frames of a buffer."""
EVERY = 16
"""One place in so many is looked at; sound decides which, so that both copies agree on it."""
LEAST_VALUES = 12
"""Different samples that a stretch must hold: two levels of a pulse repeat by themselves."""
MULTIPLIERS = np.array(
    [0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9, 0x27D4EB2F165667C5]
)
MOST = 200
KEPT_FRAMES = 2**19
LEAST_STEPS = 4
"""Difference beside a copy, in steps of the file: a smaller one is rounding of one wave."""
MOST_TIMES = 4
CHANCE = 24
"""Samples in a row that do not agree by chance."""


@dataclass(frozen=True)
class Repeat:
    """A stretch that follows itself.

    Parameters
    ----------
    first : int
        Frame at which the second copy begins.
    frames : int
        Length of a copy.
    times : int
        How often it is sent again.
    """

    first: int
    frames: int
    times: int = 1


class Repeats:
    """Finds repeated stretches in consecutive blocks.

    Notes
    -----
    Four samples in a row give a number; where it is a multiple of 16, the place is remembered. Two
    places with one number are compared sample for sample, both ways. A copy counts where it is as
    long as the two places lie apart, and where the sound beside it does not repeat itself at that
    distance: a digital tone whose period fits does so everywhere.
    """

    def __init__(self, channel: int, step: float = 2.0**-23) -> None:
        self.channel, self.step = channel, step
        self.sound = np.zeros(0)
        self.waiting: list[NDArray[np.float64]] = []
        self.count = 0
        self.begin = 0
        self.list: list[Repeat] = []

    def add(self, first: int, frames: NDArray[np.float64]) -> None:
        """Look at the chosen channel of one block."""
        if not self.count:
            self.begin = first
        self.waiting.append(frames[:, self.channel].copy())
        self.count += len(frames)
        if self.count >= KEPT_FRAMES:
            self._search(last=False)

    def found(self) -> list[Repeat]:
        """Return every repeat, after the last block."""
        if self.count > SHORTEST:
            self._search(last=True)
        return self.list

    def _search(self, last: bool) -> None:
        self.sound = np.concatenate(self.waiting)
        x = self.sound
        for at, lag in self._matches(x):
            if len(self.list) >= MOST:
                break
            self._compare(x, at, lag, last)
        keep = 0 if last else 3 * LONGEST
        self.begin += len(self.sound) - keep
        self.waiting = [self.sound[len(self.sound) - keep :].copy()]
        self.count = keep

    def _matches(self, x: NDArray[np.float64]) -> list[tuple[int, int]]:
        """Return places and distances where four samples in a row come again."""
        bits = x.view(np.uint64)
        bits = bits ^ (bits >> np.uint64(29))
        count = len(x) - 3
        if count < 1:
            return []
        with np.errstate(over="ignore"):
            number = np.zeros(count, np.uint64)
            for i, multiplier in enumerate(MULTIPLIERS.astype(np.uint64)):
                number += bits[i : i + count] * multiplier
            number ^= number >> np.uint64(32)
        moves = np.diff(x) != 0
        alive = moves[:count] & moves[1 : count + 1] & moves[2 : count + 2] if count > 2 else None
        if alive is None or len(alive) < count:
            alive = np.concatenate([moves[: count - 1], [False]])
        at = np.flatnonzero((number % np.uint64(EVERY) == 0) & alive[:count])
        order = at[np.argsort(number[at], kind="stable")]
        same = number[order[1:]] == number[order[:-1]]
        first, lag = order[:-1][same], np.diff(order)[same]
        near = (lag >= SHORTEST) & (lag <= LONGEST)
        first, lag = first[near], lag[near]
        if not len(first):
            return []
        # A copy gives many places at one distance; one of each run of them is enough.
        order = np.lexsort((first, lag))
        first, lag = first[order], lag[order]
        new = np.concatenate([[True], (np.diff(lag) != 0) | (np.diff(first) > lag[1:])])
        found = sorted(zip(first[new].tolist(), lag[new].tolist(), strict=True))
        return found if len(found) <= 20 * MOST else []

    def _repeats_anyway(self, x: NDArray[np.float64], lag: int, start: int, stop: int) -> bool:
        """Whether the sound agrees with itself at that distance at other places too."""
        equal = x[:-lag] == x[lag:]
        equal[start:stop] = False
        edges = np.flatnonzero(np.diff(np.concatenate([[False], equal, [False]])))
        begins, ends = edges[::2], edges[1::2]
        long = ends - begins >= CHANCE
        moves = np.concatenate([[0], np.cumsum(np.diff(x) != 0)])
        alive = moves[ends[long] - 1] - moves[begins[long]] > CHANCE // 2
        return int((ends - begins)[long][alive].sum()) > lag // 4

    def _compare(self, x: NDArray[np.float64], at: int, lag: int, last: bool) -> None:
        """Measure how far two places agree, and take a copy for what it is."""
        if _ends_at_once(x, at, lag):
            return
        low, high = max(0, at - 9 * lag), min(len(x), at + 10 * lag)
        equal = x[low : high - lag] == x[low + lag : high]
        here = at - low
        if here >= len(equal) or not equal[here]:
            return
        wrong = np.flatnonzero(~equal)
        before, after = wrong[wrong < here], wrong[wrong > here]
        start = int(before[-1]) + 1 if len(before) else 0
        stop = int(after[0]) if len(after) else len(equal)
        length = stop - start
        if length < lag or (not last and high == len(x) and stop == len(equal)):
            return
        if start == 0 and low > 0:
            return
        if length > MOST_TIMES * lag or length % lag > lag // 2:
            return
        apart = np.abs(x[low : high - lag] - x[low + lag : high])
        for beside in (apart[max(0, start - 2 * lag) : start], apart[stop : stop + 2 * lag]):
            if len(beside) < lag // 2 or np.median(beside) < LEAST_STEPS * self.step:
                return
        copy = self.sound[low + start : low + start + lag]
        if np.unique(copy).size < LEAST_VALUES:
            return
        second = self.sound[low + start + lag : low + start + 2 * lag]
        if not np.array_equal(copy, second):
            return
        if self._repeats_anyway(x, lag, low + start, low + stop):
            return
        frame = self.begin + low + start + lag
        if not any(abs(frame - known.first) <= LONGEST for known in self.list[-8:]):
            self.list.append(Repeat(frame, lag, length // lag))


def _ends_at_once(x: NDArray[np.float64], at: int, lag: int) -> bool:
    """Whether what agrees about a place is shorter than the distance, as most of it is."""
    low, high = max(0, at - lag), min(len(x) - lag, at + lag)
    wrong = np.flatnonzero(x[low:high] != x[low + lag : high + lag]) + low
    after = int(np.searchsorted(wrong, at))
    return 0 < after < len(wrong) and bool(wrong[after] - wrong[after - 1] <= lag)
