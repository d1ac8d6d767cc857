"""The tuning of a keyboard from the errors of its keys: scale, bend at the top, shift, odd keys."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sigkit.arrays import Flags, Real
from sigkit.measures.held_note import clock_term
from sigkit.quantity import Quantity, Term, combine, not_measurable

FEWEST_KEYS = 6
LEAST_SPAN = 0.9
"""Octaves below which no scale is told."""
TOP = 1.0
"""Octaves at the top of the keyboard in which a bend is looked for."""
EACH_SIDE = 4
"""Keys that have to stand on either side of a shift."""
EXPLAINS = 0.6
"""Share of the mean departure that a shift or a bend may leave."""
LEAST_CENTS = 1.5
"""Smallest shift or bend that changes the line."""
STANDS_OUT = 5.0
EFFICIENCY = 1.05
"""Standard deviation of the median of slopes re that of least squares (asymptotic, even spacing,
normal scatter; P. Sen, J. American Statistical Association 63 (1968), from memory)."""
OUTLIER = 4.0
CLOCK_CENTS = 1200 / math.log(2)


@dataclass(frozen=True, eq=False)
class Scale:
    """How the keys of a keyboard are tuned.

    Parameters
    ----------
    scale_error : Quantity
        Slope of the line through the errors, cents/octave.
    offset : Quantity
        That line at the lowest key, cents.
    curvature : Quantity
        Departure from the line at the highest key, of a parabola over the top octave, cents.
    shift : Quantity
        By how much all keys from ``shift_key`` on are off against those below, cents.
    shift_key : int
        0-based; -1: none.
    scatter : Quantity
        Standard deviation of the keys about all that, odd ones left out, cents.
    line, departure : ndarray, shape (n_keys,)
        What is expected of each key, and how far it is from that; nan: no pitch.
    """

    scale_error: Quantity
    offset: Quantity
    curvature: Quantity
    shift: Quantity
    shift_key: int
    scatter: Quantity
    line: Real
    departure: Real


def scale_of(error_cents: Real, u_cents: Real) -> Scale:
    """Fit the tuning of a keyboard.

    Parameters
    ----------
    error_cents, u_cents : ndarray, shape (n_keys,)
        Error of each key, from the lowest on, and its standard uncertainty; nan where a key has no
        pitch.

    Notes
    -----
    The slope is the median of those between all pairs of keys [1]_, so that odd keys do not move
    it; the offset is the mean of what is left, without keys beyond four standard
    deviations. A shift of all keys from one on, or a bend in the
    top octave, is part of the model where it leaves less than 0.6 of the mean absolute departure
    and stands out of the scatter five times; the slope is then that on either side of the shift, or
    below the bend.

    References
    ----------
    .. [1] H. Theil, A rank-invariant method of linear and polynomial regression analysis, Proc.
       Royal Netherlands Academy of Sciences 53 (1950); P. Sen, J. American Statistical Association
       63 (1968), 1379-1389. Both from memory.
    """
    x = np.arange(error_cents.size) / 12
    known = np.isfinite(error_cents)
    why = _too_few(x[known])
    if why:
        none = not_measurable("cents", why)
        nothing = np.full(x.size, np.nan)
        slope = not_measurable("cents/octave", why)
        offset = none
        if known.any():
            middle = float(np.median(error_cents[known]))
            offset = combine(
                middle, "cents", [Term("few keys", max(_spread(error_cents[known]), 0.1), "A")]
            )
            nothing = np.where(known, middle, np.nan)
        return Scale(slope, offset, none, none, -1, none, nothing, error_cents - nothing)
    k, y = x[known], error_cents[known]
    plain = _line(k, y, np.zeros(k.size, bool))
    stepped, at = _stepped(k, y)
    bent = _bent(k, y, x[-1])
    chosen, shift_at, bend = plain, -1, False
    if stepped is not None and _mean(stepped) < EXPLAINS * _mean(plain):
        chosen, shift_at = stepped, at
    if bent is not None and _mean(bent) < min(EXPLAINS * _mean(plain), _mean(chosen)):
        chosen, shift_at, bend = bent, -1, True
    spread = _spread(chosen.rest)
    noise = float(np.sqrt(np.mean(u_cents[known] ** 2)))
    used = chosen.used
    side = np.arange(k.size) >= shift_at if shift_at >= 0 else np.zeros(k.size, bool)
    ku = k[used & ~side] if shift_at >= 0 else k[used]
    spanned = math.sqrt(_squares(k[used & ~side]) + _squares(k[used & side]))
    dof = max(1, int(used.sum()) - (3 if shift_at >= 0 else 2))
    scatter_term = Term("scatter of the keys", EFFICIENCY * spread / spanned, "A", dof)
    slope = combine(chosen.slope, "cents/octave", [_least(scatter_term, noise / spanned)])
    u_offset = spread * math.sqrt(1 / ku.size + (ku.mean() / spanned) ** 2) * EFFICIENCY
    offset = combine(
        chosen.offset,
        "cents",
        [Term("scatter of the keys", u_offset, "A", dof), clock_term(CLOCK_CENTS)],
    )
    line = chosen.offset + chosen.slope * x
    if shift_at >= 0:
        line = line + np.where(x >= k[shift_at], chosen.step, 0.0)
    if bend:
        line = line + chosen.step * _parabola(x, x[-1])
    return Scale(
        slope,
        offset,
        _curvature(k, y, x[-1], chosen if shift_at >= 0 else None),
        _shift(chosen, shift_at, spread, k, spanned),
        round(12 * float(k[shift_at])) if shift_at >= 0 else -1,
        combine(
            spread,
            "cents",
            [Term("number of keys", max(spread / math.sqrt(2 * dof), 1e-6), "A", dof)],
        ),
        line,
        np.where(known, error_cents - line, np.nan),
    )


@dataclass(frozen=True, eq=False)
class _Model:
    slope: float
    offset: float
    step: float
    rest: Real
    used: Flags


def _too_few(x: Real) -> str:
    if x.size < FEWEST_KEYS or float(np.ptp(x)) < LEAST_SPAN:
        return f"{x.size} keys with a pitch: play at least {FEWEST_KEYS} over an octave or more"
    return ""


def _slope(x: Real, y: Real, side: Flags) -> float:
    """Median of the slopes between all pairs on one side."""
    i, j = np.triu_indices(x.size, 1)
    same = side[i] == side[j]
    i, j = i[same], j[same]
    return float(np.median((y[j] - y[i]) / (x[j] - x[i])))


def _line(x: Real, y: Real, side: Flags) -> _Model:
    slope = _slope(x, y, side)
    offset = _centre(y - slope * x)
    return _Model(slope, offset, 0.0, y - slope * x - offset, np.ones(x.size, bool))


def _stepped(x: Real, y: Real) -> tuple[_Model | None, int]:
    """Return the best model in which all keys from one on are shifted, and that key."""
    best, at = None, -1
    for k in range(EACH_SIDE, x.size - EACH_SIDE + 1):
        side = np.arange(x.size) >= k
        slope = _slope(x, y, side)
        flat = y - slope * x
        low, high = _centre(flat[~side]), _centre(flat[side])
        rest = flat - np.where(side, high, low)
        model = _Model(slope, low, high - low, rest, np.ones(x.size, bool))
        if best is None or _mean(model) < _mean(best):
            best, at = model, k
    if best is None:
        return None, -1
    sure = STANDS_OUT * _spread(best.rest) * math.sqrt(1 / at + 1 / (x.size - at))
    if abs(best.step) < max(LEAST_CENTS, sure):
        return None, -1
    return best, at


def _parabola(x: Real, top: float) -> Real:
    """0 below the top octave, then a parabola that is 1 at the highest key."""
    out: Real = np.maximum(x - (top - TOP), 0.0) ** 2 / TOP**2
    return out


def _bent(x: Real, y: Real, top: float) -> _Model | None:
    """Return a line through the keys below the top octave, and a bend in that."""
    below = x <= top - TOP + 1e-9
    if below.sum() < FEWEST_KEYS or (~below).sum() < EACH_SIDE or np.ptp(x[below]) < LEAST_SPAN:
        return None
    line = _line(x[below], y[below], np.zeros(int(below.sum()), bool))
    rest = y - line.offset - line.slope * x
    bend = _bend_of(x[~below], rest[~below], top)
    spread = _spread(rest - bend * _parabola(x, top))
    if abs(bend) < max(LEAST_CENTS, STANDS_OUT * spread / math.sqrt((~below).sum())):
        return None
    return _Model(line.slope, line.offset, bend, rest - bend * _parabola(x, top), below)


def _bend_of(x: Real, rest: Real, top: float) -> float:
    """Height of the parabola at the highest key, by a weighted median: odd keys do not move it."""
    shape = _parabola(x, top)
    order = np.argsort(rest / shape)
    mass = np.cumsum(shape[order])
    return float((rest / shape)[order][np.searchsorted(mass, mass[-1] / 2)])


def _curvature(x: Real, y: Real, top: float, shifted: _Model | None) -> Quantity:
    if shifted is not None:
        return not_measurable("cents", "the keys above one are shifted: see to that first")
    below = x <= top - TOP + 1e-9
    if below.sum() < FEWEST_KEYS or (~below).sum() < EACH_SIDE or np.ptp(x[below]) < LEAST_SPAN:
        return not_measurable("cents", "needs two octaves of keys with a pitch")
    line = _line(x[below], y[below], np.zeros(int(below.sum()), bool))
    rest = y - line.offset - line.slope * x
    bend = _bend_of(x[~below], rest[~below], top)
    spread = _spread(np.concatenate([line.rest, (rest - bend * _parabola(x, top))[~below]]))
    shape = _parabola(x[~below], top)
    own = 1.25 * spread / math.sqrt(float(shape @ shape))
    kb, pull = x[below], shape / float(shape @ shape)
    turn = float(pull @ (x[~below] - kb.mean())) ** 2 / float(np.sum((kb - kb.mean()) ** 2))
    by_line = EFFICIENCY * spread * math.sqrt(float(pull.sum()) ** 2 / kb.size + turn)
    dof = max(1, x.size - 3)
    return combine(
        bend,
        "cents",
        [
            Term("scatter in the top octave", max(own, 1e-6), "A", dof),
            Term("line below it", max(by_line, 1e-6), "A", dof),
        ],
    )


def _shift(model: _Model, at: int, spread: float, x: Real, spanned: float) -> Quantity:
    if at < 0:
        return not_measurable("cents", "no key from which on all are shifted")
    apart = float(x[at:].mean() - x[:at].mean())
    own = math.sqrt(1 / at + 1 / (x.size - at))
    slope = EFFICIENCY * apart / spanned
    terms = [
        Term("scatter of the keys", max(own * spread, 1e-6), "A", max(1, x.size - 3)),
        Term("slope on either side", max(slope * spread, 1e-6), "A", max(1, x.size - 3)),
    ]
    return combine(model.step, "cents", terms)


def _squares(x: Real) -> float:
    return float(np.sum((x - x.mean()) ** 2)) if x.size else 0.0


def _mean(model: _Model) -> float:
    return float(np.mean(np.abs(model.rest)))


def _kept(rest: Real) -> Real:
    """Departures without odd ones: within 4 standard deviations, as quartiles tell these."""
    low, middle, high = np.quantile(rest, [0.25, 0.5, 0.75])
    off = np.abs(rest - middle)
    usual = max(1.4826 * float(np.median(off)), 0.7413 * float(high - low))
    kept: Real = rest[off <= max(OUTLIER * usual, 1e-9)]
    return kept


def _centre(rest: Real) -> float:
    """Mean without odd ones."""
    return float(np.mean(_kept(rest)))


def _spread(rest: Real) -> float:
    """Return the standard deviation without odd ones; a slope was taken out as well."""
    kept = _kept(rest)
    return float(np.std(kept, ddof=2 if kept.size > 4 else 1)) if kept.size > 2 else 0.0


def _least(term: Term, least: float) -> Term:
    """Return a term that is no smaller than the noise of the keys makes it."""
    return Term(term.source, max(term.u, least, 1e-9), term.evaluation, term.dof)
