"""What a warm-up has to say in words beside its numbers."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from sigkit.captures.remarks import spoken_place
from sigkit.measures.warmup.curve import Curve
from sigkit.measures.warmup.shape import CLEARLY, Shape
from sigkit.quantity import Quantity
from sigkit.tracks.power_on import PowerOn

LATE_S = 10.0
"""A tone that begins so long after switch-on does not show the drift since then."""
REVERSAL_CENTS = 0.5


def power_on_note(
    found: PowerOn | None, *, given: bool, range_s: tuple[float, float], began_s: float
) -> tuple[str, ...]:
    """Say how the instant of switch-on is known, and whether the tone covers it."""
    notes = []
    if given:
        if found is not None and found.kind == "thump" and _elsewhere(found.time_s, range_s):
            notes.append(
                f"a thump at {spoken_place(found.time_s)} looks like switch-on, which was given as "
                "another instant; the given one is used"
            )
    elif found is None and began_s <= 0.5:
        notes.append(
            "the tone sounds from the start of the recording, so that switch-on is not in it; "
            "times count from the start, which is right only if it was switched on then"
        )
    if found is not None and not given and found.kind == "tone":
        notes.append(
            "no switch-on thump apart from the tone; its first sound at "
            f"{spoken_place(found.time_s)} is taken as switch-on"
        )
    elif found is not None and not given:
        notes.append(
            f"switch-on thump found at {spoken_place(found.time_s)}; times count from there"
        )
    elif not given and began_s > 0.5:
        notes.append("no switch-on thump before the tone; times count from the capture's start")
    elif range_s[0] < range_s[1]:
        notes.append(
            f"switch-on is known to lie between {range_s[0] / 60:+.1f} and {range_s[1] / 60:+.1f} "
            "min from the start of the recording; times count from the middle"
        )
    after = began_s - range_s[1], began_s - range_s[0]
    if after[1] > LATE_S:
        when = f"{after[1] / 60:.1f}"
        if after[1] - after[0] > 1:
            when = f"{max(0.0, after[0]) / 60:.1f} to {when}"
        part = "recording" if range_s[0] < 0 else "tone"
        notes.append(
            f"total drift is since the start of the {part} only, {when} min after switch-on"
        )
    return tuple(notes)


def _elsewhere(at_s: float, range_s: tuple[float, float]) -> bool:
    return at_s < range_s[0] - 1 or at_s > range_s[1] + 1


def step_note(steps: pd.DataFrame) -> tuple[str, ...]:
    """List the steps, and say where they count."""
    if steps.empty:
        return ()
    words = {"jump": "at once", "in a gap": "while the tone was lost"}
    rows = steps.head(5)
    listed = ", ".join(
        f"{size:+.1f} cents at {at_s / 60:.1f} min ({words.get(kind, f'in {duration_s:.1f} s')})"
        for (at_s, size, duration_s), kind in zip(
            rows[["time_s", "size_cents", "duration_s"]].to_numpy(float), rows["kind"], strict=True
        )
    )
    more = f" and {len(steps) - 5} more" if len(steps) > 5 else ""
    return (
        f"{len(steps)} step(s) of pitch, part of the total drift: {listed}{more}; settling time, "
        "time constant and residual drift are without them",
    )


def shape_note(shape: Shape, curve: Curve) -> tuple[str, ...]:
    """Name a straight drift under an exponential, two exponentials, and a drift that reverses."""
    fit = shape.fit
    slope, u_slope = (60 * v for v in shape.slope)
    if slope:
        return (
            f"a straight drift of {slope:+.2g} ± {2 * u_slope:.1g} cents/min goes on under the "
            "exponential approach; the time constant is that of the approach alone",
        )
    if fit is None or fit.parts == 1:
        return ()
    parts = " and ".join(
        f"{-size:+.1f} cents with {tau / 60:.1f} min"
        for tau, size in zip(fit.values[:2], fit.values[3:5], strict=True)
    )
    notes = [
        f"two exponential approaches fit clearly better than one: {parts}; the time constant is "
        "that of the one that moves the pitch further"
    ]
    since = np.linspace(0, curve.length_s, 1000)
    path = fit.at(since)
    for turn in (int(np.argmax(path)), int(np.argmin(path))):
        limbs = path[turn] - path[0], path[-1] - path[turn]
        least = max(REVERSAL_CENTS, CLEARLY * float(np.std(fit.residuals)))
        if min(abs(limbs[0]), abs(limbs[1])) > least:
            when = (since[turn] + curve.begin_s) / 60
            notes.append(
                f"the drift reverses: {limbs[0]:+.1f} cents until {when:.1f} min after switch-on, "
                f"then {limbs[1]:+.1f} cents"
            )
    return tuple(notes)


def cycle_note(shape: Shape, band_cents: float, slope: float) -> tuple[str, ...]:
    """Name a cycle, say where it counts, and how the last quarter goes with it, cents/min."""
    cycle = shape.cycle
    if cycle is None:
        return ()
    said = (
        f"cyclic: the pitch goes up and down by ±{cycle.cents:.1f} cents every "
        f"{cycle.period_s / 60:.1f} min, as with a heating that switches; settling time, time "
        "constant and residual drift are without the cycle"
    )
    if math.isfinite(slope):
        said += f" (a plain line through the last quarter goes by {slope:+.2g} cents/min)"
    if cycle.cents > band_cents:
        said += f", which by itself leaves the band of ±{band_cents:g} cents"
    return (said,)


def range_note(power_on_s: tuple[float, float], settling: Quantity) -> tuple[str, ...]:
    """Say between which instants it settled, where that of switch-on is a range."""
    earliest_s, latest_s = power_on_s
    if earliest_s == latest_s or not settling.measurable:
        return ()
    half = (latest_s - earliest_s) / 2
    return (
        f"settled between {(settling.value - half) / 60:.1f} and "
        f"{(settling.value + half) / 60:.1f} min after switch-on, whose instant is a range",
    )
