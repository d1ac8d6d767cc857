"""Where the slider is: passes of a hand, and percent of travel, from the control heard."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from sigkit.arrays import Flags, Real
from sigkit.errors import InputError
from sigkit.measures.slider.strokes import PAUSE_S, STEP_S, Line, Stroke, line_of, strokes_of
from sigkit.measures.slider.taper import U_UNHEARD, Move, Taper, taper_of
from sigkit.measures.slider.turns import turns_on_the_way

COLUMNS = ["number", "direction", "start_s", "stop_s", "from_percent", "to_percent"]
LEAST_PASS = 0.15
"""A pass covers at least this share of the travel."""
LEAST_POINTS = 20
SMOOTHED = 0.05
"""Share of a stroke over which the control is smoothed."""
LEAST_MOVED_S = 1.0
"""Least time in movement from which places are told: a key let go, or a flick alone, is less."""
UNSEEN = 0.15
"""A bell of speed has gone but 3 % of its way in this share of its time: too little to be seen."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Travel:
    """Passes of a slider, and its place.

    Parameters
    ----------
    passes : DataFrame
        Columns number (from 1), direction ('up' or 'down'), start_s, stop_s (s), from_percent
        and to_percent (% of travel); empty if no movement was seen.
    travel_percent, u_travel_percent : ndarray, shape (n_points,)
        Place in percent of the travel that the capture covers (0 at the lowest control, 100 at
        the highest), and its standard uncertainty; nan where unknown.
    moving : ndarray of bool, shape (n_points,), or None
        Where the control moves, short pauses in a pass included; None if nothing moves.
    why_none : str
        Why neither place nor pass is told though the control moves; empty where they are.
    """

    passes: pd.DataFrame
    travel_percent: Real
    u_travel_percent: Real
    moving: Flags | None
    why_none: str = ""


TURNED = (
    "no places and no passes: the brightness turns back without a rest, so that hand and sound "
    "can't be told apart; take a brighter wave, and rest at both ends"
)
BRIEF = (
    f"no places and no passes: less than {LEAST_MOVED_S:g} s of movement heard, as short as a key "
    "let go; move the slider slowly from end to end"
)


def travel_of(
    time_s: Real,
    control: Real,
    known: Flags,
    *,
    events_mask: Flags | None = None,
    least: float,
    unheard: float = 0.0,
    below: float = 0.0,
    fades: bool = True,
    may_turn: bool = False,
) -> Travel:
    """Find the passes of a slider and its place from the control that is heard.

    Parameters
    ----------
    time_s : ndarray, shape (n_points,)
        Times, s, 10 ms apart.
    control : ndarray, shape (n_points,)
        The control in any unit in which it rises with the slider: level in dB, pitch in cents,
        cutoff in octaves, width.
    known : ndarray of bool, shape (n_points,)
        Where the control can be trusted.
    events_mask : ndarray of bool, shape (n_points,), optional
        Points inside dirt, where the control is disturbed: they are bridged.
    least : float
        Least range of the control that counts as movement, in its unit; positive.
    unheard : float
        Most of the travel, as a share, at each end of which the control may stand still though the
        slider moves; it widens the uncertainty of places, as for a rectangular distribution.
    below : float
        Most of the travel, as a share, that may lie below the lowest control, which is put at half
        of that.
    fades : bool
        Whether the control goes to silence where it is lost, as a level does: then part of the
        travel may lie below what is heard.

    Returns
    -------
    Travel
        Passes, place, and where the slider moves.

    Raises
    ------
    InputError
        Shapes differ, times are not 10 ms apart, or ``least`` is not positive.

    See Also
    --------
    sigkit.measures.slider.taper.taper_of : The law from control to travel, and its assumptions.

    Notes
    -----
    The control moves where it changes, over 0.15 s, by more than 0.2 ``least`` per second and by
    more than four standard uncertainties of that speed. Movements of one direction with no more
    than 0.7 s between them are one pass; a pass covers at least 15 % of the travel.

    Assumed: travel is a monotone function of the control, the same in both directions; the hand
    goes at a roughly even speed, or with the bell-shaped speed of a reach from rest to rest;
    and the passes reach both ends of the travel. If they do not, 0 and 100 % are the lowest
    and highest place reached. Where ``known`` is false and the control falls into that gap and
    comes back, the slider is taken to be at its foot (0 %): a level slider goes to silence.

    Examples
    --------
    >>> t = np.arange(0, 4, 0.01)
    >>> pitch = 1200 * np.clip((t - 1) / 2, 0, 1)
    >>> found = travel_of(t, pitch, np.ones(t.size, bool), least=30.0)
    >>> [(p.direction, round(p.to_percent)) for p in found.passes.itertuples()]
    [('up', 100)]
    """
    t, c, known, mask = _checked(time_s, control, known, events_mask, least)
    usable = known & ~mask & np.isfinite(c)
    if np.count_nonzero(usable) < LEAST_POINTS or np.ptp(c[usable]) < least:
        return _nothing(t.size)
    line = line_of(c, known, mask, least)
    strokes = strokes_of(line, least)
    if not strokes:
        return _nothing(t.size)
    if may_turn and turns_on_the_way(line):
        return _nothing(t.size, TURNED)  # it stands still where it turns
    smooth = _smoothed(line, strokes)
    moves = _moves(line, strokes)
    spans = [abs(float(np.ptp(line.steady[m[0].start : m[-1].stop + 1]))) for m in moves]
    if max(spans) < least:
        return _nothing(t.size)
    moving = _moving(t.size, moves)
    if np.count_nonzero(moving) * STEP_S < LEAST_MOVED_S:
        return _nothing(t.size, BRIEF)
    taper = taper_of(line, moves, smooth, below=below, fades=fades)
    place, u = _places(line, taper, smooth, unheard)
    kept = [m for m in moves if np.ptp(_way(line, m, taper)) >= 100 * LEAST_PASS]
    rows = [_row(n, t, m, _way(line, m, taper)) for n, m in enumerate(kept, 1)]
    return Travel(
        passes=pd.DataFrame(rows, columns=COLUMNS),
        travel_percent=place,
        u_travel_percent=u,
        moving=moving,
    )


