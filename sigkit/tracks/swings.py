"""Steady swings of a pitch, by the mains or a vibrato, taken out of its phase.

A swing that goes on evenly can be told from a step, which happens once: what is fitted over a
second or more hardly changes by a step within it.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from sigkit.arrays import Real
from sigkit.tracks.phase import PhaseTrack

MAINS_HZ = (50.0, 60.0, 100.0, 120.0)
OFF = 0.01
"""Largest relative departure of the mains from its frequency."""
VIBRATO_HZ = (2.0, 15.0)
MOST_LINES = 4
"""Lines of a vibrato: a triangle has its third and fifth harmonic."""
SEEN = 0.48
"""A swing is seen up to this share of the rate at which the phase is known."""
PIECE_S, VIBRATO_PIECE_S = 1.0, 2.0
"""Length over which a swing is fitted; its size and phase change evenly from one to the next."""
CLEAR = 12.0
"""Times the power around it that a swing has; noise alone hardly reaches that."""
AROUND_HZ = (1.5, 3.0)
STEADY = 0.5
"""Least share of its largest size that a steady swing has anywhere."""
MOST_PIECES = 60
"""Pieces in which a swing is looked for."""
ALONE_HZ, ALONE_RATE_HZ = (3.0, 15.0), 250.0
"""Where a vibrato is told from slower wander by pieces of 2 s, and the least rate at which the
phase is looked at for it, so that the mains does not show as something slower."""


@dataclass(frozen=True)
class Vibrato:
    """A steady swing of the pitch.

    Parameters
    ----------
    hz : float
        Its rate.
    power, scatter : float
        Mean square of its peak and the standard deviation of that over pieces of 2 s that overlap
        by half, cents squared.
    count : int
        Those pieces.
    """

    hz: float
    power: float
    scatter: float
    count: int

    @property
    def cents(self) -> float:
        """Its peak, cents."""
        return math.sqrt(self.power)

    @property
    def u_power(self) -> float:
        """Standard uncertainty of the mean square."""
        return self.scatter / math.sqrt(max(1.0, self.count / 2))


def vibrato_of(phase: PhaseTrack) -> Vibrato | None:
    """Return the clearest steady swing of 3 to 15 Hz in the longest unbroken tone.

    Parameters
    ----------
    phase : PhaseTrack
        Phase of a tone.

    Returns
    -------
    Vibrato or None
        None where none is clear and steady, where the mains would look the same at this pitch, or
        where the tone is shorter than 3 s.
    """
    number, counts = np.unique(phase.tone, return_counts=True)
    own = phase.tone == number[np.argmax(counts)]
    t, cycles = phase.time_s[own], phase.cycles[own]
    if t.size < 4 or t[-1] - t[0] <= 1.5 * VIBRATO_PIECE_S:
        return None
    hz = float((cycles[-1] - cycles[0]) / (t[-1] - t[0]))
    step = max(1, int((t.size - 1) / float(t[-1] - t[0]) / ALONE_RATE_HZ))
    t, rest = t[::step], (cycles - hz * phase.time_s[own])[::step]
    rate = (t.size - 1) / float(t[-1] - t[0])
    wanted_hz = np.arange(*ALONE_HZ, 0.1)
    wanted_hz = wanted_hz[wanted_hz + AROUND_HZ[1] < SEEN * rate]
    line_hz = _without_clearest(t, rest, wanted_hz, VIBRATO_PIECE_S)[1] if wanted_hz.size else 0.0
    shown = [abs(hz_ - rate * round(hz_ / rate)) for hz_ in MAINS_HZ]
    if not line_hz or min(abs(line_hz - hz_) for hz_ in shown) < OFF * MAINS_HZ[-1]:
        return None
    pieces = _pieces(t, VIBRATO_PIECE_S)
    centre = np.array([float(t[piece].mean()) for piece in pieces])
    for _ in range(2):  # the phase turns from piece to piece by how far the rate is off
        turn = 2 * np.pi * line_hz * t
        sizes = np.array([_sizes(t[piece], turn[piece], rest[piece]) for piece in pieces])
        angle = np.unwrap(np.arctan2(-sizes[:, 1], sizes[:, 0]))
        line_hz += float(np.median(np.diff(angle) / np.diff(centre))) / (2 * np.pi)
    power = (1200 / math.log(2) / hz * 2 * np.pi * line_hz) ** 2 * (sizes**2).sum(axis=1)
    return Vibrato(line_hz, float(power.mean()), float(power.std()), power.size)


def without_swings(phase: PhaseTrack) -> PhaseTrack:
    """Return a phase without its steady swings: at 50, 60, 100 and 120 Hz, and of 2 to 15 Hz.

    Parameters
    ----------
    phase : PhaseTrack
        Phase of a tone.

    Notes
    -----
    Each swing is fitted in overlapping pieces beside a cubic, of 1 s for mains and 2 s for vibrato.
    A step of pitch changes a vibrato found so by 2 / (w T) of the step, w being its angular
    frequency and T the piece: a thirtieth at 5 Hz. One that comes or goes is left in, as is one
    above half the pitch of a low note.
    """
    cycles = phase.cycles.copy()
    bounds = np.concatenate([[0], np.flatnonzero(np.diff(phase.tone)) + 1, [phase.tone.size]])
    for begin, end in itertools.pairwise(bounds.tolist()):
        if end - begin > 3 and phase.time_s[end - 1] - phase.time_s[begin] > PIECE_S:
            own = slice(begin, end)
            cycles[own] = _still(phase.time_s[own], cycles[own])
    return PhaseTrack(phase.time_s, cycles, phase.u_cycles, phase.tone)


def _still(t: Real, cycles: Real) -> Real:
    """Take the swings out of one unbroken tone."""
    rate = (t.size - 1) / float(t[-1] - t[0])
    hz = float((cycles[-1] - cycles[0]) / (t[-1] - t[0]))
    rest = cycles - hz * t
    for mains_hz in MAINS_HZ:
        if mains_hz * (1 + OFF) + AROUND_HZ[1] < SEEN * rate:
            wanted_hz = mains_hz * (1 + np.linspace(-OFF, OFF, 9))
            rest = _without_clearest(t, rest, wanted_hz, PIECE_S)[0]
    if t[-1] - t[0] > 1.5 * VIBRATO_PIECE_S:
        wanted_hz = np.arange(*VIBRATO_HZ, 0.1)
        wanted_hz = wanted_hz[wanted_hz + AROUND_HZ[1] < SEEN * rate]
        for _ in range(MOST_LINES):
            rest, found = _without_clearest(t, rest, wanted_hz, VIBRATO_PIECE_S)
            if not found:
                break
    still: Real = rest + hz * t
    return still


def _without_clearest(t: Real, rest: Real, wanted_hz: Real, piece_s: float) -> tuple[Real, float]:
    """Take out the clearest line at one of some frequencies, and say which; 0: none is clear."""
    pieces = _pieces(t, piece_s)
    near = np.linspace(*AROUND_HZ, 4)
    all_hz = np.unique(np.round(np.add.outer(wanted_hz, [0, *near, *-near]).ravel(), 3))
    all_hz = all_hz[all_hz > 1 / piece_s]
    each = []
    for piece in pieces[:: max(1, len(pieces) // MOST_PIECES)]:
        away = t[piece] - t[piece].mean()
        bent = rest[piece] - np.polynomial.Polynomial.fit(away, rest[piece], 3)(away)
        turns = np.exp(-2j * np.pi * all_hz[:, None] * away)
        each.append(np.abs(turns @ (bent * np.hanning(away.size))) ** 2 * all_hz**2)
    # A step is in two pieces only, and not in the median.
    power = np.median(each, axis=0)
    # Noise of a pitch and its wander fall evenly over the few hertz on both sides of a line.
    clear = np.zeros(wanted_hz.size)
    for i, line_hz in enumerate(wanted_hz):
        sides = [
            np.mean(np.interp(line_hz + side * near, all_hz, power, left=0.0)) for side in (-1, 1)
        ]
        clear[i] = float(np.interp(line_hz, all_hz, power)) / max(*sides, 1e-300)
    strong = np.where(clear > CLEAR, np.interp(wanted_hz, all_hz, power), 0.0)
    best = int(np.argmax(strong))
    if not strong[best] > 0:
        return rest, 0.0
    turn = 2 * np.pi * float(wanted_hz[best]) * t
    centre = np.array([float(t[piece].mean()) for piece in pieces])
    sizes = np.array([_sizes(t[piece], turn[piece], rest[piece]) for piece in pieces])
    total = np.hypot(*sizes.T)
    if total.min() < STEADY * total.max():
        return rest, 0.0
    cosine, sine = (np.interp(t, centre, size) for size in sizes.T)
    return rest - cosine * np.cos(turn) - sine * np.sin(turn), float(wanted_hz[best])


def _pieces(t: Real, piece_s: float) -> list[slice]:
    """Pieces of a tone, each beginning in the middle of the one before."""
    count = max(1, round(2 * float(t[-1] - t[0]) / piece_s) - 1)
    edges = np.linspace(0, t.size, count + 2).astype(np.intp).tolist()
    return [slice(begin, end) for begin, end in zip(edges[:-2], edges[2:], strict=True)]


def _sizes(t: Real, turn: Real, rest: Real) -> Real:
    """Cosine and sine of a line in a piece of phase, beside a cubic."""
    away = t - t.mean()
    design = np.column_stack([np.cos(turn), np.sin(turn), np.vander(away, 4)])
    found, *_ = np.linalg.lstsq(design, rest, rcond=None)
    sizes: Real = found[:2]
    return sizes
