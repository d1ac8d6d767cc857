"""A low-pass filter that acts on each harmonic exactly, as gain and phase along a cutoff path."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sigkit.errors import InputError


@dataclass(frozen=True, eq=False)
class LowPass:
    """Low-pass of 12 or 24 dB per octave, as the response at each harmonic.

    Parameters
    ----------
    cutoff_hz : float or ndarray, shape (n_samples,)
        Cutoff in Hz: fixed, or one value for every sample of the block that is played.
    slope_db : {12, 24}
        Fall above the cutoff in dB per octave; 24 is two equal stages of 12.
    q : float or ndarray, shape (n_samples,)
        Quality factor of each stage of 12 dB, likewise. 0.5, the default, gives equal real poles:
        no resonance.

    Notes
    -----
    Each stage is 1/(1 + s/q + s**2) with s = i f/cutoff. A fixed cutoff is exact; along a path
    each harmonic takes the response of the cutoff at that instant, without the transient that a
    circuit adds when its cutoff moves within a period. That makes the truth of a sweep exact and
    leaves it free of clicks.

    Examples
    --------
    >>> import numpy as np
    >>> dull = LowPass(100.0, slope_db=24)
    >>> bool(np.isclose(abs(dull(np.array([100.0]))[0]), 0.25))
    True
    """

    cutoff_hz: float | NDArray[np.float64]
    slope_db: Literal[12, 24] = 24
    q: float | NDArray[np.float64] = 0.5

    def __post_init__(self) -> None:
        if (
            self.slope_db not in (12, 24)
            or not np.all(self.q > 0)
            or not np.all(self.cutoff_hz > 0)
        ):
            raise InputError(
                "A low-pass needs a slope of 12 or 24 dB, and cutoff and q above zero.",
                remedy="Check the cutoff path.",
            )

    def __call__(
        self, frequency_hz: NDArray[np.float64], where: slice | NDArray[np.intp] = slice(None)
    ) -> NDArray[np.complex128]:
        """Return the response at one frequency per sample, for the samples ``where``."""
        cutoff, q = (
            value if value.ndim == 0 else value[where]
            for value in (np.asarray(v, np.float64) for v in (self.cutoff_hz, self.q))
        )
        ratio = frequency_hz / cutoff
        stage = 1 / (1 - ratio**2 + 1j * ratio / q)
        return np.asarray(stage if self.slope_db == 12 else stage * stage, np.complex128)


@dataclass(frozen=True)
class Interface:
    """A coupling and a low-pass of one pole each, as between an output and its capture.

    Parameters
    ----------
    coupling_hz, low_pass_hz : float
        Their corners in Hz.

    Examples
    --------
    >>> import numpy as np
    >>> plain = Interface(10.0, 10_000.0)
    >>> abs(plain(np.array([10.0, 10_000.0]))).round(3).tolist()
    [0.707, 0.707]
    """

    coupling_hz: float
    low_pass_hz: float

    def __post_init__(self) -> None:
        if not 0 < self.coupling_hz < self.low_pass_hz:
            raise InputError(
                "A coupling lies above zero and below the low-pass.",
                remedy="Give both corners in hertz.",
            )

    def __call__(
        self, frequency_hz: NDArray[np.float64], where: slice | NDArray[np.intp] = slice(None)
    ) -> NDArray[np.complex128]:
        """Return the response at one frequency per sample."""
        del where
        s = 1j * np.asarray(frequency_hz, np.float64)
        response = s / (s + self.coupling_hz) * (self.low_pass_hz / (s + self.low_pass_hz))
        return np.asarray(response, np.complex128)
