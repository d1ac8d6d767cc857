"""Vibrato on the notes beside a glide: found on both, and taken out of the marks between them.

A waver of a few cents bends the phase of a glide as another law would. It is the same on the note
before and on the note after, so it is known in between.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sigkit.arrays import Real

RATES_HZ = np.arange(2.5, 9.0, 0.03)
"""Rates of a vibrato."""
SMOOTH_S, APART = 0.03, 3
"""Pitch is that of so long, taken so many times in it."""
BESIDE_S = 1.5
"""Time of both notes that is looked at."""
LEAST_TURNS, LEAST_POINTS = 1.5, 12
"""What of both notes has to be held together: turns of the slowest vibrato, and points of each."""
LEAST_CENTS, EXPLAINED = 0.5, 0.6
"""Least size of a vibrato, and share of what else the notes do that it explains."""
BENDS = 3
"""A note may be landing or drift by a polynomial of this order beside it."""


@dataclass(frozen=True)
class Waver:
    """A sine that the pitch follows: its rate, and its cosine and sine from time zero on, cents."""

    rate_hz: float
    cosine: float
    sine: float

    @property
    def cents(self) -> float:
        """Its size, from its middle to its top."""
        return math.hypot(self.cosine, self.sine)

    def cycles(self, time_s: Real) -> Real:
        """Return by how many periods it has run ahead at each mark, one a period.

        Over one period it adds just its share of it, whatever the pitch.
        """
        middle = 2 * math.pi * self.rate_hz * (time_s[:-1] + np.diff(time_s) / 2)
        cents = self.cosine * np.cos(middle) + self.sine * np.sin(middle)
        return np.concatenate([[0.0], np.cumsum(math.log(2) / 1200 * cents)])


def waver_of(time_s: Real, before_s: float, after_s: tuple[float, float]) -> Waver | None:
    """Find a vibrato on the notes beside a glide.

    Parameters
    ----------
    time_s : ndarray, shape (n_marks,)
        One mark a period.
    before_s : float
        Where the note before ends.
    after_s : tuple of float
        From when to when the note after is held.

    Returns
    -------
    Waver or None
        None where the notes are steady, or too short to tell.
    """
    notes = [(before_s - BESIDE_S, before_s), (after_s[0], min(after_s[1], after_s[0] + BESIDE_S))]
    parts = [_pitch(time_s[(time_s >= a) & (time_s <= b)]) for a, b in notes]
    parts = [part for part in parts if part[0].size >= LEAST_POINTS]
    if sum(np.ptp(at) for at, _ in parts) * RATES_HZ[0] < LEAST_TURNS:
        return None
    at = np.concatenate([part[0] for part in parts])
    bends = [np.where(np.isin(at, own), _power(own, at, k), 0.0) for own, _ in parts
             for k in range(BENDS + 1)]  # fmt: skip
    basis, _ = np.linalg.qr(np.column_stack(bends))
    cents = np.concatenate([part[1] for part in parts])
    left = cents - basis @ (basis.T @ cents)
    turns = 2 * math.pi * RATES_HZ[:, None] * at
    waves = np.stack([np.cos(turns), np.sin(turns)], axis=-1)
    waves = waves - basis @ (basis.T @ waves)
    normal = np.swapaxes(waves, 1, 2) @ waves
    told = np.swapaxes(waves, 1, 2) @ left
    size = np.linalg.solve(normal, told[..., None])[..., 0]
    gained = np.sum(size * told, axis=1)
    best = int(np.argmax(gained))
    rate = float(RATES_HZ[best])
    cosine, sine = size[best] / np.sinc(rate * SMOOTH_S)
    waver = Waver(rate, float(cosine), float(sine))
    if waver.cents < LEAST_CENTS or gained[best] < EXPLAINED * float(left @ left):
        return None
    return waver


def _power(own: Real, at: Real, order: int) -> Real:
    """Return a power of the time in one note, -1 to 1 from its beginning to its end."""
    return np.asarray(((at - own.mean()) / (np.ptp(own) / 2)) ** order)


def _pitch(time_s: Real) -> tuple[Real, Real]:
    """Return the pitch of one note over and over, at which times and in cents."""
    if time_s.size < LEAST_POINTS:
        return np.empty(0), np.empty(0)
    many = max(1, round(SMOOTH_S / float(np.median(np.diff(time_s)))))
    pace = max(1, many // APART)
    length = (time_s[many:] - time_s[:-many])[::pace]
    middle = (time_s[many:] + time_s[:-many])[::pace] / 2
    return middle, -1200 * np.log2(length)
