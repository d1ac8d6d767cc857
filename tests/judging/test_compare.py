"""Takes, differences and directions, against published figures and many random draws."""

import math

import numpy as np
import pytest
from scipy import stats

from sigkit.judging.compare import (
    difference,
    join_takes,
    judge_bound,
    judge_change,
    repeatability,
)
from sigkit.quantity import Quantity, Term, combine, not_measurable


def cents(value, u=0.5):
    return Quantity(value, u, "cents")


def test_takes_share_what_is_common_and_average_what_is_random():
    takes = [
        combine(v, "Hz", [Term("noise", 0.3, "A", 10), Term("sound-card clock", 0.4, "B")])
        for v in (10.0, 10.0, 10.0, 10.0)
    ]
    joined = join_takes(takes)
    budget = {t.source: (t.u, t.dof) for t in joined.budget}
    assert budget == {  # takes that do not scatter: their noise stands for it
        "noise": (pytest.approx(0.15), 40),
        "sound-card clock": (pytest.approx(0.4), math.inf),
    }


def test_a_take_without_a_value_is_not_left_out():
    joined = join_takes([cents(1.0), not_measurable("cents", "not settled"), cents(2.0)])
    assert joined.reason == "1 of 3 takes: not settled"
    single = cents(1.0)
    assert join_takes([single]) is single


@pytest.mark.parametrize("n", [2, 3, 6])
@pytest.mark.parametrize("of_noise", [0.0, 1.0, 5.0])
def test_intervals_of_means_cover_the_truth(n, of_noise):
    """Takes that noise scatters alone, or plugging in as much or five times as much: 95 %.

    Three binomial standard deviations on either side; k = 2 stands where Student's t is less.
    """
    random, cases, hits = np.random.default_rng([8, n, round(of_noise)]), 600, 0
    for values in random.normal(3.0, math.hypot(1.0, of_noise), (cases, n)):
        takes = [combine(v, "cents", [Term("noise", 1.0, "A")]) for v in values]
        hits += abs(join_takes(takes).value - 3.0) <= join_takes(takes).expanded
    assert hits / cases == pytest.approx(0.95, abs=3 * math.sqrt(0.95 * 0.05 / cases))


@pytest.mark.parametrize(("before", "after"), [(2, 2), (3, 3), (3, 5)])
def test_intervals_of_changes_cover_the_truth(before, after):
    """Welch's approximation, spreads that differ: 93 to 98 %, and what chance adds to 500."""
    random, cases, hits = np.random.default_rng([9, before, after]), 500, 0
    for _ in range(cases):
        spread = 10 ** random.uniform(-0.5, 0.5, 2)
        stages = [
            join_takes([combine(v, "cents", [Term("noise", 0.2, "A")]) for v in values])
            for values in (
                random.normal(0.0, spread[0], before),
                random.normal(1.0, spread[1], after),
            )
        ]
        change = difference(*stages)
        hits += abs(change.value - 1.0) <= change.expanded
    assert 0.93 - 3 * math.sqrt(0.05 / cases) <= hits / cases <= 0.99


def test_a_change_must_exceed_the_repeatability_of_single_takes():
    """Twelve takes of a unit scatter by 1 cent: a change of 1 cent is sure, but plugging in again
    does as much; one of 3 cents is a change.
    """
    one = np.tile([-1.0, 0.0, 1.0], 4) * math.sqrt(11 / 8)
    first = join_takes([cents(v, 0.01) for v in one + 10])
    less = join_takes([cents(v, 0.01) for v in one + 9])
    assert repeatability(first, less) == pytest.approx(1.0)
    judged = judge_change(first, less, "smaller")
    assert abs(judged.difference.value) > judged.difference.expanded
    assert judged.verdict == "no change shown"
    assert judged.remark == "within what single takes of one state scatter by, ± 2 cents"
    much_less = join_takes([cents(v, 0.01) for v in one + 7])
    assert judge_change(first, much_less, "smaller").verdict == "improved"
    assert repeatability(cents(1.0), cents(2.0)) == 0.0


@pytest.mark.parametrize("takes", [3, 10])
def test_a_single_take_repeats_as_the_takes_of_the_other_stage_do(takes):
    """The two-sample t of n against one (scipy.stats): plugging in again scatters five times as
    much as the noise within a take, which by itself would claim a change in one case of five.
    """
    random = np.random.default_rng(takes)
    noise, draws, claimed = 0.2, 1500, 0
    for _ in range(draws):
        values = 10 + random.normal(0, math.hypot(1, noise), takes + 1)
        several, single = (
            [combine(v, "cents", [Term("noise", noise, "A", 20)]) for v in part]
            for part in (values[1:], values[:1])
        )
        stages = [join_takes(several), join_takes(single)]
        change = judge_change(*(stages if random.integers(2) else stages[::-1]), "smaller")
        claimed += change.verdict != "no change shown"
    assert claimed / draws <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / draws)
    own = scipy_t(values[1:])
    assert change.difference.expanded == pytest.approx(max(own), rel=0.02)


def scipy_t(several):
    """Return 2 u and the 95 % half-width of the difference of n values and one."""
    n = len(several)
    u = np.std(several, ddof=1) * math.sqrt(1 + 1 / n)
    return 2 * u, u * stats.t.ppf(0.975, n - 1)


def test_a_noisy_single_take_keeps_its_noise():
    several = join_takes([cents_of(v, 0.1) for v in (1.0, 1.1, 0.9)])
    budget = difference(several, cents_of(5.0, 2.0)).budget
    assert {t.source for t in budget} == {"repeatability over takes", "noise of the single take"}
    assert math.sqrt(sum(t.u**2 for t in budget)) == pytest.approx(math.hypot(0.1 / 3**0.5, 2.0))


