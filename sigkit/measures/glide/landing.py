"""Where notes stand after their glides, and by how much each stands elsewhere than otherwise."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sigkit.arrays import Real
from sigkit.measures.glide.model import Fit
from sigkit.measures.glide.noise import noise_in_hold
from sigkit.tracks.marks import Marks

CENTS = 1200.0
SAME_NOTE_CENTS = 60.0
"""Pitches this close are one note."""
FEWEST_MARKS = 5
ROUGH_U_CENTS = 5.0
"""Standard uncertainty of the rough pitch of a note that has no marks."""


@dataclass(frozen=True)
class Stand:
    """Where a note stands: its mean pitch at the end of its hold, cents re 1 Hz, and its u.

    ``from_s`` and ``to_s`` say of what part of the capture that is the mean.
    """

    cents: float
    u_cents: float
    from_s: float = math.nan
    to_s: float = math.nan


def rough_stand(held: tuple[float, float, float], start_s: float) -> Stand:
    """Return where a note stands by its rough pitch: from, to (s after ``start_s``) and Hz."""
    return Stand(CENTS * math.log2(held[2]), ROUGH_U_CENTS, start_s + held[0], start_s + held[1])


def stands_of(
    marks: Marks,
    fit: Fit,
    before: tuple[float, float, float],
    after: tuple[float, float, float],
    start_s: float,
) -> tuple[Stand, Stand]:
    """Return where the notes on either side of a glide stand, by the marks in their holds.

    Parameters
    ----------
    marks : Marks
        One a period.
    fit : Fit
        The glide between them, weighed.
    before, after : tuple of float
        From and to (s) and rough pitch (Hz) of the holds.
    start_s : float
        Where their time begins in the capture.
    """
    noise = fit.scatter, fit.jitter
    return (
        _stand(marks.time_s, before, marks.fine_sd[0], noise, start_s),
        _stand(
            marks.time_s,
            after,
            marks.fine_sd[1],
            noise_in_hold(fit.hold, fit.jitters),
            start_s,
            None if fit.departs else fit,
        ),
    )


def _stand(
    time_s: Real,
    held: tuple[float, float, float],
    sd: float,
    noise: tuple[float, float],
    start_s: float,
    lands: Fit | None = None,
) -> Stand:
    """Return the pitch of a line through the marks of a hold, as the mean over it.

    Marks err by their scatter, and by jitter, which adds up. A line weighs the middle of the hold
    more than its ends: of a note that is still landing the mean lies beside it, by what the law
    says.
    """
    t = time_s[(time_s >= held[0]) & (time_s <= held[1])]
    if t.size < FEWEST_MARKS:
        return rough_stand(held, start_s)
    cycle = np.arange(t.size) - (t.size - 1) / 2
    line = cycle / float(cycle @ cycle)
    period = float(line @ t)
    walk = np.cumsum(line[::-1])[-2::-1]  # what each period adds to the slope
    bend = 0.0
    if lands is not None:
        gap = np.diff(t)
        pitch = lands.log2_at(t[:-1] + gap / 2)
        bend = float(np.average(pitch, weights=gap)) + math.log2(float(walk @ np.exp2(-pitch)))
    scatter, jitter = noise
    u = math.sqrt(scatter * sd**2 * float(line @ line) + jitter**2 * float(walk @ walk))
    return Stand(
        CENTS * (bend - math.log2(period)),
        CENTS / math.log(2) * u,
        start_s + float(t[0]),
        start_s + float(t[-1]),
    )


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
        marked = others[u[others] < ROUGH_U_CENTS]
        others = marked if marked.size else others
        if not others.size:
            out.append((math.nan, math.nan))
            continue
        median = math.sqrt(math.pi / 2) if others.size > 2 else 1.0
        u_median = median * float(np.sqrt(np.mean(u[others] ** 2) / others.size))
        error = float(cents[number] - np.median(cents[others]))
        out.append((error, math.hypot(float(u[number]), u_median)))
    return out
