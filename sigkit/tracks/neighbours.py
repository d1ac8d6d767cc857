"""Each period of a tone foretold from its neighbours, as far as it changes smoothly."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

Rows = NDArray[np.float32]
Mask = NDArray[np.bool_]

REACHES = ((2, 3), (5, 2), (16, 2), (48, 2))
"""Periods to each side, and degree of the polynomial: the fewer, the faster the tone may change."""
CHUNK, MOST_CHUNK, NEAR_VALUES = 48, 128, 12_288
"""Periods that are worked on at a time, at least and at most, and values that stay near."""
WORD = 63
"""Periods whose use fits into one number."""
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


@dataclass(frozen=True, kw_only=True, eq=False)
class Weights:
    """What the neighbours of each period count in a sum.

    Parameters
    ----------
    usual : ndarray, shape (2 * reach + 1,)
        Weights of most periods.
    odd : ndarray of int, shape (n_odd,)
        Periods that have others.
    own : ndarray, shape (n_odd, 2 * reach + 1)
        Those.
    """

    usual: NDArray[np.float32]
    odd: NDArray[np.intp]
    own: NDArray[np.float32]

    def apply(self, rows: Rows, old: Rows | None = None, changed: Mask | None = None) -> Rows:
        """Return the weighted sum of the neighbours of each row, shape of ``rows``.

        Where none of the neighbours has ``changed``, what it was before, ``old``, stays.
        """
        out = np.empty_like(rows) if old is None else old.copy()
        if rows.shape[1] == 1:
            reach = self.usual.size // 2
            padded = np.pad(rows[:, 0], reach)
            out[:, 0] = np.correlate(padded, self.usual, "valid")
            windows = np.lib.stride_tricks.sliding_window_view(padded, self.usual.size)
            out[self.odd, 0] = np.einsum("nk,nk->n", self.own, windows[self.odd])
            return out
        for part, band, near in self.bands(rows):
            if changed is None or changed[near].any():
                np.matmul(band, rows[near], out=out[part])
        return out

    def bands(self, rows: Rows) -> Iterator[tuple[slice, Rows, slice]]:
        """Yield some rows at a time, a matrix, and the rows whose product with it they are."""
        reach, last = self.usual.size // 2, (0, 0, 0)
        parts, count, filled = chunks(rows), len(rows), False
        firsts = np.searchsorted(self.odd, [part.start for part in parts] + [count]).tolist()
        for part, a, b in zip(parts, firsts[:-1], firsts[1:], strict=True):
            size = part.stop - part.start
            near = slice(max(0, part.start - reach), min(count, part.stop + reach))
            shape = (size, part.start - near.start, near.stop - near.start)
            if last != shape:  # else the same places of the band are filled
                last, filled = shape, False
                width = shape[2] + 2 * reach
                store = np.zeros(size * (width + 1) + reach, np.float32)
                band = store[: size * width].reshape(size, width)[:, reach : reach + shape[2]]
                diagonal = store[shape[1] :][: size * (width + 1)].reshape(size, width + 1)
                diagonal = diagonal[:, : 2 * reach + 1]
            if not filled:
                diagonal[:] = self.usual
            diagonal[self.odd[a:b] - part.start] = self.own[a:b]
            filled = a == b
            yield part, band, near


def weights_of(ok: Mask, reach: int, degree: int) -> tuple[Weights, Mask]:
    """Return the weights by which each period is foretold, its own being 0.

    Parameters
    ----------
    ok : ndarray of bool, shape (n_rows,)
        Periods that may be used.
    reach, degree : int
        Periods to each side, and the polynomial that is fitted to them by least squares.

    Returns
    -------
    Weights
        Their sum is 1, or 0 where there are too few.
    ndarray of bool, shape (n_rows,)
        Where there are enough clean neighbours on both sides.
    """
    k = np.arange(-reach, reach + 1)
    powers = (k[:, None] / reach) ** np.arange(degree + 1)
    before, after = _beside(ok, reach)
    enough = (np.minimum(before, after) >= EACH_SIDE) & (before + after >= degree + 1)
    odd = np.flatnonzero(before + after < 2 * reach)
    own = np.zeros((odd.size, k.size), np.float32)
    some = np.flatnonzero(enough[odd])
    if some.size:
        used = _windows(ok, reach)[odd[some]] & (k != 0)
        if k.size < WORD:  # the same few patterns come again and again
            pattern = used @ (1 << np.arange(k.size))
            _, one, which = np.unique(pattern, return_index=True, return_inverse=True)
            own[some] = _fit(powers, used[one])[which]
        else:
            own[some] = _fit(powers, used)
    return Weights(usual=_usual(reach, degree), odd=odd, own=own), enough


@lru_cache
def _usual(reach: int, degree: int) -> Rows:
    """Return the weights where all neighbours may be used."""
    k = np.arange(-reach, reach + 1)
    powers = (k[:, None] / reach) ** np.arange(degree + 1)
    out: Rows = _fit(powers, (k != 0)[None])[0]
    return out


def _windows(ok: Mask, reach: int) -> Mask:
    """Return which periods around each may be used; none beyond the ends."""
    padded = np.concatenate([np.zeros(reach, bool), ok, np.zeros(reach, bool)])
    return np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)


def _beside(ok: Mask, reach: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return how many periods within reach before each and after it may be used."""
    total = np.concatenate([[0], np.cumsum(ok)])
    row = np.arange(ok.size)
    before = total[row] - total[np.maximum(row - reach, 0)]
    after = total[np.minimum(row + reach + 1, ok.size)] - total[row + 1]
    return before, after


