"""Marks of fitted glides weighed by all they err by, and the named uncertainty of what follows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import linalg, special

from sigkit.arrays import Real
from sigkit.measures.glide import columns
from sigkit.measures.glide.colour import CORNERS_HZ
from sigkit.measures.glide.fit import CORNER_SD_HZ, Problem
from sigkit.measures.glide.model import LINEAR_BOUNDS, SLOPED, Fit
from sigkit.measures.glide.noise import noise_of, whitened
from sigkit.measures.glide.terms import ASSUMED, DRIFT, FILTERS, JITTER, LAW, SCATTER

DRIFTS = np.array([0.03, 0.1, 0.3, 1.0, 3.0])
"""Sizes that a drift may have, cents a second."""
WAYS = np.array([(drift, corner) for corner in CORNERS_HZ for drift in DRIFTS])
"""What may be on the way to the marks, shape (n_ways, 2): the size of a drift, and the corner of
the lowest filter in Hz."""
EXPECTED = -0.5 * np.log(DRIFTS)
"""Logarithm of how likely each drift is beforehand: rather small than large (common practice, no
source)."""
OWN_CORNER = 0.1
"""By how much of itself the corner of one coupling seems another one to another glide: how far it
moves marks is known no better (against closed forms)."""
LEAST_TOLD = 1e-9
"""What marks tell at least of a corner, 1/Hz2."""
LANDING_SD = 40.0 / 1200
"""What is expected of a note that has not landed, octaves a second."""
LEAST_SHIFT = 1e-6
"""Part of what the lowest filter does below which a higher one does nothing."""
NO_SHIFT = 1e-4
"""What is left of what a fit expects of shifts that go with the pitch."""
MOST_STEPS, NEAR_ENOUGH = 3, 0.3
"""Steps at most, and by how many standard uncertainties the last one may have moved a number."""
LEAST_WEIGHT = 1e-5
"""Ways that count for less of the likeliest one are left out."""
FURTHEST = 0.5
"""Step of ln of the glide time beyond which its slopes tell nothing: too fast for the marks."""
FLAT = 1e-8
"""What little is expected of a number that nothing else bounds, in units of what one mark tells."""


def weighed(fits: Sequence[Fit]) -> list[Fit]:
    """Take the fits of one capture one step on, to the estimate of generalised least squares.

    Parameters
    ----------
    fits : sequence of Fit
        Of least squares, in which every mark counts by its scatter alone.

    Returns
    -------
    list of Fit
        Their numbers, and the covariance of these by named terms.

    Notes
    -----
    The marks err by their scatter, independent of each other, and by jitter of the oscillator,
    which adds up from period to period: both are their covariance (JCGM 100:2008, 5.2: correlated
    inputs), and how much of the residuals is which comes from their restricted likelihood, that of
    all glides together for the jitter: it is one oscillator's. Filters
    on the way, whose phase is no mere delay, a drift and couplings are fitted with the law, each
    expected to be about nothing, by more or less. By how much, the marks of all glides of a
    capture say together of the drift and of the coupling, and the harmonics of its notes of the
    filters: marks of a
    sine hardly tell a filter from a longer glide, and the simplest answer would win. Numbers and
    covariance are means over all that may be, each weighed by its likelihood (Hoeting et al.,
    Bayesian model averaging, Statistical Science 14, 1999, eqs 1 to 3, from memory).
    """
    fits = [_slopes_at(fit, fit.numbers) for fit in fits]
    noise = noise_of(fits, [_rows(fit)[0] for fit in fits])
    fits = [
        replace(fit, scatter=scatter, jitter=jitter, jitters=jitters)
        for fit, (scatter, jitter, jitters) in zip(fits, noise, strict=True)
    ]
    for _ in range(MOST_STEPS):  # by slopes of numbers that lay aside
        out = _weighed(fits)
        if not any(_moved_on(*pair) for pair in zip(fits, out, strict=True)):
            break
        fits = [_again(*pair) for pair in zip(fits, out, strict=True)]
    return out


def _moved_on(fit: Fit, stepped: Fit) -> bool:
    """Whether a step led so far that the slopes are others there."""
    size = np.sqrt(np.diag(sum(stepped.terms.values())))
    return bool(np.any(np.abs(stepped.numbers - fit.numbers) > NEAR_ENOUGH * size))


def _again(fit: Fit, weighed_once: Fit) -> Fit:
    """Return residuals and slopes where a step has led, of a mixed law that is none as that one."""
    numbers, share = weighed_once.numbers, weighed_once.law.linear
    if fit.model.free_share and not SLOPED[0] < share < SLOPED[1]:
        pure = replace(
            fit.model, law=replace(fit.law, linear=float(round(share))), free_share=False
        )
        fit, numbers = replace(fit, model=pure), np.delete(numbers, 4)
    return _slopes_at(fit, numbers)


def _weighed(fits: Sequence[Fit]) -> list[Fit]:
    """Take one step, by the slopes where the fits are."""
    told = [_told(fit, *_rows(fit)) for fit in fits]
    answers = _coupled(told, [_answers(one) for one in told])
    votes = [a.likely for a, fit in zip(answers, fits, strict=True) if not fit.departs]
    told_by_marks = (np.zeros(len(WAYS)) + sum(votes)).reshape(CORNERS_HZ.size, DRIFTS.size)
    drift = special.softmax(EXPECTED + told_by_marks, axis=1)
    corner = special.softmax(np.mean([fit.corners for fit in fits], axis=0)) if fits else np.ones(1)
    weight = (corner[:, None] * drift).ravel()
    return [_answered(one, answer, weight) for one, answer in zip(told, answers, strict=True)]


@dataclass(frozen=True, eq=False)
class _Told:
    """What the marks of one glide tell of all that is fitted.

    Parameters
    ----------
    fit : Fit
        Of least squares.
    unit : ndarray, shape (n_columns,)
        Unit of each number: those of the fit, each family's phase, filters, drift.
    root : ndarray, shape (n_columns + 1, n_columns + 1)
        Triangle of the marks' normal equations, their residuals last.
    jitter : ndarray, shape (n_columns, n_columns)
        Part of the jitter in the marks' normal matrix.
    """

    fit: Fit
    unit: Real
    root: Real
    jitter: Real

    @property
    def filters(self) -> int:
        """Number of columns of what filters may do."""
        return len(columns.ORDERS) * int(np.unique(self.fit.family).size)

    @property
    def ripples(self) -> int:
        """Number of columns of harmonics that come and go at the recorder's own filter."""
        return int(columns.ripples(self.fit).shape[1])

    @property
    def wavers(self) -> int:
        """Number of columns of what is left of a vibrato."""
        return 2 * len(columns.WAVES) if self.fit.waver else 0


