"""One note of a sweep, known by its harmonics while it sounds alone, and heard under others."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sigkit.arrays import Complex, Real
from sigkit.tracks.keyboard.notes import KeyNote
from sigkit.tracks.slopes import Window
from sigkit.tracks.stretch import measure_stretch

STUCK = 0.5
"""Amplitude re its own alone from which on a note still sounds."""
SURE = 0.85
"""From when on no louder neighbour explains that."""
SOFT, SOFT_CLEAR, SOFT_HOLDS, RELEASED_S = 0.018, 3.0, 0.7, 0.06
"""Amplitude re its own alone from which on a note still sounds softly, where that is so many times
what is beside it, and from one half of the time to the other no smaller than by this; and from how
long after it was let go it is taken out."""
SMOOTH_S, SMOOTH_PERIODS = 0.5, 60
BLOCK_S = 0.01
HEARD = 0.03
"""Amplitude re the strongest from which on a harmonic tells whether a note sounds."""
MOST_HARMONICS = 80
NOTCH_S = 0.03


@dataclass(frozen=True, eq=False)
class Voice:
    """A note's pitch and harmonics while it sounds alone.

    Parameters
    ----------
    hz : float
        Its pitch.
    rate : int
        Sample rate in Hz.
    start_s : float
        When it begins.
    amplitudes : ndarray of complex, shape (n_harmonics,)
        Of its harmonics, with the phases that they have at the start of the capture.
    """

    hz: float
    rate: int
    start_s: float
    amplitudes: Complex

    @classmethod
    def of(cls, sound: Real, rate: int, note: KeyNote) -> Voice | None:
        """Learn it from where a note sounds alone; None where that is too short."""
        a, b = round((note.start_s + 0.04) * rate), round((note.stop_s - 0.03) * rate)
        part = sound[a:b].astype(np.float64)
        hz = note.hz
        if part.size < 4 * rate / hz:
            return None
        phase = measure_stretch(part, rate, hz, Window(0.1, 6), whole=True)
        if phase is not None and abs(phase.mean_hz / hz - 1) < 0.03:
            hz = phase.mean_hz
        count = min(MOST_HARMONICS, int(0.45 * rate / hz))
        if not count:
            return None
        t = np.arange(a, a + part.size) / rate
        weight = np.hanning(part.size + 2)[1:-1]
        return cls(hz, rate, note.start_s, _amplitudes(part * weight, t, hz, count) / weight.sum())

    def sounds(self, sound: Real, start_s: float, width_s: float, least: float = STUCK) -> bool:
        """Whether the note sounds over a time, rather than that a louder one beside it leaks."""
        share = self.share(sound, start_s, width_s)
        if share < least or (share > SURE and least < SURE):
            return share >= least
        beside = (replace(self, hz=self.hz + s / width_s) for s in (-1, 1))
        return share > max(v.share(sound, start_s, width_s) for v in beside)

    def sounds_softly(self, sound: Real, start_s: float, width_s: float) -> bool:
        """Whether the note sounds over a time much softer than before, and does not die away.

        What leaks of a louder note beside it changes slowly with frequency; a line that stands
        there is gone two widths of the window away.
        """
        if self.share(sound, start_s, width_s) < self.softest(sound, start_s, width_s):
            return False
        early, late = (self.share(sound, start_s + s * width_s / 2, width_s / 2) for s in (0, 1))
        return SOFT_HOLDS * early < late < early / SOFT_HOLDS

    def softest(self, sound: Real, start_s: float, width_s: float) -> float:
        """Return the amplitude re its own alone that stands out of what is beside it."""
        beside = (replace(self, hz=self.hz + s / width_s) for s in (-2.5, -2, 2, 2.5))
        return max(SOFT, SOFT_CLEAR * max(v.share(sound, start_s, width_s) for v in beside))

    def share(self, sound: Real, start_s: float, width_s: float) -> float:
        """Amplitude at this pitch over a time, re that of the note alone."""
        a, b = round(start_s * self.rate), round((start_s + width_s) * self.rate)
        part = sound[a:b].astype(np.float64)
        weight = np.hanning(part.size + 2)[1:-1]
        size = np.abs(self.amplitudes)
        strong = np.flatnonzero(size > HEARD * size.max())[:24]
        t = np.arange(a, a + part.size) / self.rate
        now = _amplitudes(part * weight, t, self.hz, int(strong[-1]) + 1) / weight.sum()
        ratio = np.abs(now[strong]) / size[strong]
        order = np.argsort(ratio)
        mass = np.cumsum(size[strong][order] ** 2)
        return float(ratio[order][np.searchsorted(mass, mass[-1] / 2)])

    def take_out(self, sound: Real, from_s: float, to_s: float, *, anew: bool = False) -> float:
        """Take the note out of a sound, in place, from an instant on; return when it ended.

        ``anew``: its amplitudes before that instant tell nothing of those after.
        """
        rate, end = self.rate, min(sound.size, round(to_s * self.rate))
        begin = round((from_s if anew else self.start_s + 0.03) * rate)
        cut = round((from_s - NOTCH_S) * rate)
        part = sound[begin:end].astype(np.float64)
        voice = self._followed(part, begin, part.size)
        gained = np.cumsum(2 * part * voice - voice**2)
        last = int(np.argmax(gained)) + 1
        voice = self._followed(part[:last], begin, last)
        keep = max(cut - begin, 0)
        ramp = np.clip((np.arange(last) - keep) / (0.005 * rate), 0, 1)
        sound[begin : begin + last] -= (voice * ramp).astype(np.float32)
        return (begin + last) / rate

    def _followed(self, part: Real, begin: int, size: int) -> Real:
        """Return the note along a part, each harmonic's amplitude and phase smoothed."""
        block = max(1, round(BLOCK_S * self.rate))
        count = -(-size // block)
        padded = np.zeros(count * block)
        padded[:size] = part[:size]
        width = max(3, round(max(SMOOTH_S, SMOOTH_PERIODS / self.hz) / BLOCK_S)) | 1
        width = min(width, count - 1 + count % 2)
        window = np.hanning(width + 2)[1:-1]
        weight = np.convolve(np.minimum(block, size - block * np.arange(count)), window, "same")
        middle = (np.arange(count) + 0.5) * block
        out = np.zeros(count * block)
        base = np.exp(2j * np.pi * self.hz * (begin + np.arange(count * block)) / self.rate)
        turn = np.ones_like(base)
        at = np.arange(count * block)
        size_of = np.abs(self.amplitudes)
        for k in range(size_of.size):
            turn = turn * base
            if size_of[k] < 1e-3 * size_of.max():
                continue
            sums = (padded * turn.conj()).reshape(count, block).sum(axis=1)
            smooth = 2 * np.convolve(sums, window, "same") / weight
            line = np.interp(at, middle, smooth.real) + 1j * np.interp(at, middle, smooth.imag)
            out += (line * turn).real
        return out[:size]


def _amplitudes(weighted: Real, t: Real, hz: float, count: int) -> Complex:
    """Complex amplitudes of harmonics, times the sum of the weights."""
    base = np.exp(-2j * np.pi * hz * t)
    turn = np.ones_like(base)
    out = np.zeros(count, complex)
    for k in range(count):
        turn = turn * base
        out[k] = 2 * (weighted @ turn)
    return out
