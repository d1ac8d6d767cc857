"""Test tones by plain Fourier sums, and the Cramer-Rao bound of their pitch, without sigkit.

Fourier series of saw, pulse and triangle: any handbook of mathematics (closed forms).
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import soundfile as sf


def harmonic_amplitudes(wave: str, count: int, duty: float = 0.5) -> np.ndarray:
    """Complex amplitudes of harmonics 1..count (sine phase: the real part of -j a e^{j phi})."""
    k = np.arange(1, count + 1)
    if wave == "saw":
        return (2 / np.pi / k).astype(complex)
    if wave == "pulse":
        return (
            (4 / np.pi / k)
            * np.sin(np.pi * k * duty)
            * np.exp(0.5j * np.pi - 1j * np.pi * k * duty)
        )
    if wave == "triangle":
        return np.where(k % 2 == 1, 8 / np.pi**2 / k**2, 0) * np.exp(0.5j * np.pi)
    if wave == "sine":
        return np.where(k == 1, 1.0, 0.0).astype(complex)
    raise ValueError(wave)


def fourier_sum(amplitudes: np.ndarray, phase_cycles: np.ndarray) -> np.ndarray:
    """Imaginary part of the sum of ``amplitudes[k - 1] exp(j k phase)`` along a phase path.

    By Horner's rule, in blocks that stay in the processor's cache; exact to rounding, as every
    factor has the magnitude one.
    """
    out = np.empty(phase_cycles.size)
    for first in range(0, out.size, 4096):
        block = slice(first, first + 4096)
        turn = np.exp(2j * np.pi * phase_cycles[block])
        total = np.zeros_like(turn)
        for a in amplitudes[::-1]:
            total += a
            total *= turn
        out[block] = total.imag
    return out


def tone(wave: str, phase_cycles: np.ndarray, top: int, duty: float = 0.5) -> np.ndarray:
    """Sum of the first ``top`` harmonics along a phase path in cycles."""
    return fourier_sum(harmonic_amplitudes(wave, top, duty), phase_cycles)


def noisy_tone(
    wave: str,
    frequency_hz: float,
    snr_db: float,
    seconds: float,
    rng: np.random.Generator,
    *,
    rate: int = 48_000,
    duty: float = 0.5,
) -> tuple[np.ndarray, float]:
    """A steady tone at random phase in white noise, rms level 0.2; and the noise's sd."""
    t = np.arange(round(seconds * rate)) / rate
    top = max(1, math.floor(0.4999 * rate / frequency_hz))
    x = tone(wave, frequency_hz * t + rng.random(), top, duty)
    x *= 0.2 / np.sqrt(np.mean(x**2))
    sd = 0.2 * 10 ** (-snr_db / 20)
    return x + sd * rng.standard_normal(t.size), sd


