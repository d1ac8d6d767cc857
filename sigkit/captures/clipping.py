"""Flat tops: runs of equal samples at the highest or lowest value that look cut off, not drawn."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

SHORTEST_AT_FULL_SCALE = 3
SHORTEST_BELOW = 4
FEWEST_BELOW = 3
CORNER_STEPS = 16
STRAIGHT = 6
LARGEST_STEP = 2.0**-12
FIRST_TIMES = 3


@dataclass
class FlatTops:
    """Runs of equal extreme samples on one side of a signal, found block by block.

    Parameters
    ----------
    sign : {1, -1}
        Look at the highest samples, or at the lowest.
    code : float
        Step of one code of the file's sample format.

    Notes
    -----
    A run of n equal samples at the top of a smooth curve is what rounding to steps of one code
    makes of it: a parabola that stays within one step over n samples has fallen by less than 10
    steps n samples further on. A run that falls by more than 16 steps on both sides is therefore
    cut off, or it is the top of a pulse. At full scale the two are not told apart. Below, a run
    counts only if it ends in a corner on both sides and if at least one side takes longer than an
    edge of a pulse (4 samples, or 1/16 of the top). A corner falls by 16 steps within 2 samples,
    and by no more than 6 times that within 4: a pulse behind a low-pass filter bends more gently,
    or faster. So clipping below full scale is found in tones of about 40 samples a period or more.
    """

    sign: int
    code: float
    level: float = -np.inf
    runs_at: list[NDArray[np.int64]] = field(default_factory=list)
    lengths: list[NDArray[np.int64]] = field(default_factory=list)
    cornered: list[NDArray[np.bool_]] = field(default_factory=list)

    def add(self, block: NDArray[np.float64], first: int, step: float, swing: float) -> None:
        """Look at one block.

        Parameters
        ----------
        block : ndarray, shape (n_samples,)
            Samples, full scale = 1.
        first : int
            Index of its first sample in the capture.
        step : float
            Smallest step of the samples seen so far.
        swing : float
            Highest less lowest sample seen so far.
        """
        top = float(self.sign * (block.max() if self.sign > 0 else block.min()))
        if top < self.level or top <= 0:
            return
        if top > self.level:
            self.level = top
            self.runs_at, self.lengths, self.cornered = [], [], []
        at = np.flatnonzero(block == self.sign * top)
        breaks = np.flatnonzero(np.diff(at) > 1)
        start = at[np.concatenate(([0], breaks + 1))]
        stop = at[np.concatenate((breaks, [len(at) - 1]))]
        length = stop - start + 1
        long = (length >= SHORTEST_AT_FULL_SCALE) & (start >= 4) & (stop < len(block) - 4)
        start, stop, length = start[long], stop[long], length[long]
        if not len(start):
            return

        def fall(distance: NDArray[np.int64] | int) -> NDArray[np.float64]:
            before = block[np.maximum(start - distance, 0)]
            after = block[np.minimum(stop + distance, len(block) - 1)]
            return top - self.sign * np.stack((before, after))

        deepest = np.max([fall(np.maximum(length // part, 2)) for part in (1, 2, 4, 8)], axis=0)
        smooth = CORNER_STEPS * max(self.code, min(step, LARGEST_STEP))
        cut = (deepest > smooth).all(axis=0)
        near = np.maximum(fall(1), fall(2))
        corner = ((near > CORNER_STEPS * step) & (fall(4) <= STRAIGHT * near)).all(axis=0)
        corner &= length >= SHORTEST_BELOW
        edge = np.max([fall(distance) for distance in (1, 2, 3, 4)] + [fall(length // 16)], axis=0)
        slow = (edge < swing / 2).any(axis=0)
        self.runs_at.append(first + start[cut])
        self.lengths.append(length[cut])
        self.cornered.append((corner & slow)[cut])

    def found(self, at_full_scale: bool) -> tuple[NDArray[np.int64], int]:
        """Return the first samples of the cut-off runs, and how many samples they hold."""
        if not self.runs_at:
            return np.empty(0, np.int64), 0
        at, lengths = np.concatenate(self.runs_at), np.concatenate(self.lengths)
        if not at_full_scale:
            keep = np.concatenate(self.cornered)
            few = np.count_nonzero(keep) < FEWEST_BELOW
            if few or lengths[keep].sum() < lengths.sum() / 2:
                return np.empty(0, np.int64), 0
            at, lengths = at[keep], lengths[keep]
        return at, int(lengths.sum())
