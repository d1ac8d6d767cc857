"""Whether two oscillators sound together in a note: its harmonics swell and fade in proportion."""

from __future__ import annotations

import math

import numpy as np

from sigkit.arrays import Real
from sigkit.tracks.keyboard.notes import KeyNote
from sigkit.tracks.keyboard.pitch import NotePitch
from sigkit.tracks.keyboard.sound import KeySound

SKIP_S = 0.06
MOST_HARMONICS, BLOCK_PERIODS, FEWEST_BLOCKS = 12, 4, 12
HEARD = 1e-4
"""Power re the strongest from which on a harmonic is looked at."""
SWELLS, EXPLAINED = 0.2, 0.8
"""Relative scatter of a harmonic's power from which on it swells, and the share of that scatter
that one beat, faster in proportion for every harmonic, has to explain."""
FEWEST_HARMONICS = 3
LEAST_TURNS, MOST_HZ, STEPS = 0.6, 12.0, 240
CENTS = 1200 / math.log(2)


def detuning_of(whole: KeySound, note: KeyNote, pitch: NotePitch) -> float:
    """Return how far two oscillators that sound together are apart, cents; nan: one sounds.

    Parameters
    ----------
    whole : KeySound
        The sweep.
    note : KeyNote
        Where the note is.
    pitch : NotePitch
        Its pitch.

    Notes
    -----
    The k-th harmonics of two tones that are d apart beat at k d: the power of every harmonic is
    fitted with a cosine of that rate, d being common to all, in least squares. A filter that closes
    changes harmonics too, but not back and forth, and not faster for higher ones.
    """
    begin, end = note.start_s + SKIP_S, note.stop_s - 0.02
    powers, time_s = _powers(whole, begin, end, note, pitch)
    if time_s.size < FEWEST_BLOCKS:
        return math.nan
    mean = powers.mean(axis=1)
    number = np.arange(1, mean.size + 1)
    scatter = powers.std(axis=1) / np.maximum(mean, 1e-30)
    own = (mean > HEARD * mean.max()) & (scatter > SWELLS)
    if own.sum() < FEWEST_HARMONICS:
        return math.nan
    relative = (powers[own] - mean[own, None]) / powers[own].std(axis=1)[:, None]
    number = number[own]
    span = float(time_s[-1] - time_s[0])
    tries = np.geomspace(LEAST_TURNS / span / float(number.max()), MOST_HZ, STEPS)
    shares = np.array([_explained(relative, number * d, time_s) for d in tries])
    best = int(np.argmax(shares))
    return CENTS * float(tries[best]) / pitch.hz if shares[best] > EXPLAINED else math.nan


def _powers(
    whole: KeySound, begin_s: float, end_s: float, note: KeyNote, pitch: NotePitch
) -> tuple[Real, Real]:
    """Power of every harmonic in blocks of some periods, shape (n_harmonics, n_blocks); times."""
    first = round(begin_s * whole.rate)
    sound = whole.part(begin_s, end_s).astype(np.float64)
    size = round(BLOCK_PERIODS * whole.rate / pitch.hz)
    hop = max(1, size // 2)
    starts = hop * np.arange(max(0, (sound.size - size) // hop + 1))
    harmonics = max(1, min(MOST_HARMONICS, int(0.45 * whole.rate / pitch.hz)))
    at = starts[:, None] + np.arange(size)
    blocks = sound[at] * np.hanning(size + 2)[1:-1]
    base = np.exp(-2j * np.pi * pitch.cycles((at + first) / whole.rate, note.start_s))
    turn, out = np.ones_like(base), np.empty((harmonics, starts.size))
    for k in range(harmonics):
        turn = turn * base
        out[k] = np.abs((blocks * turn).sum(axis=1)) ** 2
    return out, (starts + size / 2) / whole.rate


def _explained(relative: Real, beats_hz: Real, time_s: Real) -> float:
    """Share of the scatter of all harmonics' powers that cosines of these rates explain."""
    total = 0.0
    for y, hz in zip(relative, beats_hz.tolist(), strict=True):
        angle = 2 * np.pi * hz * time_s
        columns = np.stack([np.ones_like(angle), np.cos(angle), np.sin(angle)], axis=1)
        solved, *_ = np.linalg.lstsq(columns, y, rcond=None)
        total += 1.0 - float(np.mean((y - columns @ solved) ** 2))
    return total / beats_hz.size
