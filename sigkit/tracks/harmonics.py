"""The phase of a periodic tone, one value a period, from all its harmonics at once.

A stretch of sound that holds a whole number of periods is transformed once; the spectrum around
each harmonic is cut out by a raised-cosine band two fundamentals wide, whose zeros fall on the
neighbouring harmonics, and transformed back to one complex amplitude per harmonic and period. A
shift of the waveform in time turns harmonic k by k times the phase of the fundamental, so all
harmonics measure the same phase. They are combined with weights k^2 P_k / s_k^2 (power over noise),
which is the maximum-likelihood combination in stationary noise; the slope of that phase is the
pitch, with a variance at the Cramer-Rao bound of a harmonic signal [1]_.

References
----------
.. [1] D. Rife, R. Boorstyn, "Single-tone parameter estimation from discrete-time observations",
   IEEE Trans. Information Theory 20 (1974), 591-598.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import fft, ndimage

from sigkit.arrays import Complex, Real

EDGE = 4
"""Periods at either end of a stretch that the bands' responses reach over."""
LAG_0, LAG_1 = 0.75, 0.125
"""Autocorrelation of white noise behind the bands, folded to one value a period (its spectral
density at zero is 1): cos^4 + sin^4 = 3/4 + cos(2 pi f)/4."""
SECOND_DIFFERENCE = 6 * LAG_0 - 8 * LAG_1
"""Variance of x[m-1] - 2 x[m] + x[m+1] in that noise."""
MOST_DIFFERENCES = 256
"""Second differences used for the noise of a harmonic: known to 10 % then."""
SIGNIFICANT = 7.0
"""A harmonic counts where its mean power is this many times that of noise alone (1 in 1000)."""


@dataclass(frozen=True)
class PhasePath:
    """Phase of the fundamental against the reference pitch, once a period.

    Parameters
    ----------
    radians : ndarray, shape (n_periods,)
        Phase deviation from the reference.
    sd : ndarray, shape (n_periods,)
        Its standard deviation by additive noise, per period, at low frequencies.
    share : ndarray, shape (n_periods,)
        Share of the sound's energy that the tone explains, 0 to 1.
    power : ndarray, shape (n_harmonics,)
        Mean power of each harmonic, 0 where it is not significant.
    highest : int
        Highest harmonic that was used.
    """

    radians: Real
    sd: Real
    share: Real
    power: Real
    highest: int


def demodulate(sound: Real, periods: int) -> Complex:
    """Return the complex amplitudes of all harmonics, shape (n_harmonics, periods).

    Parameters
    ----------
    sound : ndarray, shape (n,)
        Sound that holds ``periods`` periods as exactly as the pitch is known.
    periods : int
        Number of periods, at least 12.

    Returns
    -------
    ndarray of complex, shape (n_harmonics, periods)
        Row k - 1 is harmonic k; column m belongs to the instant ``m * n / periods`` samples.
        Harmonics up to 0.98 of half the sample rate.
    """
    n = sound.size
    spectrum = fft.rfft(sound)
    count = max(1, math.floor(0.49 * n / periods))
    needed = (count + 1) * periods
    if spectrum.size < needed:
        spectrum = np.concatenate([spectrum, np.zeros(needed - spectrum.size)])
    bands = spectrum[:needed].reshape(count + 1, periods)
    rise = np.sin(np.arange(periods) * (np.pi / 2 / periods)) ** 2
    folded = bands[1:] * (1 - rise) + bands[:-1] * rise
    amplitudes: Complex = fft.ifft(folded, axis=1, overwrite_x=True)
    return amplitudes * (2 * periods / n)


