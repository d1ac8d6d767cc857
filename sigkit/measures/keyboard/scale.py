"""The tuning of a keyboard from the errors of its keys: scale, bend at the top, shift, odd keys."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

from sigkit.arrays import Flags, Real
from sigkit.measures.held_note import clock_term
from sigkit.measures.keyboard.scatter import odd_of, spread_u
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
FALSE_SHIFT = 1e-3
"""Chance of a shift where there is none; in normal scatter, over all keys from which it may be."""
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
    worst_key : Quantity
        The largest departure, cents.
    line, departure : ndarray, shape (n_keys,)
        What is expected of each key, and how far it is from that; nan: no pitch.
    """

    scale_error: Quantity
    offset: Quantity
    curvature: Quantity
    shift: Quantity
    shift_key: int
    scatter: Quantity
    worst_key: Quantity
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
    Odd keys are told by their departures from the median of the slopes between all pairs of keys
    [1]_, which they do not move; the line is that of least squares through the other keys, whose
    scatter gives its uncertainty by Student's t. A shift of all keys from one on, or a bend in the
    top octave, is part of the model where it leaves less than 0.6 of the mean absolute departure
    and stands out of the scatter; the slope is then that on either side of the shift, or below the
    bend.

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
        return _no_scale(error_cents, known, why)
    k, y = x[known], error_cents[known]
    plain = _line(k, y, np.zeros(k.size, bool))
    stepped, at = _stepped(k, y)
    bent = _bent(k, y, x[-1])
    chosen, shift_at, bend = plain, -1, False
    if stepped is not None and _mean(stepped) < EXPLAINS * _mean(plain):
        chosen, shift_at = stepped, at
    if bent is not None and _mean(bent) < min(EXPLAINS * _mean(plain), _mean(chosen)):
        chosen, shift_at, bend = bent, -1, True
    fit = _Squares.of(k, y, chosen, shift_at, x[-1] if bend else math.nan)
    curvature = _curvature(k, y, x[-1], chosen if shift_at >= 0 else None)
    noise = float(np.sqrt(np.mean(u_cents[known] ** 2)))
    scatter = [
        Term("scatter of the keys", max(fit.spread, noise, 1e-9) * root, "A", fit.dof)
        for root in np.sqrt(np.diag(fit.inverse)).tolist()
    ]
    line = fit.at(x)
    if shift_at >= 0:
        line = line + np.where(x >= k[shift_at], fit.values[2], 0.0)
    if bend:
        line = line + chosen.step * _parabola(x, x[-1])
    departure = np.where(known, error_cents - line, np.nan)
    none = not_measurable("cents", "no key from which on all are shifted")
    of_spread = Term("number of keys", max(fit.spread * spread_u(fit.dof), 1e-6), "A", fit.dof)
    return Scale(
        combine(float(fit.values[1]), "cents/octave", scatter[1:2]),
        combine(float(fit.values[0]), "cents", [scatter[0], clock_term(CLOCK_CENTS)]),
        curvature,
        combine(float(fit.values[2]), "cents", scatter[2:]) if shift_at >= 0 else none,
        round(12 * float(k[shift_at])) if shift_at >= 0 else -1,
        combine(fit.spread, "cents", [of_spread]),
        fit.worst(departure[known], u_cents[known], curvature if bend else None, x[-1]),
        line,
        departure,
    )


def _no_scale(error_cents: Real, known: Flags, why: str) -> Scale:
    """Return what too few keys tell: where they lie."""
    none = not_measurable("cents", why)
    offset, nothing = none, np.full(error_cents.size, np.nan)
    if known.any():
        middle = float(np.median(error_cents[known]))
        few = max(_spread(error_cents[known]), 0.1)
        offset = combine(middle, "cents", [Term("few keys", few, "A")])
        nothing = np.where(known, middle, np.nan)
    slope = not_measurable("cents/octave", why)
    left = error_cents - nothing
    return Scale(slope, offset, none, none, -1, none, none, nothing, left)


