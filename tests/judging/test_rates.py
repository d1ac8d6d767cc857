"""Rates of events from counts: exact limits, published, and the scatter between passes."""

import math

import numpy as np
import pytest
from scipy import stats

from sigkit.judging.limits import Limit, judge_count
from sigkit.judging.rates import events_interval, rate_interval, rate_ratio_interval


@pytest.mark.parametrize(
    ("count", "coverage", "low", "high"),
    [
        (0, 0.95, 0.0, 3.6889),
        (1, 0.95, 0.0253, 5.5716),
        (10, 0.95, 4.7954, 18.3904),
        (25, 0.95, 16.1787, 36.9049),
        (25, 0.90, 17.3821, 34.9161),
        (25, 0.99, 13.9954, 41.0004),
        (100, 0.99, 76.1205, 128.7606),
    ],
)
def test_rate_limits_match_published_poisson_limits(count, coverage, low, high):
    """Garwood, Biometrika 28 (1936) 437-442: tabulated limits of a Poisson mean."""
    assert rate_interval(count, 1.0, coverage) == pytest.approx((low, high), abs=5e-5)
    tail = (1 - coverage) / 2
    expected = (
        stats.chi2.ppf(tail, 2 * count) / 2 if count else 0.0,
        stats.chi2.isf(tail, 2 * count + 2) / 2,
    )
    assert rate_interval(count, 1.0, coverage) == pytest.approx(expected, rel=1e-12)


def test_rate_scales_with_exposure():
    """Printed example of a one-sample exact Poisson test, 137 events in 24.19893 (from memory)."""
    assert rate_interval(137, 24.19893) == pytest.approx((4.753125, 6.692709), abs=5e-7)


def test_rate_ratio_matches_the_printed_example():
    """Printed example of a two-sample exact Poisson test (from memory): 11/800 against 21/3011."""
    limits = rate_ratio_interval((21, 3011.0), (11, 800.0))
    assert limits == pytest.approx((0.8584264, 4.2772659), abs=5e-8)


@pytest.mark.parametrize(("first", "last"), [(20, 5), (10, 2), (12, 1), (6, 0), (0, 7), (33, 31)])
def test_rate_ratio_matches_the_binomial_interval(first, last):
    """Clopper and Pearson 1934, as scipy.stats.binomtest computes it, given the sum of counts."""
    exact = stats.binomtest(last, first + last).proportion_ci(0.95, "exact")
    low, high = rate_ratio_interval((first, 10.0), (last, 10.0))
    assert low == pytest.approx(exact.low / (1 - exact.low), rel=1e-9)
    expected = exact.high / (1 - exact.high) if exact.high < 1 else math.inf
    assert high == pytest.approx(expected, rel=1e-9)


def test_rate_ratio_of_nothing_says_nothing():
    assert rate_ratio_interval((0, 10.0), (0, 10.0)) == (0.0, math.inf)


def test_rate_ratio_covers_the_truth():
    """Conditional limits are exact: at least 95 % coverage, whatever the rates."""
    random = np.random.default_rng(5)
    for rate, ratio in ((2.0, 1.0), (12.0, 0.25), (5.0, 3.0)):
        hits = 0
        for _ in range(600):
            a, b = int(random.poisson(rate)), int(random.poisson(rate * ratio * 2))
            low, high = rate_ratio_interval((a, 10.0), (b, 20.0))
            hits += low <= ratio <= high
        assert hits / 600 >= 0.95 - 3 * math.sqrt(0.95 * 0.05 / 600)


@pytest.mark.parametrize("limit", [1.0, 3.0, 10.0])
@pytest.mark.parametrize("passes", [2, 4, 10])
def test_passes_that_differ_seldom_mislead_about_a_limit(passes, limit):
    """Rates about the limit that scatter by 0.5 in ln from pass to pass: a wrong word on either
    side in 4 % at most, and 95 % limits that hold the rate; exact limits alone say within or
    outside in 13 to 16 % each at ten a pass.
    """
    random = np.random.default_rng(passes)
    draws = 1500
    rates = limit * np.exp(0.5 * random.standard_normal((draws, passes)) - 0.125)
    counts = random.poisson(rates).sum(axis=1)
    words = [
        judge_count((int(n), float(passes)), Limit(limit, "per pass", ""), passes).word
        for n in counts
    ]
    slack = 3 * math.sqrt(0.04 * 0.96 / draws)
    assert words.count("within limits") / draws <= 0.04 + slack
    assert words.count("outside limits") / draws <= 0.025 + slack
    limits = np.array([events_interval((int(n), float(passes)), passes) for n in counts])
    held = np.mean((limits[:, 0] <= limit) & (limit <= limits[:, 1]))
    assert held >= 0.93 - slack


def test_the_probability_within_allows_for_the_scatter_between_passes():
    """A gamma law (Jeffreys) times a lognormal factor, drawn with numpy: 16 events in 10 passes."""
    random = np.random.default_rng(0)
    n = 400_000
    drawn = random.gamma(16.5, 1 / 10, n) * np.exp(0.5 / math.sqrt(10) * random.standard_normal(n))
    found = judge_count((16, 10.0), Limit(2.0, "per pass", ""), 10.0).probability
    assert found == pytest.approx(np.mean(drawn <= 2.0), abs=0.003)


def test_passes_without_end_leave_the_exact_limits():
    assert events_interval((10, 4.0), 1e12) == pytest.approx(rate_interval(10, 4.0), rel=1e-6)
