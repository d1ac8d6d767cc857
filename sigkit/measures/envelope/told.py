"""What is told of a note: values with their uncertainty, or the reason why there is none."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from sigkit.arrays import Real
from sigkit.measures.envelope.fit import NoteFit
from sigkit.measures.envelope.model import LeastSquares, Shape

RISE = ("attack_s", "onset_to_peak_s", "peak_dbfs")
FALL = ("decay_time_constant_s", "sustain_db", "sag_db_per_10s")
RELEASE = ("gate_off_s", "release_20_s", "release_40_s", "release_s", "release_time_constant_s")
EVERY = ("onset_s", *RISE, *FALL, *RELEASE)


@dataclass
class Numbers:
    """The numbers of one note.

    Parameters
    ----------
    values : dict of str to (float, float)
        Value and standard uncertainty; nan where there is none.
    reasons : dict of str to str
        Why a number is missing, and what to do.
    flags : dict of str to object
        What else is known: law, extrapolated, misfit and so on.
    """

    values: dict[str, tuple[float, float]] = field(default_factory=dict)
    reasons: dict[str, str] = field(default_factory=dict)
    flags: dict[str, object] = field(default_factory=dict)

    def none(self, names: tuple[str, ...], why: str) -> None:
        """Leave numbers out for a reason."""
        for name in names:
            self.values[name] = (math.nan, math.nan)
            self.reasons[name] = why


def spread(
    function: Callable[[Real], float], fit: LeastSquares, part: slice = slice(None)
) -> float:
    """Return the standard uncertainty of a function of fitted parameters, to first order."""
    slope = np.empty(fit.values.size)
    u = np.sqrt(np.maximum(np.diag(fit.inverse), 1e-30))
    for i in range(slope.size):
        step = np.zeros(slope.size)
        step[i] = min(0.1 * u[i], 1e-3)
        slope[i] = (function(fit.values + step) - function(fit.values - step)) / (2 * step[i])
    variance = float(slope @ fit.inverse @ slope)
    return math.sqrt(max(variance, 0.0)) * fit.inflation(part)


def shape_at(found: NoteFit, p: Real) -> Shape:
    """Return the shape of a note with other values of what was fitted to its rise and decay."""
    return found.shape._replace(**dict(zip(found.free, p.tolist(), strict=True)))
