"""The decision rule, against figures worked from JCGM 106:2012."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from sigkit.judging.limits import Limit, guide_limits, job_limits, judge_count, judge_limit
from sigkit.measures import TESTS
from sigkit.quantity import Quantity, Term, combine, not_measurable


def limit(value, unit="cents"):
    return Limit(value, unit, "test")


@pytest.mark.parametrize(
    ("value", "word", "probability"),
    [
        (3.9, "within limits", 0.98610),
        (-3.9, "within limits", 0.98610),
        (4.6, "undecided", 0.78814),
        (5.4, "undecided", 1 - 0.78814),
        (6.1, "outside limits", 1 - 0.98610),
    ],
)
def test_guarded_decision(value, word, probability):
    """JCGM 106:2012, guard band w = U: limits +-5 cents, U = 1.0 cent, acceptance limit 4.0.

    Probability of conformity Phi(2.2) = 0.98610 and Phi(0.8) = 0.78814.
    """
    verdict = judge_limit(Quantity(value, 0.5, "cents"), limit(5), "nearer zero")
    assert verdict.word == word
    assert verdict.probability == pytest.approx(probability, abs=5e-6)


def test_risk_at_the_acceptance_limit():
    """Guarded acceptance with w = U, k = 2: at most 1 - Phi(2) = 2.275 % at the limit itself."""
    verdict = judge_limit(Quantity(4.0, 0.5, "s"), limit(5, "s"), "smaller")
    assert verdict.word == "within limits"
    assert 1 - verdict.probability == pytest.approx(0.02275, abs=5e-6)
    assert judge_limit(Quantity(4.001, 0.5, "s"), limit(5, "s"), "smaller").word == "undecided"


@pytest.mark.parametrize(
    ("z", "probability"), [(0.8416, 0.80), (1.2816, 0.90), (1.6449, 0.95), (2.3263, 0.99)]
)
def test_one_sided_conformity(z, probability):
    """JCGM 106:2012, 7.3, Table 1: conformity probability for one-sided limits."""
    verdict = judge_limit(Quantity(10 - z, 1.0, "s"), limit(10, "s"), "smaller")
    assert verdict.probability == pytest.approx(probability, abs=5e-5)


def test_regulator_diode_example():
    """JCGM 106:2012 example (from memory): -5.47 V, u = 0.05 V, at most -5.40 V gives 92 %."""
    verdict = judge_limit(Quantity(-5.47, 0.05, "V"), limit(-5.40, "V"), "smaller")
    assert verdict.probability == pytest.approx(0.9192, abs=5e-5)
    assert verdict.word == "undecided"


def test_few_repeats_widen_the_guard_band():
    """Student t for 95 % at 2 dof is 4.303 (JCGM 100:2008, Table G.2)."""
    value = Quantity(5 - 4.302 * 0.5, 0.5, "s", dof=2)
    assert judge_limit(value, limit(5, "s"), "smaller").word == "undecided"
    value = Quantity(5 - 4.304 * 0.5, 0.5, "s", dof=2)
    assert judge_limit(value, limit(5, "s"), "smaller").word == "within limits"


def test_no_value_no_probability():
    verdict = judge_limit(not_measurable("s", "too short"), limit(1, "s"), "smaller")
    assert (verdict.word, verdict.probability) == ("not measurable", None)


@given(st.floats(-50, 50), st.floats(0.01, 20), st.floats(0.1, 30))
def test_within_is_never_claimed_on_a_coin_toss(value, u, allowed):
    """At most 2 * 2.275 % risk where within is said, and the probability is scipy's."""
    verdict = judge_limit(Quantity(value, u, "cents"), limit(allowed), "nearer zero")
    law = stats.norm(value, u)
    assert verdict.probability == pytest.approx(law.cdf(allowed) - law.cdf(-allowed), abs=1e-9)
    if verdict.word == "within limits":
        assert verdict.probability >= 1 - 2 * 0.02276
    if verdict.word == "outside limits":
        assert verdict.probability <= 0.02276