def _moving(count: int, moves: list[Move]) -> Flags:
    out = np.zeros(count, bool)
    for m in moves:
        out[m[0].start : m[-1].stop + 1] = True
    return out


def _checked(
    time_s: Real, control: Real, known: Flags, events_mask: Flags | None, least: float
) -> tuple[Real, Real, Flags, Flags]:
    t, c = np.asarray(time_s, np.float64), np.asarray(control, np.float64)
    k = np.asarray(known, bool)
    mask = np.zeros(t.shape, bool) if events_mask is None else np.asarray(events_mask, bool)
    if t.ndim != 1 or not t.shape == c.shape == k.shape == mask.shape:
        raise InputError(
            "time_s, control, known and events_mask must be 1-D and of equal length; got "
            f"{t.shape}, {c.shape}, {k.shape} and {mask.shape}"
        )
    if t.size > 1 and np.max(np.abs(np.diff(t) - STEP_S)) > 0.1 * STEP_S:
        raise InputError("time_s must be 10 ms apart; are these points, or milliseconds?")
    if not least > 0:
        raise InputError(f"least must be positive; got {least}")
    return t, c, k, mask


def _nothing(count: int, why: str = "") -> Travel:
    unknown = np.full(count, np.nan)
    passes = pd.DataFrame([], columns=COLUMNS)
    return Travel(
        passes=passes,
        travel_percent=unknown,
        u_travel_percent=unknown.copy(),
        moving=None,
        why_none=why,
    )


def _smoothed(line: Line, strokes: list[Stroke]) -> Real:
    """Smooth each stroke over a share of its length, and each rest between strokes."""
    out = line.steady.copy()
    edge = 0
    for s in strokes:
        _smooth_part(line, out, edge, s.start, 51)
        width = 2 * round(SMOOTHED * (s.stop - s.start) / 2) + 1
        _smooth_part(line, out, s.start, s.stop + 1, width)
        edge = s.stop + 1
    _smooth_part(line, out, edge, out.size, 51)
    return out


def _smooth_part(line: Line, out: Real, a: int, b: int, width: int) -> None:
    """Put straight-line fits of ``width`` points in place of the points from ``a`` to ``b``."""
    half = min(width, b - a) // 2
    for i in range(a, b):
        reach = min(half, i - a, b - 1 - i)
        part = slice(i - reach, i + reach + 1)
        if not line.foot[part].any():
            out[i] = line.control[part].mean() if reach >= 2 else line.steady[i]


def _moves(line: Line, strokes: list[Stroke]) -> list[Move]:
    """Join strokes of one direction with no more than a pause between them."""
    moves: list[Move] = []
    for s in strokes:
        last = moves[-1][-1] if moves else None
        if (
            last is not None
            and last.up == s.up
            and (s.start - last.stop) * STEP_S <= PAUSE_S + _unseen_s(last, s)
            and not line.foot[last.stop : s.start].any()
        ):
            moves[-1].append(s)
        else:
            moves.append([s])
    return moves


def _unseen_s(before: Stroke, after: Stroke) -> float:
    """Return how long the slow end of one stroke and start of the next may go unseen, s."""
    return UNSEEN * STEP_S * (before.stop - before.start + after.stop - after.start)


def _places(line: Line, taper: Taper, smooth: Real, unheard: float) -> tuple[Real, Real]:
    """Return percent of travel and its standard uncertainty, nan where unknown."""
    u = 100 * taper.u_at(smooth, line.noise / 2)
    u = np.where(line.foot, 100 * max(U_UNHEARD, taper.below / math.sqrt(12)), u)
    place = np.where(line.foot, 0.0, 100 * taper.at(smooth))
    u = np.hypot(u, unheard / math.sqrt(12) * np.hypot(place, 100 - place))
    unknown = ~(line.known | line.bridged | line.foot)
    place[unknown] = np.nan
    u[unknown] = np.nan
    return place, u


def _way(line: Line, move: Move, taper: Taper) -> Real:
    """Return where a pass begins and ends, %."""
    way = 1.0 if move[0].up else -1.0
    first = line.steady[move[0].start] - way * move[0].missed[0]
    last = line.steady[move[-1].stop] + way * move[-1].missed[1]
    return 100 * taper.at(np.array([first, last]))


def _row(
    number: int, t: Real, move: Move, way: Real
) -> tuple[int, str, float, float, float, float]:
    direction = "up" if move[0].up else "down"
    start, stop = t[move[0].start], t[move[-1].stop]
    return number, direction, float(start), float(stop), float(way[0]), float(way[1])
