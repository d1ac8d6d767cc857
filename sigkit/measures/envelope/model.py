"""The shape of a note: a capacitor charged toward an aim, let down to the sustain, and discharged.

The control rises from 0 at the onset to 1 at the peak, falls exponentially toward the sustain, and
from the end of the gate on exponentially toward its last aim, which may lie below zero (the
amplifier closes early) or above (it leaks). A linear amplifier passes the control as it is, one
between raises it to a power, an exponential one makes decibels of it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

import numpy as np
from scipy.linalg.lapack import dposv

from sigkit.arrays import Real

LEAST_OWN = 8
"""Residuals that tell a scatter of their own."""
MOST_STEPS = 80
STILL = 1e-12
SMALL = 1e-6
MOST_BEND = 30.0
LOWEST, LEAK = 0.01, 0.2
"""Sustain that a last aim is seen re at least, and aim above which no fall to 1/e is meant."""
MOST_LOG = 25.0
"""Logarithms of times are kept within this, so that no step of a fit leads nowhere."""

Law = Literal["linear", "power", "exponential"]
MOST_POWER = 6.0
NO_CONTROL = 1e-9
"""A control below this passes nothing through an amplifier of a power law."""


Curve = Callable[[Real], tuple[Real, Real]]
"""Gives values, shape (n,), and derivatives by the parameters, shape (n_parameters, n)."""


@dataclass(frozen=True, eq=False)
class LeastSquares:
    """A least-squares fit.

    Parameters
    ----------
    values : ndarray, shape (n_parameters,)
        Best parameters.
    inverse : ndarray, shape (n_parameters, n_parameters)
        Their covariance where the weights are the inverse of the data's standard deviations.
    chi2 : float
        Sum of the squares of weighted residuals.
    dof : int
        Data less parameters.
    residuals : ndarray, shape (n,)
        Weighted.
    """

    values: Real
    inverse: Real
    chi2: float
    dof: int
    residuals: Real

    @property
    def scatter(self) -> float:
        """Mean square of the weighted residuals: 1 where model and noise are as supposed."""
        return self.chi2 / max(self.dof, 1)

    def inflation(self, part: slice = slice(None)) -> float:
        """Return by how much uncertainties grow through a misfit and residuals that hang on.

        Residuals of neighbours that are alike hold less than their number. Where those of a part
        scatter more than all, they decide.
        """
        grown = _grown(self.residuals, self.scatter)
        own = self.residuals[part]
        if own.size < LEAST_OWN:
            return grown
        return max(grown, _grown(own, float(own @ own) / max(own.size - 3, 1)))


def _grown(rest: Real, scatter: float) -> float:
    if rest.size < LEAST_OWN:
        return math.sqrt(max(1.0, scatter))
    centred = rest - rest.mean()
    power = float(centred @ centred)
    rho = float(centred[1:] @ centred[:-1]) / power if power > 0 else 0.0
    rho = min(max(rho, 0.0), 0.95)
    return math.sqrt(max(1.0, scatter) * (1 + rho) / (1 - rho))


def fit_curve(
    curve: Curve,
    y: Real,
    weight: Real,
    start: Real,
    *,
    steps: int = MOST_STEPS,
    still: float = STILL,
) -> LeastSquares:
    """Fit a curve by damped least squares.

    Parameters
    ----------
    curve : callable
        Values and derivatives for a set of parameters.
    y : ndarray, shape (n,)
        Data.
    weight : ndarray, shape (n,)
        Inverse standard deviations.
    start : ndarray, shape (n_parameters,)
        Where to start.
    steps : int
        Steps at most.
    still : float
        Share of what is left, by which a step has to lessen it for another one to be taken. Where
        it is not the least, fits are only compared, and their covariance is nan.

    Notes
    -----
    Levenberg and Marquardt's method with derivatives in closed form and damping relative to the
    diagonal [1]_.

    References
    ----------
    .. [1] D. Marquardt, "An algorithm for least-squares estimation of nonlinear parameters",
       J. SIAM 11 (1963), 431-441.
    """
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        # Steps that lead too far give no finite sum and are taken back.
        return _fitted(curve, y, weight, np.array(start, np.float64), steps, still)


def _fitted(curve: Curve, y: Real, weight: Real, p: Real, steps: int, still: float) -> LeastSquares:
    value, slope = curve(p)
    rest = (y - value) * weight
    cost = float(rest @ rest)
    damping = 1.0
    for _ in range(steps):
        rows = slope * weight
        normal, pull = rows @ rows.T, rows @ rest
        size = np.maximum(normal.reshape(-1)[:: pull.size + 1], 1e-30)
        better = False
        while damping < 1e12:
            damped = normal.copy()
            damped.reshape(-1)[:: size.size + 1] += damping * size
            _, move, failed = dposv(damped, pull)
            if failed:
                damping *= 10
                continue
            value_new, slope_new = curve(p + move)
            rest_new = (y - value_new) * weight
            cost_new = float(rest_new @ rest_new)
            if math.isfinite(cost_new) and cost_new <= cost:
                better = True
                break
            damping *= 6
        if not better:
            break
        gained = cost - cost_new
        p, rest, slope, cost = p + move, rest_new, slope_new, cost_new
        damping = max(damping / 8, 1e-12)
        if gained <= still * cost + 1e-25:
            break
    inverse = np.full((p.size, p.size), math.nan)
    if still <= STILL:
        rows = slope * weight
        scale = np.sqrt(np.maximum(np.einsum("ij,ij->i", rows, rows), 1e-300))
        if not np.isfinite(scale).all():
            unknown = np.full((p.size, p.size), math.inf)
            return LeastSquares(p, unknown, math.inf, y.size - p.size, rest)
        rows /= scale[:, None]
        inverse = np.linalg.pinv(rows @ rows.T, rcond=1e-13, hermitian=True)
        inverse /= np.outer(scale, scale)
    return LeastSquares(p, inverse, cost, y.size - p.size, rest)


def _seconds(log_s: float) -> float:
    return math.exp(min(max(log_s, -MOST_LOG), MOST_LOG))


def to_an_eth(time_constant_s: float, aim: float) -> float:
    """Return the time to 1/e of a fall toward an aim re where it begins."""
    if aim > LEAK:
        return time_constant_s
    return time_constant_s * math.log((1 - aim) / (1 / math.e - aim))


class Shape(NamedTuple):
    """Parameters of a note, in the order of the fit."""

    log_size: float
    onset_s: float
    log_rise_s: float
    bend: float
    log_decay_s: float
    sustain: float
    gate_off_s: float
    log_release_s: float
    last: float
    range_nepers: float
    sag: float
    base: float
    power: float = 1.0

    @property
    def rise_s(self) -> float:
        """Time from the onset to the peak."""
        return _seconds(self.log_rise_s)

    @property
    def decay_s(self) -> float:
        """Time constant of the decay."""
        return _seconds(self.log_decay_s)

    @property
    def release_s(self) -> float:
        """Time constant of the release."""
        return _seconds(self.log_release_s)

    @property
    def fall_s(self) -> float:
        """Time in which the control falls to 1/e once it is let go, its last aim minded."""
        return to_an_eth(self.release_s, self.last / max(self.sustain, LOWEST))

    @property
    def size(self) -> float:
        """Level of the peak."""
        return math.exp(min(max(self.log_size, -MOST_LOG), 2 * MOST_LOG))

    @property
    def peak_s(self) -> float:
        """Time of the peak."""
        return self.onset_s + self.rise_s


NAMES = Shape._fields
INDEX = {name: i for i, name in enumerate(NAMES)}


def shape_curve(time_s: Real, law: Law, free: tuple[str, ...], fixed: Shape) -> Curve:
    """Return the curve of a note at given times with some of its parameters free.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Times.
    law : {"linear", "power", "exponential"}
        What the amplifier makes of the control.
    free : tuple of str
        Names of the free parameters, in the order of the fit.
    fixed : Shape
        Values of the others.
    """
    places = [INDEX[name] for name in free]
    every = list(fixed)

    def curve(p: Real) -> tuple[Real, Real]:
        for place, value in zip(places, p.tolist(), strict=True):
            every[place] = value
        level, slope = note(time_s, law, Shape(*every))
        return level, slope[places]

    return curve


def note(time_s: Real, law: Law, shape: Shape) -> tuple[Real, Real]:
    """Return the envelope of a note and its derivatives by every parameter, a row each."""
    slope = np.zeros((len(NAMES), time_s.size))
    return _level(time_s, law, shape, slope), slope


def level_of(time_s: Real, law: Law, shape: Shape) -> Real:
    """Return the envelope of a note at times in rising order."""
    return _level(time_s, law, shape, None)


def _level(time_s: Real, law: Law, shape: Shape, slope: Real | None) -> Real:
    if not all(map(math.isfinite, shape[:6])):
        return np.full(time_s.size, math.inf)
    control = _control(time_s, shape, slope, closes=law != "exponential")
    size = shape.size
    if law == "linear":
        value = size * control
        by_control: Real | float = size
    elif law == "power":
        power = min(max(shape.power, 1 / MOST_POWER), MOST_POWER)
        shut, control = control <= NO_CONTROL, np.maximum(control, NO_CONTROL)
        logs = np.log(control)
        value = size * np.exp(np.minimum(power * logs, 50.0))
        value[shut] = 0.0
        by_control = power * value / control
    else:
        value = size * np.exp(np.minimum(-shape.range_nepers * (1 - control), 50.0))
        by_control = shape.range_nepers * value
    if slope is not None:
        slope *= by_control
        slope[0] = value
        if law == "power":
            slope[INDEX["power"]] = value * logs
        elif law == "exponential":
            slope[INDEX["range_nepers"]] = (control - 1) * value
    return value


def _control(time_s: Real, s: Shape, slope: Real | None, *, closes: bool) -> Real:
    """Return the control at times in rising order; put its derivatives into ``slope``."""
    value = np.empty(time_s.size)
    rise_s, off = s.rise_s, s.gate_off_s
    peak_s = s.onset_s + rise_s
    begins, tops, lets_go = time_s.searchsorted((s.onset_s, min(peak_s, off), off)).tolist()
    tops = max(tops, begins)
    lets_go = max(lets_go, begins)
    value[:begins] = s.base
    if slope is not None:
        slope[11, :begins] = 1.0
    for part, of in ((slice(begins, tops), _rising), (slice(tops, lets_go), _falling)):
        if part.stop > part.start:
            value[part], by = of(time_s[part], s, rise_s)
            if slope is not None:
                for place, row in by.items():
                    slope[place, part] = row
    if lets_go < time_s.size and off > s.onset_s:
        late = slice(lets_go, None)
        first, by_first = (_rising if off < peak_s else _falling)(off, s, rise_s)
        release_s = s.release_s
        x = (time_s[late] - off) / release_s
        e = np.exp(-x)
        above = float(first) - s.last
        falls = above * e
        value[late] = s.last + falls
        if slope is not None:
            for place, row in by_first.items():
                np.multiply(e, row, out=slope[place, late])
            # To move the note is to move the time the other way.
            np.multiply(e, above / release_s - float(by_first[1]), out=slope[6, late])
            np.multiply(falls, x, out=slope[7, late])
            np.subtract(1.0, e, out=slope[8, late])
        if closes and value[-1] < 0:
            closed = value[late] < 0
            value[late][closed] = 0.0
            if slope is not None:
                slope[:, late][:, closed] = 0.0
    elif lets_go < time_s.size:
        value[lets_go:] = 0.0
    return value


def _rise(u: Real, bend: float) -> tuple[Real, Real, Real]:
    """Return (1 - exp(-bend u)) / (1 - exp(-bend)), and its derivatives by u and bend."""
    if abs(bend) < 1e-4:
        value = u + bend * u * (1 - u) / 2
        return value, 1 + bend * (0.5 - u), u * (1 - u) / 2
    bend = min(max(bend, -MOST_BEND), MOST_BEND)
    whole, fall = -math.expm1(-bend), np.exp(-bend * u)
    value = (1 - fall) / whole
    return value, (bend / whole) * fall, (u * fall - value * math.exp(-bend)) / whole


def _rising(t: Any, s: Shape, rise_s: float) -> tuple[Any, dict[int, Any]]:
    """Return the rising control at a time or at several, and its derivatives by their place."""
    since = t - s.onset_s
    v, by_u, by_bend = _rise(since / rise_s, s.bend)
    span = 1 - s.base
    by_onset = (-span / rise_s) * by_u
    by = {1: by_onset, 2: by_onset * since, 3: span * by_bend, 11: 1 - v}
    return s.base + span * v, by


def _falling(t: Any, s: Shape, rise_s: float) -> tuple[Any, dict[int, Any]]:
    """Return the same of the control that falls toward its sustain."""
    since = t - (s.onset_s + rise_s)
    decay_s = s.decay_s
    x = since / decay_s
    e = np.exp(-x)
    fades = np.exp(np.clip(-s.sag * since, -MOST_LOG, MOST_LOG)) if s.sag else 1.0
    held, falls = s.sustain * fades, (1 - s.sustain) * e
    by_onset = falls / decay_s + s.sag * held
    by = {
        1: by_onset,
        2: by_onset * rise_s,
        4: falls * x,
        5: fades - e,
        10: -held * since,
    }
    return held + falls, by


def rise_share_s(share: float, rise_s: float, bend: float) -> float:
    """Return the time from the onset to a share of the peak, control and level being alike."""
    if abs(bend) < SMALL:
        return share * rise_s
    bend = min(max(bend, -MOST_BEND), MOST_BEND)
    return -math.log1p(share * math.expm1(-bend)) / bend * rise_s
