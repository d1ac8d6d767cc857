"""The harmonics of a held tone, their noise, and how far the wave changes meanwhile."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from sigkit.arrays import Complex, Real
from sigkit.measures.waveform.fit import Seen
from sigkit.tracks.folded import OVERLAP, folded, smooth_path
from sigkit.tracks.phase import PhaseTrack

PERIODS_A_STRETCH = 5
FEWEST_STRETCHES, MOST_STRETCHES = 5, 24
LEAST_PERIODS = 20
TRIM_S, TRIM_SHARE = 0.1, 0.05
"""Left out at either end of the tone, where a key and the filters behind it still settle."""
HIGHEST_SHARE = 0.45
"""Share of the sample rate that converters' filters leave alone."""
NEIGHBOURS, OWN = 17, 4.0
"""Harmonics whose noise is shared, and how far one must stand out to keep its own."""
FREE = 0.9
"""Share of the stretches that tell of the noise on their own, as they overlap."""
LEAST_LEFT = 0.2
"""Share of a harmonic's noise that level and phase leave at least, as it is taken."""
QUIETEST = 0.2
"""Share of the harmonics whose changes are no larger than the noise of all."""
BLOCK = 1 << 17
"""Samples whose phases are worked out at once."""
LEAST_VARIANCE = 1e-16
"""Of a harmonic re the wave's power: round-off."""


@dataclass(frozen=True, eq=False)
class Tone:
    """Harmonics of one tone.

    Parameters
    ----------
    order : ndarray, shape (n,)
        Their orders, from 1.
    value : ndarray of complex, shape (n,)
        Half their complex amplitudes, full scale = 1.
    variance : ndarray, shape (n,)
        Expected square of the error of ``value`` by noise.
    stretches : ndarray of complex, shape (n_stretches, n)
        The same of overlapping stretches, brought to one level.
    hz : float
        Mean pitch.
    seconds : float
        Length of the sound behind it.
    top_hz : float
        Upper end of the band.
    rate : int
        Sample rate in Hz.
    """

    order: Real
    value: Complex
    variance: Real
    stretches: Complex
    hz: float
    seconds: float
    top_hz: float
    rate: int

    @property
    def power(self) -> float:
        """Sum of squares of the values."""
        return float(np.sum(np.abs(self.value) ** 2))

    @property
    def fundamental(self) -> float:
        """Length of the first value."""
        return float(np.abs(self.value[0]))

    def shares(self) -> Complex:
        """Return the share of each harmonic in the power."""
        return np.asarray(np.abs(self.value) ** 2 / self.power, complex)

    def turned_over(self) -> Tone:
        """Return the tone with its polarity inverted."""
        return replace(self, value=-self.value, stretches=-self.stretches)

    def seen(self) -> Seen:
        """Return the harmonics as they are fitted."""
        return Seen(self.order, self.value, self.variance, self.hz, self.rate)

    def change(self) -> float:
        """Return how far the wave departs from its mean within the tone, rms re the wave.

        What all harmonics have alike is taken for noise and left out.
        """
        away = np.mean(np.abs(self.stretches - self.stretches.mean(axis=0)) ** 2, axis=0)
        smooth = ndimage.uniform_filter1d(away, min(NEIGHBOURS, away.size), mode="nearest")
        beyond = np.maximum(away - np.quantile(smooth, QUIETEST), 0.0)
        return math.sqrt(float(beyond.sum()) / self.power)

    def scatter(self, values: Real) -> float:
        """Return the standard uncertainty of the mean of something read off every stretch."""
        count = values.size
        spread = float(np.sum((values - values.mean()) ** 2))
        return math.sqrt(spread * _of_mean(count))


def _of_mean(count: int) -> float:
    """Variance of the mean of stretches that overlap by half, over their sum of squares."""
    single = 1 / ((count - 1) * (1 - 2 * OVERLAP / count))
    return single * (count + 2 * OVERLAP * (count - 1)) / count**2


def _median_of_mean(count: int) -> float:
    """Median of a variance from so many stretches over its mean (Wilson and Hilferty)."""
    return (1 - 2 / (9 * 2 * FREE * (count - 1))) ** 3