@dataclass(frozen=True, eq=False)
class _Answers:
    """Numbers of one glide for everything that may be on the way.

    Parameters
    ----------
    likely : ndarray, shape (n_ways,)
        Logarithm of the likelihood.
    step : ndarray, shape (n_ways, n_columns)
        Numbers, less those of the fit, in their units.
    covariance : ndarray, shape (n_ways, n_columns, n_columns)
        Their covariance.
    expected : ndarray, shape (n_ways, n_expected, n_columns)
        Rows of what is expected of them.
    """

    likely: Real
    step: Real
    covariance: Real
    expected: Real


def _slopes_at(fit: Fit, numbers: Real) -> Fit:
    """Return residuals and their slopes at some numbers, by the scatter with which edges are read.

    What filters shift is told of by their own columns: of shifts that go with the pitch, in which
    the law was looked for, nothing is left.
    """
    if fit.series is None:
        return fit
    problem = Problem(fit.series, fit.model)
    if fit.model.free_share:
        numbers = numbers.copy()
        numbers[4] = np.clip(numbers[4], *SLOPED)
    sd = problem.fine_scatter(numbers)
    left, slopes = problem.left(numbers, sd), problem.slopes(numbers, sd)
    if fit.model.beside:
        count = fit.series.before_sd.size
        left[-count:], slopes[-count:] = left[-count:] / NO_SHIFT, slopes[-count:] / NO_SHIFT
    law = fit.model.law_of(numbers)
    return replace(fit, numbers=numbers, law=law, left=left, jacobian=slopes, sd=sd, fine_sd=sd)


def _rows(fit: Fit) -> tuple[Real, Real]:
    """Columns of all that is fitted and, last, the residuals; the columns' units."""
    n = fit.time_s.size
    beside = [
        columns.ripples(fit),
        columns.waver(fit),
        columns.landing(fit),
        columns.settling(fit),
        columns.filters(fit),
        columns.drift(fit),
    ]
    design = np.hstack([fit.jacobian[:n], columns.phases(fit), *beside])
    unit = np.linalg.norm(design, axis=0)
    unit[unit == 0] = 1.0
    return np.column_stack([design / unit, fit.left[:n]]), unit


