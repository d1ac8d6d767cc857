"""Test tones by plain Fourier sums, and the Cramer-Rao bound of their pitch, without sigkit.

Fourier series of saw, pulse and triangle: any handbook of mathematics (closed forms).
"""

from __future__ import annotations

import math

import numpy as np


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


def tone(wave: str, phase_cycles: np.ndarray, top: int, duty: float = 0.5) -> np.ndarray:
    """Sum of the first ``top`` harmonics along a phase path in cycles, by a stable recurrence."""
    amplitudes = harmonic_amplitudes(wave, top, duty)
    base = np.exp(2j * np.pi * phase_cycles)
    turn = np.ones_like(base)
    out = np.zeros(phase_cycles.size)
    for k, a in enumerate(amplitudes, 1):
        turn = turn * base if k % 64 else np.exp(2j * np.pi * k * phase_cycles)
        if a != 0:
            out += (a * turn).imag
    return out


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
    """Exact Cramer-Rao bound of the pitch in cents: all amplitudes, phases and the DC unknown.

    Fisher matrix of a real harmonic signal in white noise, as in D. Rife, R. Boorstyn, IEEE Trans.
    Information Theory 20 (1974), extended to all harmonics and solved numerically.
    """
    n = round(window_s * rate)
    t = (np.arange(n) - (n - 1) / 2) / rate
    top = max(1, math.floor(0.4999 * rate / frequency_hz))
    k = np.arange(1, top + 1)
    a = harmonic_amplitudes(wave, top, duty)
    kept = np.flatnonzero(np.abs(a) > 1e-9 * np.abs(a).max())
    k, a = k[kept], a[kept]
    a = a * (0.2 / np.sqrt(np.sum(np.abs(a) ** 2) / 2))
    turn = np.exp(2j * np.pi * np.outer(t, k * frequency_hz))
    nuisance = np.concatenate([turn.real, turn.imag], axis=1)
    slope = ((1j * 2 * np.pi * t[:, None] * k) * (a * turn)).imag.sum(axis=1)
    q, _ = np.linalg.qr(nuisance)
    slope -= q @ (q.T @ slope)
    sd = 0.2 * 10 ** (-snr_db / 20)
    return 1200 / math.log(2) / frequency_hz * sd / math.sqrt(float(slope @ slope))
