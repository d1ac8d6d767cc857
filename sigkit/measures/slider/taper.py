"""From a control to percent of travel: the slider's law, estimated from how passes took time."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import optimize

from sigkit.arrays import Flags, Real
from sigkit.measures.slider.strokes import Line, Stroke

GRID = 201
"""Values of the control at which the law is kept."""
UNEVEN = 0.07
"""Rms, over a pass, by which a hand strays from its profile, as a fraction of the pass.

An assumption, of weight `PRIOR_PASSES` passes beside what the passes themselves show."""
PRIOR_PASSES = 3.0
CUE_SPREAD = 0.5
"""Standard deviation of the logarithm of `_end_ratio` about what a profile makes it."""
WHOLE = 0.06
"""A pass is whole when each of its ends is this near, in travel, to the end of the travel."""
NEARLY = 0.95
"""If none is, the longest stands in when it covers this share of the travel."""
U_PIECES = 0.1
"""Rms uncertainty of the law when the travel is only seen in pieces, whose lengths are then taken
from the control itself, as if the law were straight."""
ENDS, INNER = 0.08, 0.25
"""Shares of a pass's time that `_end_ratio` compares."""
UNDER_WAY = 0.25
"""Share of a pass that may be gone before a level is heard, if its law is straight in dB: 15 of
60 dB. Between `UNHEARD` and this a hand may be anywhere on its way."""
UNHEARD, U_UNHEARD = 0.01, 0.025
"""Share of the travel above the foot in which a level is too low to be heard, and its standard
uncertainty. Assumed, since the sound doesn't show it: if hearing ends at -55 dB, a straight law
goes silent at 0.2 % of the travel, and one straight in dB over 60 dB at 8 %."""
START, BEYOND, MOST_BELOW = 0.15, 0.5, 0.5
"""Share of the control's range from which the law at its lower end is taken, how far that may go
on, as a share of the range, and the most of the travel that this may be."""
ROUNDS = 6

Move = list[Stroke]


@dataclass(frozen=True, kw_only=True, eq=False)
class Taper:
    """Travel (0 to 1) as a function of the control, with its standard uncertainty.

    ``below`` is the most of the travel that may lie below the lowest control heard; the lowest is
    put at half of that.
    """

    control: Real
    travel: Real
    u: Real
    below: float = 0.0

    def at(self, control: Real) -> Real:
        """Return the travel, 0 to 1, at values of the control."""
        travel: Real = np.interp(control, self.control, self.travel)
        return travel

    def u_at(self, control: Real, noise: float) -> Real:
        """Return the standard uncertainty of the travel where the control is known to ``noise``."""
        slope = (self.at(control + noise) - self.at(control - noise)) / 2
        u: Real = np.hypot(np.interp(control, self.control, self.u), slope)
        return u


def bell(time: Real) -> Real:
    """Return the way gone in the smoothest movement from rest to rest, both 0 to 1."""
    t = np.clip(time, 0.0, 1.0)
    way: Real = t**3 * (10 - 15 * t + 6 * t**2)
    return way


_BELL_TIME = np.linspace(0, 1, 2001)
_BELL_WAY = bell(_BELL_TIME)


def bell_time(way: float) -> float:
    """Return the time at which `bell` has gone ``way``."""
    return float(np.interp(way, _BELL_WAY, _BELL_TIME))


