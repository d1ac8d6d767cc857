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
PREFERENCE = 4.0
"""A reach that leaves half the power of another counts 2 to this power as much."""
LEAST_SHARE = 0.003
"""A smaller share is none."""
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
    weights[enough & usual] = _fit(powers, (k != 0)[None])[0]
    odd = np.flatnonzero(enough & ~usual)
    if odd.size:
        packed = np.packbits(used[odd], axis=1)
        _, one, which = np.unique(packed, axis=0, return_index=True, return_inverse=True)
        weights[odd] = _fit(powers, used[odd[one]])[which.ravel()]
    return weights, enough


def _fit(powers: NDArray[np.float64], used: Mask) -> NDArray[np.float32]:
    size = powers.shape[1]
    products = (powers[:, :, None] * powers[:, None, :]).reshape(len(powers), -1)
    moments = (used.astype(float) @ products).reshape(-1, size, size) + 1e-9 * np.eye(size)
    first = np.linalg.inv(moments)[:, :, :1]
    out: NDArray[np.float32] = ((powers @ first)[:, :, 0] * used).astype(np.float32)
    return out


def apply_weights(weights: NDArray[np.float32], rows: Rows) -> Rows:
    """Return the weighted sum of the neighbours of each row, shape of ``rows``."""
    reach = weights.shape[1] // 2
    if rows.shape[1] == 1:
        padded = np.pad(rows[:, 0], reach)
        windows = np.lib.stride_tricks.sliding_window_view(padded, weights.shape[1])
        one: Rows = np.einsum("nk,nk->n", weights, windows)[:, None]
        return one
    out = np.empty_like(rows)
    count = rows.shape[0]
    for first in range(0, count, CHUNK):
        size = min(CHUNK, count - first)
        a, b = max(0, first - reach), min(count, first + size + reach)
        band = np.zeros((size, b - a + 2 * reach), np.float32)
        row, column = band.strides
        diagonal = np.lib.stride_tricks.as_strided(
            band[:, first - a :], (size, 2 * reach + 1), (row + column, column)
        )
        diagonal[:] = weights[first : first + size]
        out[first : first + size] = band[:, reach : reach + b - a] @ rows[a:b]
    return out


def foretell(
    rows: Rows,
    ok: Mask,
    per_choice: int,
    lows: NDArray[np.complex64] | None = None,
    own: Rows | None = None,
) -> Rows:
    """Foretell every period from the clean ones around it.

    Parameters
    ----------
    rows : ndarray, shape (n_rows, n_points)
        One period a row.
    ok : ndarray of bool, shape (n_rows,)
        Periods that hold no dirt.
    per_choice : int
        Periods over which the reaches are compared.
    lows : ndarray of complex, shape (n_points, n_orders), optional
        Harmonics, from 0 on, that have little say in the choice.
    own : ndarray, shape (n_rows, n_points), optional
        How much each point counts in it, 0 to 1.

    Returns
    -------
    ndarray, shape (n_rows, n_points)
        The periods foretold; each without itself.
    """
    told: list[Rows] = []
    sure = np.zeros((len(REACHES), ok.size), bool)
    left, typical = (np.full(sure.shape, np.inf) for _ in range(2))
    for i, (reach, degree) in enumerate(REACHES):
        weights, sure[i] = weights_of(ok, reach, degree)
        told.append(apply_weights(weights, rows))
        error = rows - told[-1] if own is None else (rows - told[-1]) * own
        left[i] = (without(error, lows) ** 2 + LOWS * error**2).mean(axis=1)
        at = np.flatnonzero(ok & sure[i])
        if at.size:
            middle = ndimage.median_filter(np.log(left[i, at] + 1e-30), per_choice, mode="nearest")
            usual = np.interp(np.arange(ok.size), at, middle)
            typical[i] = ndimage.uniform_filter1d(usual, per_choice, mode="nearest")
    typical[~sure] = np.inf
    least = typical.min(axis=0)
    known = np.isfinite(least)
    if not known.any():
        return told[-1]
    shares = np.exp(-PREFERENCE * (typical - np.where(known, least, 0.0)))
    shares[shares < LEAST_SHARE] = 0.0
    shares /= np.maximum(shares.sum(axis=0), LEAST_SHARE)
    chosen = np.where(sure, left, np.inf)[typical.argmin(axis=0), np.arange(ok.size)]
    turned = sure[0] & (left[0] < EXPLAINED * chosen)
    shares[:, turned] = np.eye(len(REACHES))[:, :1]
    out = _faded(told, sure, shares)
    if not known.all():
        at = np.flatnonzero(known)
        near = at[np.clip(np.searchsorted(at, np.flatnonzero(~known)), 0, at.size - 1)]
        out[~known] = out[near]
    return out


def _faded(told: list[Rows], sure: Mask, shares: NDArray[np.float64]) -> Rows:
    """Return the shares of the rows, those of each period faded into those of the next."""
    out = np.zeros_like(told[0])
    across = np.linspace(-1, 1, out.shape[1], dtype=np.float32)
    early, late = np.maximum(-across, 0) / 2, np.maximum(across, 0) / 2
    row = np.arange(shares.shape[1])
    before, after = (np.where(sure, shares[:, np.clip(row + k, 0, row[-1])], 0.0) for k in (-1, 1))
    before, after = (
        np.where(v.sum(axis=0) > 0, v / np.maximum(v.sum(axis=0), 1e-9), shares)
        for v in (before, after)
    )
    for own, first, last, rows in zip(shares, before, after, told, strict=True):
        near = np.flatnonzero((own > 0) | (first > 0) | (last > 0))
        weight = own[near, None].astype(np.float32) * (1 - early - late)
        weight += first[near, None].astype(np.float32) * early
        weight += last[near, None].astype(np.float32) * late
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


def bend(told: Rows) -> Rows:
    """Return by how much each period foretold lies off the mean of the two beside it, twice."""
    out = np.zeros_like(told)
    out[1:-1] = told[2:] - 2 * told[1:-1] + told[:-2]
    return out
