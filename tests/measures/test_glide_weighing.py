"""Weights, derivatives and landings of a glide against dense matrices and closed forms."""

import math

import numpy as np
import pytest
from scipy import optimize

from sigkit.measures.glide.fit import Problem
from sigkit.measures.glide.landing import ROUGH_U_CENTS, Stand, landing_errors, stand_of
from sigkit.measures.glide.laws import Law
from sigkit.measures.glide.model import Fit, Model
from sigkit.measures.glide.series import Series
from sigkit.measures.glide.weighing import _whitened
from sigkit.tracks.marks import Marks

MARKS = 120


def made_series(rng):
    sd = np.array([1e-3, 2e-3])
    return Series(
        time_s=np.sort(rng.uniform(0, 1, MARKS)),
        cycle=np.arange(MARKS, dtype=np.float64),
        family=rng.integers(0, 2, MARKS),
        before_sd=sd,
        after_sd=2 * sd,
        shift=rng.uniform(1e-3, 3e-3, MARKS),
        held_log2=np.array([7.0, 8.0]),
    )


@pytest.mark.parametrize("share", [0.0, 0.4, 1.0])
@pytest.mark.parametrize("beside", [False, True])
def test_slopes_are_those_of_finite_differences(share, beside):
    """Against ``scipy.optimize.approx_fprime``, column by column."""
    free = 0 < share < 1
    problem = Problem(made_series(np.random.default_rng(1)), Model(Law(share), free, beside))
    numbers = [0.3, math.log(0.2), 7.0, 8.0, *([share] if free else []), 3.0]
    numbers = np.array(numbers + ([0.001, 0.002, 0.01, 0.02] if beside else []))
    sd = problem.scatter(numbers)
    expected = optimize.approx_fprime(numbers, problem.left, 1e-7, sd)
    size = np.abs(expected).max(axis=0)
    np.testing.assert_allclose(problem.slopes(numbers, sd) / size, expected / size, atol=1e-3)


@pytest.mark.parametrize("jitter", [0.0, 1e-3, 0.1])
def test_whitening_is_that_of_the_whole_covariance(jitter):
    """Scatter on each mark, a random walk along the cycles: generalised least squares, dense."""
    rng = np.random.default_rng(2)
    sd = rng.uniform(1e-3, 3e-3, MARKS)
    numbers = np.array([0.3, math.log(0.2), 7.0, 8.0, 0.0])
    empty = np.zeros((MARKS, 5))
    fit = Fit(
        Model(Law(0.0)), Law(0.0), numbers, empty, np.zeros(MARKS), 0.0, 1, np.zeros(MARKS), sd,
        np.sort(rng.uniform(0, 1, MARKS)), np.zeros(MARKS, np.intp), np.zeros(MARKS),
    )  # fmt: skip
    rows = rng.standard_normal((MARKS, 3))
    walk = np.minimum.outer(fit.cycles, fit.cycles)
    covariance = np.diag(sd**2) + jitter**2 * walk
    late = rows * sd[:, None]
    expected = late.T @ np.linalg.solve(covariance, late)
    white, _ = _whitened(fit, rows, jitter)
    np.testing.assert_allclose(white.T @ white, expected, rtol=1e-8, atol=1e-8)


def test_where_a_note_stands():
    """A line through marks that err independently: its slope's variance is 12 s2 / (n3 - n)."""
    rng = np.random.default_rng(3)
    off = []
    for _ in range(400):
        t = 0.5 + (np.arange(60) + 1e-3 * rng.standard_normal(60)) / 200.0
        stand = stand_of(Marks(t, 1e-3, 1e-3, np.zeros(t.size)), (0.45, 0.9, 201.0))
        off.append((stand.cents - 1200 * math.log2(200.0), stand.u_cents))
    error, u = np.array(off).T
    closed = 1200 / math.log(2) * 1e-3 * math.sqrt(12 / (60**3 - 60))
    assert np.sqrt(np.mean(error**2)) == pytest.approx(closed, rel=0.11)
    assert np.sqrt(np.mean(u**2)) == pytest.approx(closed, rel=0.05)
    assert 0.92 <= np.mean(np.abs(error) <= 2 * u) <= 0.97


def test_a_note_without_marks_stands_roughly():
    stand = stand_of(Marks(np.arange(3.0), 1e-3, 1e-3, np.zeros(3)), (5.0, 6.0, 440.0))
    assert stand == Stand(1200 * math.log2(440.0), ROUGH_U_CENTS)


def test_each_landing_is_against_the_other_holds_of_its_note():
    low, high = (Stand(cents, 0.1) for cents in (8000.0, 9200.0))
    short = Stand(9195.0, 0.1)
    errors = landing_errors([(low, high), (high, low), (low, short), (short, low), (low, high)])
    assert [error for error, _ in errors] == pytest.approx([2.5, 0.0, -5.0, 0.0, 2.5])
    assert errors[1][1] == pytest.approx(0.1 * math.sqrt(1 + 1 / 2))
    once = landing_errors([(low, high)])
    assert math.isnan(once[0][0])
    assert math.isnan(once[0][1])