def taper_of(
    line: Line, moves: list[Move], smooth: Real, *, below: float = 0.0, fades: bool = True
) -> Taper:
    """Estimate the law from control to travel.

    Parameters
    ----------
    line : Line
        The control line, a point each 10 ms.
    moves : list of list of Stroke
        Passes, each a list of the strokes between its pauses; at least one.
    smooth : ndarray, shape (n_points,)
        The control, smoothed.
    below : float
        Most of the travel that may lie below the lowest control, where that is known.
    fades : bool
        Whether the control goes to silence where it is lost.

    Returns
    -------
    Taper
        Travel from 0 at the lowest to 1 at the highest control that the passes reach.

    Notes
    -----
    The sound says when the control had each value, never where the hand was. So the hand is
    assumed to move in one of two ways: at an even speed, or as in [1]_ (from memory), from rest
    to rest with a bell of speed. Which of the two a pass is, is chosen so that the passes agree
    best with each other and that the law is as steep close to the ends of the travel as
    farther in. Travel is then the mean over the whole passes, both directions together, made
    monotone. If no pass is whole, the pieces are put where a straight law has their ends.

    A speed that differs from the assumed one in the same way in all passes shifts the law, and
    no scatter shows it: `UNEVEN` stands for that.

    References
    ----------
    .. [1] T. Flash, N. Hogan, The coordination of arm movements: an experimentally confirmed
       mathematical model, J. Neuroscience 5 (1985) 1688-1703.
    """
    fades = fades and bool(line.foot.any())
    grid, law, u = _law(line, moves, smooth, UNHEARD)
    if not fades:
        return _lifted(grid, law, u, below)
    # Where it is first heard the hand may be on its way already, or just begin.
    one, other = (
        _lifted(grid, law, u, _below(grid, law), fades=True)
        for law, u in ((law, u), _law(line, moves, smooth, UNDER_WAY)[1:])
    )
    apart = np.abs(one.travel - other.travel)
    return Taper(
        control=grid,
        travel=(one.travel + other.travel) / 2,
        u=np.hypot(np.maximum(one.u, other.u), apart / math.sqrt(12)),
        below=max(one.below, other.below),
    )


def _lifted(grid: Real, law: Real, u: Real, below: float, *, fades: bool = False) -> Taper:
    """Return a law whose lowest control lies anywhere up to ``below`` of the travel.

    A rectangular distribution; of a level that ``fades``, the arcsine law, since tapers go silent
    either at once or as they went before.
    """
    at_foot = max(below / math.sqrt(8 if fades else 12), U_UNHEARD if below else 0.0)
    return Taper(
        control=grid,
        travel=below / 2 + (1 - below / 2) * law,
        u=np.hypot((1 - below / 2) * u, at_foot * (1 - law)),
        below=below,
    )


def _law(line: Line, moves: list[Move], smooth: Real, unheard: float) -> tuple[Real, Real, Real]:
    """Return values of the control, the travel at each over what is heard, and its u."""
    ends = np.array([_ends(line, m) for m in moves])
    low, high = float(ends.min()), float(ends.max())
    inside = np.concatenate([smooth[m[0].start : m[-1].stop + 1] for m in moves])
    inner = np.quantile(inside, np.linspace(0.002, 0.998, GRID - 2))
    grid = np.unique(np.concatenate(([low], np.clip(inner, low, high), [high])))
    near = 0.05 * (high - low)
    # Where some passes go down to silence, one that stays above it is no whole one.
    silent = np.array([_from_silence(line, m) for m in moves])
    reach = silent if silent.any() else ~silent
    whole = _whole(ends, reach, (low + near, high - near))
    law: Real = np.interp(grid, [low, high], [0.0, 1.0])
    u: Real = np.zeros(grid.size)
    for k in range(ROUNDS):
        chosen = [m for m, w in zip(moves, whole, strict=True) if w] or moves
        asked = Asked(line, smooth, grid, law, unheard, first=k == 0)
        law, u = _mean_law(asked, chosen, pieces=not any(whole))
        whole = _whole(np.interp(ends, grid, law), reach, (WHOLE, 1 - WHOLE))
    return grid, law, u


def _below(grid: Real, law: Real) -> float:
    """Return the most of the travel that may lie below what is heard, where the control gets lost.

    The law may go on as it begins, for half as far again as it was heard in the control's own
    unit: a law straight in dB does so, one that goes to silence straight is steeper from there on.
    """
    span = float(grid[-1] - grid[0])
    first = float(np.interp(grid[0] + START * span, grid, law))
    return min(first * BEYOND / START, MOST_BELOW)


def _ends(line: Line, move: Move) -> tuple[float, float]:
    """Return the lower and the higher end of a pass."""
    way = 1.0 if move[0].up else -1.0
    first = line.steady[move[0].start] - way * move[0].missed[0]
    last = line.steady[move[-1].stop] + way * move[-1].missed[1]
    return float(min(first, last)), float(max(first, last))


