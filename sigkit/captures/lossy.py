"""Sound that went through a lossy codec or a lower sample rate before it became a WAV file."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.captures.problem import LEVEL_TESTS, Problem
from sigkit.captures.survey import CLASS_DB, CLASSES, Survey

Real = NDArray[np.float64]

BAND_HZ = 200.0
LOWEST_HZ, HIGHEST_HZ, HIGHEST = 3000.0, 20500.0, 0.40
EDGE_HZ = 800.0
BESIDE_HZ = 2000.0
DROP_DB = 18.0
STEEP = 0.7
LEAST_DB = 15.0
LEAST_FRAMES = 8
LOUD_DB = 40.0


def lossy_history(survey: Survey) -> list[Problem]:
    """Find a spectrum that ends in an abyss: noise below an edge, next to nothing above.

    A filter of an instrument falls by some 24 dB in an octave, that of a converter lies just below
    half the rate. A codec for 16 kHz, or a telephone's rate, falls by as much within a few hundred
    hertz, far below that. A dark tone without noise has no edge, as nothing lies below it.
    """
    floor, hz = _floor_db(survey)
    if floor is None:
        return []
    width = float(hz[1] - hz[0])
    beside, edge = round(BESIDE_HZ / width), max(1, round(EDGE_HZ / 2 / width))
    found, deepest = 0.0, 0.0
    for i in range(round(LOWEST_HZ / width), len(hz)):
        if hz[i] + EDGE_HZ / 2 > min(HIGHEST_HZ, HIGHEST * survey.rate) or i + edge + 2 >= len(
            floor
        ):
            break
        below = floor[max(0, i - beside) : i - edge]
        above = floor[i + edge :]
        above = above[: max(3, int(0.47 * survey.rate / width) - i - edge)]
        if len(below) < 3 or len(above) < 3:
            continue
        drop = float(np.median(below) - np.percentile(above, 90))
        across = float(floor[i - edge] - floor[i + edge])
        all_lower = float(np.percentile(below, 10) - np.percentile(above, 90)) > LEAST_DB
        if drop > max(DROP_DB, deepest) and across > STEEP * DROP_DB and all_lower:
            half = float(np.median(below)) - drop / 2
            above_half = np.flatnonzero(floor[: i + edge] > half)
            found, deepest = float(hz[above_half[-1]] if above_half.size else hz[i]), drop
    if not found:
        return []
    how = f"the spectrum ends at {found / 1000:.1f} kHz, falls {deepest:.0f} dB in {EDGE_HZ:.0f} Hz"
    remedy = "Use the recorder's own WAV, not a copy from a phone or a lossy file; record again."
    where = "whole capture"
    return [Problem("lossy history", where, how, LEVEL_TESTS, remedy, "record again")]


def _floor_db(survey: Survey) -> tuple[Real | None, Real]:
    """Return the lower quartile of the lines' power in bands of 200 Hz, over the louder frames."""
    present = np.flatnonzero(survey.class_count)
    if not present.size:
        return None, np.zeros(0)
    last = min(CLASSES, int(present[0] + LOUD_DB / CLASS_DB))
    count = survey.class_count[:last].sum()
    hz = np.arange(survey.class_power.shape[1]) * survey.rate / survey.frame
    per_band = max(4, round(BAND_HZ / (survey.rate / survey.frame)))
    bands = (len(hz) - 1) // per_band
    if count < LEAST_FRAMES or bands < 12:
        return None, hz
    mean = survey.class_power[:last].sum(axis=0) / count
    split = mean[1 : bands * per_band + 1].reshape(bands, per_band)
    middle = hz[1 : bands * per_band + 1].reshape(bands, per_band).mean(axis=1)
    return 10 * np.log10(np.percentile(split, 25, axis=1)), middle
