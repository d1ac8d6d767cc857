"""How a glide goes from one pitch to the other: laws of a portamento, in log pitch or in hertz.

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
    octaves : float
        The interval, signed, of a slew that is all this in hertz; 0 in log pitch.

    Notes
    -----
    A resistor charging a capacitor gives the single pole, a constant current into it the constant
    rate, an amplifier that cannot follow the first until its difference is small the two in turn.
    Where the single pole takes over, rate and pitch go on without a step. The capacitor's voltage
    is log pitch, or, where an oscillator has so many hertz a volt, its frequency.
    """

    linear: float
    octaves: float = 0.0

    @property
    def time_constant(self) -> float:
        """Time constant of the single pole, in 10-90 % times; 0 where there is none."""
        return 0.0 if self.linear >= 1 else self._unit

    @property
    def _unit(self) -> float:
        """Time constant, or time of the whole at constant rate, in 10-90 % times."""
        late, early = (self._when(self._volts(level)) for level in (0.9, 0.1))
        return 1 / (late - early)

    def _volts(self, progress: float) -> float:
        """Return the share of the voltage that a share of the interval takes."""
        ln = math.log(2) * self.octaves
        return math.expm1(ln * progress) / math.expm1(ln) if ln else progress

    def _when(self, volts: float) -> float:
        a = self.linear
        if a >= 1:
            return volts
        if volts <= a:
            return volts / (1 - a)
        return a / (1 - a) + math.log((1 - a) / (1 - volts))

    def when(self, progress: float) -> float:
        """Return when a share of the interval is covered, in 10-90 % times from the start."""
        return self._when(self._volts(progress)) * self._unit

    def progress(self, time: Real) -> Real:
        """Return the share of the interval covered, at times from the start in 10-90 % times."""
        t = np.maximum(time, 0.0) / self._unit
        a = self.linear
        if a >= 1:
            volts = np.minimum(t, 1.0)
        else:
            turn = a / (1 - a)
            late = 1 - (1 - a) * np.exp(-np.maximum(t - turn, 0.0))
            volts = np.where(t < turn, t * (1 - a), late)
        ln = math.log(2) * self.octaves
        return np.asarray(np.log1p(volts * math.expm1(ln)) / ln if ln else volts)

    @property
    def kinks(self) -> tuple[float, ...]:
        """Times at which the rate steps or bends, in 10-90 % times from the start."""
        return (0.0, self._when(self.linear) * self._unit) if self.linear > 0 else (0.0,)
