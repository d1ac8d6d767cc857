"""Rough pitch of short frames, without octave errors: where the fine tracker starts from.

The autocorrelation of a Hann-windowed frame, divided by that of its window, peaks at whole periods
[1]_. The shortest lag whose peak is as high as the highest one is the period.

References
----------
.. [1] P. Boersma, "Accurate short-term analysis of the fundamental frequency and the
   harmonics-to-noise ratio of a sampled sound", Proc. Institute of Phonetic Sciences
   Amsterdam 17 (1993), 97-110.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from sigkit.arrays import Real

FRAME_S = 0.120
"""Three periods of the lowest pitch and a little more."""
BAND_HZ = 12_000.0
"""The autocorrelation uses the sound below this; the lags are then oversampled at least 8 times."""
LEAST_PERIODICITY = 0.4
"""Correlation below which a frame has no tone; white noise stays below 0.2 in these frames."""
EQUAL_PEAKS = 0.01
"""Peaks this close are one height: half a percent of the energy may lie between the harmonics,
as hum does at 23 dB below the tone. It is widened where the frame is noisy."""


class CoarsePitch:
    """Finds the rough pitch of frames of ``FRAME_S`` seconds at one sample rate.

    Parameters
    ----------
    rate : int
        Sample rate in Hz.
    low_hz, high_hz : float
        Range of pitches looked for.
    """

    def __init__(self, rate: int, low_hz: float, high_hz: float) -> None:
        self.rate = rate
        self.size = max(round(FRAME_S * rate), round(3.2 * rate / low_hz))
        self.window = np.hanning(self.size + 2)[1:-1]
        self._n_fft = fft.next_fast_len(self.size * 2, real=True)
        self._bins = min(self._n_fft // 2, round(BAND_HZ * self._n_fft / rate)) + 1
        taper = np.ones(self._bins)
        edge = self._bins // 8
        taper[-edge:] = np.cos(np.linspace(0, np.pi / 2, edge)) ** 2
        self._taper = taper
        step = max(1, math.ceil(8 * self._bins / self._n_fft))
        self._n_lags = fft.next_fast_len(self._bins * 8 if step else 0, real=True)
        self.lag_rate = rate * self._n_lags / self._n_fft
        self._first = max(2, math.floor(self.lag_rate / high_hz))
        self._last = min(math.ceil(self.lag_rate / low_hz) + 1, self._n_lags // 2 - 2)
        shape = self._correlate(self.window)
        self._of_window = shape[: self._last + 2] / shape[0]

    def _correlate(self, frame: Real) -> Real:
        spectrum = fft.rfft(frame, self._n_fft)[: self._bins]
        power = (spectrum.real**2 + spectrum.imag**2) * self._taper
        padded: Real = fft.irfft(power, self._n_lags)
        return padded

    def __call__(self, frame: Real) -> tuple[float, float]:
        """Return pitch in Hz (nan where there is no tone) and periodicity, 0 to 1, of one frame."""
        centred = (frame - frame.mean()) * self.window
        raw = self._correlate(centred)[: self._last + 2]
        if not raw[0] > 0:
            return math.nan, 0.0
        rho = raw / raw[0] / self._of_window
        inner = rho[self._first : self._last + 1]
        peaks = self._first + np.flatnonzero(
            (inner > rho[self._first - 1 : self._last]) & (inner >= rho[self._first + 1 :])
        )
        fell = np.flatnonzero(rho[: self._last] < 0.5 * LEAST_PERIODICITY)
        peaks = peaks[peaks > (fell[0] if fell.size else self._last)]
        if not peaks.size:
            return math.nan, 0.0
        lag, height = _parabola(rho, peaks)
        best = float(height.max())
        if best < LEAST_PERIODICITY:
            return math.nan, max(best, 0.0)
        equal = height >= best - EQUAL_PEAKS - 0.2 * max(0.0, 1 - best)
        period = float(lag[equal][0])
        # A peak some periods further on gives the same period more precisely.
        turns = np.maximum(np.rint(lag / period), 1)
        whole = equal & (abs(lag / period - turns) < 0.1 / np.sqrt(turns)) & (turns <= 8)
        last = np.flatnonzero(whole)[-1]
        return self.lag_rate * float(turns[last]) / float(lag[last]), min(best, 1.0)


def _parabola(rho: Real, peaks: NDArray[np.intp]) -> tuple[Real, Real]:
    left, mid, right = rho[peaks - 1], rho[peaks], rho[peaks + 1]
    bend = left - 2 * mid + right
    shift = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1), 0.0)
    return peaks.astype(np.float64) + shift, mid - 0.25 * (left - right) * shift
