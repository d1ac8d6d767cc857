"""When a level is crossed, read from the envelope itself without any model of the whole release."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sigkit.arrays import Real
from sigkit.measures.envelope.blocks import Source, blocks_of, edges_about
from sigkit.measures.envelope.model import fit_curve

SPAN, MOST_SPAN = 0.5, 1.4
"""Stretch before a crossing, in times in which the level falls to 1/e there."""
AFTER = 0.45
"""The same after it: an amplifier that closes cuts the fall off at 1."""
BLOCKS = 24
HIDDEN = 0.2
"""Uncertainty of ln(level) at a crossing from which on the floor hides it."""
FLAT = 0.3
"""Uncertainty of the slope re itself from which on a level is not crossed but touched."""
SURE = 0.003
"""Uncertainty of ln(level) that a longer stretch need not better."""


@dataclass(frozen=True)
class Crossing:
    """When a level is crossed on the way down.

    Parameters
    ----------
    time_s, u_time_s : float
        The instant and its standard uncertainty by noise.
    fall_s : float
        Time in which the level falls to 1/e there.
    """

    time_s: float
    u_time_s: float
    fall_s: float


def crossing(
    source: Source,
    level: float,
    from_s: float,
    to_s: float,
    fall_s: float,
    shortest_s: float,
    bend_s: float = math.inf,
) -> Crossing | None:
    """Find when an envelope falls through a level.

    Parameters
    ----------
    source : Source
        The envelope.
    level : float
        The level.
    from_s, to_s : float
        Where it is looked for; the envelope lies above the level at the first.
    fall_s : float
        Rough time in which it falls to 1/e.
    shortest_s : float
        Shortest block.
    bend_s : float
        Longest stretch before a crossing over which its logarithm may be taken for a parabola.

    Returns
    -------
    Crossing or None
        None where the level is not reached, or is hidden by the floor.

    Notes
    -----
    The logarithm of the envelope is taken as a parabola over the stretch in which it passes the
    level, and fitted to the envelope itself, whose noise is even. Any smooth fall is straight
    enough over so short a stretch.
    """
    found = _rough(source, level, from_s, to_s, fall_s, shortest_s)
    if found is None:
        return None
    at, own = found
    best = None
    for _ in range(6):
        # Where a fall slows down to a rest, its logarithm bends within a time constant.
        longest = min(MOST_SPAN * own, bend_s)
        half = min(SPAN * own, longest)
        best = _local(source, level, at, half, own, (from_s, to_s), shortest_s)
        while (best is None or best[1] > SURE) and half < longest:
            half *= 1.35
            best = _local(source, level, at, half, own, (from_s, to_s), shortest_s) or best
        if best is None:
            return None
        moved, own = best[0] - at, min(max(best[2], own / 3), own * 3)
        at = best[0]
        if abs(moved) < 0.05 * half:
            break
    if best is None or best[1] > HIDDEN or not from_s < at < to_s:
        return None
    return Crossing(at, best[1] * best[2], best[2])


def _rough(
    source: Source, level: float, from_s: float, to_s: float, fall_s: float, shortest_s: float
) -> tuple[float, float] | None:
    """Return a first instant, and how fast it falls there."""
    step = max(fall_s / 12, shortest_s)
    rough = blocks_of(source, edges_about(from_s, to_s, [(from_s, step)], max(fall_s, step)))
    t, g, u = rough
    if t.size < 4:
        return None
    sure = g + 2 * u < level
    low = np.flatnonzero(sure)
    if not low.size:
        low = np.flatnonzero(g < level)
        if not low.size:
            return None
    i = int(low[0])
    # Blocks that lie below by chance only, or that rise again, are not the end.
    above = np.flatnonzero(g[:i] > level)
    j = int(above[-1]) if above.size else max(0, i - 1)
    high, low_gain = max(float(g[j]), 1.0001 * level), max(float(g[i]), 0.05 * level)
    low_gain = min(low_gain, 0.9999 * level)
    share = math.log(high / level) / math.log(high / low_gain)
    at = float(t[j] + share * (t[i] - t[j]))
    first = np.flatnonzero(g[: j + 1] > 2.5 * level)
    k = int(first[-1]) if first.size else 0
    if t[k] < at and g[k] > 1.02 * level:
        own = (at - float(t[k])) / math.log(float(g[k]) / level)
    else:
        own = fall_s
    return at, max(min(own, 5 * fall_s), 4 * shortest_s)


def _local(
    source: Source,
    level: float,
    at: float,
    half: float,
    own: float,
    bounds: tuple[float, float],
    shortest_s: float,
) -> tuple[float, float, float] | None:
    """Return instant, uncertainty of ln(level) there, and time of fall to 1/e, from a parabola."""
    from_s, to_s = bounds
    begin, end = max(from_s, at - half), min(to_s, at + min(half, AFTER * own))
    if not end > begin:
        return None
    step = max((end - begin) / BLOCKS, shortest_s)
    data = blocks_of(source, np.arange(begin, end + 0.5 * step, step))
    if data.time_s.size < 5:
        return None
    x = (data.time_s - at) / half
    powers = np.stack([np.ones_like(x), x, x**2])

    def curve(p: Real) -> tuple[Real, Real]:
        value = level * np.exp(np.clip(p[0] + p[1] * x + p[2] * x**2, -30, 30))
        return value, value * powers

    weight = 1 / data.u_gain
    fit = fit_curve(curve, data.gain, weight, np.array([0.0, -SPAN, 0.0]), steps=30)
    a, b, c = fit.values.tolist()
    root = b * b - 4 * a * c
    if not b < 0 or root < 0:
        return None
    x0 = -2 * a / (b - math.sqrt(root))
    slope = b + 2 * c * x0
    if not slope < 0 or abs(x0) > 1.5:
        return None
    grown = fit.inflation()
    if math.sqrt(max(float(fit.inverse[1, 1]), 0.0)) * grown > FLAT * abs(slope):
        return None
    by = np.array([1.0, x0, x0 * x0])
    u = math.sqrt(max(float(by @ fit.inverse @ by), 0.0)) * grown
    return at + half * x0, u, -half / slope
