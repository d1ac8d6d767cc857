"""Lines of the lower end of a sound: where they stand out of the noise, and how strong they are."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import fft, signal

from sigkit.arrays import Real
from sigkit.measures.noise.spectrum import gentle

LOW_RATE_HZ, TOP_HZ = 8000.0, 2450.0
LOOK_S = 16.0
AROUND_HZ = 20.0
CLEARLY = 9.0
"""A peak counts where it is above the noise by this more than the logarithm of all places."""


@dataclass(frozen=True)
class Peak:
    """A line of the spectrum: frequency and its uncertainty, power, and power over the noise."""

    hz: float
    u_hz: float
    power: float
    over: float


def lowered(sound: Real, rate: int) -> tuple[Real, float]:
    """Return the lower end of a sound at a low rate; exact up to 2450 Hz."""
    step = max(1, int(rate // LOW_RATE_HZ))
    centred = sound - sound.mean()
    if step == 1:
        return centred, float(rate)
    out: Real = signal.resample_poly(centred, 1, step, window=("kaiser", 12.0))
    return out, rate / step


def peaks_of(low: Real, rate: float) -> tuple[list[Peak], Real, float]:
    """Find the lines of the lower end of a sound.

    Parameters
    ----------
    low : ndarray, shape (n_samples,)
        Sound from `lowered`; the middle 16 s of it are used.
    rate : float
        Its rate in Hz.

    Returns
    -------
    list of Peak
        Those that stand out of the noise around them, by frequency.
    ndarray, shape (n_bins,)
        Noise per hertz around each bin (a full-scale sine has the power 1).
    float
        Width of a bin in Hz.
    """
    x = _middle(low, rate)
    size = fft.next_fast_len(2 * x.size, real=True)
    window = signal.windows.hann(x.size, sym=False)
    spectrum = fft.rfft(x * window, size)
    step = rate / size
    count = min(spectrum.size, int(TOP_HZ / step))
    power = 4 * np.abs(spectrum[:count]) ** 2 / window.sum() ** 2
    width_hz = rate * float(window @ window) / window.sum() ** 2
    middle = gentle(power, round(AROUND_HZ / step)) / math.log(2)
    small = power < CLEARLY * middle
    box = np.ones(max(3, round(AROUND_HZ / step)))
    noise = np.convolve(np.where(small, power, 0), box, "same")
    noise /= np.maximum(np.convolve(small.astype(float), box, "same"), 1)
    noise = np.maximum(noise, 1e-30)
    # Noise cut at 9 times its median's mean lacks little; a block full of lines falls back.
    noise = np.where(noise > 0.3 * middle, noise, middle)
    inner = np.arange(2, count - 2)
    over = power / noise
    is_peak = (power[inner] >= power[inner - 1]) & (power[inner] > power[inner + 1])
    is_peak &= over[inner] > CLEARLY + math.log(max(2, count))
    is_peak &= inner * step > 8 / (x.size / rate)
    found = []
    for k in inner[is_peak].tolist():
        a, b, c = np.log(power[k - 1 : k + 2])
        shift = 0.5 * (a - c) / (a - 2 * b + c)
        height = float(np.exp(b - 0.25 * (a - c) * shift))
        ratio = height / float(noise[k])
        u_hz = 0.45 * rate / x.size / math.sqrt(ratio)
        found.append(Peak(float((k + shift) * step), u_hz, height, ratio))
    return _main_lobes(found, 4 * rate / x.size), noise / width_hz, step


def _middle(low: Real, rate: float) -> Real:
    most = round(LOOK_S * rate)
    skip = max(0, (low.size - most) // 2)
    return low[skip : skip + most]


def power_at(low: Real, rate: float, hz: float, density: float) -> tuple[float, float]:
    """Return the power of a line whose frequency is known, and its uncertainty by noise.

    Parameters
    ----------
    low, rate : ndarray of shape (n_samples,), float
        Sound from `lowered` and its rate; its middle 16 s are used, as in `peaks_of`.
    hz : float
        Frequency of the line.
    density : float
        Noise per hertz around it.

    Notes
    -----
    An amplitude under a Hann window scatters by 1.5 in variance re one without a window.
    """
    x = _middle(low, rate)
    window = signal.windows.hann(x.size, sym=False)
    turn = np.exp(-2j * np.pi * hz / rate * np.arange(x.size))
    power = float(np.abs(2 * np.sum(x * window * turn) / window.sum()) ** 2)
    return power, math.sqrt(2 * 1.5 * power * density * rate / x.size)


def _main_lobes(found: list[Peak], near_hz: float) -> list[Peak]:
    """Leave out side lobes: a peak close to one that is a thousand times stronger."""
    kept = []
    for peak in found:
        worse = [
            other
            for other in found
            if other is not peak
            and other.power > peak.power
            and side_lobe(abs(other.hz - peak.hz) / near_hz * 4) * other.power > peak.power
        ]
        if not worse:
            kept.append(peak)
    return kept


def side_lobe(bins: float) -> float:
    """Upper bound of the power of a Hann window's side lobes, so many bins away."""
    return 1.0 if bins < 1.7 else min(1.0, 4e-3 * (2.5 / bins) ** 6)
