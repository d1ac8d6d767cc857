"""The quantities of a warm-up, from its curve and its shape."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from sigkit.arrays import Real
from sigkit.measures.edges import LONGEST_SHARE, pace_of_walk
from sigkit.measures.held_note import clock_term
from sigkit.measures.warmup.curve import Curve, Take
from sigkit.measures.warmup.settling import settling_time
from sigkit.measures.warmup.shape import Shape
from sigkit.quantity import Quantity, Term, combine, not_measurable


def residual_drift(t: Real, steady: Real, shape: Shape, curve: Curve) -> Quantity:
    """Slope over the last quarter, its uncertainty by the wander of the whole tone.

    Parameters
    ----------
    t, steady : ndarray, shape (n,)
        Time since switch-on, and pitch without steps and cycle.
    shape : Shape
        What the curve is made of.
    curve : Curve
        The curve.
    """
    late = t >= curve.end_s - curve.length_s / 4
    batches = shape.since_s >= 0.75 * curve.length_s
    if np.count_nonzero(batches) < 4 or np.count_nonzero(late) < 12:
        return not_measurable("cents/min", "too little tone in its last quarter")
    minutes = t[late] / 60
    slope = float(np.polyfit(minutes, steady[late], 1)[0])
    bend = float(np.polyfit(minutes, steady[late], 2)[0])
    centred = shape.since_s[batches] / 60
    centred = centred - centred.mean()
    along = np.zeros(shape.since_s.size)
    along[batches] = centred / (centred @ centred)
    by_wander = math.sqrt(shape.linear.variance_of(along, shape.wander))
    terms = [
        Term("wander", max(by_wander, 1e-9), "A"),
        Term("ends of the quarter", abs(bend) * curve.window_s / 60, "B"),
    ]
    if shape.cycle is not None:
        # What is left of the cycle, if its size is off by u.
        wave = shape.cycle.at(shape.since_s) / shape.cycle.cents
        terms.append(Term("cycle taken out", abs(float(along @ wave)) * shape.cycle.u_cents, "A"))
    return combine(slope, "cents/min", terms)


def slope_with_cycle(t: Real, steady: Real, shape: Shape, curve: Curve) -> float:
    """Return the slope of a line through the last quarter with the cycle in it, cents/min."""
    late = t >= curve.end_s - curve.length_s / 4
    if shape.cycle is None or np.count_nonzero(late) < 12:
        return math.nan
    cents = steady[late] + shape.cycle.at(t[late] - curve.begin_s)
    return float(np.polyfit(t[late] / 60, cents, 1)[0])


def settling_of(
    take: Take, t: Real, steady: Real, curve: Curve, u_final: float, shape: Shape
) -> Quantity:
    """Settling time by the curve alone, with what an unknown instant of switch-on adds.

    Parameters
    ----------
    take : Take
        What is measured.
    t, steady : ndarray, shape (n,)
        Time since switch-on, and pitch without steps and cycle against its final value.
    curve : Curve
        The curve.
    u_final : float
        Standard uncertainty of the final value against the pitch at the crossing.
    shape : Shape
        What the curve is made of.
    """
    hop_s, window_s = take.track.hop_s, take.track.window_s
    window = round(window_s / hop_s)
    longest = LONGEST_SHARE * t.size
    by_cycle = 0.0 if shape.cycle is None else shape.cycle.u_cents
    settled = settling_time(
        t,
        steady,
        u_final=math.hypot(u_final, by_cycle),
        noise=curve.noise,
        walk=pace_of_walk(steady, curve.noise, window, hop_s, longest),
        window=window_s / hop_s,
        band=take.band_cents,
    )
    earliest_s, latest_s = take.power_on_s
    if not settled.measurable or earliest_s == latest_s:
        return settled
    instant = Term("instant of switch-on", (latest_s - earliest_s) / math.sqrt(12), "B")
    return combine(settled.value, "s", [*settled.budget, instant])


def time_constant(shape: Shape, length_s: float) -> Quantity:
    """Time constant of the exponential that moves the pitch further."""
    if shape.fit is None:
        return not_measurable("s", shape.reason)
    value, u, by_drift = _time_constant_of(shape, main_part(shape, length_s))
    terms = [Term("wander about the exponential", u, "A"), Term("grid", length_s * 1e-7, "B")]
    if by_drift > 0:
        terms.append(Term("straight drift under the exponential", by_drift, "B"))
    return combine(value, "s", [*terms, clock_term(value)])


def _time_constant_of(shape: Shape, part: int) -> tuple[float, float, float]:
    """Return a time constant, its uncertainty, and that by a straight drift that may lie under it.

    A capture may leave open whether there is one: the mean over both answers, each with its share
    of the likelihood (Bayesian model averaging).
    """
    assert shape.fit is not None
    value, u = float(shape.fit.values[part]), float(shape.fit.u[part])
    if shape.other is None:
        return value, u, 0.0
    share, other = shape.other
    apart = float(other.values[0]) - value
    return (
        value + share * apart,
        math.sqrt((1 - share) * u**2 + share * float(other.u[0]) ** 2),
        math.sqrt(share * (1 - share)) * abs(apart),
    )


def with_clock(time: Quantity) -> Quantity:
    """Return a time with the clock of the sound card in its uncertainty."""
    if not time.measurable:
        return time
    return combine(time.value, time.unit, [*time.budget, clock_term(time.value)])


def main_part(shape: Shape, length_s: float) -> int:
    """Which exponential moves the pitch further within the recording."""
    fit = shape.fit
    if fit is None or fit.parts == 1:
        return 0
    taus, sizes = fit.values[:2], fit.values[3:5]
    return int(np.argmax(np.abs(sizes * -np.expm1(-length_s / taus))))


def cycle_of(shape: Shape, curve: Curve) -> tuple[Quantity, Quantity]:
    """Period and peak of a cycle, or why there is none."""
    cycle = shape.cycle
    if cycle is None:
        why = "no cycle of 2 to 20 min stands out of the wander"
        if curve.length_s < 300:
            why = "the tone is too short for a cycle of 2 min or longer"
        return not_measurable("s", why), not_measurable("cents", why)
    return (
        with_clock(combine(cycle.period_s, "s", [Term("wander", cycle.u_period_s, "A")])),
        combine(cycle.cents, "cents", [Term("wander", cycle.u_cents, "A")]),
    )


def parts_of(shape: Shape) -> pd.DataFrame:
    """One row for each exponential."""
    columns = ["part", "cents", "u_cents", "time_constant_s", "u_time_constant_s"]
    fit = shape.fit
    if fit is None:
        return pd.DataFrame(columns=columns, dtype=float)
    n = fit.parts
    rows = []
    for i in range(n):
        tau, u, by_drift = _time_constant_of(shape, i)
        size, u_size = -fit.values[n + 1 + i], fit.u[n + 1 + i]
        rows.append((i + 1, size, u_size, tau, math.hypot(u, by_drift)))
    return pd.DataFrame(rows, columns=columns)


def fitted_on(table: pd.DataFrame, shape: Shape, curve: Curve, final: float) -> Real:
    """Exponentials and steps on the rows of the curve, against the final pitch."""
    time_s = table["time_s"].to_numpy()
    fitted = shape.at(time_s - curve.begin_s) - final
    heights = shape.linear.values[shape.linear.values.size - len(shape.steps_s) :]
    for at_s, height in zip(shape.steps_s, heights, strict=True):
        fitted = fitted + np.where(time_s - curve.begin_s >= at_s, height, 0.0)
    outside = (time_s < curve.begin_s) | (time_s > curve.end_s)
    return np.where(outside, np.nan, fitted)
