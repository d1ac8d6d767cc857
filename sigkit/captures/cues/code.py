"""What a cue track sounds like: soft ticks that carry a code, and beeps for the ear.

A tick every half second is three noises at once, each a sum of cosines with fixed phases. The first
has always the same sign and says when; the sign of the second counts the ticks; that of the third
spells which track it is. Beeps are plain tones on top: they mean nothing to the reader.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sigkit.arrays import Real

TICK_S = 0.5
WHEN, COUNT, WHICH = 0, 1, 2
"""The three noises of a tick."""
SHARE = (0.5, 0.25, 0.25)
"""Their shares of its power."""
LOWEST_HZ, HIGHEST_HZ = 300.0, 7000.0
TILT = 0.25
"""Amplitude falls with frequency to this power: half way from white to pink."""
ATTACK_S, FALL_S = 0.02, 0.42
PEAK = 0.25
"""Largest sample of a track: -12 dBFS."""
TONE_SHARE = 0.4
"""Share of the peak that a beep may take."""
COUNTER = 2**14
"""Ticks that can be told apart: 2 h 16 min."""

Kind = Literal["up", "down", "next", "stop"]
KINDS: tuple[Kind, ...] = ("up", "down", "next", "stop")
BEEPS: dict[str, tuple[tuple[float, float, float, float], ...]] = {
    "up": ((0.0, 0.24, 660.0, 990.0),),
    "down": ((0.0, 0.14, 660.0, 495.0), (0.2, 0.14, 660.0, 495.0)),
    "next": (
        (0.0, 0.09, 1320.0, 1320.0),
        (0.15, 0.09, 1320.0, 1320.0),
        (0.3, 0.09, 1320.0, 1320.0),
    ),
    "stop": ((0.0, 1.0, 440.0, 440.0),),
    "quarter": ((0.0, 0.05, 1100.0, 1100.0),),
}
"""Each beep: start (s), length (s), pitch at its start and its end (Hz) of its tones."""


def hashed(*words: int | NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Return 64 well-mixed bits of whole numbers, the same on every machine and for ever.

    Notes
    -----
    The finalizer of SplitMix64: G. L. Steele, D. Lea and C. H. Flood, "Fast splittable pseudorandom
    number generators", OOPSLA 2014 (constants from memory).
    """
    state = np.zeros(1, np.uint64)
    for word in words:
        number = np.asarray(word, dtype=np.uint64)
        z = state * np.uint64(0x9E3779B97F4A7C15) + number + np.uint64(0x9E3779B97F4A7C15)
        z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
        state = z ^ (z >> np.uint64(31))
    return state


def signs(seed: int | NDArray[np.uint64], ticks: NDArray[np.integer]) -> NDArray[np.int8]:
    """Return the signs of ticks: of the counter (seed 0) or of a track (its number, from 1)."""
    bits = hashed(seed, ticks.astype(np.uint64)) & np.uint64(1)
    out: NDArray[np.int8] = 1 - 2 * bits.astype(np.int8)
    return out


@lru_cache(maxsize=8)
def tick_noises(rate: int) -> Real:
    """Return the three noises of a tick, shape (3, rate / 2), their powers together 1 in the mean.

    Parameters
    ----------
    rate : int
        Sample rate in Hz, even, 16 kHz or more. The sound is the same at every rate.
    """
    size = round(rate * TICK_S)
    lines = np.arange(round(LOWEST_HZ * TICK_S), round(HIGHEST_HZ * TICK_S) + 1)
    spectrum = np.zeros((3, size // 2 + 1), np.complex128)
    for noise in range(3):
        turn = hashed(7, noise, lines.astype(np.uint64)) / np.float64(2**64)
        spectrum[noise, lines] = lines**-TILT * np.exp(2j * np.pi * turn)
    wave = np.fft.irfft(spectrum, size, axis=1) * _swell(size, rate)
    power = np.mean(wave**2, axis=1, keepdims=True)
    out: Real = wave * np.sqrt(np.array(SHARE)[:, None] / power)
    return out


def _swell(size: int, rate: int) -> Real:
    """Return the loudness of a tick: a quick swell, then a slow fall to nothing."""
    t = np.arange(size) / rate
    rise = np.sin(0.5 * np.pi * np.clip(t / ATTACK_S, 0, 1)) ** 2
    fall = np.cos(0.5 * np.pi * np.clip((t - ATTACK_S) / FALL_S, 0, 1)) ** 2
    out: Real = rise * fall
    return out


def beep(kind: str, rate: int) -> Real:
    """Return a beep for the ear, its largest sample near 1."""
    tones = BEEPS[kind]
    out = np.zeros(round(max(start + length for start, length, _, _ in tones) * rate))
    for start, length, low_hz, high_hz in tones:
        t = np.arange(round(length * rate)) / rate
        turns = low_hz * t + 0.5 * (high_hz - low_hz) / length * t**2
        edge = np.minimum(1.0, np.minimum(t, length - t) / min(0.03, length / 3))
        tone = 0.85 * np.sin(2 * np.pi * turns) + 0.15 * np.sin(4 * np.pi * turns)
        first = round(start * rate)
        out[first : first + t.size] += np.sin(0.5 * np.pi * edge) ** 2 * tone
    return 0.4 * out if kind == "quarter" else out