def bound_cents(
    wave: str,
    frequency_hz: float,
    snr_db: float,
    window_s: float,
    *,
    rate: int = 48_000,
    duty: float = 0.5,
) -> float:
    """Exact Cramer-Rao bound of the pitch in cents: all amplitudes and phases unknown.

    Fisher matrix of a real harmonic signal in white noise, as in D. Rife, R. Boorstyn, IEEE Trans.
    Information Theory 20 (1974), extended to all harmonics and solved numerically. On a time axis
    that is symmetric about zero the cosines and sines are orthogonal, so that two systems of the
    number of harmonics are solved instead of one of twice that size.
    """
    n = round(window_s * rate)
    t = (np.arange(n) - (n - 1) / 2) / rate
    top = max(1, math.floor(0.4999 * rate / frequency_hz))
    k = np.arange(1, top + 1)
    a = harmonic_amplitudes(wave, top, duty)
    kept = np.flatnonzero(np.abs(a) > 1e-9 * np.abs(a).max())
    k, a = k[kept], a[kept]
    a = a * (0.2 / np.sqrt(np.sum(np.abs(a) ** 2) / 2))
    # Sums of cos(j w t), t sin(j w t) and t^2 cos(j w t) over the window, for every order j.
    base, turn = np.exp(2j * np.pi * frequency_hz * t), np.ones(n, complex)
    plain, first, second = (np.empty(2 * top + 1) for _ in range(3))
    for j in range(2 * top + 1):
        plain[j], first[j], second[j] = turn.real.sum(), t @ turn.imag, (t * t) @ turn.real
        turn = turn * base if (j + 1) % 64 else np.exp(2j * np.pi * (j + 1) * frequency_hz * t)
    less, more = np.abs(k[:, None] - k), k[:, None] + k
    sign = np.sign(k[:, None] - k)
    # d/df of Im(a e^{jkwt}) = 2 pi k t Re(a e^{jkwt}) = t (p cos(kwt) + q sin(kwt)).
    p, q = 2 * np.pi * k * a.real, -2 * np.pi * k * a.imag
    total = p @ (second[less] + second[more]) @ p / 2 + q @ (second[less] - second[more]) @ q / 2
    on_sines = (first[more] - sign * first[less]) @ p / 2
    on_cosines = (first[more] + sign * first[less]) @ q / 2
    total -= on_sines @ np.linalg.solve((plain[less] - plain[more]) / 2, on_sines)
    total -= on_cosines @ np.linalg.solve((plain[less] + plain[more]) / 2, on_cosines)
    sd = 0.2 * 10 ** (-snr_db / 20)
    return 1200 / math.log(2) / frequency_hz * sd / math.sqrt(float(total))


def moving_tone(wave: str, path_hz: np.ndarray, rate: int, *, duty: float = 0.5) -> np.ndarray:
    """A tone whose frequency at every sample is given, straight between the samples; rms 0.2."""
    steps = (path_hz[1:] + path_hz[:-1]) / 2 / rate
    phase = np.concatenate([[0.123], 0.123 + np.cumsum(steps)])
    x = tone(wave, phase, max(1, math.floor(0.49 * rate / path_hz.max())), duty)
    return x * (0.2 / np.sqrt(np.mean(x**2)))


def window_behind_s(
    frequency_hz: float | np.ndarray, window_s: float = 0.1, least: int = 6
) -> float | np.ndarray:
    """Length of a window that holds at least ``least`` periods."""
    return np.maximum(window_s, least / np.asarray(frequency_hz))


def window_mean_hz(
    path_hz: np.ndarray, rate: int, at_s: np.ndarray, window_s: float | np.ndarray
) -> np.ndarray:
    """Mean frequency weighted by a parabola over a window, as a line fitted to the phase has it."""
    share = (np.arange(400) + 0.5) / 200 - 1
    weight = 1 - share**2
    grid = np.arange(path_hz.size) / rate
    half = np.broadcast_to(np.asarray(window_s) / 2, at_s.shape)
    values = np.interp(at_s[:, None] + half[:, None] * share, grid, path_hz)
    return values @ weight / weight.sum()


def sharp_windows(
    cents: np.ndarray, rate: int, at_s: np.ndarray, window_s: float, hop_s: float = 0.01
) -> np.ndarray:
    """Pitch in such windows with 1/40 of its second derivative times their square given back.

    1/40 is half the second moment of a parabola over a window of length 1, which is 1/20. The path
    has to reach a whole window further than the moments asked for.
    """
    away_s = max(1, round(window_s / hop_s / 2)) * hop_s
    before, middle, after = (
        window_mean_hz(cents, rate, at_s + away, window_s) for away in (-away_s, 0, away_s)
    )
    return middle + (2 * middle - before - after) * (window_s / away_s) ** 2 / 40


def write_sound(
    folder: Path, samples: np.ndarray, rate: int = 48_000, *, subtype: str = "FLOAT"
) -> Path:
    """Write samples to a new WAV file in a folder."""
    path = folder / f"sound{len(list(folder.glob('sound*.wav')))}.wav"
    sf.write(path, samples, rate, subtype=subtype)
    return path
