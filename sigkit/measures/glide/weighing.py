"""Marks of a fitted glide weighed by all they err by, and the named uncertainty of what follows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sigkit.arrays import Real
from sigkit.measures.glide.model import LINEAR_BOUNDS, Fit, phase_of
from sigkit.measures.glide.terms import ASSUMED, DRIFT, FILTERS, JITTER, SCATTER

JITTERS = np.geomspace(1e-6, 3e-3, 60)
"""Jitter that an oscillator may have, relative standard deviation of a period, as likely in each
decade (common practice, no source)."""
FILTER_HZ, ORDERS, SHIFT = 2000.0, (3, 5), 0.1
"""A filter left open has its corner at this frequency or higher. Beyond a mere delay its phase is
odd in frequency: of these orders, so many periods at the corner. (A pole of four, 4 arctan(x), has
0.21 of the third order and 0.13 of the fifth; two Butterworth poles 0.08 and 0.05: closed form.)"""
DRIFT_SD = 1 / 1200
"""Drift of an oscillator, octaves a second: a cent a second (common practice, no source)."""
LEAST = 1e-4
"""Least variance of the scatter, in units of the held notes': what the matrices bear."""
RANK = 1e-10
"""Share of the largest below which a combination of numbers is not told by the marks."""


def weighed(fit: Fit) -> Fit:
    """Take a fit one step on, to the estimate of generalised least squares.

    Parameters
    ----------
    fit : Fit
        Of least squares, in which every mark counts by its scatter alone.

    Returns
    -------
    Fit
        Its numbers, and their covariance by named terms.

    Notes
    -----
    The marks err by their scatter, independent of each other; by jitter of the oscillator, which
    adds up from period to period; by filters on the way, whose phase is no mere delay; and by a
    drift. All together are the covariance of the marks (JCGM 100:2008, 5.2: correlated inputs), so
    that filters and drift count by what the marks themselves leave open of them. How much of the
    residuals is scatter and how much jitter comes from their restricted likelihood.
    """
    n = fit.time_s.size
    design = np.hstack([fit.jacobian, _phases(fit)])
    size = np.linalg.norm(design, axis=0)
    size[size == 0] = 1.0
    design = design / size
    shift, drift = _filters(fit), _drift(fit)
    walk = np.minimum.outer(fit.cycles, fit.cycles) / np.outer(fit.sd, fit.sd)
    scatter, jitter = _levels(np.hstack([design[:n], shift, drift]), fit.left[:n], walk)
    noise = {SCATTER: scatter * np.eye(n), JITTER: jitter * walk}
    noise |= {FILTERS: shift @ shift.T, DRIFT: drift @ drift.T}
    root = np.linalg.cholesky(sum(noise.values()))
    inverse = np.linalg.inv(root)
    solve = np.linalg.pinv(np.vstack([inverse @ design[:n], design[n:]]), rcond=RANK)
    step = -solve @ np.concatenate([inverse @ fit.left[:n], fit.left[n:]]) / size
    gain, assumed = solve[:, :n] @ inverse / size[:, None], solve[:, n:] / size[:, None]
    count = fit.numbers.size
    terms = {name: (gain @ part @ gain.T)[:count, :count] for name, part in noise.items()}
    terms[ASSUMED] = (assumed @ assumed.T)[:count, :count]
    numbers = fit.numbers + step[:count]
    if fit.model.free_share:
        numbers[4] = np.clip(numbers[4], *LINEAR_BOUNDS)
    return replace(fit, numbers=numbers, law=fit.model.law_of(numbers), terms=terms)


def _phases(fit: Fit) -> Real:
    """Columns of each family's own phase, which is free."""
    families = np.unique(fit.family)
    columns = np.zeros((fit.left.size, families.size))
    for column, family in zip(columns.T, families, strict=True):
        own = np.flatnonzero(fit.family == family)
        column[own] = 1 / fit.sd[own]
    return columns


def _filters(fit: Fit) -> Real:
    """Columns of what filters may shift each family of marks by, one standard deviation each."""
    hz = 2.0 ** fit.log2_at(fit.time_s)
    top = float(hz.max())
    columns = []
    for family in np.unique(fit.family):
        for order in ORDERS:
            at_top = SHIFT * min(1.0, top / FILTER_HZ) ** order
            columns.append(np.where(fit.family == family, at_top * (hz / top) ** order, 0) / fit.sd)
    return np.column_stack(columns)


def _drift(fit: Fit) -> Real:
    """Column of what a drift beside the law does to the marks, one standard deviation."""
    slopes = np.array([DRIFT_SD, DRIFT_SD])
    with_it, without = (
        phase_of(fit.law, fit.numbers, extra, fit.time_s) for extra in (slopes, 0 * slopes)
    )
    return np.asarray((with_it - without) / fit.sd)[:, None]


def _levels(design: Real, left: Real, walk: Real) -> tuple[float, float]:
    """Return the variances of scatter and of jitter that the residuals speak for.

    Parameters
    ----------
    design : ndarray, shape (n_marks, n_columns)
        All that is fitted: what is left beside it tells of the noise alone.
    left : ndarray, shape (n_marks,)
        Residuals, in units of the scatter that the held notes show.
    walk : ndarray, shape (n_marks, n_marks)
        Covariance in those units, by a jitter of one period a period.

    Returns
    -------
    tuple of float
        Mean variance of the scatter, in units of the held notes', and square of the mean jitter,
        over the restricted likelihood.
    """
    beside = np.linalg.qr(design, mode="complete")[0][:, design.shape[1] :]
    grown, axes = np.linalg.eigh(beside.T @ walk @ beside)
    energy = (axes.T @ (beside.T @ left)) ** 2
    if not energy.size:
        return 1.0, 0.0
    ratio = JITTERS**2
    spread = 1 + ratio[:, None] * np.maximum(grown, 0.0)
    scatter = np.maximum(np.mean(energy / spread, axis=1), LEAST)
    likely = -0.5 * (energy.size * np.log(scatter) + np.sum(np.log(spread), axis=1))
    weight = np.exp(likely - likely.max())
    weight /= weight.sum()
    return float(weight @ scatter), float(weight @ np.sqrt(ratio * scatter)) ** 2
