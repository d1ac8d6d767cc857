"""A held note's own wave, to be run back to where it begins and on to where it ends."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sigkit.arrays import Complex, Real
from sigkit.tracks.keyboard.notes import KeyNote
from sigkit.tracks.keyboard.pitch import NotePitch
from sigkit.tracks.keyboard.sound import KeySound
from sigkit.tracks.keyboard.stray import lines_on

MOST_HARMONICS = 150
LEAST_SHARE = 1e-3


@dataclass(frozen=True, eq=False)
class HeldWave:
    """A held note's own wave, along its phase.

    Parameters
    ----------
    pitch : NotePitch
        Its pitch.
    start_s : float
        When it begins, from the start of the capture.
    amplitudes : ndarray of complex, shape (n_harmonics,)
        Its harmonics.
    power : float
        Their power.
    """

    pitch: NotePitch
    start_s: float
    amplitudes: Complex
    power: float

    @classmethod
    def of(cls, whole: KeySound, note: KeyNote, pitch: NotePitch) -> HeldWave | None:
        """Return the wave of a note; None where it is held for fewer than three periods."""
        begin = note.start_s + min(0.06, 0.3 * note.held_s)
        end = min(note.stop_s - 0.01, begin + 0.3)
        a, b = round(begin * whole.rate), round(end * whole.rate)
        if (b - a) < 3 * whole.rate / pitch.hz:
            return None
        x = whole.sound[a:b].astype(np.float64)
        t = np.arange(a, a + x.size) / whole.rate
        base = np.exp(-2j * np.pi * pitch.cycles(t, note.start_s))
        weight = np.hanning(x.size + 2)[1:-1]
        weight /= weight.sum()
        count = max(1, min(MOST_HARMONICS, int(0.45 * whole.rate / pitch.hz)))
        turn, out = np.ones_like(base), np.zeros(count, complex)
        for k in range(count):
            turn = turn * base
            out[k] = 2 * ((x * weight) @ turn)
        out[np.abs(out) < LEAST_SHARE * np.abs(out).max()] = 0
        power = float(np.sum(np.abs(out) ** 2) / 2)
        return cls(pitch, note.start_s, out, power) if power > 0 else None

    def at(self, t: Real) -> Real:
        """Return the wave at full level."""
        base = np.exp(2j * np.pi * self.pitch.cycles(t, self.start_s))
        return lines_on(base, self.amplitudes)
