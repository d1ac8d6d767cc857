"""Where the steep edges of a tone lie, and how its periods are laid on each other by them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from sigkit.tracks.dirty_periods import OUT, TURNS, dirty_periods
from sigkit.tracks.neighbours import (
    Foretelling,
    Mask,
    Rows,
    corner,
    weights_of,
    without,
)
from sigkit.tracks.sound import Array, Sound, knots, read_periods

STEEP = 3.6
"""An edge is a slope this many times the rms slope of its period."""
FAINTEST = 0.005
"""Periods this far below the loudest are laid where their neighbours are."""
EDGE_S = 0.0006
"""Half the stretch about an edge on which it is laid on its neighbours."""
ALIGNMENTS, MOST_ALIGNMENTS, ALONG = 3, 10, 8
"""How often periods are laid on each other, edges at most, and along how many on each side."""
SETTLED, STILL = 0.03, 0.002
"""Points by which none of the clean periods moves any more, and by which one is not read anew."""
ASTRAY, LATEST = 4.0, 2.0
"""Points by which an edge may first be out of line, and by which it may be moved at once."""
HUM_HZ = 450.0
"""Whole periods are laid on each other by what lies above this."""
JITTERS, LEAST_POINTS = 6.0, 0.05
"""An edge is out of line beyond so many standard deviations and points."""


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


def find_edges(rows: Rows) -> list[Family]:
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


def whole_periods(rows: Rows) -> Family:
    """Return the middles of the periods as if they were edges."""
    strength = rows.std(axis=1)
    sure = strength > FAINTEST * strength.max()
    return Family(sign=0, edge=np.arange(len(rows)) + 0.5, sure=sure, everywhere=bool(sure.all()))


def others_after(family: Family | None, families: list[Family]) -> Array | None:
    """Return how long after the edges of one family those of the other come, in periods."""
    if family is None or len(families) < 2:
        return None
    other = families[1] if family is families[0] else families[0]
    out: Array = (other.edge - family.edge) % 1
    return out


def own_points(other: Array | None, points: int) -> Rows | None:
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


def on_edges(
    sound: Sound,
    phase: Array,
    rows: Rows,
    family: Family,
    per_choice: int,
    hz: float,
    lows: Rows,
) -> tuple[Array, Array]:
    """Return where the edges of a family are seen, and where they are taken to lie.

    Parameters
    ----------
    sound : Sound
        The sound.
    phase : ndarray, shape (n_samples,)
        Phase in periods from the first row.
    rows : ndarray, shape (n_rows, n_points)
        One period a row, cut on that phase.
    family : Family
        The edges, roughly.
    per_choice : int
        Periods over which the reaches of foretelling are compared.
    hz : float
        Pitch.
    lows : ndarray, shape (n_points, n_waves)
        Waves of the harmonics among which hum lies, as from `low_harmonics`.

    Returns
    -------
    tuple of ndarray, shape (n_rows,)
        Both in periods from row 0 of the phase given; they differ where dirt throws an edge.
    """
    count, points = rows.shape
    edge: Array = family.edge
    if family.sign:
        rows = read_periods(sound, phase, count, points, edge)
        edge = edge + _known(_edge_times(rows, family.sign), family.sure) / points
        edge = _in_line(edge, phase, family.sure, per_choice, ASTRAY / sound.finer)
        seen = _settled(sound, phase, edge, family, points, hz)
    else:
        seen = _settled_whole(sound, phase, rows, edge, family, hz, lows)
    return seen, _in_line(seen, phase, family.sure, per_choice, LEAST_POINTS / sound.finer)


def _settled(
    sound: Sound, phase: Array, edge: Array, family: Family, points: int, hz: float
) -> Array:
    """Return the edges moved until the sound about them lies on each other.

    Sound is read again only about edges that have moved since, and compared again only near those.
    """
    half = max(3, min(round(EDGE_S * hz * points), points // 6))
    around = np.arange(-half - 1, half + 2) / (half + 1)
    reach, count = (half + 1) / points, edge.size
    known = knots(phase)
    row = np.arange(count)
    before, after = np.maximum(row - 1, 0), np.minimum(row, count - 2)
    part, told = (np.zeros((count, around.size), np.float32) for _ in range(2))
    late, power, read = np.zeros(count), np.zeros(count, np.float32), edge
    moved, ok, used = np.ones(count, bool), family.sure, family.sure
    for turn in range(MOST_ALIGNMENTS):
        length = np.diff(edge)
        some = np.flatnonzero(moved)
        near = edge[some]
        places = (near - reach * length[before[some]], near, near + reach * length[after[some]])
        first, middle, last = (np.interp(place, *known)[:, None] for place in places)
        part[some] = sound.at(middle + around * np.where(around < 0, middle - first, last - middle))
        read = np.where(moved, edge, read)
        weights, enough = weights_of(ok, ALONG, 1)
        changed = moved | (ok != used)
        for here, band, beside in weights.bands(part):
            if turn == 0 or changed[beside].any():
                np.matmul(band, part[beside], out=told[here])
                late[here] = _late(part[here], told[here])
                left = part[here] - told[here]
                power[here] = np.einsum("nk,nk->n", left, left)
        now = np.clip(late + (edge - read) * points, -LATEST, LATEST)
        edge = edge - _known(now, family.sure & enough) / points
        used = ok
        ok = enough & family.sure & (power < OUT * _running(power))
        if turn + 1 >= ALIGNMENTS and np.abs(now[ok]).max(initial=0.0) < SETTLED:
            break
        moved = np.abs(edge - read) * points > STILL
    return edge


def _settled_whole(
    sound: Sound,
    phase: Array,
    rows: Rows,
    edge: Array,
    family: Family,
    hz: float,
    lows: Rows,
) -> Array:
    """Return the middles of the periods moved so that these lie on each other as a whole."""
    count, points = rows.shape
    ok = family.sure
    for turn in range(1, ALIGNMENTS + 1):
        weights, enough = weights_of(ok, ALONG, 1)
        told = weights.apply(rows)
        late = _late_whole(rows, told, lows)
        edge = edge - _known(late, family.sure & enough) / points
        if turn < ALIGNMENTS:
            rows = read_periods(sound, phase, count, points, edge)
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
    ok = sure
    used: Mask | None = None
    told = offset
    foretelling = Foretelling(offset, per_choice)
    for _ in range(3):
        if np.count_nonzero(ok) < 12:
            return edge
        if used is not None and (used == ok).all():
            break
        used = ok
        told = foretelling.given(ok)
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


def _late(part: Rows, told: Rows) -> Array:
    """Return by how many points each edge comes early; the first and last point are spare."""
    error = (part - told)[:, 1:-1]
    slope = (told[:, 2:] - told[:, :-2]) / 2
    error -= error.mean(axis=1, keepdims=True)
    slope -= slope.mean(axis=1, keepdims=True)
    late = np.einsum("nk,nk->n", error, slope) / (np.einsum("nk,nk->n", slope, slope) + 1e-20)
    out: Array = np.clip(late, -LATEST, LATEST).astype(np.float64)
    return out


def low_harmonics(points: int, hz: float) -> Rows:
    """Return sines and cosines of the harmonics that lie as low as hum does, each of power 1."""
    orders = np.arange(1, max(1, math.ceil(HUM_HZ / hz)))
    turn = 2 * np.pi * np.outer(np.arange(points) / points, orders)
    waves = [np.full((points, 1), math.sqrt(0.5)), np.cos(turn), np.sin(turn)]
    out: Rows = (np.concatenate(waves, axis=1) * math.sqrt(2 / points)).astype(np.float32)
    return out


def _late_whole(rows: Rows, told: Rows, lows: Rows) -> Array:
    """Return by how many points each whole period comes early, as its part above the hum tells."""
    slope = without(np.gradient(told, axis=1), lows)
    error = without(rows - told, lows)
    known = (slope**2).sum(axis=1)
    noise = float(np.median((error**2).mean(axis=1)))
    late = (error * slope).sum(axis=1) / (known + noise / LEAST_POINTS**2 + 1e-20)
    out: Array = np.clip(late, -LATEST, LATEST).astype(np.float64)
    return out
