"""Where a control line moves: swings of one direction, cut into strokes between pauses."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from sigkit.arrays import Flags, Real, runs

STEP_S = 0.01
"""Time between two points of the control line."""
PAUSE_S = 0.7
"""A rest no longer than this, after which the control goes on the same way, is a pause."""
STROKE_S = 0.08
"""Rests shorter than this do not part two strokes (two widths of the speed's window would)."""
LIMIT_PER_S = 0.2
"""The control moves when it changes faster than this times ``least`` in a second."""
SIGMAS = 4.0
"""... and faster than this many standard uncertainties of the speed."""
WINDOWS = (15, 41, 81)
"""Points over which the speed is fitted: short ones for quick strokes, long ones for slow."""
AROUND, STILL = 101, 0.25
"""A pause: the speed, over the shortest window, falls below this share of that over `AROUND`."""
NEAR_S = 0.3
"""Stretch beside a gap in which the control must fall, or rise, for the gap to be the foot."""
LONG_GAP_S = 0.1
"""Gaps of the control without dirt are bridged up to this length."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Line:
    """A control line without gaps, and what is known of it."""

    control: Real
    steady: Real
    """The control smoothed over five points; sharp edges are kept to two points."""
    noise: float
    known: Flags
    bridged: Flags
    foot: Flags


@dataclass(frozen=True, kw_only=True)
class Stroke:
    """One movement without a pause: ``start`` and ``stop`` are points, ``up`` its direction."""

    start: int
    stop: int
    up: bool
    missed: tuple[float, float]
    """How far the control had gone before ``start``, and went on after ``stop``."""


def noise_of(control: Real, usable: Flags) -> float:
    """Return the standard deviation of the noise from point to point, from second differences.

    A smooth movement leaves little in them; the median passes over corners.
    """
    whole = usable[:-2] & usable[1:-1] & usable[2:]
    bends = np.diff(control, 2)[whole]
    return float(np.median(np.abs(bends)) / 0.6745 / math.sqrt(6)) if bends.size else 0.0


def line_of(control: Real, known: Flags, events_mask: Flags, least: float) -> Line:
    """Bridge dirt and short gaps, and put the control at its lowest where it is at the foot."""
    usable = known & ~events_mask & np.isfinite(control)
    at = np.flatnonzero(usable)
    filled = np.interp(np.arange(control.size), at, control[at])
    span = float(np.ptp(control[at]))
    foot = np.zeros(control.size, bool)
    bridged = events_mask & ~usable
    for a, b in runs(~usable):
        gap = ~known[a:b] & ~events_mask[a:b]
        if gap.any() and _is_foot(filled, usable, (a, b), least, span):
            foot[a:b] = True
        elif b - a <= round((PAUSE_S if not gap.any() else LONG_GAP_S) / STEP_S):
            bridged[a:b] = True
        else:
            bridged[a:b] = False
    filled[foot] = control[at].min()
    steady = ndimage.uniform_filter1d(ndimage.median_filter(filled, 3, mode="nearest"), 5)
    noise = noise_of(control, usable)
    return Line(
        control=filled,
        steady=np.where(foot, filled, steady),
        noise=noise,
        known=usable,
        bridged=bridged & ~foot,
        foot=foot,
    )


def _is_foot(filled: Real, usable: Flags, gap: tuple[int, int], least: float, span: float) -> bool:
    """Whether the control falls into a gap and comes back, as far as both sides are there."""
    near = round(NEAR_S / STEP_S)
    a, b = gap
    lowest = float(filled[usable].min())
    sides = []
    for side, inner in ((slice(max(a - near, 0), a), -1), (slice(b, b + near), 0)):
        points = filled[side][usable[side]]
        if points.size < 3:
            continue
        edge = float(points[inner])
        fall = float(points.max()) - edge
        steep = fall >= least / 2 and edge < lowest + 0.5 * span
        sides.append(edge <= points.min() + 0.2 * fall and (steep or fall >= 0.3 * span))
    return bool(sides) and all(sides)


def strokes_of(line: Line, least: float) -> list[Stroke]:
    """Cut the line into strokes: monotone, faster than the limit, parted by rests."""
    moving, still = _moving(line, least)
    strokes: list[Stroke] = []
    turns = turning_points(line.steady, max(least, 6 * line.noise))
    for a, b in itertools.pairwise(turns):
        up = bool(line.steady[b] > line.steady[a])
        swing = (moving[0 if up else 1] & ~still)[a : b + 1]
        closed = ndimage.binary_closing(np.pad(swing, 10), np.ones(round(STROKE_S / STEP_S), bool))
        found = [(a + i, a + j - 1) for i, j in runs(closed[10:-10])]
        for k, (i, j) in enumerate(found):
            before = found[k - 1][1] + 1 if k else a
            after = found[k + 1][0] - 1 if k + 1 < len(found) else b
            stroke = _trim(line, i, j, 1.0 if up else -1.0, (before, after))
            if stroke is not None:
                strokes.append(stroke)
    return strokes


def _moving(line: Line, least: float) -> tuple[tuple[Flags, Flags], Flags]:
    """Return where the line moves up, where it moves down, and where it pauses within that."""
    up, down = np.zeros((2, line.control.size), bool)
    for window in WINDOWS:
        speed = _speed(line.control, window)
        limit = max(LIMIT_PER_S * least * STEP_S, SIGMAS * line.noise * _slope_noise(window))
        up |= speed > limit
        down |= -speed > limit
    short = np.abs(_speed(line.control, WINDOWS[0]))
    around = np.abs(_speed(line.control, AROUND))
    clear = around * STILL > 2 * line.noise * _slope_noise(WINDOWS[0])
    return (up, down), clear & (short < STILL * around)


def _slope_noise(window: int) -> float:
    """Return the noise of a slope per point, re that of the points it is fitted to."""
    return math.sqrt(12 / (window**3 - window))


def _speed(control: Real, window: int) -> Real:
    """Return the slope of a straight line through ``window`` points around each, per point."""
    at = np.arange(window) - window // 2
    slope: Real = ndimage.correlate1d(control, at / float(np.sum(at**2)), mode="nearest")
    return slope


def turning_points(steady: Real, turn: float) -> list[int]:
    """Return where the line turns back by more than ``turn``, with its ends."""
    high = low = way = 0
    out = [0, steady.size - 1]
    for i, v in enumerate(steady):
        high = i if v > steady[high] else high
        low = i if v < steady[low] else low
        if way >= 0 and v < steady[high] - turn:
            out.append(high)
            way, low = -1, i
        elif way <= 0 and v > steady[low] + turn:
            out.append(low)
            way, high = 1, i
        if way < 0:
            high = low
        elif way > 0:
            low = high
    if way:
        out.append(high if way > 0 else low)
    return sorted(set(out))


def _trim(line: Line, i: int, j: int, way: float, room: tuple[int, int]) -> Stroke | None:
    """Move both ends of a stroke to where the control leaves its rests by more than noise."""
    gone = way * line.steady[room[0] : room[1] + 1]
    foot = line.foot[room[0] : room[1] + 1]
    noise = line.noise / math.sqrt(5)
    half = float(gone.min() + gone.max()) / 2
    middle = int(np.flatnonzero(gone >= half)[0])
    if not i <= room[0] + middle <= j:  # a rest that a long window took for movement
        return None
    first, last = _rest(gone[: middle + 1], noise), -_rest(-gone[middle:], noise)
    if last - first < max(12 * noise, 1e-12):
        return None
    margin = max(3 * noise, 0.002 * (last - first))
    start = int(np.flatnonzero(gone[: middle + 1] <= first + margin)[-1])
    stop = middle + int(np.flatnonzero(gone[middle:] >= last - margin)[0])
    if stop <= start + 1:
        return None
    return Stroke(
        start=start + room[0],
        stop=stop + room[0],
        up=way > 0,
        missed=(
            0.0 if foot[start] else max(float(gone[start]) - first, 0.0),
            0.0 if foot[stop] else max(last - float(gone[stop]), 0.0),
        ),
    )


def _rest(gone: Real, noise: float) -> float:
    """Return the level from which a rising stretch starts: the middle of its lowest points."""
    return float(np.median(gone[gone <= gone.min() + 5 * noise]))
