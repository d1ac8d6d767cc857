"""Filters that answer how far a phase leaps, and how much it bends, at every instant."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sigkit.arrays import Real

LEAP, BEND, PLAIN_BEND, ROUNDING = range(4)
"""Rows of the filters: leap of the phase; bend beside parabolas; bend beside straight lines;
by how much the phase is rounded off just beside the instant."""


@dataclass(frozen=True, eq=False)
class Filters:
    """Least squares on both sides of an instant, as one filter for each answer.

    Parameters
    ----------
    half : int
        Points of the grid from the instant to the end of a side.
    rows : ndarray, shape (4, 2 * half + 1)
        Weights of leap, bend, plain bend and rounding.
    gain : ndarray, shape (4,)
        Noise of each answer, in units of that of one point.
    """

    half: int
    rows: Real
    gain: Real

    @classmethod
    def of(cls, side: int, beside_leap: int, beside_bend: int, step_s: float) -> Filters:
        """Make the filters for sides so long, in points, beginning so far from the instant."""
        half = beside_bend + side
        place = np.arange(-half, half + 1)
        rows = np.zeros((4, place.size))
        near, far = np.abs(place) >= beside_leap, np.abs(place) >= beside_bend
        t = place[near] * step_s
        rows[LEAP, near] = 2 * np.linalg.pinv(np.column_stack([np.sign(t), t]))[0]
        t = place[far] * step_s
        even = np.column_stack([np.abs(t), np.ones_like(t), t**2])
        rows[BEND, far] = 2 * np.linalg.pinv(even)[0]
        rows[PLAIN_BEND, far] = 2 * np.linalg.pinv(even[:, :2])[0]
        rows[ROUNDING] = _rounding(np.abs(place), beside_bend)
        return cls(half, rows, np.sqrt(np.sum(rows**2, axis=1)))


def _rounding(away: Real, beside: int) -> Real:
    """Weights of the mean phase close beside an instant less the line through that further off."""
    close, far = (away >= beside) & (away < 2 * beside), away >= 2 * beside
    weights = np.zeros(away.size)
    if np.unique(away[far]).size < 2:
        return weights
    line = np.linalg.pinv(np.column_stack([np.ones(int(far.sum())), away[far]]))
    weights[close] = 1 / close.sum()
    weights[far] = -np.array([1.0, away[close].mean()]) @ line
    return weights


def middle_of_peak(size: Real) -> int:
    """Middle of the places about the largest value that come near it."""
    top = int(np.argmax(size))
    high = np.flatnonzero(size > 0.9 * size[top])
    run = high[np.cumsum(np.diff(high, prepend=high[0]) > 2) == 0] if top == high[0] else high
    near = run[np.abs(run - top) <= np.ptp(run)]
    return int(near[near.size // 2])
