"""A tone cut into periods that lie exactly on each other, on each of its steep edges."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from sigkit.tracks.dirty_periods import OUT, TURNS, dirty_periods, sudden_only
from sigkit.tracks.neighbours import (
    REACHES,
    Mask,
    Rows,
    apply_weights,
    corner,
    foretell,
    weights_of,
    without,
)

Array = NDArray[np.floating]

FINER, ENOUGH_RATE = 2, 80_000
"""Sound of a lower rate is read between its samples after the rate was raised by this."""
STEEP = 3.6
"""An edge is a slope this many times the rms slope of its period."""
FAINTEST = 0.005
"""Periods this far below the loudest are laid where their neighbours are."""
EDGE_S = 0.0006
"""Half the stretch about an edge on which it is laid on its neighbours."""
HIGHEST_EDGE_HZ, HIGHEST_WHOLE_HZ = 1500.0, 500.0
"""Above, edges of one period to the next move by less than what is heard."""
ALIGNMENTS, MOST_ALIGNMENTS, ALONG = 3, 10, 8
"""How often periods are laid on each other, edges at most, and along how many on each side."""
SETTLED = 0.03
"""Points by which none of the clean periods moves any more."""
SPARE, OCTAVE = 40, 2.0
"""Periods beyond the ends of a stretch, and the ratio of pitches within one."""
ASTRAY, LATEST = 4.0, 2.0
"""Points by which an edge may first be out of line, and by which it may be moved at once."""
HUM_HZ = 450.0
"""Whole periods are laid on each other by what lies above this."""
JITTERS, LEAST_POINTS = 6.0, 0.05
"""An edge is out of line beyond so many standard deviations and points."""


class Sound:
    """A stretch of sound to be read between its samples."""

    def __init__(self, x: Array, rate: int) -> None:
        self.finer = FINER if rate < ENOUGH_RATE else 1
        size = fft.next_fast_len(x.size + 64, real=True)
        padded = np.zeros(size)
        padded[: x.size] = x
        spectrum = np.zeros(self.finer * size // 2 + 1, complex)
        spectrum[: size // 2 + 1] = fft.rfft(padded)
        fine = self.finer * fft.irfft(spectrum, self.finer * size)[: self.finer * x.size]
        self.coefficients = ndimage.spline_filter1d(fine, order=3, mode="mirror")

    def at(self, sample: Array) -> Rows:
        """Return the sound at fractional positions, in samples."""
        out: Rows = ndimage.map_coordinates(
            self.coefficients,
            [self.finer * sample.ravel()],
            output=np.float32,
            order=3,
            mode="mirror",
            prefilter=False,
        ).reshape(sample.shape)
        return out


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
    phase : ndarray, shape (n_samples,)
        Phase on which they were cut, in periods from the first row, at each sample.
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
    phase: Array
    keep: tuple[float, float]
    first: int
    edge: Array
    sure: Mask
    period: float

    def at(self, values: Rows, part: slice, order: Literal[1, 3] = 3) -> Array:
        """Return rows of values, one a point of a period, at some of the samples."""
        flat = values.ravel()
        at = np.clip(self.phase[part] * values.shape[1], 0, flat.size - 1)
        low, top = max(0, int(at.min(initial=0)) - 8), int(at.max(initial=0)) + 9
        out: Array = ndimage.map_coordinates(
            flat[low:top].astype(np.float64), np.stack([at - low]), order=order, mode="nearest"
        )
        return out


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
        phase = cycles - first - low
        rows = _read(sound, phase, high - low, points)
        families = _edges(rows) if hz < HIGHEST_EDGE_HZ else []
        if not families and hz < HIGHEST_WHOLE_HZ:
            families = [_whole(rows)]
        keep = (float(a - low), float(b - low))
        start = first + low
        edges_alone = bool(families) and all(f.sign and f.everywhere for f in families)
        plain, *edged = (
            None
            if f is None and edges_alone
            else _aligned(sound, phase, rows, f, _others(f, families), points, hz, keep, start)
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


def _read(sound: Sound, phase: Array, count: int, points: int) -> Rows:
    grid = np.arange(count * points) / points
    at = np.interp(grid, phase, np.arange(phase.size))
    return sound.at(at).reshape(count, points)


@dataclass(frozen=True, kw_only=True, eq=False)
class Family:
    """Edges of one direction: where they lie, and where they are surely seen.

    Parameters
    ----------
    sign : int
        1 rising, -1 falling, 0 the middle of the period, whatever lies there.
    edge : ndarray, shape (n_rows,)
        Their phase, in periods from row 0.
    sure : ndarray of bool, shape (n_rows,)
        Where they are steep and loud.
    everywhere : bool
        Whether that is all the time the tone is loud.
    """

    sign: int
    edge: Array
    sure: Mask
    everywhere: bool


def _edges(rows: Rows) -> list[Family]:
    """Return the families of steep edges that the periods have."""
    count, points = rows.shape
    flat = ndimage.uniform_filter1d(np.diff(rows.ravel(), append=rows[-1, -1]), 3)
    slope: Rows = flat.reshape(rows.shape)
    scale = np.sqrt((slope**2).mean(axis=1)) + 1e-12
    loud = scale > FAINTEST * scale.max()
    out = []
    for sign in (1, -1):
        sure = loud & ((sign * slope).max(axis=1) > STEEP * scale)
        known = np.flatnonzero(sure)
        if known.size < max(8, 0.7 * np.count_nonzero(loud)):
            continue
        place = (sign * slope).argmax(axis=1) / points
        turn = np.unwrap(2 * np.pi * place[known]) / (2 * np.pi)
        path = ndimage.median_filter(turn, 15, mode="nearest")
        edge = np.arange(count) + np.interp(np.arange(count), known, path)
        out.append(Family(sign=sign, edge=edge, sure=sure, everywhere=bool((sure | ~loud).all())))
    return out


def _whole(rows: Rows) -> Family:
    """Return the middles of the periods as if they were edges."""
    strength = rows.std(axis=1)
    sure = strength > FAINTEST * strength.max()
    return Family(sign=0, edge=np.arange(len(rows)) + 0.5, sure=sure, everywhere=bool(sure.all()))


def _others(family: Family | None, families: list[Family]) -> Array | None:
    """Return how long after the edges of one family those of the other come, in periods."""
    if family is None or len(families) < 2:
        return None
    other = families[1] if family is families[0] else families[0]
    out: Array = (other.edge - family.edge) % 1
    return out


def _own(other: Array | None, points: int) -> Rows | None:
    """Return where in each row its own edge is nearer than the other one, 0 or 1."""
    if other is None:
        return None
    place = np.arange(points, dtype=np.float32) / points - np.float32(0.5)
    after = other[:, None].astype(np.float32) / 2
    out: Rows = ((place < after) & (place > after - 0.5)).astype(np.float32)
    return out


def _edge_times(rows: Rows, sign: int) -> Array:
    """Return how far from its middle the steepest slope of each row lies, in points."""
    points = rows.shape[1]
    reach = max(4, points // 6)
    near = rows[:, points // 2 - reach : points // 2 + reach + 1]
    slope = sign * ndimage.uniform_filter1d(np.gradient(near, axis=1), 3, axis=1)
    row = np.arange(rows.shape[0])
    top = np.clip(slope.argmax(axis=1), 1, slope.shape[1] - 2)
    a, b, c = (slope[row, top + k].astype(float) for k in (-1, 0, 1))
    out: Array = top - reach + np.clip(0.5 * (a - c) / np.minimum(a - 2 * b + c, -1e-12), -0.5, 0.5)
    return out


def _aligned(
    sound: Sound,
    phase: Array,
    rows: Rows,
    family: Family | None,
    other: Array | None,
    points: int,
    hz: float,
    keep: tuple[float, float],
    first: int,
) -> Cut:
    """Lay the periods on each other by one edge, foretell them, and mark those that hold dirt."""
    count = rows.shape[0]
    per_choice = 2 * max(2, round(0.03 * hz)) + 1
    lows = _lows(points, hz)
    laid = phase
    seen: Array = np.zeros(0)
    sure: Mask = np.zeros(0, bool)
    if family is not None:
        edge: Array = family.edge
        sure = family.sure
        if family.sign:
            rows = _read(sound, _laid(phase, edge), count, points)
            edge = edge + _known(_edge_times(rows, family.sign), sure) / points
            edge = _in_line(edge, phase, sure, per_choice, ASTRAY / sound.finer)
            edge = _settled(sound, phase, edge, family, points, hz)
        else:
            edge = _settled_whole(sound, phase, rows, edge, family, hz, lows)
        seen = edge
        edge = _in_line(edge, phase, sure, per_choice, LEAST_POINTS / sound.finer)
        laid = _laid(phase, edge)
        rows = _read(sound, laid, count, points)
    own = _own(other, points)
    every = np.ones(count, bool)
    turn = corner(rows, every)
    weights, _ = weights_of(every, *REACHES[1])
    sudden = dirty_periods(rows, apply_weights(weights, rows), hz, turn, own)
    ok = ~sudden
    for _ in range(2):
        told = foretell(rows, ok, per_choice, lows, own)
        bad = dirty_periods(rows, told, hz, corner(rows, ok), own)
        bad = sudden_only(bad, sudden)
        if (bad == ~ok).all():
            break
        ok = ~bad
    return Cut(
        rows=rows,
        told=told,
        ok=ok,
        phase=laid,
        keep=keep,
        first=first,
        edge=seen,
        sure=sure,
        period=phase.size / max(float(phase[-1] - phase[0]), 1.0),
    )


def _settled(
    sound: Sound, phase: Array, edge: Array, family: Family, points: int, hz: float
) -> Array:
    """Return the edges moved until the sound about them lies on each other."""
    half = max(3, min(round(EDGE_S * hz * points), points // 6))
    around = np.arange(-half - 1, half + 2) / points
    samples = np.arange(phase.size)
    ok = family.sure
    for turn in range(MOST_ALIGNMENTS):
        before = np.diff(edge, prepend=2 * edge[0] - edge[1])[:, None]
        after = np.diff(edge, append=2 * edge[-1] - edge[-2])[:, None]
        at = edge[:, None] + around * np.where(around < 0, before, after)
        part = sound.at(np.interp(at, phase, samples))
        weights, enough = weights_of(ok, ALONG, 1)
        told = apply_weights(weights, part)
        late = _late(part, told)
        edge = edge - _known(late, family.sure & enough) / points
        power = ((part - told) ** 2).sum(axis=1)
        ok = enough & family.sure & (power < OUT * _running(power))
        if turn + 1 >= ALIGNMENTS and np.abs(late[ok]).max(initial=0.0) < SETTLED:
            break
    return edge


def _settled_whole(
    sound: Sound,
    phase: Array,
    rows: Rows,
    edge: Array,
    family: Family,
    hz: float,
    lows: NDArray[np.complex64],
) -> Array:
    """Return the middles of the periods moved so that these lie on each other as a whole."""
    count, points = rows.shape
    ok = family.sure
    for _ in range(ALIGNMENTS):
        weights, enough = weights_of(ok, ALONG, 1)
        told = apply_weights(weights, rows)
        late = _late_whole(rows, told, lows)
        edge = edge - _known(late, family.sure & enough) / points
        rows = _read(sound, _laid(phase, edge), count, points)
        ok = enough & family.sure & ~dirty_periods(rows, told, hz)
    return edge


def _in_line(edge: Array, phase: Array, sure: Mask, per_choice: int, least: float) -> Array:
    """Return the edges, those that jump out of line put back to where their neighbours say.

    What jitters as usual stays where it is, so that it leaves nothing; what a dirty contact throws
    out of line is left over.
    """
    samples = np.arange(phase.size)
    at = np.interp(edge, phase, samples)
    row = np.arange(edge.size)
    steady = np.polyval(np.polyfit(row, at, 1), row)
    offset = (at - steady).astype(np.float32)[:, None]
    ok = sure.copy()
    told = offset
    for _ in range(3):
        if np.count_nonzero(ok) < 12:
            return edge
        told = foretell(offset, ok, per_choice)
        away = np.abs(offset - told)[:, 0]
        usual = np.interp(row, np.flatnonzero(ok), _running(away[ok]))
        turn = ndimage.maximum_filter1d(np.abs(corner(offset, ok))[:, 0], 3)
        ok = sure & (away < JITTERS * 1.48 * usual + least + TURNS * turn)
    out: Array = np.where(ok, edge, np.interp(steady + told[:, 0], samples, phase))
    return out


def _running(values: Array) -> Array:
    out: Array = ndimage.median_filter(values, 41, mode="nearest")
    return out


def _known(values: Array, sure: Mask) -> Array:
    """Return the values where they are sure, drawn straight between those."""
    at = np.flatnonzero(sure)
    if not at.size:
        return np.zeros(values.size)
    out: Array = np.interp(np.arange(values.size), at, values[at])
    return out


def _laid(phase: Array, edge: Array) -> Array:
    """Return the phase moved so that every edge lies in the middle of its row."""
    offset = np.arange(edge.size) + 0.5 - edge
    out: Array = phase + np.interp(phase, edge, offset)
    return np.maximum.accumulate(out)


def _late(part: Rows, told: Rows) -> Array:
    """Return by how many points each edge comes early; the first and last point are spare."""
    error = (part - told)[:, 1:-1].astype(float)
    slope = np.gradient(told, axis=1)[:, 1:-1].astype(float)
    error -= error.mean(axis=1, keepdims=True)
    slope -= slope.mean(axis=1, keepdims=True)
    late = (error * slope).sum(axis=1) / ((slope**2).sum(axis=1) + 1e-20)
    out: Array = np.clip(late, -LATEST, LATEST)
    return out


def _lows(points: int, hz: float) -> NDArray[np.complex64]:
    """Return the harmonics that lie as low as hum does."""
    orders = np.arange(max(1, math.ceil(HUM_HZ / hz)))
    turn = np.outer(np.arange(points) / points, orders)
    out: NDArray[np.complex64] = np.exp(-2j * np.pi * turn).astype(np.complex64)
    return out


def _late_whole(rows: Rows, told: Rows, lows: NDArray[np.complex64]) -> Array:
    """Return by how many points each whole period comes early, as its part above the hum tells."""
    slope = without(np.gradient(told, axis=1), lows)
    error = without(rows - told, lows)
    known = (slope**2).sum(axis=1)
    noise = float(np.median((error**2).mean(axis=1)))
    late = (error * slope).sum(axis=1) / (known + noise / LEAST_POINTS**2 + 1e-20)
    out: Array = np.clip(late, -LATEST, LATEST).astype(np.float64)
    return out