def cents_of(value, noise):
    return combine(value, "cents", [Term("noise", noise, "A", 20)])


@pytest.mark.parametrize(("unit", "changed"), [("dBFS", "dB"), ("dBFS(A)", "dB"), ("Hz", "Hz")])
def test_levels_re_full_scale_differ_by_decibels(unit, changed):
    """AES17: 0 dBFS is a full-scale sine; a difference of two levels has no such reference."""
    first, last = (combine(v, unit, [Term("noise", 0.1, "A")]) for v in (-66.0, -72.0))
    assert difference(first, last).unit == changed
    assert difference(first, not_measurable(unit, "silent")).unit == changed


def test_the_shared_clock_cancels():
    clock = Term("sound-card clock", 0.0127, "B")
    first = combine(440.0, "Hz", [clock, Term("noise", 0.003, "A", 8)])
    last = combine(441.0, "Hz", [clock, Term("noise", 0.004, "A", 8)])
    change = difference(first, last)
    assert change.value == pytest.approx(1.0)
    assert change.u == pytest.approx(0.005, rel=1e-9)
    only = combine(440.0, "Hz", [clock])
    assert difference(only, only).u == pytest.approx(0.0127 * math.sqrt(2))


def test_uncertainty_that_a_budget_leaves_out_is_kept():
    half_listed = Quantity(1.0, 0.5, "cents", budget=(Term("noise", 0.3, "A"),))
    change = difference(half_listed, half_listed)
    assert change.u == pytest.approx(0.5 * math.sqrt(2))


@pytest.mark.parametrize(
    ("first", "last", "better", "verdict"),
    [
        (9.0, 2.0, "smaller", "improved"),
        (2.0, 9.0, "smaller", "worse"),
        (2.0, 3.0, "smaller", "no change shown"),
        (-9.0, -2.0, "smaller", "worse"),
        (-9.0, -2.0, "nearer zero", "improved"),
        (9.0, -2.0, "nearer zero", "improved"),
        (-2.0, 9.0, "nearer zero", "worse"),
        (-5.0, 5.0, "nearer zero", "no change shown"),
        (0.1, -0.1, "nearer zero", "no change shown"),
        (440.0, 441.0, "none", ""),
        (440.0, 460.0, "none", ""),
    ],
)
def test_words_of_a_change(first, last, better, verdict):
    assert judge_change(cents(first), cents(last), better).verdict == verdict


def test_a_change_must_exceed_its_expanded_uncertainty():
    u = math.sqrt(2) * 0.5
    assert judge_change(cents(0), cents(2 * u * 0.999), "smaller").verdict == "no change shown"
    assert judge_change(cents(0), cents(2 * u * 1.001), "smaller").verdict == "worse"


def test_false_alarms_are_rare():
    """No true change: at most 5 % of verdicts claim one, and three binomial sd more."""
    random = np.random.default_rng(3)
    claims = sum(
        judge_change(cents(a), cents(b), "nearer zero").verdict != "no change shown"
        for a, b in random.normal(0.4, 0.5, (800, 2))
    )
    assert claims / 800 <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / 800)


def test_a_magnitude_across_zero_does_not_profit_from_the_clock():
    """|last| - |first| is a sum where the sign flips: what is shared adds."""
    clock = Term("sound-card clock", 0.4, "B")
    first = combine(-3.0, "cents", [clock, Term("noise", 0.05, "A")])
    last = combine(2.0, "cents", [clock, Term("noise", 0.05, "A")])
    judged = judge_change(first, last, "nearer zero")
    assert (judged.verdict, judged.remark) == (
        "no change shown",
        "its sign changed, its size did not",
    )
    assert judge_change(combine(3.0, "cents", first.budget), last, "nearer zero").verdict == (
        "improved"
    )


def test_no_value_no_change():
    change = judge_change(not_measurable("s", "never settles"), cents(1.0), "smaller")
    assert change.verdict == "not measurable: never settles"
    assert not change.difference.measurable
    assert math.isnan(change.difference.expanded)


def test_a_bound_decides_only_beyond_its_uncertainty():
    nothing = not_measurable("cents", "no locking seen")
    value = combine(3.0, "cents", [Term("sweep", 0.3, "A")])
    for bound, verdict in ((0.5, "improved"), (2.1, None), (2.5, None)):
        at_most = combine(bound, "cents", [Term("sweep", 0.4, "A")])
        change = judge_bound(value, nothing, (None, at_most))
        assert (change.verdict if change else None) == verdict
        back = judge_bound(nothing, value, (at_most, None))
        assert (back.verdict if back else None) == (verdict and "worse")
    # 3.0 - 0.5 less twice the root of 0.3^2 + 0.4^2, which is 0.5: at least 1.5.
    at_most = combine(0.5, "cents", [Term("sweep", 0.4, "A")])
    change = judge_bound(value, nothing, (None, at_most))
    assert change.difference.reason == "by at least 1.5 cents"
    assert not change.difference.measurable


def test_no_bound_no_word():
    nothing = not_measurable("cents", "no locking seen")
    value = combine(3.0, "cents", [Term("sweep", 0.3, "A")])
    assert judge_bound(value, nothing, (None, None)) is None
    assert judge_bound(nothing, nothing, (value, value)) is None
    assert judge_bound(value, value, (None, None)) is None
