"""An envelope in blocks of unequal length: short where it bends, long where it is still."""

from __future__ import annotations

from collections.abc import Callable
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

    def at_centres(self, curve: Callable[[Real], Real]) -> Blocks:
        """Return values at the centres and not means over blocks, of what bends as a curve does.

        The mean of a parabola lies between its middle and that of its chord, at a third of the way.
        """
        t = self.time_s
        between = 0.5 * (t[1:] + t[:-1])
        ends = np.concatenate([[2 * t[0] - between[0]], between, [2 * t[-1] - between[-1]]])
        at_ends, own = curve(ends), curve(t)
        if not (np.isfinite(at_ends).all() and np.isfinite(own).all()):
            return self
        chord = at_ends[:-1] + np.diff(at_ends) * (t - ends[:-1]) / np.diff(ends)
        return self._replace(gain=self.gain - (chord - own) / 3)


def edges_about(
    start_s: float,
    stop_s: float,
    anchors: list[tuple[float, float]],
    most_s: float,
    growth: float = GROWTH,
    *,
    at_anchors: bool = False,
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
    at_anchors : bool
        Whether each anchor is an edge: the mean over a block that holds a bend is not the value at
        its centre.
    """
    edges, t = [start_s], start_s
    inner = sorted(at for at, _ in anchors if start_s < at < stop_s) if at_anchors else []
    ahead = [*inner, stop_s]
    while t < stop_s:
        step = min(max(width, abs(at - t) / growth) for at, width in anchors)
        while t >= ahead[0]:
            del ahead[0]
        t = min(t + min(step, most_s), ahead[0])
        edges.append(t)
    return np.array(edges)


def blocks_of(source: Source, edges: Real) -> Blocks:
    """Return the envelope in blocks."""
    return Blocks(*source.blocks(edges))
