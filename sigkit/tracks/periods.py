"""A tone cut into periods that lie exactly on each other, on each of its steep edges."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from sigkit.tracks.dirty_periods import dirty_periods, fallen, sudden_only
from sigkit.tracks.edges import (
    Family,
    find_edges,
    low_harmonics,
    on_edges,
    others_after,
    own_points,
    whole_periods,
)
from sigkit.tracks.neighbours import (
    Foretelling,
    Mask,
    Rows,
    bend,
    corner,
)
from sigkit.tracks.sound import Array, Sound, Spline, laid_on, read_periods, straight

HIGHEST_EDGE_HZ, HIGHEST_WHOLE_HZ = 1500.0, 500.0
"""Above, edges of one period to the next move by less than what is heard."""
SPARE, BESIDE, OCTAVE = 40, 4, 2.0
"""Periods beyond the ends of a stretch, those beyond that its phase is known for, and the ratio of
pitches within one."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Cut:
    """Periods of one stretch, and how they were cut.

    Parameters
    ----------
    rows : ndarray, shape (n_rows, n_points)
        One period a row.
    told : ndarray, shape (n_rows, n_points)
        The same foretold from their neighbours.
    ok : ndarray of bool, shape (n_rows,)
        Periods that hold no dirt.
    turn : ndarray, shape (n_rows, n_points)
        Change of their slope from period to period, as from `sigkit.tracks.neighbours.corner`.
    phase : ndarray, shape (n_samples,)
        Phase on which they were cut, in periods from the first row, at each sample.
    begin : int
        Sample of the sound at which that begins.
    keep : (float, float)
        Phases between which the stretch counts; the rest lies in the one before or after.
    first : int
        Phase in cycles at which row 0 begins.
    edge : ndarray, shape (n_rows,)
        Where the edges were seen, in periods from row 0 of the phase given; empty: none.
    sure : ndarray of bool, shape (n_rows,)
        Where they were seen surely; empty: none.
    period : float
        Mean length of a period in samples.
    """

    rows: Rows
    told: Rows
    ok: Mask
    turn: Rows
    phase: Array
    begin: int
    keep: tuple[float, float]
    first: int
    edge: Array
    sure: Mask
    period: float

    def phase_at(self, part: slice) -> Array:
        """Return the phase at some of the sound's samples."""
        return self.phase[part.start - self.begin : part.stop - self.begin]

    def read(self, part: slice, some: NDArray[np.intp] | None = None) -> tuple[Rows, Rows, Rows]:
        """Return what was foretold, corners and bends at the sound's samples, or at some of them.

        Parameters
        ----------
        part : slice
            Samples of the sound.
        some : ndarray of int, optional
            Those that are wanted, counted from its beginning.
        """
        phase = self.phase_at(part)
        at = np.clip((phase if some is None else phase[some]) * self.rows.shape[1], 0, None)
        low, top = max(0, int(at.min(initial=0)) - 8), int(at.max(initial=0)) + 9
        at -= low
        first, last = low // self.rows.shape[1], -(-top // self.rows.shape[1])
        curve = bend(self.told[max(0, first - 1) : last + 1])[min(first, 1) :]
        return (
            Spline(self.told.ravel()[low:top]).at(at),
            straight(self.turn.ravel()[low:top], at),
            straight(curve.ravel()[low - first * self.rows.shape[1] :], at),
        )


def cut_periods(sound: Sound, cycles: Array, rate: int) -> list[tuple[Cut | None, list[Cut]]]:
    """Cut a sound into periods and foretell them, once for each family of steep edges.

    Parameters
    ----------
    sound : Sound
        The sound.
    cycles : ndarray, shape (n_samples,)
        Its phase in cycles.
    rate : int
        Sample rate in Hz.

    Returns
    -------
    list of (Cut or None, list of Cut)
        For every stretch in which the pitch stays within an octave: cut on the phase alone (None
        where a steep edge is seen in every period), and on the rising and on the falling edges
        where the tone has them.
    """
    first, last = math.ceil(cycles[0]), math.floor(cycles[-1])
    starts = np.interp(np.arange(first, last + 1), cycles, np.arange(cycles.size))
    out = []
    for a, b in _stretches(np.diff(starts)):
        low, high = max(0, a - SPARE), min(last - first, b + SPARE)
        own = np.diff(starts[low : high + 1])
        points = 2 * math.ceil(sound.finer * float(np.quantile(own, 0.98)) / 2)
        hz = rate / float(np.median(own))
        begin = max(0, math.floor(starts[low] - BESIDE * own[0]))
        end = math.ceil(starts[high] + BESIDE * own[-1]) + 1
        phase = cycles[begin:end] - first - low
        near = sound.since(begin)
        rows = read_periods(near, phase, high - low, points)
        families = find_edges(rows) if hz < HIGHEST_EDGE_HZ else []
        if not families and hz < HIGHEST_WHOLE_HZ:
            families = [whole_periods(rows)]
        keep = (float(a - low), float(b - low))
        start = first + low
        edges_alone = bool(families) and all(f.sign and f.everywhere for f in families)
        plain, *edged = (
            None
            if f is None and edges_alone
            else _aligned(near, phase, rows, f, others_after(f, families), hz, keep, start)
            for f in [None, *families]
        )
        out.append((plain, [cut for cut in edged if cut]))
    return out


def _stretches(lengths: Array) -> list[tuple[int, int]]:
    """Return first and one-past-last period of stretches in which the pitch stays in an octave."""
    smooth = ndimage.median_filter(lengths, 9, mode="nearest")
    out, first = [], 0
    low = high = smooth[0]
    for i, value in enumerate(smooth):
        low, high = min(low, value), max(high, value)
        if high > OCTAVE * low:
            out.append((first, i))
            first, low, high = i, value, value
    out.append((first, lengths.size))
    return out


def _aligned(
    sound: Sound,
    phase: Array,
    rows: Rows,
    family: Family | None,
    other: Array | None,
    hz: float,
    keep: tuple[float, float],
    first: int,
) -> Cut:
    """Lay the periods on each other by one edge, foretell them, and mark those that hold dirt."""
    count, points = rows.shape
    per_choice = 2 * max(2, round(0.03 * hz)) + 1
    lows = low_harmonics(points, hz)
    laid = phase
    seen: Array = np.zeros(0)
    sure: Mask = np.zeros(0, bool)
    if family is not None:
        sure = family.sure
        seen, edge = on_edges(sound, phase, rows, family, per_choice, hz, lows)
        laid = laid_on(phase, edge)
        rows = read_periods(sound, phase, count, points, edge)
    own = own_points(other, points)
    every = np.ones(count, bool)
    smooth, gaps = corner(rows, every), fallen(rows, hz)
    foretelling = Foretelling(rows, per_choice, lows, own)
    five, _ = foretelling.by(1, every)
    sudden = dirty_periods(rows, five, hz, smooth, own, gaps)
    ok = ~sudden
    for _ in range(2):
        told = foretelling.given(ok)
        turn = smooth if ok.all() else corner(rows, ok, smooth)
        bad = dirty_periods(rows, told, hz, turn, own, gaps)
        bad = sudden_only(bad, sudden, hz)
        if (bad == ~ok).all():
            break
        ok = ~bad
    else:
        turn = smooth if ok.all() else corner(rows, ok, smooth)
    return Cut(
        rows=rows,
        told=told,
        ok=ok,
        turn=turn,
        phase=laid,
        begin=sound.first,
        keep=keep,
        first=first,
        edge=seen,
        sure=sure,
        period=phase.size / max(float(phase[-1] - phase[0]), 1.0),
    )
