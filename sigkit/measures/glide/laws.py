"""How a glide goes from one pitch to the other: laws of a portamento, in log pitch.

Every law is scaled by its 10-90 % time, so that this is what a fit finds, with the uncertainty of
the fit. In units of that time, ``progress`` is the share of the interval covered.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sigkit.arrays import Real

LN9 = math.log(9.0)
"""10-90 % time of a single pole in its time constants (closed form, IEC 60469 terms)."""


@dataclass(frozen=True)
class Law:
    """A slew that runs at constant rate over a share of the interval, then as a single pole.

    Parameters
    ----------
    linear : float
        That share: 0 is a single pole in log pitch (``exponential``), 1 a constant rate
        (``linear``), between them a rate that is limited until a single pole is slower (``mixed``).

    Notes
    -----
    A resistor charging a capacitor gives the single pole, a constant current into it the constant
    rate, an amplifier that cannot follow the first until its difference is small the two in turn.
    Where the single pole takes over, rate and pitch go on without a step.
    """

    linear: float

    @property
    def time_constant(self) -> float:
        """Time constant of the single pole, in 10-90 % times; 0 where there is none."""
        return 0.0 if self.linear >= 1 else 1 / (self._in_tau(0.9) - self._in_tau(0.1))

    def _in_tau(self, progress: float) -> float:
        a = self.linear
        if progress <= a:
            return progress / (1 - a)
        return a / (1 - a) + math.log((1 - a) / (1 - progress))

    def when(self, progress: float) -> float:
        """Return when a share of the interval is covered, in 10-90 % times from the start."""
        if self.linear >= 1:
            return progress / 0.8
        return self._in_tau(progress) * self.time_constant

    def progress(self, time: Real) -> Real:
        """Return the share of the interval covered, at times from the start in 10-90 % times."""
        t = np.maximum(time, 0.0)
        a = self.linear
        if a >= 1:
            return np.minimum(0.8 * t, 1.0)
        tau = self.time_constant
        turn = a / (1 - a) * tau
        late = 1 - (1 - a) * np.exp(-np.maximum(t - turn, 0.0) / tau)
        out: Real = np.where(t < turn, t * (1 - a) / tau, late)
        return out

    @property
    def kinks(self) -> tuple[float, ...]:
        """Times at which the rate steps or bends, in 10-90 % times from the start."""
        if self.linear >= 1:
            return (0.0, 1.25)
        return (0.0, self.when(self.linear)) if self.linear > 0 else (0.0,)