def _from_silence(line: Line, move: Move) -> bool:
    """Whether the lower end of a pass lies at the foot, where nothing is heard."""
    end = move[0].start if move[0].up else move[-1].stop
    return bool(line.foot[max(end - 1, 0) : end + 2].any())


def _whole(ends: Real, reach: Flags, limits: tuple[float, float]) -> list[bool]:
    """Return which passes go from end to end; if none does, the longest that nearly does.

    ``reach`` says which may be whole at all, as far as their lower ends go.
    """
    whole = reach & (ends[:, 0] <= limits[0]) & (ends[:, 1] >= limits[1])
    lengths = ends[:, 1] - ends[:, 0]
    if not whole.any() and lengths.max() >= NEARLY * (ends.max() - ends.min()):
        whole[np.argmax(lengths)] = True
    return [bool(w) for w in whole]


@dataclass(frozen=True)
class Asked:
    """What a round of the search for the law goes from.

    ``law`` is the travel at the values ``grid`` of the control so far, ``first`` whether that is
    only a guess, ``unheard`` the share of a pass that is gone where it is first heard.
    """

    line: Line
    smooth: Real
    grid: Real
    law: Real
    unheard: float
    first: bool


def _mean_law(asked: Asked, moves: list[Move], *, pieces: bool) -> tuple[Real, Real]:
    """Return the mean of the passes' laws under the better choice of profiles, and its u.

    ``pieces``: no pass is whole; each is put where the law so far has its ends.
    """
    curves = np.array([[_curve(asked, m, shape) for shape in (0, 1)] for m in moves])
    if pieces:
        placed = zip(curves, moves, strict=True)
        curves = np.array(
            [_placed(c, _ends(asked.line, m), asked.grid, asked.law) for c, m in placed]
        )
    cues = np.array([_cue(m, asked.smooth) for m in moves])
    shapes = _choose(curves, cues)
    x = curves[np.arange(len(moves)), shapes]
    mean = optimize.isotonic_regression(x.mean(axis=0)).x
    mean = np.clip((mean - mean[0]) / max(mean[-1] - mean[0], 1e-9), 0, 1)
    weights = np.gradient(mean)
    weights = weights / weights.sum()
    strayed = float(np.sum(((x - x.mean(axis=0)) ** 2) @ weights))
    variance = (strayed + PRIOR_PASSES * UNEVEN**2) / (len(moves) - 1 + PRIOR_PASSES)
    shape = 6 * mean * (1 - mean)
    u = np.sqrt(variance * shape / len(moves) + (0.1 * UNEVEN) ** 2)
    return mean, np.hypot(u, U_PIECES * np.sqrt(shape)) if pieces else u


def _placed(curves: Real, ends: tuple[float, float], grid: Real, law: Real) -> Real:
    """Put the curves of a piece of the travel between its ends, and the law elsewhere."""
    a, b = np.interp(ends, grid, law)
    inside = (grid >= ends[0]) & (grid <= ends[1])
    return np.where(inside, a + (b - a) * curves, law)


def _curve(asked: Asked, move: Move, shape: int) -> Real:
    """Return the travel at each value of the grid, had the hand moved with this profile."""
    lengths = np.array([s.stop - s.start for s in move], float)
    stations = np.concatenate(([0], np.cumsum(lengths) / lengths.sum()))
    ways, values = [], []
    for s, a, b in zip(move, stations[:-1], stations[1:], strict=True):
        part = _missed(asked, s, b - a)
        t = np.linspace(0, 1, s.stop - s.start + 1)
        if shape:
            t0, t1 = bell_time(part[0]), bell_time(1 - part[1])
            way = bell(t0 + (t1 - t0) * t)
        else:
            way = part[0] + (1 - part[0] - part[1]) * t
        ways.append(a + (b - a) * way)
        values.append(asked.smooth[s.start : s.stop + 1])
    way, value = np.concatenate(ways), np.concatenate(values)
    if not move[0].up:
        way, value = 1 - way[::-1], value[::-1]
    value = optimize.isotonic_regression(value).x
    value = value + np.arange(value.size) * 1e-12 * max(float(np.ptp(value)), 1e-9)
    low, high = _ends(asked.line, move)
    way = np.concatenate(([0.0], way, [1.0]))
    value = np.concatenate(([min(low, value[0])], value, [max(high, value[-1])]))
    curve: Real = np.interp(asked.grid, value, way)
    return curve