def follow_phase(amplitudes: Complex) -> PhasePath | None:
    """Combine the phases of all harmonics into that of the fundamental.

    Parameters
    ----------
    amplitudes : ndarray of complex, shape (n_harmonics, periods)
        From `demodulate`.

    Returns
    -------
    PhasePath or None
        None where no harmonic stands out of the noise.

    Notes
    -----
    Starts from the strongest harmonic, whose phase can be unwrapped, and takes in higher ones as
    the phase becomes known well enough to line them up (Gauss-Newton steps on the common phase).
    The noise of each harmonic is read from the second differences of its length, not of its
    phase, so that real jitter of the oscillator is not mistaken for noise of the recording.
    """
    count, periods = amplitudes.shape
    inner = slice(EDGE, periods - EDGE)
    energy = amplitudes.real**2 + amplitudes.imag**2
    power = energy[:, inner].mean(axis=1)
    noise = _noise_by_difference(amplitudes[:, inner])
    strongest = int(np.argmax(power))
    order = np.arange(1, count + 1, dtype=np.float64)
    phase = np.unwrap(np.angle(amplitudes[strongest])) / (strongest + 1)
    sd = math.sqrt(noise[strongest] / power[strongest]) / (strongest + 1)
    reach = strongest + 1
    for step in range(8):
        last = reach
        reach = int(min(count, max(reach, 0.4 / max(sd, 1e-12))))
        turned = amplitudes[:reach] * _powers(np.exp(-1j * phase), reach)
        mean = turned[:, inner].mean(axis=1)
        if step:
            noise[:reach] = _noise_by_length(turned[:, inner], mean)
        weight, kept = _weights(mean, noise[:reach], periods - 2 * EDGE)
        information = float(order[:reach] ** 2 @ (weight * np.abs(kept) ** 2))
        if not information > 0:
            return None
        aligned = np.conj(kept) * weight
        level = (aligned @ turned).real / float(weight @ np.abs(kept) ** 2)
        level = np.maximum(ndimage.uniform_filter1d(level, 3), 0.02)
        correction = ((order[:reach] * aligned) @ turned).imag / information / level
        phase = phase + np.clip(correction, -0.5, 0.5)
        sd = 1 / math.sqrt(information)
        if step > 1 and last == reach == int(min(count, max(reach, 0.4 / sd))):
            break
    explained = level**2 * float(np.sum(np.abs(kept) ** 2))
    total = energy.sum(axis=0)
    share = ndimage.uniform_filter1d(explained, 5) / np.maximum(
        ndimage.uniform_filter1d(total, 5), 1e-300
    )
    squared = np.zeros(count)
    squared[:reach] = np.abs(kept) ** 2
    return PhasePath(phase, sd / level, np.minimum(share, 1.0), squared, reach)


def _powers(base: Complex, count: int) -> Complex:
    """First to ``count``-th power of each element, shape (count, n)."""
    turns: Complex = np.multiply.accumulate(np.broadcast_to(base, (count, base.size)), axis=0)
    return turns


def _weights(mean: Complex, noise: Real, periods: int) -> tuple[Real, Complex]:
    """Weights 1/s^2, and the mean amplitudes with insignificant ones left out."""
    floor = 2 * noise / periods
    power = mean.real**2 + mean.imag**2
    significant = power > SIGNIFICANT * floor
    shrink = np.where(significant, 1 - floor / np.maximum(power, 1e-300), 0.0)
    return 1 / noise, mean * shrink


def _noise_by_difference(amplitudes: Complex) -> Real:
    """Noise variance per quadrature from second differences of the complex amplitudes."""
    bend = np.abs(_second_difference(amplitudes)) ** 2
    return _smooth(np.median(bend, axis=1) / (math.log(2) * 2 * SECOND_DIFFERENCE))


def _noise_by_length(turned: Complex, mean: Complex) -> Real:
    """Noise variance per quadrature from second differences of the amplitudes' lengths."""
    unit = np.conj(mean) / np.maximum(np.abs(mean), 1e-300)
    bend = (_second_difference(turned) * unit[:, None]).real ** 2
    return _smooth(np.median(bend, axis=1) / (0.4549364 * SECOND_DIFFERENCE))


def _second_difference(amplitudes: Complex) -> Complex:
    """Second differences along the periods; of long stretches a few hundred evenly spread ones."""
    step = max(1, amplitudes.shape[1] // MOST_DIFFERENCES)
    middle = amplitudes[:, 1:-1:step]
    return amplitudes[:, :-2:step] - 2 * middle + amplitudes[:, 2::step]


def _smooth(noise: Real) -> Real:
    """Share noise estimates among neighbours; a harmonic with a hum line in it keeps its own."""
    width = 2 * (noise.size // 24) + 1
    shared = ndimage.median_filter(noise, width, mode="mirror") if width > 1 else noise
    tiny = 1e-300 + 1e-24 * float(noise.max(initial=0.0))
    return np.maximum(np.where(noise > 4 * shared, noise, shared), tiny)