def longest_tone(phase: PhaseTrack, begin_s: float, end_s: float) -> PhaseTrack | None:
    """Return the longest unbroken tone between two instants, without its ends.

    Parameters
    ----------
    phase : PhaseTrack
        Phase of the whole capture.
    begin_s, end_s : float
        From and to where there is sound at hand.

    Returns
    -------
    PhaseTrack or None
        None where no tone lasts 20 periods.
    """
    inside = (phase.time_s >= begin_s) & (phase.time_s <= end_s)
    best: PhaseTrack | None = None
    for number in np.unique(phase.tone[inside]):
        own = inside & (phase.tone == number)
        t = phase.time_s[own]
        trim = min(TRIM_S, TRIM_SHARE * (t[-1] - t[0]))
        own &= (phase.time_s >= t[0] + trim) & (phase.time_s <= t[-1] - trim)
        part = PhaseTrack(
            phase.time_s[own], phase.cycles[own], phase.u_cycles[own], phase.tone[own]
        )
        if part.time_s.size < 8 or part.cycles[-1] - part.cycles[0] < LEAST_PERIODS:
            continue
        if best is None or np.ptp(part.time_s) > np.ptp(best.time_s):
            best = part
    return best


def tone_of(sound: Real, first: int, rate: int, phase: PhaseTrack, band_hz: float) -> Tone:
    """Return the harmonics of a tone.

    Parameters
    ----------
    sound : ndarray, shape (n_samples,)
        Sound that holds the tone.
    first : int
        Its first sample, counted in the capture.
    rate : int
        Sample rate in Hz.
    phase : PhaseTrack
        Phase of the tone.
    band_hz : float
        Upper end of the band that is asked for.
    """
    begin = math.ceil(phase.time_s[0] * rate)
    end = math.floor(phase.time_s[-1] * rate)
    path, cycles = smooth_path(phase), np.empty(end - begin)
    for at in range(begin, end, BLOCK):
        upto = min(at + BLOCK, end)
        cycles[at - begin : upto - begin] = path(np.arange(at, upto) / rate)
    periods = float(cycles[-1] - cycles[0])
    hz = periods / ((cycles.size - 1) / rate)
    top_hz = min(band_hz, HIGHEST_SHARE * rate)
    top = max(1, math.floor(top_hz / (hz * (1 + 1e-4))))
    count = int(np.clip(periods / PERIODS_A_STRETCH, FEWEST_STRETCHES, MOST_STRETCHES))
    rows = folded(sound[begin - first : end - first], cycles, top, count)[:, 1:]
    level = np.sqrt(np.sum(np.abs(rows) ** 2, axis=1))
    rows *= (level.mean() / level)[:, None]
    value = rows.mean(axis=0)
    order = np.arange(1.0, top + 1)
    return Tone(
        order=order,
        value=value,
        variance=variance_of(rows, order),
        stretches=rows,
        hz=hz,
        seconds=cycles.size / rate,
        top_hz=top_hz,
        rate=rate,
    )


def variance_of(rows: Complex, order: Real) -> Real:
    """Return the variance of the mean of stretches by noise, shape (n_orders,).

    Parameters
    ----------
    rows : ndarray of complex, shape (n_stretches, n_orders)
        Harmonics of overlapping stretches, brought to one level and phase.
    order : ndarray, shape (n_orders,)
        Their orders.

    Notes
    -----
    The level of a stretch that was taken out of it has some of the noise of each harmonic in it,
    in proportion to its power, and its phase in proportion to that times the order squared. So the
    fundamental of a square shows two thirds of its noise only, though against the others it has
    all of it. The median of neighbours is taken, but for harmonics that stand out of them.
    """
    count, value = rows.shape[0], rows.mean(axis=0)
    power = np.abs(value) ** 2
    spread = np.sum(np.abs(rows - value) ** 2, axis=0) * _of_mean(count)
    taken = power / power.sum() + order**2 * power / np.sum(order**2 * power)
    spread /= np.maximum(1 - taken / 2, LEAST_LEFT) * _median_of_mean(count)
    width = min(NEIGHBOURS, 2 * (order.size // 2) + 1)
    shared = ndimage.median_filter(spread, width, mode="nearest")
    variance = np.where(spread > OWN * shared, spread, shared)
    return np.asarray(np.maximum(variance, LEAST_VARIANCE * float(power.sum())))
