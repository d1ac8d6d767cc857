"""Two tones that pull each other: their distance swings once a beat, and more near locking.

The phase p between two oscillators that pull each other follows Adler's equation [1]_,
p' = 2 pi (apart - lock sin p). With the even phase t of the beat, exp(jp) is a fraction of linear
functions of exp(jt), so that p = t + 2 arg(1 + b exp(-jt)): a Fourier series in t whose n-th term
is 2 |b|^n / n, with |b| from 0 far from locking to 1 at its edge. Each tone of
`sigkit.tracks.two_tones` gets the first terms of such a series beside its even path, whichever of
the two gives way; their pitches are then those of the mean beat, sqrt(apart^2 - lock^2).

References
----------
.. [1] R. Adler, "A study of locking phenomena in oscillators", Proc. IRE 34 (1946), 351-357;
   the equation from memory.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.polynomial import legendre

from sigkit.arrays import Complex, Real
from sigkit.tracks.two_tones.track import NEXT_RAD, Tones, highest_band, refine

LEAST_TURNS = 1.5
"""Turns of one tone against the other over the window, for a swing that repeats."""
FIRST_BANDS = 6
PATH_TERMS = 3
MOST_SWINGS = 4
SWINGS_RAD = (0.03, 2.2)
"""Size of the first term: below it nothing pulls, above it the oscillators are nearly locked."""
LIKE_ADLER = 0.25
"""Largest departure of the second term from Adler's, as a share of the first."""
FAINTER = 0.03
"""Share of the power that each tone must have: 15 dB below the other."""
IN_BANDS, THERE = 2, 1e-3
"""Each tone must have so many harmonics of that power at least, or it is a sine of moving level."""


def fit_pulled(bands: Complex, steps: tuple[int, ...], pair: Tones, *, most: int) -> Tones | None:
    """Fit two tones of a unison that pull each other; None where the sound is not like that.

    Parameters
    ----------
    bands : ndarray of complex, shape (n_bands, n_periods)
        As in `sigkit.tracks.two_tones.track.fit_tones`.
    steps : tuple of int
        Which bands hold lines; (1, 1) or there is nothing to fit.
    pair : Tones
        Two tones of even pitch, to begin with.
    most : int
        Number of bands to end with.
    """
    periods = bands.shape[1]
    turns = abs(float(np.diff(pair.offsets)[0])) * periods
    if steps[0] != steps[1] or turns < LEAST_TURNS:
        return None
    terms = np.pad(pair.terms, ((0, 0), (0, PATH_TERMS)))[:, :PATH_TERMS]
    limit = min(most, bands.shape[0])
    count = min(FIRST_BANDS, limit)
    fit, before = pair, pair
    for swings in (1, 2, 3, MOST_SWINGS):
        for _ in range(2):
            basis = _basis(terms, swings, periods)
            terms = np.pad(terms, ((0, 0), (0, basis.shape[0] - terms.shape[1])))
            before, fit = fit, refine(bands[:count], steps, terms, basis=basis)
            terms = fit.terms
            if not np.isfinite(terms).all():
                return None
    while True:
        reach = min(highest_band(fit.offsets, limit), 2 * count)
        certain = NEXT_RAD / max(float(np.sqrt(np.diag(fit.covariance).max())), 1e-12)
        reach = int(min(reach, certain))
        if reach <= count:
            break
        count = reach
        basis = _basis(terms, MOST_SWINGS, periods)
        before, fit = fit, refine(bands[:count], steps, terms, basis=basis)
        terms = fit.terms
        if not np.isfinite(terms).all():
            return None
    if not _as_adler_has_it(fit):
        return None
    wider = fit.covariance.copy()
    first = np.arange(2) * terms.shape[1]
    wider[first, first] += (fit.terms[:, 0] - before.terms[:, 0]) ** 2
    return replace(fit, covariance=wider)


def _basis(terms: Real, swings: int, periods: int) -> Real:
    """Even paths, and sines and cosines of multiples of the phase between them."""
    x = np.linspace(-1, 1, periods)
    path = legendre.legvander(x, PATH_TERMS)[:, 1:].T
    between = (terms[1, :PATH_TERMS] - terms[0, :PATH_TERMS]) @ path
    order = np.arange(1, swings + 1)[:, None]
    waves = np.stack([np.cos(order * between), np.sin(order * between)], axis=1)
    basis: Real = np.concatenate([path, waves.reshape(2 * swings, periods)])
    return basis


def _as_adler_has_it(fit: Tones) -> bool:
    swing = (fit.terms[1] - fit.terms[0])[PATH_TERMS:]
    size = np.hypot(swing[::2], swing[1::2])
    own = np.abs(fit.amplitudes) ** 2
    power = own.sum(axis=1)
    harmonics = np.count_nonzero(own > THERE * own.max(axis=1, keepdims=True), axis=1)
    return bool(
        SWINGS_RAD[0] < size[0] < SWINGS_RAD[1]
        and abs(size[1] - size[0] ** 2 / 4) < LIKE_ADLER * size[0]
        and power.min() > FAINTER * power.max()
        and harmonics.min() >= IN_BANDS
        and math.isfinite(float(fit.covariance.max()))
    )
