"""Marks of one glide laid together: what of them tells of it, and a first guess."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sigkit.arrays import Flags, Real
from sigkit.measures.glide.waver import Waver
from sigkit.tracks.marks import Marks

MOST_MARKS = 600
HELD_PERIODS, HELD_S, LANDING = 60, 0.1, 3.0
"""Length of the held notes beside a glide that is looked at, and 10-90 % times of its landing."""


@dataclass(frozen=True, eq=False)
class Series:
    """Marks as the fit sees them.

    Parameters
    ----------
    time_s : ndarray, shape (n_marks,)
        Instants, rising, of all families together.
    cycle : ndarray, shape (n_marks,)
        Number of each mark within its family: whole, less what a vibrato has run ahead.
    family : ndarray of int, shape (n_marks,)
        Which level it crosses, in which direction.
    before_sd, after_sd : ndarray, shape (n_families,)
        Scatter in periods on the note before and the note after.
    fine_sd : ndarray, shape (2, n_families)
        Both, as far as an edge can be read.
    shift : ndarray, shape (n_marks,)
        Periods by which each hertz of a coupling's corner moves each mark.
    held_log2 : ndarray, shape (2,)
        Rough pitch of both notes, log2 of Hz.
    ripple : ndarray, shape (n_families,)
        Periods by which the highest harmonic moves the marks on the higher note.
    """

    time_s: Real
    cycle: Real
    family: NDArray[np.intp]
    before_sd: Real
    after_sd: Real
    fine_sd: Real
    shift: Real
    held_log2: Real
    ripple: Real


def series_of(
    marks: Sequence[Marks], before_hz: float, after_hz: float, waver: Waver | None
) -> Series:
    """Lay the marks of several families together in time, what they waver by taken out."""
    time = np.concatenate([m.time_s for m in marks])
    cycle = np.concatenate(
        [np.arange(m.time_s.size) - (waver.cycles(m.time_s) if waver else 0.0) for m in marks]
    )
    family = np.repeat(np.arange(len(marks)), [m.time_s.size for m in marks])
    order = np.argsort(time, kind="stable")
    sides = ("before_sd", "after_sd")
    of_each = {side: np.array([getattr(m, side) for m in marks]) for side in sides}
    held = np.log2([before_hz, after_hz])
    shift = np.concatenate([m.shift for m in marks])[order]
    ripple = np.array([m.ripple for m in marks])
    fine = np.transpose([m.fine_sd for m in marks])
    beside = {"fine_sd": fine, "shift": shift, "held_log2": held, "ripple": ripple}
    return Series(time[order], cycle[order], family[order], **of_each, **beside)


def all_of(series: Series, numbers: Real) -> Series:
    """Keep the marks around a glide that is known roughly."""
    return thinned(around(series, numbers, known=True), numbers, MOST_MARKS)


def first_guess(marks: Marks, before_hz: float, after_hz: float) -> Real:
    """Guess start, ln of the 10-90 % time and both pitches from the pitch of each period."""
    t = marks.time_s
    middle = t[:-1] + np.diff(t) / 2
    low, high = math.log2(before_hz), math.log2(after_hz)
    progress = (-np.log2(np.diff(t)) - low) / (high - low)
    late = np.flatnonzero(progress > 0.5)
    half = int(late[0]) if late.size else progress.size // 2
    early = np.flatnonzero(progress[: half + 1] < 0.1)
    done = np.flatnonzero(progress[half:] > 0.9)
    t10 = _reached(middle, progress, int(early[-1]) if early.size else 0, 0.1)
    t90 = _reached(middle, progress, half + (int(done[0]) if done.size else 0) - 1, 0.9)
    seconds = max(t90 - t10, 1e-3)
    return np.array([t10 - 0.05 * seconds, math.log(seconds), low, high])


def _reached(time_s: Real, progress: Real, i: int, level: float) -> float:
    i = min(max(i, 0), progress.size - 2)
    rise = progress[i + 1] - progress[i]
    share = min(max((level - progress[i]) / rise, 0.0), 1.0) if rise else 0.5
    return float(time_s[i] + share * (time_s[i + 1] - time_s[i]))


def around(series: Series, guess: Real, *, known: bool = False) -> Series:
    """Keep what tells of the glide: enough of both notes, more of them while its start may err."""
    start, seconds = float(guess[0]), math.exp(guess[1])
    lead = (0.0 if known else 0.3 * seconds) + max(HELD_PERIODS * 2.0 ** -guess[2], HELD_S)
    tail = 1.1 * seconds + max(LANDING * seconds, HELD_PERIODS * 2.0 ** -guess[3], HELD_S)
    t = series.time_s
    return _only(series, (t >= start - lead) & (t <= start + tail))


def thinned(series: Series, guess: Real, most: int) -> Series:
    """Leave marks out evenly, fewer where the pitch moves."""
    start, seconds = float(guess[0]), math.exp(guess[1])
    t = series.time_s
    moving = (t > start - 0.2 * seconds) & (t < start + 2.5 * seconds)
    keep = np.zeros(t.size, bool)
    for part in (moving, ~moving):
        pace = max(1, math.ceil(2 * np.count_nonzero(part) / most))
        for family in range(series.before_sd.size):  # in turn, they would not be left out alike
            keep[np.flatnonzero(part & (series.family == family))[::pace]] = True
    return _only(series, keep)


def _only(series: Series, keep: Flags) -> Series:
    return replace(
        series,
        time_s=series.time_s[keep],
        cycle=series.cycle[keep],
        family=series.family[keep],
        shift=series.shift[keep],
    )
