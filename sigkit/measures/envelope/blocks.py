"""An envelope in blocks of unequal length: short where it bends, long where it is still."""

from __future__ import annotations

from typing import NamedTuple, Protocol

import numpy as np

from sigkit.arrays import Real

GROWTH = 12
"""Distance from the nearest bend per length of block."""


class Source(Protocol):
    """What gives an envelope in blocks."""

    @property
    def period_s(self) -> float:
        """Shortest time in which it can be told everywhere."""

    def blocks(self, edges: Real) -> tuple[Real, Real, Real]:
        """Return time, envelope and its standard deviation between times."""


class Blocks(NamedTuple):
    """An envelope in blocks of any length.

    Parameters
    ----------
    time_s, gain, u_gain : ndarray, shape (n_blocks,)
        Centre, envelope and its standard deviation by noise.
    """

    time_s: Real
    gain: Real
    u_gain: Real

    def between(self, start_s: float, stop_s: float) -> Blocks:
        """Return the blocks whose centres lie between two times."""
        kept = (self.time_s >= start_s) & (self.time_s < stop_s)
        return Blocks(self.time_s[kept], self.gain[kept], self.u_gain[kept])


def edges_about(
    start_s: float,
    stop_s: float,
    anchors: list[tuple[float, float]],
    most_s: float,
    growth: float = GROWTH,
) -> Real:
    """Return block edges that are as close as asked at some times and wider away from them.

    Parameters
    ----------
    start_s, stop_s : float
        From and to.
    anchors : list of (float, float)
        Times, and the length of block there.
    most_s : float
        Longest block.
    growth : float
        Distance from the nearest anchor per length of block.
    """
    at, width = np.array(anchors).T
    edges = [start_s]
    while edges[-1] < stop_s:
        t = edges[-1]
        apart = np.abs(at - t)
        step = float(np.min(np.maximum(width, apart / growth)))
        edges.append(min(t + min(step, most_s), stop_s))
    return np.array(edges)


def blocks_of(source: Source, edges: Real) -> Blocks:
    """Return the envelope in blocks."""
    return Blocks(*source.blocks(edges))