def _missed(asked: Asked, s: Stroke, share: float) -> tuple[float, float]:
    """Return the parts of a stroke's way that lie before its start and after its stop."""
    out = []
    for end, missed, sign in ((s.start, s.missed[0], -1), (s.stop, s.missed[1], 1)):
        step = sign * (1 if s.up else -1) * missed
        if asked.line.foot[max(end - 1, 0) : end + 2].any():
            out.append(asked.unheard)
            continue
        if asked.first or missed == 0:
            part = 0.01 if missed else 0.0
        else:
            c = float(asked.smooth[end])
            there, here = np.interp([c - 2 * step, c], asked.grid, asked.law)
            part = abs(float(there - here)) / 2 / share
        out.append(min(max(part, 0.0), 0.15))
    return out[0], out[1]


def _end_ratio(gone: Real, missed: float) -> float:
    """Return the mean slope in the outer part of an end over that farther in.

    ``gone`` is how far the control has gone from the stroke's first point, and ``missed`` how
    far it had gone before.
    """
    n = gone.size - 1
    outer, inner = (float(np.interp(x * n, np.arange(n + 1), gone)) for x in (ENDS, INNER))
    return ((outer + missed) / ENDS) / max((inner - outer) / (INNER - ENDS), 1e-12)


def _cue(move: Move, smooth: Real) -> tuple[float, float]:
    """Return how badly a pass's ends fit an even speed and a bell: half squares of logarithms."""
    costs = np.zeros(2)
    for s, k in ((move[0], 0), (move[-1], 1)):
        missed = s.missed[k]
        if missed <= 0 or s.stop - s.start < 12:
            continue
        gone = np.abs(smooth[s.start : s.stop + 1] - smooth[s.start if k == 0 else s.stop])
        gone = gone if k == 0 else gone[::-1]
        n = gone.size - 1
        part = missed / max(missed + float(np.interp(INNER * n, np.arange(n + 1), gone)), 1e-12)
        seen = math.log(max(_end_ratio(gone, missed), 1e-3))
        for shape in (0, 1):
            costs[shape] += 0.5 * ((seen - _expected(part, shape)) / CUE_SPREAD) ** 2 / 2
    return float(costs[0]), float(costs[1])


def _expected(part: float, shape: int) -> float:
    """Return the logarithm of `_end_ratio` of a straight law whose first ``part`` was missed."""
    t = np.linspace(0, 0.25, 251)
    profile = bell if shape else np.asarray
    span = 1 - 2 * t
    share = profile(t) / np.maximum(profile(t + INNER * span), 1e-12)
    begun = float(np.interp(part, np.maximum.accumulate(share), t))
    outer, inner = (float(profile(np.array(begun + x * (1 - 2 * begun)))) for x in (ENDS, INNER))
    return math.log((outer / ENDS) / ((inner - outer) / (INNER - ENDS)))


def _choose(curves: Real, cues: Real) -> list[int]:
    """Return each pass's profile (0 even, 1 bell) so that they agree best, and suit their cues."""
    count = len(curves)
    starts = [[0] * count, [1] * count, np.argmin(cues, axis=1).tolist()]
    best: tuple[float, list[int]] = (math.inf, starts[0])
    for shapes in starts:
        cost = _cost(curves, cues, shapes)
        better = True
        while better:
            better = False
            for i in range(count):
                other = [s if j != i else 1 - s for j, s in enumerate(shapes)]
                trial = _cost(curves, cues, other)
                if trial < cost - 1e-9:
                    cost, shapes, better = trial, other, True
        best = min(best, (cost, shapes))
    return best[1]


def _cost(curves: Real, cues: Real, shapes: list[int]) -> float:
    at = np.arange(len(shapes))
    x = curves[at, shapes]
    mean = x.mean(axis=0)
    weights = np.gradient(mean)
    weights = np.maximum(weights, 0) / max(weights.sum(), 1e-9)
    strayed = float(np.sum(((x - mean) ** 2) @ weights))
    return strayed / (2 * UNEVEN**2) * 2 + float(cues[at, shapes].sum())
