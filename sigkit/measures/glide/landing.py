"""Where notes stand after their glides, and by how much each stands elsewhere than otherwise."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sigkit.tracks.marks import Marks

CENTS = 1200.0
SAME_NOTE_CENTS = 60.0
"""Pitches this close are one note."""
FEWEST_MARKS = 5
ROUGH_U_CENTS = 5.0
"""Standard uncertainty of the rough pitch of a note that has no marks."""


@dataclass(frozen=True)
class Stand:
    """Where a note stands: its mean pitch at the end of its hold, cents re 1 Hz, and its u."""

    cents: float
    u_cents: float


def rough_stand(held: tuple[float, float, float]) -> Stand:
    """Return where a note stands by its rough pitch: from, to (s) and Hz."""
    return Stand(CENTS * math.log2(held[2]), ROUGH_U_CENTS)


def stand_of(marks: Marks, held: tuple[float, float, float]) -> Stand:
    """Return where a note stands by the marks in its hold, a line through them."""
    t = marks.time_s[(marks.time_s >= held[0]) & (marks.time_s <= held[1])]
    if t.size < FEWEST_MARKS:
        return rough_stand(held)
    cycle = np.arange(t.size) - (t.size - 1) / 2
    spread = float(cycle @ cycle)
    period = float(cycle @ t) / spread
    left = t - t.mean() - period * cycle
    scatter = math.sqrt(float(left @ left) / (t.size - 2))
    u = CENTS / math.log(2) * scatter / math.sqrt(spread) / period
    return Stand(-CENTS * math.log2(period), u)


def landing_errors(stands: Sequence[tuple[Stand, Stand]]) -> list[tuple[float, float]]:
    """Return where each note stands after its glide, against where it stands otherwise.

    Parameters
    ----------
    stands : sequence of tuple of Stand
        The notes before and after each glide, in order.

    Returns
    -------
    list of tuple of float
        The error against the median of the same note's other holds, and its standard uncertainty,
        cents; nan where a note is held once only.

    Notes
    -----
    The uncertainty is that of the pitches alone; what the oscillator wanders from hold to hold is
    seen as such an error. That of the median of n is at most 1.25/sqrt(n) of that of one (n large
    and normal, sqrt(pi/2); that of the mean for n of 1 and 2).
    """
    landed = [stands[0][0], *(after for _, after in stands)] if stands else []
    cents = np.array([stand.cents for stand in landed])
    u = np.array([stand.u_cents for stand in landed])
    out = []
    for number in range(1, cents.size):
        others = np.flatnonzero(np.abs(cents - cents[number]) < SAME_NOTE_CENTS)
        others = others[others != number]
        if not others.size:
            out.append((math.nan, math.nan))
            continue
        median = math.sqrt(math.pi / 2) if others.size > 2 else 1.0
        u_median = median * float(np.sqrt(np.mean(u[others] ** 2) / others.size))
        error = float(cents[number] - np.median(cents[others]))
        out.append((error, math.hypot(float(u[number]), u_median)))
    return out
