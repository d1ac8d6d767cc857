"""Each period of a tone foretold from its neighbours, as far as it changes smoothly."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Rows = NDArray[np.float32]
Mask = NDArray[np.bool_]

REACHES = ((2, 3), (5, 2), (16, 2), (48, 2))
"""Periods to each side, and degree of the polynomial: the fewer, the faster the tone may change."""
CHUNK = 48
CORNER = 4
"""Periods to each side over which a slope is taken."""
EACH_SIDE = 1
"""Clean periods that have to lie on each side."""
LOWS = 0.05
"""Weight of the harmonics among which hum lies."""
EXPLAINED = 0.5
"""A period of which the nearest neighbours leave less than this share is foretold by them: the
movement turned there."""


def weights_of(ok: Mask, reach: int, degree: int) -> tuple[NDArray[np.float32], Mask]:
    """Return the weights of the neighbours of each period, its own being 0.

    Parameters
    ----------
    ok : ndarray of bool, shape (n_rows,)
        Periods that may be used.
    reach, degree : int
        Periods to each side, and the polynomial that is fitted to them by least squares.

    Returns
    -------
    ndarray, shape (n_rows, 2 * reach + 1)
        Weights, whose sum is 1.
    ndarray of bool, shape (n_rows,)
        Where there are enough clean neighbours on both sides.
    """
    k = np.arange(-reach, reach + 1)
    powers = (k[:, None] / reach) ** np.arange(degree + 1)
    padded = np.concatenate([np.zeros(reach, bool), ok, np.zeros(reach, bool)])
    used = np.lib.stride_tricks.sliding_window_view(padded, k.size) & (k != 0)
    sides = np.minimum(used[:, :reach].sum(axis=1), used[:, reach + 1 :].sum(axis=1))
    enough = (sides >= EACH_SIDE) & (used.sum(axis=1) >= degree + 1)
    weights = np.zeros((ok.size, k.size), np.float32)
    usual = used.sum(axis=1) == 2 * reach
    pattern, which = np.unique(used[enough & ~usual], axis=0, return_inverse=True)
    weights[enough & usual] = _fit(powers, (k != 0)[None])[0]
    if len(pattern):
        weights[enough & ~usual] = _fit(powers, pattern)[which]
    return weights, enough


def _fit(powers: NDArray[np.float64], used: Mask) -> NDArray[np.float32]:
    moments = np.einsum("nk,ki,kj->nij", used.astype(float), powers, powers)
    moments += 1e-9 * np.eye(powers.shape[1])
    first = np.linalg.inv(moments)[:, :, :1]
    out: NDArray[np.float32] = ((powers @ first)[:, :, 0] * used).astype(np.float32)
    return out


def apply_weights(weights: NDArray[np.float32], rows: Rows) -> Rows:
    """Return the weighted sum of the neighbours of each row, shape of ``rows``."""
    reach = weights.shape[1] // 2
    out = np.empty_like(rows)
    count = rows.shape[0]
    for first in range(0, count, CHUNK):
        size = min(CHUNK, count - first)
        a, b = max(0, first - reach), min(count, first + size + reach)
        band = np.zeros((size, b - a + 2 * reach), np.float32)
        here = np.arange(size)[:, None] + np.arange(2 * reach + 1) + (first - a)
        np.put_along_axis(band, here, weights[first : first + size], axis=1)
        out[first : first + size] = band[:, reach : reach + b - a] @ rows[a:b]
    return out


def foretell(
    rows: Rows, ok: Mask, per_choice: int, lows: NDArray[np.complex64] | None = None
) -> Rows:
    """Foretell every period from the clean ones around it.

    Parameters
    ----------
    rows : ndarray, shape (n_rows, n_points)
        One period a row.
    ok : ndarray of bool, shape (n_rows,)
        Periods that hold no dirt.
    per_choice : int
        Periods over which one reach is chosen.
    lows : ndarray of complex, shape (n_points, n_orders), optional
        Harmonics, from 0 on, that have little say in the choice.

    Returns
    -------
    ndarray, shape (n_rows, n_points)
        The periods foretold; each without itself.
    """
    best, least = np.full(ok.size, np.inf), np.full(ok.size, np.inf)
    near_left = np.full(ok.size, np.inf)
    chosen = np.full(ok.size, -1)
    told: list[Rows] = []
    sure: list[Mask] = []
    for i, (reach, degree) in enumerate(REACHES):
        weights, enough = weights_of(ok, reach, degree)
        told.append(apply_weights(weights, rows))
        sure.append(enough)
        error = rows - told[-1]
        left = (without(error, lows) ** 2 + LOWS * error**2).mean(axis=1)
        at = np.flatnonzero(ok & enough)
        if not at.size:
            continue
        middle = ndimage.median_filter(left[at], per_choice, mode="nearest")
        typical = np.interp(np.arange(ok.size), at, middle)
        better = enough & (typical < best)
        best[better], least[better], chosen[better] = typical[better], left[better], i
        if i == 0:
            near_left = np.where(enough, left, np.inf)
    if told and (chosen >= 0).any():
        chosen[near_left < EXPLAINED * least] = 0
    lost = chosen < 0
    if lost.all():
        return told[-1]
    out = _faded(told, sure, chosen)
    if lost.any():
        known = np.flatnonzero(~lost)
        near = known[np.clip(np.searchsorted(known, np.flatnonzero(lost)), 0, known.size - 1)]
        out[lost] = out[near]
    return out


def _faded(told: list[Rows], sure: list[Mask], chosen: NDArray[np.intp]) -> Rows:
    """Return the chosen rows, each choice faded into the next so that no step lies between them."""
    out = np.zeros_like(told[0])
    across = np.linspace(-1, 1, out.shape[1], dtype=np.float32)
    early, late = np.maximum(-across, 0) / 2, np.maximum(across, 0) / 2
    row = np.arange(chosen.size)
    before, after = chosen[np.maximum(row - 1, 0)], chosen[np.minimum(row + 1, row[-1])]
    able = np.stack(sure)
    before = np.where((before >= 0) & able[np.maximum(before, 0), row], before, chosen)
    after = np.where((after >= 0) & able[np.maximum(after, 0), row], after, chosen)
    for i, rows in enumerate(told):
        own, first, last = chosen == i, before == i, after == i
        near = np.flatnonzero(own | first | last)
        if near.size:
            weight = own[near, None] * (1 - early - late)
            weight = weight + first[near, None] * early + last[near, None] * late
            out[near] += weight * rows[near]
    return out


def without(rows: Rows, lows: NDArray[np.complex64] | None) -> Rows:
    """Return the rows without some harmonics, from 0 on."""
    if lows is None:
        return rows
    share = np.full(lows.shape[1], 2 / len(lows), np.float32)
    share[0] /= 2
    low: Rows = (((rows @ lows) * share) @ lows.conj().T).real.astype(np.float32)
    return rows - low


def corner(rows: Rows, ok: Mask) -> Rows:
    """Return by how much the slope of each point from period to period changes at each period.

    Parameters
    ----------
    rows : ndarray, shape (n_rows, n_points)
        One period a row.
    ok : ndarray of bool, shape (n_rows,)
        Periods that hold no dirt.

    Returns
    -------
    ndarray, shape (n_rows, n_points)
        Slope over the four clean periods after less that over the four before, per period; 0
        where a side has fewer within twelve.
    """
    reach = 3 * CORNER
    k = np.arange(-reach, reach + 1)
    padded = np.concatenate([np.zeros(reach, bool), ok, np.zeros(reach, bool)])
    used = np.lib.stride_tricks.sliding_window_view(padded, k.size)
    weights = np.zeros(used.shape, np.float32)
    both = np.ones(ok.size, bool)
    for sign in (-1, 1):
        side = used & (np.sign(k) == sign)
        rank = np.cumsum(side[:, ::sign], axis=1)[:, ::sign]
        side = side & (rank <= CORNER)
        number = side.sum(axis=1, keepdims=True)
        off = np.where(side, k - (side * k).sum(axis=1, keepdims=True) / np.maximum(number, 1), 0.0)
        weights += sign * off / np.maximum((off**2).sum(axis=1, keepdims=True), 0.5)
        both &= number[:, 0] == CORNER
    weights[~both] = 0.0
    return apply_weights(weights, rows)