def _told(fit: Fit, rows: Real, unit: Real) -> _Told:
    """Weigh the marks by their scatter and jitter."""
    scatter, jitter = fit.scatter, fit.jitter
    white, lower = whitened(fit.sd, fit.cycles, rows, jitter / math.sqrt(scatter))
    back = linalg.solve_banded((0, 1), np.array([[0, *lower[1, :-1]], lower[0]]), white[:, :-1])
    root = np.asarray(np.linalg.qr(white, mode="r")) / math.sqrt(scatter)
    part = (back[1:].T * np.diff(fit.cycles)) @ back[1:]
    return _Told(fit, unit, root, (jitter / scatter) ** 2 * part)


def _expected(told: _Told) -> Real:
    """Rows of what is expected of the numbers and, last column, of what they depart by from it.

    Shape (n_ways, n_expected, n_columns + 1): those of the fit, couplings first; ripples; filters;
    drift.
    """
    fit, unit, filters, ripples = told.fit, told.unit, told.filters, told.ripples
    n, count = fit.time_s.size, fit.numbers.size
    own = fit.left.size - n
    landing = int(not fit.model.beside)
    wavers = told.wavers
    more = own + landing + columns.SETTLINGS + wavers + ripples
    rows = np.zeros((len(WAYS), more + filters + 1, unit.size + 1))
    rows[:, :own, :count], rows[:, :own, -1] = fit.jacobian[n:], fit.left[n:]
    top = float(2.0 ** fit.log2_at(fit.time_s).max())
    for i in range(filters):
        part = columns.beyond(top / WAYS[:, 1], columns.ORDERS[i % len(columns.ORDERS)])
        shift = np.maximum(part / part.max(), LEAST_SHIFT)
        rows[:, more + i, unit.size - 1 - filters + i] = 1 / shift
    first = unit.size - 1 - filters - columns.SETTLINGS - landing - wavers - ripples
    for i in range(ripples + wavers):  # in units of what is expected of them; ripples last
        rows[:, more - 1 - i, first + i] = 1.0
    for i in range(columns.SETTLINGS):
        rows[:, own + landing + i, unit.size - 2 - filters - i] = columns.periods(fit) / (
            columns.SETTLES * CORNER_SD_HZ
        )
    if landing:
        rows[:, own, unit.size - 2 - filters - columns.SETTLINGS] = 1 / LANDING_SD
    rows[:, -1, -2] = 1 / WAYS[:, 0]
    rows[..., :-1] /= unit
    return rows


def _answers(told: _Told) -> _Answers:
    """Fit the marks once for everything that may be on the way."""
    count = told.unit.size
    expected = _expected(told)
    flat = np.zeros((count, count + 1))
    # A number on which no mark depends stays as it is.
    np.fill_diagonal(flat, np.where(np.abs(told.root[:, :-1]).max(axis=0) > 0, FLAT, 1.0))
    stack = [np.broadcast_to(part, (len(WAYS), *part.shape)) for part in (told.root, flat)]
    triangle: Real = np.asarray(np.linalg.qr(np.concatenate([*stack, expected], 1), mode="r"))
    size = np.abs(np.diagonal(triangle, axis1=1, axis2=2))
    inverse = np.linalg.inv(triangle[:, :-1, :-1])
    told_of = np.log(size[:, :-1]).sum(axis=1) + np.log(WAYS[:, 0])
    return _Answers(
        likely=-0.5 * size[:, -1] ** 2 - told_of,
        step=-(inverse @ triangle[:, :-1, -1:])[..., 0],
        covariance=inverse @ inverse.transpose(0, 2, 1),
        expected=expected[..., :-1],
    )


