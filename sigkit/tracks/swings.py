"""Steady swings of a phase at the mains frequency and at twice it, taken out."""

from __future__ import annotations

import itertools

import numpy as np

from sigkit.arrays import Real
from sigkit.tracks.phase import PhaseTrack

MAINS_HZ = (50.0, 60.0, 100.0, 120.0)
OFF = 0.01
"""Largest relative departure of the mains from its frequency."""
SEEN = 0.48
"""A swing is seen up to this share of the rate at which the phase is known."""
PIECE_S = 1.0
"""Length over which a swing is fitted: mains drifts no further in it than does no harm."""
CLEAR = 12.0
"""Times the power around it that a swing has; noise alone reaches that once in some hundred."""
AROUND_HZ = 3.0


def without_mains(phase: PhaseTrack) -> PhaseTrack:
    """Return a phase without the swings at 50, 60, 100 and 120 Hz that stand out in it.

    Parameters
    ----------
    phase : PhaseTrack
        Phase of a tone.

    Notes
    -----
    A swing is fitted second by second beside a parabola, so a step of pitch changes it by less than
    a hundredth of itself. A swing above half the pitch of a low note is left in.
    """
    cycles = phase.cycles.copy()
    bounds = np.concatenate([[0], np.flatnonzero(np.diff(phase.tone)) + 1, [phase.tone.size]])
    for begin, end in itertools.pairwise(bounds.tolist()):
        if end - begin > 3 and phase.time_s[end - 1] - phase.time_s[begin] > PIECE_S / 2:
            own = slice(begin, end)
            cycles[own] = _still(phase.time_s[own], cycles[own])
    return PhaseTrack(phase.time_s, cycles, phase.u_cycles, phase.tone)


def _still(t: Real, cycles: Real) -> Real:
    """Take the swings out of one unbroken tone."""
    rate = (t.size - 1) / float(t[-1] - t[0])
    hz = float((cycles[-1] - cycles[0]) / (t[-1] - t[0]))
    pieces = np.array_split(np.arange(t.size), max(1, round(float(t[-1] - t[0]) / PIECE_S)))
    rest = cycles - hz * t
    for mains_hz in MAINS_HZ:
        if mains_hz * (1 + OFF) + AROUND_HZ > SEEN * rate:
            continue
        steps = np.linspace(-OFF, OFF, 9) * mains_hz
        wanted = np.concatenate([mains_hz - AROUND_HZ + steps, mains_hz + steps])
        wanted = np.concatenate([wanted, mains_hz + AROUND_HZ + steps])
        power = np.zeros(wanted.size)
        for piece in pieces[:: max(1, len(pieces) // 20)]:
            bent, away = _bent(t[piece], rest[piece])
            turns = np.exp(-2j * np.pi * wanted[:, None] * away) * np.hanning(away.size)
            power += np.abs(turns @ bent) ** 2
        low, at, high = power.reshape(3, -1)
        if at.max() < CLEAR * max(float(np.mean(low)), float(np.mean(high))):
            continue
        found_hz = mains_hz + float(steps[np.argmax(at)])
        for piece in pieces:
            bent, away = _bent(t[piece], rest[piece])
            turn = 2 * np.pi * found_hz * away
            line = np.column_stack([np.cos(turn), np.sin(turn)])
            beside = np.vander(away, 4)
            design = np.column_stack([line, beside])
            size, *_ = np.linalg.lstsq(design, rest[piece], rcond=None)
            rest[piece] -= line @ size[:2]
    return rest + hz * t


def _bent(t: Real, rest: Real) -> tuple[Real, Real]:
    """Return a piece of phase less its parabola, and its times about their middle."""
    away = t - t.mean()
    return rest - np.polynomial.Polynomial.fit(away, rest, 2)(away), away
