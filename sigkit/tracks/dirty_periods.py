"""Which periods of a tone hold dirt, for now: those its neighbours are not foretold from."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from sigkit.arrays import runs
from sigkit.tracks.neighbours import Mask, Rows

OUT = 6.0
"""A stretch of a period whose error has this many times its usual power holds dirt."""
MAINS_S = 0.025
"""Stretch that holds a period of the mains: what comes back with it is no dirt."""
TURNS = 0.5
"""Share of a change of slope within one period that may be left over."""
BETWEEN_S = 0.01
"""Dirty periods nearer than this belong to one event."""
LOW_GAIN, LONGEST_S = 0.6, 0.3
"""A period this weak re the one foretold holds dirt too; longer than this is another tone."""
AT_ONCE = 49_152
"""Values that are compared at a time: they stay near the processor."""


def dirty_periods(
    rows: Rows,
    told: Rows,
    hz: float,
    turn: Rows | None = None,
    own: Rows | None = None,
    gaps: Mask | None = None,
) -> Mask:
    """Return the periods that leave much more than is usual, in a stretch of 1 ms or as a whole.

    Parameters
    ----------
    rows, told : ndarray, shape (n_rows, n_points)
        One period a row, and the same foretold.
    hz : float
        Pitch.
    turn : ndarray, shape (n_rows, n_points), optional
        Change of the slope from period to period, as from `corner`: what half of it leaves is
        allowed for.
    own : ndarray, shape (n_rows, n_points), optional
        How much each point counts, 0 or 1.
    gaps : ndarray of bool, shape (n_rows,), optional
        Periods of a gap, as from `fallen`; None: looked for here.

    Returns
    -------
    ndarray of bool, shape (n_rows,)
        Dirty periods; so are those of a gap. What lasts longer than 0.3 s is no dirt.
    """
    points = rows.shape[1]
    parts = max(1, round(1000 / hz))
    cut = np.arange(parts) * points // parts
    power, slow = _powers(rows, told, cut, own)
    gaps = fallen(rows, hz) if gaps is None else gaps
    around = 2 * max(6, round(0.12 * hz)) + 1
    step = max(1, around // 25)
    usual = ndimage.median_filter(power[::step], (25, 1), mode="nearest")
    usual = OUT * np.repeat(usual, step, axis=0)[: len(power)]
    often = ndimage.maximum_filter1d(slow, max(1, round(MAINS_S * hz)), mode="nearest")
    seldom = OUT * ndimage.median_filter(often, 2 * around + 1, mode="nearest")
    if turn is not None:
        quick, whole = _powers(turn, None, cut, own)
        usual += 2 * TURNS**2 * ndimage.maximum_filter1d(quick, 3, axis=0)
        seldom += 2 * TURNS**2 * ndimage.maximum_filter1d(whole, 3)
    out: Mask = (
        (power > usual).any(axis=1) | (slow > seldom) | (_gain(rows, told) < LOW_GAIN) | gaps
    )
    for a, b in runs(out):
        if b - a > LONGEST_S * hz:
            out[a:b] = False
    return out


def fallen(rows: Rows, hz: float) -> Mask:
    """Return the periods of a gap: half as strong as those around, begun and ended steeply."""
    strength = spread(rows)
    out = np.zeros(strength.size, bool)
    usual = ndimage.median_filter(strength, 2 * max(4, round(LONGEST_S * hz)) + 1, mode="nearest")
    for a, b in runs(strength < 0.5 * usual):
        if a < 2 or b > strength.size - 2 or b - a > LONGEST_S * hz:
            continue
        fell = strength[a - 2] * LOW_GAIN > strength[min(a + 1, b - 1)]
        rose = strength[b + 1] * LOW_GAIN > strength[max(b - 2, a)]
        out[a - 1 : b + 1] = fell and rose
    return out


def sudden_only(dirty: Mask, sudden: Mask, hz: float) -> Mask:
    """Return the runs of dirty periods as far as they begin and end suddenly: more is movement.

    Parameters
    ----------
    dirty : ndarray of bool, shape (n_rows,)
        Periods that their clean neighbours don't foretell.
    sudden : ndarray of bool, shape (n_rows,)
        Periods that the five on each side, clean or not, don't foretell.
    hz : float
        Pitch.

    Returns
    -------
    ndarray of bool, shape (n_rows,)
        Each run from one before its first sudden period to one after its last, and what lies
        between two that are near each other: a contact that opens and shuts is dirty in between,
        and what is foretold from there would follow the dirt.
    """
    out = np.zeros_like(dirty)
    for a, b in runs(dirty):
        at = np.flatnonzero(sudden[a:b])
        if at.size:
            out[max(a, a + at[0] - 1) : min(b, a + at[-1] + 2)] = True
    for a, b in runs(out, gap=max(1, round(BETWEEN_S * hz))):
        if b - a <= LONGEST_S * hz:
            out[a:b] = True
    return out


def spread(rows: Rows) -> Rows:
    """Return the standard deviation of each row."""
    mean = rows.mean(axis=1)
    power = np.einsum("nk,nk->n", rows, rows) / np.float32(rows.shape[1])
    out: Rows = np.sqrt(np.maximum(power - mean**2, 0.0))
    return out


def _powers(
    rows: Rows, told: Rows | None, cut: NDArray[np.intp], own: Rows | None
) -> tuple[Rows, Rows]:
    """Return the power of each part of what is left of each period, and of the whole.

    In the parts the highs are weighed more.
    """
    points = rows.shape[1]
    quick, slow = np.empty((len(rows), cut.size), np.float32), np.empty(len(rows), np.float32)
    ends = list(zip(cut.tolist(), [*cut[1:].tolist(), points], strict=True))
    for here in _few(rows):
        left = rows[here] if told is None else rows[here] - told[here]
        slope = left[:, 1:] - left[:, :-1]
        if own is not None:
            slope *= own[here, :-1]
            left = left * own[here]
        for part, (a, b) in zip(quick.T, ends, strict=True):
            part[here] = np.einsum("nk,nk->n", slope[:, a:b], slope[:, a:b])
        slow[here] = np.einsum("nk,nk->n", left, left) / np.float32(points)
    return quick, slow


def _gain(rows: Rows, told: Rows) -> Rows:
    """Return the gain of each period re the one foretold."""
    gain = np.empty(len(rows), np.float32)
    for here in _few(rows):
        gain[here] = np.einsum("nk,nk->n", rows[here], told[here])
        gain[here] /= np.einsum("nk,nk->n", told[here], told[here]) + np.float32(1e-20)
    return gain


def _few(rows: Rows) -> list[slice]:
    """Return slices of a few rows each."""
    size = max(AT_ONCE // rows.shape[1], 1)
    return [slice(a, a + size) for a in range(0, len(rows), size)]