def _fit(powers: NDArray[np.float64], used: Mask) -> NDArray[np.float32]:
    size = powers.shape[1]
    products = (powers[:, :, None] * powers[:, None, :]).reshape(len(powers), -1)
    moments = (used.astype(float) @ products).reshape(-1, size, size) + 1e-9 * np.eye(size)
    first = np.linalg.inv(moments)[:, :, 0]
    out: NDArray[np.float32] = (first @ powers.T).astype(np.float32)
    out *= used
    return out


class Foretelling:
    """Periods, to be foretold from the clean ones around each, whichever those are.

    Parameters
    ----------
    rows : ndarray, shape (n_rows, n_points)
        One period a row.
    per_choice : int
        Periods over which the reaches are compared.
    lows : ndarray, shape (n_points, n_waves), optional
        Waves of the harmonics that have little say in the choice, as from
        `sigkit.tracks.edges.low_harmonics`.
    own : ndarray, shape (n_rows, n_points), optional
        How much each point counts in it, 0 to 1.
    """

    def __init__(
        self, rows: Rows, per_choice: int, lows: Rows | None = None, own: Rows | None = None
    ) -> None:
        self.rows, self.per_choice, self.lows, self.own = rows, per_choice, lows, own
        self.each = np.empty((len(REACHES), *rows.shape), np.float32)
        self.left = np.empty((len(REACHES), len(rows)), np.float32)
        self.ok: list[Mask | None] = [None] * len(REACHES)
        self.faded = np.zeros_like(rows)
        self.counts = np.zeros((*self.left.shape, 3), np.float32)
        self.fresh = np.ones(len(rows), bool)

    def given(self, ok: Mask) -> Rows:
        """Return the periods foretold, each without itself.

        Parameters
        ----------
        ok : ndarray of bool, shape (n_rows,)
            Periods that hold no dirt; what has not changed since the last ones is kept.
        """
        sure = np.zeros(self.left.shape, bool)
        typical = np.full(sure.shape, np.inf)
        for i in range(len(REACHES)):
            _, sure[i] = self.by(i, ok)
            at = np.flatnonzero(ok & sure[i])
            if at.size:
                powers = np.log(self.left[i, at] + 1e-30)
                middle = ndimage.median_filter(powers, self.per_choice, mode="nearest")
                usual = np.interp(np.arange(ok.size), at, middle)
                typical[i] = ndimage.uniform_filter1d(usual, self.per_choice, mode="nearest")
        typical[~sure] = np.inf
        least = typical.min(axis=0)
        known = np.isfinite(least)
        if not known.any():
            last: Rows = self.each[-1].copy()
            return last
        shares = np.exp(-PREFERENCE * (typical - np.where(known, least, 0.0)))
        shares[shares < LEAST_SHARE] = 0.0
        shares /= np.maximum(shares.sum(axis=0), LEAST_SHARE)
        chosen = np.where(sure, self.left, np.inf)[typical.argmin(axis=0), np.arange(ok.size)]
        turned = sure[0] & (self.left[0] < EXPLAINED * chosen)
        shares[:, turned] = np.eye(len(REACHES))[:, :1]
        counts = _counts(sure, shares)
        changed = self.fresh | (counts != self.counts).any(axis=(0, 2))
        self.counts, self.fresh = counts, np.zeros_like(changed)
        _fade(self.each, counts, changed, self.faded)
        out = self.faded.copy()
        if not known.all():
            at = np.flatnonzero(known)
            near = at[np.clip(np.searchsorted(at, np.flatnonzero(~known)), 0, at.size - 1)]
            out[~known] = out[near]
        return out

    def by(self, which: int, ok: Mask) -> tuple[Rows, Mask]:
        """Return the periods foretold by one of the reaches, until the next call, and where."""
        weights, sure = weights_of(ok, *REACHES[which])
        told, left, before = self.each[which], self.left[which], self.ok[which]
        self.ok[which] = ok
        if self.rows.shape[1] == 1:
            told[:] = weights.apply(self.rows)
            left[:] = self._left(told, slice(None))
            self.fresh[:] = True
            return told, sure
        changed = np.ones(ok.size, bool) if before is None else ok != before
        for part, band, near in weights.bands(self.rows):
            if changed[near].any():
                np.matmul(band, self.rows[near], out=told[part])
                left[part] = self._left(told[part], part)
                self.fresh[part] = True
        return told, sure

    def _left(self, told: Rows, part: slice) -> Rows:
        """Return the power of what is left of some periods, their low harmonics weighed less."""
        error = self.rows[part] - told
        if self.own is not None:
            error *= self.own[part]
        out: Rows = (1 + LOWS) * np.einsum("nk,nk->n", error, error)
        if self.lows is not None:
            low = error @ self.lows
            out -= np.einsum("nk,nk->n", low, low)
        out /= np.float32(error.shape[1])
        return out


