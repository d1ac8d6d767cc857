"""What a waveform test hands back: shape, duty cycle, distortion, harmonics and the wave itself."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
import pandas as pd

from sigkit.arrays import Real
from sigkit.measures.result import Result
from sigkit.measures.waveform.difference import difference_of
from sigkit.measures.waveform.harmonics import Tone
from sigkit.quantity import Quantity

if TYPE_CHECKING:
    from matplotlib.axes import Axes

COLUMNS = (
    "order",
    "frequency_hz",
    "level_db",
    "u_level_db",
    "phase_rad",
    "u_phase_rad",
    "floor_db",
    "closed_form_db",
    "expected_db",
)


@dataclass(frozen=True, eq=False)
class Period:
    """One period of the wave, to be drawn.

    Parameters
    ----------
    phase : ndarray, shape (n_points,)
        From 0 to 1; the fundamental crosses zero upward at 0.
    value : ndarray, shape (n_points,)
        The wave from the harmonics of the band, re its own rms.
    ideal : ndarray, shape (n_points,)
        The ideal wave behind it, before couplings and low-pass, at its fitted size; nan where no
        shape was told.
    """

    phase: Real
    value: Real
    ideal: Real


@dataclass(frozen=True, kw_only=True, eq=False)
class WaveformResult(Result):
    """The wave of a held note.

    Parameters
    ----------
    duty_cycle : Quantity
        Of a pulse: the share of the period for which the oscillator's wave lies above the middle
        between its two levels, %, as IEEE Std 181 [1]_ has a pulse last between its instants at
        50 %. It is that of the wave before couplings and low-pass on the way, which are fitted, in
        the polarity that ``polarity`` states.
    duty_error : Quantity
        Duty cycle less the nominal one that was stated, in points of percent.
    symmetry : Quantity
        Of a triangle: the share of the period for which it rises, %.
    symmetry_error : Quantity
        That less 50 %, in points of percent.
    thd : Quantity
        Total harmonic distortion, %: root of the summed squares of harmonics 2 to
        ``thd_harmonics`` over the fundamental (THD_F), noise taken out, as captured: couplings and
        low-pass are not taken out. It depends on the band.
    even_harmonics : Quantity
        Root of the summed squares of the even harmonics of that band re the fundamental, dB; a
        square and a triangle that are symmetric have none.
    departure : Quantity
        What the ideal wave of the named shape, through fitted couplings and low-pass, leaves of the
        wave, rms re the wave, noise taken out, dB. Of a sine: all that is beside the fundamental.
    level : Quantity
        Level of the wave, dBFS: its rms in the band, a full-scale sine being 0 (AES17).
    frequency : Quantity
        Frequency at the mean of the pitch in cents over the capture, Hz.
    shape : str
        ``sine`` (less than some 6 % beside the fundamental, be it by a closed filter),
        ``triangle``, ``saw``, ``pulse``, or ``mixed``: none of them. Where the capture can't answer
        anything, ``mixed`` with a confidence of 0.
    shape_confidence : float
        Share of the evidence for that shape, 0 to 1.
    evidence : mapping of str to float
        The same of every shape.
    direction : str
        Of a saw, ``rising`` or ``falling`` for the longer part of its period; else empty.
    polarity : str
        What the duty cycle and the direction refer to.
    path : str
        The couplings and the low-pass that were allowed for, in words; empty where none were.
    thd_harmonics : int
        Order of the highest harmonic in the band.
    thd_band_hz : float
        Upper end of the band, Hz.
    harmonics : DataFrame
        One row a harmonic: ``order``; ``frequency_hz``; ``level_db`` re the fundamental, nan where
        it is not above the noise, with its standard uncertainty ``u_level_db`` by that, without the
        recorder's response, which all captures share; ``phase_rad`` of a
        sine, where that of the fundamental is 0 (a falling saw and a square have 0 throughout),
        with ``u_phase_rad``; ``floor_db``, the noise re the fundamental; ``closed_form_db``, the
        ideal wave of the shape and share found (nan: no shape, or not there); ``expected_db``, that
        through the fitted couplings and low-pass.
    period : Period
        One period, and the ideal.
    tone : Tone
        The harmonics as they were measured.

    References
    ----------
    .. [1] IEEE Std 181-2011, Transitions, Pulses, and Related Waveforms (terms from memory).
    """

    test: ClassVar[str] = "waveform"

    duty_cycle: Quantity
    duty_error: Quantity
    symmetry: Quantity
    symmetry_error: Quantity
    thd: Quantity
    even_harmonics: Quantity
    departure: Quantity
    level: Quantity
    frequency: Quantity
    shape: str
    shape_confidence: float
    evidence: Mapping[str, float]
    direction: str
    polarity: str
    path: str
    thd_harmonics: int
    thd_band_hz: float
    harmonics: pd.DataFrame
    period: Period
    tone: Tone
    bounds: Mapping[str, Quantity]

    def difference(self, before: WaveformResult) -> Quantity:
        """Return how far the wave departs from that of another capture, dB.

        Parameters
        ----------
        before : WaveformResult
            The other capture.

        Returns
        -------
        Quantity
            Rms of the difference of both waves over their common harmonics, each brought to the
            same rms and laid on the other in time, noise taken out, re their rms. Captures of other
            polarities are not laid on each other: state the polarity. Not measurable where noise
            hides the difference; then the reason gives the bound.
        """
        return difference_of(before.tone, self.tone)

    def against(self, quantity: str, before: Result) -> tuple[str, ...]:
        """Say beside the distortion how far the whole wave changed since another capture."""
        if quantity != "thd" or not isinstance(before, WaveformResult):
            return ()
        changed = self.difference(before)
        said = [f"difference of the two waves, rms re the wave: {changed.reason or changed}"]
        if before.shape != self.shape:
            said.append(f"the shape was {before.shape} and is {self.shape}")
        return tuple(said)

    def at_most(self) -> Mapping[str, Quantity]:
        """Return the bounds of what noise hides."""
        return self.bounds

    def band_of(self, quantity: str) -> float:
        """Return the upper end of the band for what is a sum over harmonics, in Hz."""
        sums = ("thd", "even_harmonics", "departure", "level")
        return self.thd_band_hz if quantity in sums else math.inf

    def to_dict(self) -> dict[str, Any]:
        """Return everything but the tone, ready for JSON, the shape and its evidence too."""
        return super().to_dict() | {
            "shape": self.shape,
            "shape_confidence": self.shape_confidence,
            "evidence": dict(self.evidence),
            "direction": self.direction,
            "polarity": self.polarity,
            "path": self.path,
            "thd_harmonics": self.thd_harmonics,
            "thd_band_hz": self.thd_band_hz,
        }

    def __str__(self) -> str:
        shape = f"{self.shape} ({self.shape_confidence:.0%})"
        answers = [
            f"{name.replace('_', ' ')} {quantity}"
            for name, quantity in self.quantities().items()
            if quantity.measurable
        ]
        return f"{self.test} of {self.source.name}: {shape}, {', '.join(answers)}"

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw two periods with the ideal laid under; return the axes."""
        from sigkit.charts.waveform import draw_waveform

        return draw_waveform(self, ax)