@dataclass(frozen=True, eq=False)
class _Squares:
    """Line, and shift, by least squares through the keys that are not odd.

    Parameters
    ----------
    values, inverse : ndarray
        Offset, slope and shift; inverse of their normal matrix.
    columns : ndarray
        What they are multiplied with, one row a key.
    used : ndarray of bool
        Keys that the line goes through.
    spread, dof : float, int
        Standard deviation about all of the model, and its degrees of freedom.
    """

    values: Real
    inverse: Real
    columns: Real
    used: Flags
    spread: float
    dof: int

    @classmethod
    def of(cls, x: Real, y: Real, chosen: _Model, shift_at: int, top: float) -> _Squares:
        """Fit anew what was chosen; ``top`` is the highest key where the top octave bends."""
        columns = [np.ones(x.size), x]
        bend = np.zeros(x.size) if math.isnan(top) else chosen.step * _parabola(x, top)
        if shift_at >= 0:
            columns.append((np.arange(x.size) >= shift_at).astype(float))
        free = 3 if shift_at >= 0 or bend.any() else 2
        a = np.stack(columns, axis=1)
        kept = ~odd_of(chosen.rest, free)
        used = chosen.used & kept
        inverse = np.linalg.inv(a[used].T @ a[used])
        values = inverse @ (a[used].T @ y[used])
        rest = (y - bend - a @ values)[kept]
        dof = max(1, int(kept.sum()) - free)
        return cls(values, inverse, a, used, math.sqrt(float(rest @ rest) / dof), dof)

    def at(self, x: Real) -> Real:
        """Return the line, without a shift."""
        out: Real = self.values[0] + self.values[1] * x
        return out

    def worst(self, off: Real, u_cents: Real, curvature: Quantity | None, top: float) -> Quantity:
        """Return the largest departure from the line.

        The error of a line of least squares does not depend on what that leaves of the keys, so
        that having chosen the largest of these changes nothing in its uncertainty.

        Parameters
        ----------
        off, u_cents : ndarray, shape (n_known,)
            Departures from the line through all, and what is unsure about each pitch.
        curvature : Quantity or None
            The bend at the top, where it is part of what keys are held against.
        top : float
            The highest key, in octaves.
        """
        at = int(np.argmax(np.abs(off)))
        row = self.columns[at]
        line = self.spread * math.sqrt(float(row @ self.inverse @ row))
        terms = [
            Term("pitch of the key", max(float(u_cents[at]), 1e-6), "A"),
            Term("line through the keys", max(line, 1e-6), "A", self.dof),
        ]
        if curvature is not None and curvature.measurable:
            bend = curvature.u * float(_parabola(row[1:2], top)[0])
            terms.append(Term("bend of the top octave", max(bend, 1e-6), "A", self.dof))
        return combine(float(off[at]), "cents", terms)


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
    # A slope on either side that is not known well moves the step between them.
    apart = float(x[at:].mean() - x[:at].mean())
    steep = apart**2 / (_squares(x[:at]) + _squares(x[at:]))
    own = _spread(best.rest, 3) * math.sqrt(1 / at + 1 / (x.size - at) + steep)
    places, dof = x.size - 2 * EACH_SIDE + 1, max(1, x.size - 4)
    sure = max(STANDS_OUT, float(special.stdtrit(dof, 1 - FALSE_SHIFT / (2 * places)))) * own
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


def _squares(x: Real) -> float:
    return float(np.sum((x - x.mean()) ** 2)) if x.size else 0.0


def _mean(model: _Model) -> float:
    return float(np.mean(np.abs(model.rest)))


def _kept(rest: Real, free: int = 2) -> Real:
    """Departures without odd ones."""
    kept: Real = rest[~odd_of(rest, free)]
    return kept


def _centre(rest: Real) -> float:
    """Mean without odd ones."""
    return float(np.mean(_kept(rest, 1)))


def _spread(rest: Real, free: int = 2) -> float:
    """Return the standard deviation without odd ones; so many numbers were taken out as well."""
    kept = _kept(rest, free)
    return float(np.std(kept, ddof=free if kept.size > free + 2 else 1)) if kept.size > 2 else 0.0
