"""From the track of a warm-up to its numbers."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from sigkit.arrays import Real
from sigkit.measures.edges import value_at_edge
from sigkit.measures.warmup.curve import Curve, Take, curve_of, table_of
from sigkit.measures.warmup.notes import cycle_note, range_note, shape_note, step_note
from sigkit.measures.warmup.numbers import (
    cycle_of,
    fitted_on,
    parts_of,
    residual_drift,
    settling_of,
    slope_with_cycle,
    time_constant,
    with_clock,
)
from sigkit.measures.warmup.result import WarmupResult
from sigkit.measures.warmup.settling import NOT_SETTLED, why_unsettled
from sigkit.measures.warmup.shape import Shape, find_shape
from sigkit.measures.warmup.warmth import temperature_coefficient
from sigkit.quantity import Quantity, Term, combine, not_measurable

TIME_LOST = "the time that is missing between two parts of this recording is not known; give gap_s"


def evaluate(take: Take) -> WarmupResult:
    """Measure a take; in one thread, as small matrices are slower in several, and not the same."""
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

    with threadpool_limits(1):
        return _measured(take)


def _measured(take: Take) -> WarmupResult:
    curve = curve_of(take)
    start, final = _ends_of(curve)
    total = combine(final.value - start.value, "cents", [*start.budget, *final.budget])
    inner = curve.steps[curve.steps["time_s"].between(curve.begin_s, curve.end_s)]
    by_steps = [
        Term(f"step at {at_s:.0f} s", float(u), "A")
        for at_s, u in inner[["time_s", "u_cents"]].to_numpy(float)
    ]
    shape, t, steady = _shape_of(curve, final.value, inner["time_s"].to_numpy())
    residual = residual_drift(t, steady, shape, curve)
    u_level = math.hypot(final.u, *(term.u for term in by_steps))
    settling = settling_of(take, t, steady, curve, u_level, shape)
    period, size = cycle_of(shape, curve)
    why_not = why_unsettled(
        settling,
        residual,
        to_go=_to_go(shape, curve),
        end_s=curve.end_s,
        length_s=curve.length_s,
        band=take.band_cents,
    ) or _why_cycling(period, size, take.band_cents)
    constant = time_constant(shape, curve.length_s)
    known_s = take.known_until_s - take.zero_s
    if known_s < curve.end_s and constant.measurable:
        constant = not_measurable("s", TIME_LOST)
    if known_s < curve.end_s and not why_not and settling.value > known_s:
        why_not = TIME_LOST
    settling = not_measurable("s", why_not) if why_not else with_clock(settling)
    table = table_of(take, curve, final.value)
    return WarmupResult(
        source=take.source,
        settings=take.settings,
        notes=(
            *take.notes,
            *step_note(curve.steps),
            *shape_note(shape, curve),
            *cycle_note(shape, take.band_cents, slope_with_cycle(t, steady, shape, curve)),
            *range_note(take.power_on_s, settling),
        ),
        total_drift=total,
        drift_without_steps=combine(
            total.value - float(inner["size_cents"].sum()), "cents", [*total.budget, *by_steps]
        ),
        time_constant=constant,
        settling_time=settling,
        largest_step=_largest(inner),
        residual_drift=residual,
        cycle_period=period,
        cycle_cents=size,
        temperature_coefficient=temperature_coefficient(shape, take.readings, curve.begin_s),
        curve=table,
        jumps=curve.steps,
        shape=parts_of(shape),
        readings=take.readings,
        fitted_cents=fitted_on(table, shape, curve, final.value),
        power_on_s=take.zero_s,
        power_on_range_s=take.power_on_s,
        switch_on=take.switch_on,
        band_cents=take.band_cents,
        take=take,
    )


def _ends_of(curve: Curve) -> tuple[Quantity, Quantity]:
    """Return the pitch where the tone begins and where it ends."""
    time_s, cents = curve.time_s, curve.cents
    start = value_at_edge(time_s, cents, curve.begin_s, noise=curve.noise, window_s=curve.window_s)
    final = value_at_edge(
        time_s[::-1], cents[::-1], curve.end_s, noise=curve.noise, window_s=curve.window_s
    )
    return (
        combine(start[0], "cents", [Term("pitch at the start", start[1], "A")]),
        combine(final[0], "cents", [Term("pitch at the end", final[1], "A")]),
    )


def _shape_of(curve: Curve, final: float, steps_s: Real) -> tuple[Shape, Real, Real]:
    """Return the shape of a curve, and time and pitch less its end, steps and cycle taken out."""
    known = np.isfinite(curve.level)
    t, steady = curve.time_s[known], curve.level[known] - final
    shape = find_shape(t - curve.begin_s, curve.cents[known], steps_s - curve.begin_s)
    if shape.cycle is not None:
        at_end = float(shape.cycle.at(np.array(curve.length_s)))
        steady = steady - shape.cycle.at(t - curve.begin_s) + at_end
    return shape, t, steady


def _to_go(shape: Shape, curve: Curve) -> float:
    """Return how far the exponential that fits has yet to go, cents; 0 where none fits."""
    if shape.fit is None:
        return 0.0
    return float(shape.fit.values[shape.fit.parts] - shape.fit.at(np.array(curve.length_s)))


def _why_cycling(period: Quantity, size: Quantity, band_cents: float) -> str:
    """Return why a pitch that cycles beyond its band is not settled; empty where it does not."""
    if not size.measurable or size.value <= band_cents:
        return ""
    return (
        f"{NOT_SETTLED}: it goes up and down by ±{size.value:.1f} cents every "
        f"{period.value / 60:.1f} min"
    )


def _largest(steps: pd.DataFrame) -> Quantity:
    if steps.empty:
        return not_measurable("cents", "no step of pitch found")
    row = int(np.argmax(steps["size_cents"].abs()))
    size, u = steps[["size_cents", "u_cents"]].to_numpy(float)[row]
    return combine(float(size), "cents", [Term("pitch beside the step", float(u), "A")])
