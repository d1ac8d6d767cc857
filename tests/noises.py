"""Idle noise of an instrument with exactly known truth, made without sigkit.

White noise is drawn sample by sample, coloured noise is a random Fourier
series on a period longer than what is kept; hum follows its own path of the mains frequency by
summed phase. Powers are those of AES17: a full-scale sine reads 0 dBFS.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import soundfile as sf
from tones import harmonic_amplitudes, tone


def amplitude(level_dbfs):
    return 10 ** (level_dbfs / 20)


def dbfs(power):
    return 10 * math.log10(power)


def white(n, density_dbfs_hz, rate, rng):
    """White noise of so much power per hertz (AES17: twice the mean square)."""
    return rng.standard_normal(n) * math.sqrt(10 ** (density_dbfs_hz / 10) * rate / 2 / 2)


def coloured(n, density, rate, rng):
    """Gaussian noise of any density (power per hertz over Hz), by a random Fourier series.

    The period is twice what is kept, and not that of any transform of the estimator.
    """
    period = 2 * n + 1001
    f = np.arange(1, period // 2 + 1) * rate / period
    # A line of amplitude a has the power a^2 = density * spacing; mean square a^2/2.
    scale = np.sqrt(np.array([density(v) for v in f]) if not callable(density) else density(f))
    scale = scale * math.sqrt(rate / period)
    spectrum = np.zeros(period // 2 + 1, complex)
    draw = rng.standard_normal(f.size) + 1j * rng.standard_normal(f.size)
    spectrum[1:] = scale * draw / math.sqrt(2) * period / 2
    return np.fft.irfft(spectrum, period)[:n]


def mains_path(n, rate, hz, rng, wander_hz=0.0, wander_s=20.0, slope_hz_s=0.0):
    """Mains frequency at every sample: a slow random wander about hz, and a slope."""
    t = np.arange(n) / rate
    path = np.full(n, hz) + slope_hz_s * (t - t[-1] / 2)
    if wander_hz > 0:
        step = max(1, rate // 20)
        points = n // step + 2
        keep = math.exp(-step / rate / wander_s)
        value, values = rng.standard_normal(), []
        for _ in range(points):
            values.append(value)
            value = keep * value + math.sqrt(1 - keep**2) * rng.standard_normal()
        path = path + wander_hz * np.interp(np.arange(n), np.arange(points) * step, values)
    return path


def hum(path_hz, rate, levels, rng):
    """Lines at multiples of a mains frequency that moves; levels in dBFS by order."""
    phase = np.concatenate([[0.0], np.cumsum((path_hz[1:] + path_hz[:-1]) / 2 / rate)])
    out = np.zeros(path_hz.size)
    for order, level in levels.items():
        out += amplitude(level) * np.sin(2 * np.pi * (order * phase + rng.random()))
    return out


@dataclass
class Take:
    samples: np.ndarray
    rate: int
    truth: dict = field(default_factory=dict)


def family_power(levels, even):
    return sum(10 ** (v / 10) for k, v in levels.items() if (k % 2 == 0) == even)


def note(hz, seconds, rate, level_dbfs, wave="saw", phase=0.1):
    t = np.arange(round(seconds * rate)) / rate
    top = max(1, math.floor(0.49 * rate / hz))
    # Of its harmonics, not of the samples: these end within a period.
    power = float(np.sum(np.abs(harmonic_amplitudes(wave, top)) ** 2))
    return tone(wave, hz * t + phase, top) * amplitude(level_dbfs) / math.sqrt(power)


def write(folder, samples, rate=48_000, subtype="PCM_24", rng=None, name=None):
    """Write a take; 16 bits get triangular dither, whose noise belongs to the truth."""
    path = folder / (name or f"noise-{len(list(folder.glob('*.wav')))}.wav")
    if subtype == "PCM_16" and rng is not None:
        step = 2.0**-15
        samples = samples + step * (rng.random(samples.size) - rng.random(samples.size))
    sf.write(path, samples, rate, subtype=subtype)
    return path
