"""How far a pitch follows the temperature of the room."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from sigkit.measures.memory import Wander, fit_linear
from sigkit.measures.warmup.shape import Shape
from sigkit.quantity import Quantity, Term, combine, not_measurable

UNIT = "cents/°C"
LEAST_READINGS, LEAST_CHANGE_C = 3, 2.0
"""Common practice, no source."""
THERMOMETER_C = 0.5
"""Largest error of a plain thermometer between two readings, taken as rectangular."""
AROUND_S = 300.0
"""So long before the first and after the last reading their temperature is taken to hold."""
READINGS_A_TURN = 4


def temperature_coefficient(shape: Shape, readings: pd.DataFrame, begin_s: float) -> Quantity:
    """Return the change of pitch by temperature, beside the warm-up itself.

    Parameters
    ----------
    shape : Shape
        What the curve of pitch is made of.
    readings : DataFrame
        Columns time_s (since switch-on) and room_c, in order of time.
    begin_s : float
        When the tone begins, since switch-on.

    Returns
    -------
    Quantity
        In cents/°C; not measurable with fewer than 3 readings over the tone, or where they differ
        by less than 2 °C.

    Notes
    -----
    The temperature, straight between its readings, is fitted together with the approach (linearised
    at its best fit), the steps and the wander. Where room and instrument warm alike the two cannot
    be told apart, and the uncertainty says so. A pitch that follows the room late is seen smaller
    than it is.
    """
    end_s = begin_s + float(shape.since_s[-1])
    inside = readings[
        (readings["time_s"] >= begin_s - AROUND_S) & (readings["time_s"] <= end_s + AROUND_S)
    ]
    read_s, room = inside["time_s"].to_numpy(float), inside["room_c"].to_numpy(float)
    if read_s.size < LEAST_READINGS:
        count = "no reading" if not read_s.size else f"only {read_s.size} reading(s)"
        return not_measurable(
            UNIT, f"{count} of the room temperature while the tone was held, 3 are needed"
        )
    change = float(np.ptp(room))
    if change < LEAST_CHANGE_C:
        return not_measurable(
            UNIT, f"the room temperature changed by {change:.1f} °C only, 2 °C are needed"
        )
    t = shape.since_s + begin_s
    used = (t >= read_s[0] - AROUND_S) & (t <= read_s[-1] + AROUND_S)
    columns = shape.columns
    if shape.cycle is not None and np.median(np.diff(read_s)) < (
        shape.cycle.period_s / READINGS_A_TURN
    ):
        columns = np.delete(columns, shape.waves, axis=1)
    warm = np.interp(t[used], read_s, room)
    kept = columns[used]
    kept = kept[:, np.ptp(kept, axis=0) > 0]
    design = np.column_stack([warm - warm.mean(), np.ones(warm.size), kept])
    if design.shape[0] < design.shape[1] + 8:
        return not_measurable(UNIT, "the readings cover too little of the tone")
    wander, cents = Wander.family(t[used]), shape.cents[used]
    # Plain least squares: weighting by the wander would look at the quickest changes, which are
    # the thermometer's own.
    along = np.linalg.pinv(design)[0]
    slope = float(along @ cents)
    rest = fit_linear(design[:, 1:], cents - slope * design[:, 0], wander)
    by_wander = math.sqrt(max(rest.variance_of(along, wander), 1e-18))
    thermometer = abs(slope) * THERMOMETER_C / math.sqrt(3) / change
    return combine(
        slope,
        UNIT,
        [
            Term("wander, and drift alike", by_wander, "A"),
            Term("thermometer", thermometer, "B"),
        ],
    )