def _coupled(told: Sequence[_Told], answers: Sequence[_Answers]) -> list[_Answers]:
    """Expect of each glide's coupling what the other glides of the capture tell of it.

    Its corner had been expected to be about nothing; that is taken out and put in what the others
    say of it (Gaussian updates of one number; shape (n_glides, n_ways) on the way).
    """
    if not told:
        return []
    at = [4 + one.fit.model.free_share for one in told]
    unit = np.array([one.unit[c] for one, c in zip(told, at, strict=True)])[:, None]
    first = np.array([one.fit.numbers[c] for one, c in zip(told, at, strict=True)])[:, None]
    var = np.array([a.covariance[:, c, c] for a, c in zip(answers, at, strict=True)]) / unit**2
    mean = first + np.array([a.step[:, c] for a, c in zip(answers, at, strict=True)]) / unit
    before = CORNER_SD_HZ**-2
    tells = np.maximum(1 / var - before, LEAST_TOLD)
    tells[[one.fit.departs for one in told]] = LEAST_TOLD
    said = mean / var / tells  # the corner that the marks alone speak for
    own_var: Real = np.zeros(var.shape[1])
    for _ in range(2):  # by how much it seems another to each goes by what it is
        know = 1 / (1 / tells + own_var)
        every = (know * said).sum(axis=0) / (before + know.sum(axis=0))
        own_var = OWN_CORNER**2 * (every**2 + 1 / (before + know.sum(axis=0)))
    others = before + know.sum(axis=0) - know
    expected = ((know * said).sum(axis=0) - know * said) / others
    expected_var = 1 / others + own_var
    after = 1 / (1 / var - before + 1 / expected_var)
    moved = after * (mean / var + expected / expected_var) - mean
    return [
        _moved(a, c, moved[i] * unit[i], after[i] / var[i], CORNER_SD_HZ / np.sqrt(expected_var[i]))
        for i, (a, c) in enumerate(zip(answers, at, strict=True))
    ]


def _moved(answers: _Answers, at: int, step: Real, part: Real, narrower: Real) -> _Answers:
    """Move one number by a step and leave a part of its variance; all others go with it."""
    own = answers.covariance[:, at, at, None]
    column = answers.covariance[:, :, at] / own
    expected = answers.expected.copy()
    expected[:, 0, at] *= narrower
    less = ((1 - part)[:, None] * own)[:, :, None] * column[:, :, None] * column[:, None]
    return replace(
        answers,
        step=answers.step + column * step[:, None],
        covariance=answers.covariance - less,
        expected=expected,
    )


def _share_after(share: float, step: float) -> float:
    """Return the share at constant rate after a step of its square, that the pitch goes by."""
    square = share**2 + 2 * share * step
    return float(np.clip(math.sqrt(max(square, 0.0)), *LINEAR_BOUNDS))


def _answered(told: _Told, answers: _Answers, weight: Real) -> Fit:
    """Take the mean over everything that may be on the way, and its covariance by named terms."""
    kept = np.flatnonzero(weight > LEAST_WEIGHT * weight.max())
    weight = weight[kept] / weight[kept].sum()
    step, covariance = answers.step[kept], answers.covariance[kept]
    mean = weight @ step
    off = step - mean

    def part(matrix: Real) -> Real:
        return np.asarray(np.tensordot(weight, covariance @ matrix @ covariance, 1))

    def of(rows: Real) -> Real:
        return np.asarray(rows.transpose(0, 2, 1) @ rows)

    marks = told.root[:, :-1].T @ told.root[:, :-1]
    expected = answers.expected[kept]
    terms = {
        SCATTER: part(marks - told.jitter),
        JITTER: part(told.jitter),
        FILTERS: part(of(expected[:, -1 - told.filters - told.ripples : -1])),
        DRIFT: part(of(expected[:, -1:])),
    }
    whole = np.tensordot(weight, covariance, 1) + (weight * off.T) @ off
    terms[ASSUMED] = whole - sum(terms.values())
    fit, count = told.fit, told.fit.numbers.size
    unit = told.unit[:count]
    numbers = fit.numbers + mean[:count] / unit
    numbers[1] = np.clip(numbers[1], fit.numbers[1] - FURTHEST, fit.numbers[1] + FURTHEST)
    if fit.model.free_share:
        numbers[4] = _share_after(float(fit.numbers[4]), float(mean[4] / unit[4]))
        unit = unit.copy()
        unit[4] *= np.clip(numbers[4], *SLOPED) / fit.numbers[4]
    terms = {k: v[:count, :count] / np.outer(unit, unit) for k, v in terms.items()}
    terms[LAW] = np.zeros((count, count))
    terms[LAW][1, 1] = fit.law_var
    return replace(fit, numbers=numbers, law=fit.model.law_of(numbers), terms=terms)