def period_of(tone: Tone, ideal: tuple[str, float, float, float] | None, points: int) -> Period:
    """Return one period of a tone, and the ideal wave behind it.

    Parameters
    ----------
    tone : Tone
        Its harmonics.
    ideal : tuple of kind, share, delay in cycles and size, or None
        The ideal wave that was fitted.
    points : int
        Points of the period.
    """
    phase = np.arange(points) / points
    start = (math.pi / 2 - float(np.angle(tone.value[0]))) / (2 * np.pi) - 0.5
    turned = tone.value * np.exp(2j * np.pi * tone.order * start)
    spectrum = np.zeros(points // 2 + 1, complex)
    count = min(tone.order.size, points // 2)
    spectrum[1 : count + 1] = turned[:count]
    rms = math.sqrt(2 * tone.power)
    value = np.fft.irfft(spectrum, points) * points / rms
    drawn = np.full(points, np.nan)
    if ideal is not None:
        kind, share, delay, size = ideal
        at = (phase + start - delay) % 1.0
        if kind == "sine":
            drawn = 2 * tone.fundamental * np.sin(2 * np.pi * phase)
        elif kind == "pulse":
            drawn = size * (np.where(at < share, 1.0, -1.0) - (2 * share - 1))
        else:
            drawn = size * np.where(
                at < share, 2 * at / share - 1, 1 - 2 * (at - share) / (1 - share)
            )
    return Period(phase, value, drawn / rms)