def test_shipped_limits_name_real_quantities_and_their_source():
    for (test, quantity), shipped in guide_limits().items():
        judged = {j.quantity: j for j in TESTS[test].judged}[quantity]
        assert judged.unit == shipped.unit
        assert judged.better != "none"
        assert shipped.source == "guide value, common practice, no source"


def test_the_job_overrides_a_guide_value():
    key = ("warmup", "total_drift")
    chosen = job_limits({key: 8.0})
    assert chosen[key] == Limit(8.0, "cents", "set for this job")
    assert chosen["warmup", "settling_time"].value == 1200
    told = job_limits({key: 8.0}, {key: "service document, page 12"})
    assert told[key].source == "service document, page 12"


@pytest.mark.parametrize(
    ("count", "word"),
    [
        (0, "within limits"),
        (3, "within limits"),
        (4, "undecided"),
        (17, "undecided"),
        (20, "outside limits"),
    ],
)
def test_counts_are_judged_by_the_limits_of_their_rate(count, word):
    """In 10 passes, at most 1 a pass: F. Garwood, Biometrika 28 (1936), 95 %: 3 gives up to 8.767,
    4 up to 10.24; 17 from 9.903, 20 from 12.217 (scipy.stats.chi2); with a scatter between passes
    of 0.5 in ln 3 up to 9.05, 20 from 11.5.
    """
    low = stats.chi2.ppf(0.025, 2 * count) / 2 if count else 0.0
    high = stats.chi2.ppf(0.975, 2 * count + 2) / 2
    scatter = 1.959964 * 0.5 / 10**0.5
    middle = count + 0.5
    low = middle * np.exp(-np.hypot(np.log(middle / low), scatter)) if low else 0.0
    high = middle * np.exp(np.hypot(np.log(high / middle), scatter))
    expected = "within" if high <= 10 else "outside" if low >= 10 else "undecided"
    assert word.startswith(expected)
    assert judge_count((count, 10.0), limit(1, "per pass"), 10).word == word


def test_a_number_of_things_is_judged_by_the_next_whole_number():
    """At most none: 0 is within, 1 is outside, with an uncertainty of a quarter of a thing."""
    none = Limit(0, "", "test")
    assert judge_limit(Quantity(0, 0.2, ""), none, "smaller").word == "within limits"
    assert judge_limit(Quantity(1, 0.2, ""), none, "smaller").word == "outside limits"
    assert judge_limit(Quantity(0, 0.5, ""), none, "smaller").word == "undecided"
    assert judge_limit(Quantity(1, 0.2, ""), Limit(1, "", "test"), "smaller").word == (
        "within limits"
    )


def test_keys_of_which_it_cannot_be_told_hide_none_that_is_dead():
    """2 keys are dead for certain, of 2 more it cannot be told: more than one, either way."""
    sure, untold = Term("taken for others", 0.1, "B"), Term("not to be told", 1.0, "B", side=1)
    hidden = Term("hidden", 1.0, "B", side=-1)
    dead = combine(2.0, "", [sure, untold])
    assert str(dead) == "2 (2 to 4)"
    verdict = judge_limit(dead, Limit(1, "", "test"), "smaller")
    assert (verdict.word, verdict.chance) == ("outside limits", "< 0.1 %")
    assert judge_limit(dead, Limit(3, "", "test"), "smaller").word == "undecided"
    perhaps = combine(2.0, "", [sure, hidden])
    assert str(perhaps) == "2 (0 to 2)"
    assert judge_limit(perhaps, Limit(2, "", "test"), "smaller").word == "within limits"
    assert judge_limit(perhaps, Limit(1, "", "test"), "smaller").word == "undecided"


def test_worn_and_faulty_are_drawn_where_the_table_draws_them():
    limits = guide_limits()
    assert limits["slider", "events_per_pass"].worn_to == 10
    assert limits["slider", "worst_level"].worn_to == -30
    assert limits["slider", "largest_jump"].worn_to is None
    own = {("slider", "worst_level"): -40.0}
    assert job_limits(own)["slider", "worst_level"] == Limit(-40.0, "dB", "set for this job")