def foretell(
    rows: Rows,
    ok: Mask,
    per_choice: int,
    lows: Rows | None = None,
    own: Rows | None = None,
) -> Rows:
    """Foretell every period from the clean ones around it, as `Foretelling` does."""
    return Foretelling(rows, per_choice, lows, own).given(ok)


def _counts(sure: Mask, shares: NDArray[np.float64]) -> Rows:
    """Return the share of each reach in each period, and what the periods beside it add to that."""
    row = np.arange(shares.shape[1])
    before, after = (np.where(sure, shares[:, np.clip(row + k, 0, row[-1])], 0.0) for k in (-1, 1))
    before, after = (
        np.where(v.sum(axis=0) > 0, v / np.maximum(v.sum(axis=0), 1e-9), shares)
        for v in (before, after)
    )
    return np.stack([shares, before - shares, after - shares], axis=2).astype(np.float32)


def _fade(told: Rows, counts: Rows, changed: Mask, out: Rows) -> None:
    """Put the shares of the rows, each period's faded into the next one's, where they changed."""
    across = np.linspace(-1, 1, out.shape[1], dtype=np.float32)
    ramps = np.stack([np.ones_like(across), np.maximum(-across, 0) / 2, np.maximum(across, 0) / 2])
    for part in chunks(out):
        if not changed[part].any():
            continue
        out[part] = 0.0
        for share, rows in zip(counts[:, part], told, strict=True):
            if share.any():
                out[part] += (share @ ramps) * rows[part]


def chunks(rows: Rows) -> list[slice]:
    """Return slices of some rows each, which stay near the processor."""
    count, points = rows.shape
    size = min(max(NEAR_VALUES // points, CHUNK), MOST_CHUNK) if points > 1 else max(count, 1)
    return [slice(a, min(a + size, count)) for a in range(0, count, size)]


def without(rows: Rows, lows: Rows | None) -> Rows:
    """Return the rows without some harmonics, given as from `sigkit.tracks.edges.low_harmonics`."""
    if lows is None:
        return rows
    return (rows - (rows @ lows) @ lows.T).astype(np.float32, copy=False)


def corner(rows: Rows, ok: Mask, smooth: Rows | None = None) -> Rows:
    """Return by how much the slope of each point from period to period changes at each period.

    Parameters
    ----------
    rows : ndarray, shape (n_rows, n_points)
        One period a row.
    ok : ndarray of bool, shape (n_rows,)
        Periods that hold no dirt.
    smooth : ndarray, shape (n_rows, n_points), optional
        The same as if none held any, where that is known.

    Returns
    -------
    ndarray, shape (n_rows, n_points)
        Slope over the four clean periods after less that over the four before, per period; 0
        where a side has fewer within twelve.
    """
    reach = 3 * CORNER
    before, after = _beside(ok, CORNER)
    odd = np.flatnonzero((before < CORNER) | (after < CORNER))
    own = np.zeros((odd.size, 2 * reach + 1), np.float32)
    before, after = (side[odd] for side in _beside(ok, reach))
    some = np.flatnonzero((before >= CORNER) & (after >= CORNER))
    if some.size:
        own[some] = _corner_weights(_windows(ok, reach)[odd[some]])
    usual = _corner_weights(np.ones((1, own.shape[1]), bool))[0]
    return Weights(usual=usual, odd=odd, own=own).apply(
        rows, smooth, None if smooth is None else ~ok
    )


def _corner_weights(used: Mask) -> NDArray[np.float32]:
    """Return the weights of a slope after less one before, from the four nearest on each side."""
    k = np.arange(used.shape[1]) - used.shape[1] // 2
    weights = np.zeros(used.shape, np.float32)
    for sign in (-1, 1):
        side = used & (np.sign(k) == sign)
        rank = np.cumsum(side[:, ::sign], axis=1)[:, ::sign]
        side = side & (rank <= CORNER)
        number = side.sum(axis=1, keepdims=True)
        off = np.where(side, k - (side * k).sum(axis=1, keepdims=True) / number, 0.0)
        weights += sign * off / (off**2).sum(axis=1, keepdims=True)
    return weights


def bend(told: Rows) -> Rows:
    """Return by how much each period foretold lies off the mean of the two beside it, twice."""
    out = np.zeros_like(told)
    out[1:-1] = told[2:] - 2 * told[1:-1] + told[:-2]
    return out
