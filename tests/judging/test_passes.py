"""Slider passes between stages: published examples, false alarms without a change, floors."""

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import scipy.stats
from slider_made import event, made, refused, spread

from sigkit.judging.passes import compare_kinds, compare_passes, permutation_p
from sigkit.judging.rates import rate_interval, rate_ratio_interval
from sigkit.judging.stage_passes import BINS, StagePasses, pool_takes
from sigkit.quantity import Term, combine, not_measurable


def passes_of(counts, *, level_db=-30.0):
    """Return a stage with as many bursts in each pass as asked for, up and down in turn."""
    rows = np.repeat(np.arange(len(counts)), counts)
    return StagePasses(
        passes=pd.DataFrame(
            {"take": 0, "direction": [("up", "down")[i % 2] for i in range(len(counts))]}
        ).assign(speed=25.0),
        events=pd.DataFrame(
            {"row": rows, "kind": "burst", "level_db": level_db, "size_cents": np.nan}
        ).assign(travel_percent=50.0),
        looked=np.ones((len(counts), BINS)),
        floor_db=np.full(BINS, -55.0),
        overall_db=-55.0,
    )


def verdict(before, after):
    return compare_passes(passes_of(before), passes_of(after)).verdict


@pytest.mark.parametrize(
    ("first", "last", "ratio"),
    [
        ((21, 3011.0), (11, 800.0), (0.8584264, 4.2772659)),
        ((5, 60.0), (20, 60.0), (1.456777, 13.638831)),
        ((2, 1.0), (10, 1.0), (1.065528, 46.932835)),
        ((6, 1.0), (0, 1.0), (0.0, 0.849311)),
        ((5, 1.0), (0, 1.0), (0.0, 1.091279)),
    ],
)
def test_exact_ratio_of_poisson_rates(first, last, ratio):
    """11 in 800 against 21 in 3011: the worked example of poisson.test in R, stats package, its
    printed limits from memory. The others: closed form (Clopper and Pearson, Biometrika 26, 1934),
    computed by another program.
    """
    assert rate_ratio_interval(first, last) == pytest.approx(ratio, rel=2e-6)


@pytest.mark.parametrize(
    ("count", "coverage", "limits"),
    [
        (0, 0.95, (0.0, 3.6889)),
        (3, 0.95, (0.6187, 8.7673)),
        (10, 0.95, (4.7954, 18.3904)),
        (25, 0.95, (16.1787, 36.9049)),
        (25, 0.90, (17.3821, 34.9161)),
        (25, 0.99, (13.9954, 41.0004)),
    ],
)
def test_exact_limits_of_a_count(count, coverage, limits):
    """F. Garwood, Biometrika 28 (1936) 437-442, table of fiducial limits; n = 3 in closed form."""
    assert rate_interval(count, 1.0, coverage) == pytest.approx(limits, abs=6e-5)


def test_permutation_agrees_with_a_published_example():
    """R. A. Fisher, The Design of Experiments (1935), II: eight cups, four of each kind, all told
    right by chance in 1 of 70 cases; two-sided in 2 of 70.
    """
    assert permutation_p(np.ones(4), np.zeros(4)) == (pytest.approx(2 / 70, rel=1e-12), "exact")


def test_permutation_agrees_with_scipy():
    """scipy.stats.permutation_test, exact, difference of means, two-sided, equal sizes."""
    random = np.random.default_rng(4)
    for _ in range(5):
        a, b = random.poisson(3, 6).astype(float), random.poisson(5, 6).astype(float)
        theirs = scipy.stats.permutation_test(
            (a, b), lambda x, y, axis: x.mean(axis) - y.mean(axis), vectorized=True
        )
        assert permutation_p(a, b)[0] == pytest.approx(theirs.pvalue, rel=1e-12)


def test_permutation_within_directions_sees_what_directions_hide():
    """Two strata of C(6, 3) = 20 arrangements each: the most extreme, both ways, is 2 in 400."""
    a, b = np.array([10, 1, 11, 2, 12, 3.0]), np.array([7, -2, 8, -1, 9, 0.0])
    ways = np.array(["up", "down"] * 3)
    assert permutation_p(a, b, (ways, ways)) == (2 / 400, "exact")
    assert permutation_p(a, b)[0] > 0.2


def test_many_passes_are_drawn_and_always_the_same():
    """Near a t test for samples of 20 (Pitman 1937); 50 000 draws err by 0.0022 at one sd."""
    random = np.random.default_rng(5)
    a, b = random.normal(0, 1, 20), random.normal(0.4, 1, 20)
    p_value, how = permutation_p(a, b)
    assert how == "50000 drawn"
    assert permutation_p(a, b)[0] == p_value
    assert p_value == pytest.approx(scipy.stats.ttest_ind(a, b).pvalue, abs=0.01)


def test_five_to_none_is_no_improvement_and_six_to_none_is():
    assert verdict([1, 1, 1, 1, 1, 0], [0] * 6) == "no change shown"
    assert verdict([1, 1, 1, 1, 1, 1], [0] * 6) == "improved"
    assert verdict([0] * 6, [1, 1, 1, 1, 1, 1]) == "worse"


def test_six_in_one_pass_are_no_improvement():
    """One wipe that crackled six times is one pass, whatever Poisson limits say."""
    change = compare_passes(passes_of([6, 0, 0, 0, 0, 0]), passes_of([0] * 6))
    assert change.ratio[1] < 1
    assert change.p_value == 1.0
    assert change.verdict == "no change shown"


def test_few_passes_need_a_larger_change_and_say_so():
    """6 to 0 in one pass each: Poisson limits to 0.85, widened by 0.5 sqrt(2) in ln to above 1."""
    change = compare_passes(passes_of([6]), passes_of([0]))
    assert change.ratio[1] == pytest.approx(0.849311, rel=1e-5)
    assert change.verdict == "no change shown"
    assert math.isnan(change.p_value)
    assert any("fewer than 4 passes a side" in remark for remark in change.remarks)
    assert verdict([2, 2, 2], [0, 0, 0]) == "improved"
    assert verdict([2, 2, 1], [0, 0, 0]) == "no change shown"
    assert verdict([20], [0]) == "improved"
    assert verdict([0], [20]) == "worse"
    assert verdict([2, 2, 1, 1], [0, 0, 0, 0]) == "improved"


TRIALS = 200
ALLOWED = 0.05 + 3 * math.sqrt(0.05 * 0.95 / TRIALS)


def alarms(kind, passes, *, seed):
    """Share of comparisons without a true change that are called one, and with Poisson alone."""
    random = np.random.default_rng([seed, passes])
    claimed = poisson = 0
    for _ in range(TRIALS):
        stages = []
        for _ in range(2):
            rate = 4.0
            if kind == "session":
                rate = 4.0 * random.lognormal(0, 0.5)
            if kind == "same places":
                counts = random.binomial(6, 0.6, passes)
            elif kind == "pass":
                counts = random.poisson(4.0 * random.lognormal(0, 0.5, passes))
            else:
                counts = random.poisson(rate, passes)
            stages.append(passes_of(counts))
        change = compare_passes(*stages)
        claimed += change.verdict != "no change shown"
        poisson += change.ratio[0] > 1 or change.ratio[1] < 1
    return claimed / TRIALS, poisson / TRIALS


@pytest.mark.parametrize("passes", [1, 3, 6, 12])
@pytest.mark.parametrize("kind", ["same places", "pass"])
def test_false_alarms_without_a_change(kind, passes):
    """Same places that fire at random; and passes that differ by 0.5 in ln: 5 % and no more."""
    claimed, poisson = alarms(kind, passes, seed=7)
    print(f"{kind}, {passes} passes a side: {claimed:.3f}, Poisson alone {poisson:.3f}")
    assert claimed <= ALLOWED
    if kind == "pass":
        assert poisson > 0.08


@pytest.mark.parametrize("passes", [6, 12])
def test_sessions_that_differ_defeat_the_test_and_the_remark_says_so(passes):
    """Known and stated: no test within two sessions tells a session from the slider."""
    claimed, _ = alarms("session", passes, seed=8)
    print(f"sessions, {passes} passes a side: {claimed:.3f}")
    assert claimed > 0.1
    change = compare_passes(passes_of([3] * passes), passes_of([2] * passes))
    assert any(remark.startswith("one take a stage") for remark in change.remarks)


def test_a_real_change_is_seen():
    """Ten passes, 4 events a pass to 1, passes that differ by 0.5 in ln: 85 % seen.

    Means 4.5 and 1.1, variances 10.3 and 1.5 (Poisson and lognormal), so their difference is 3.1
    standard errors, beyond Student's 2.1 in 85 % of cases; less three binomial sd.
    """
    random = np.random.default_rng(9)
    seen = 0
    for _ in range(100):
        before = random.poisson(4 * random.lognormal(0, 0.5, 10))
        after = random.poisson(1 * random.lognormal(0, 0.5, 10))
        seen += verdict(before, after) == "improved"
    assert seen / 100 >= 0.85 - 3 * math.sqrt(0.85 * 0.15 / 100)


def test_a_noisier_recording_is_no_cleaner_slider():
    """The same dirt over two floors, 20 dB apart: 5 % of verdicts claim a change and no more."""
    random = np.random.default_rng(10)
    claimed = raw = 0
    for _ in range(80):
        stages = []
        for floor_db in (-60.0, -40.0):
            levels = [random.normal(-45, 8, random.poisson(4)) for _ in range(8)]
            found = [
                event(number, random.uniform(5, 95), level_db=level)
                for number, one in enumerate(levels, start=1)
                for level in one
                if level > floor_db
            ]
            stages.append(made(found, passes=8, floor_db=floor_db))
        counts = [len(s.events) for s in stages]
        raw += rate_ratio_interval((counts[0], 8.0), (counts[1], 8.0))[1] < 1
        change = compare_passes(*(pool_takes([stage]) for stage in stages))
        claimed += change.verdict != "no change shown"
    assert raw / 80 > 0.8
    assert claimed / 80 <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / 80)


def test_short_bursts_near_a_higher_floor_are_no_cleaner_slider():
    """Bursts of 1 to 30 ms over floors 10 dB apart that hold for 10 ms: a short one needs more.

    What a detector needs falls by 5 log10 of the length (noise of n cells adds as sqrt(n)), 5 dB
    between 1 and 10 ms; without a margin more than 5 % of verdicts would claim a change.
    """
    random = np.random.default_rng(12)
    claimed = 0
    for _ in range(TRIALS // 3):
        stages = []
        for floor_db in (-55.0, -45.0):
            found = []
            for number in range(1, 11):
                for _ in range(random.poisson(5)):
                    level, length_ms = random.normal(-44, 4), 10 ** random.uniform(0, 1.5)
                    if level > floor_db - 5 * math.log10(length_ms / 10):
                        found.append(event(number, random.uniform(5, 95), level_db=level))
            stages.append(pool_takes([made(found, passes=10, floor_db=floor_db)]))
        claimed += compare_passes(*stages).verdict != "no change shown"
    print(f"short bursts, floors 10 dB apart: {claimed / (TRIALS // 3):.3f}")
    assert claimed / (TRIALS // 3) <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / (TRIALS // 3))


def test_floors_are_compared_where_the_event_lies():
    """Bursts of -45 dB at 20 %, where only the last stage has a floor of -35 dB."""
    found = [event(number, 20.0, level_db=-45.0) for number in range(1, 9)]
    plain = pool_takes([made(found, passes=8)])
    local = pool_takes([made(passes=8, floor_db=lambda p: np.where(p < 40, -35.0, -55.0))])
    assert local.overall_db == pytest.approx(-55.0)
    change = compare_passes(plain, local)
    assert change.verdict == "no change shown"
    assert change.counts[0].sum() == 0
    assert "(8 and 0 below it or elsewhere left out)" in change.remarks[0]
    elsewhere = [event(number, 80.0, level_db=-45.0) for number in range(1, 9)]
    assert compare_passes(pool_takes([made(elsewhere, passes=8)]), local).verdict == "improved"


def test_places_that_one_stage_did_not_look_at_do_not_count():
    found = [event(number, 20.0) for number in range(1, 9)]
    whole = pool_takes([made(found, passes=8)])
    half = pool_takes([made(passes=8, hidden=[(0, 50)])])
    change = compare_passes(whole, half)
    assert change.verdict == "no change shown"
    assert change.exposure == pytest.approx((8.0, 8.0), rel=0.02)
    assert half.known.sum() == BINS / 2
    none = pool_takes([made(passes=8, hidden=[(0, 100)])])
    assert not none.known.any()
    assert compare_passes(whole, none).verdict.startswith("not comparable: no place")


def test_another_hand_speed_is_no_change_and_is_remarked_on():
    """Same events a pass, moved three times as fast: per second three times as many."""
    slow = made(spread([3] * 8), passes=8, travel_s=6.0)
    fast = made(spread([3] * 8, seed=1), passes=8, travel_s=2.0)
    assert float(fast.event_rate) == pytest.approx(3 * float(slow.event_rate))
    change = compare_passes(pool_takes([slow]), pool_takes([fast]))
    assert change.verdict == "no change shown"
    assert "another hand speed, 17 against 50 % of travel per second" in change.remarks
    same = compare_passes(pool_takes([slow]), pool_takes([slow]))
    assert not any("hand speed" in remark for remark in same.remarks)


def test_small_jumps_of_pitch_are_left_out_on_both_sides():
    small = [event(n, 50.0, "pitch jump", np.nan, size_cents=-12.0) for n in range(1, 9)]
    large = [event(n, 50.0, "pitch jump", np.nan, size_cents=-40.0) for n in range(1, 9)]
    clean = pool_takes([made(passes=8)])
    assert compare_passes(pool_takes([made(small, passes=8)]), clean).counts[0].sum() == 0
    change = compare_passes(pool_takes([made(large, passes=8)]), clean)
    assert (change.counts[0].sum(), change.verdict) == (8, "improved")


def test_takes_of_a_stage_pool_their_passes():
    one, two = made(spread([2, 3, 1, 2])[:8], passes=4), made(spread([1, 1, 0, 2]), passes=4)
    pooled = pool_takes([one, two])
    assert (len(pooled.passes), pooled.takes) == (8, 2)
    assert list(np.bincount(pooled.events["row"], minlength=8)) == [2, 3, 1, 2, 1, 1, 0, 2]
    change = compare_passes(pooled, pool_takes([made(passes=4), made(passes=4)]))
    assert "within directions" in change.remarks[2]
    assert not any("one take" in remark for remark in change.remarks)


def test_without_passes_or_a_floor_nothing_is_pooled():
    assert pool_takes([made(spread([1, 1]), passes=2, travel=False)]) is None
    assert pool_takes([made(passes=4), made(passes=4, travel=False)]) is None
    assert pool_takes([refused("the capture is silent")]) is None
    assert pool_takes([]) is None


def test_events_at_rest_do_not_count():
    resting = made([event(1, 50.0)], passes=4)
    resting = replace(resting, events=resting.events.assign(moving=False))
    assert pool_takes([resting]).events.empty


def test_only_up_against_only_down_is_remarked_on():
    one, two = passes_of([1] * 6), passes_of([1] * 6)
    one.passes["direction"] = "up"
    two.passes["direction"] = "down"
    assert "not the same share of passes up and down" in compare_passes(one, two).remarks


def test_kinds_are_compared_apart():
    """Eight passes: two bursts each to none; one dropout in two passes to none."""
    bursts = [event(n, place) for n in range(1, 9) for place in (30.0, 60.0)]
    dropouts = [event(n, 80.0, "dropout", 0.0) for n in (1, 4)]
    before = pool_takes([made(bursts + dropouts, passes=8)])
    after = pool_takes([made(passes=8)])
    kinds = compare_kinds(before, after)
    assert {kind: change.verdict for kind, change in kinds.items()} == {
        "burst": "improved",
        "dropout": "no change shown",
    }
    assert [int(c.counts[0].sum()) for c in kinds.values()] == [16, 2]


def test_a_kind_that_one_stage_could_not_see_is_not_comparable():
    """Bursts hidden by the tone at the last stage: jumps of pitch are compared, bursts are not."""
    found = [event(n, 30.0) for n in range(1, 9)]
    found += [event(n, 50.0, "pitch jump", np.nan, size_cents=60.0) for n in range(1, 9)]
    before = pool_takes([made(found, passes=8)])
    bright = made(passes=8)
    bright = replace(bright, floor=not_measurable("dB", "close the filter"), worst_level=NO_BURST)
    bounded = {"longest_dropout": bright.floor, "largest_jump": combine(10.0, "cents", [CENT])}
    last = pool_takes([_with_bounds(bright, bounded)])
    assert last.sought == {"dropout", "pitch jump"}
    kinds = compare_kinds(before, last)
    assert kinds["burst"].verdict == "not comparable: not looked for at the last stage"
    assert kinds["pitch jump"].verdict == "improved"
    whole = compare_passes(before, last)
    assert (whole.counts[0].sum(), whole.left_out) == (8, (8, 0))
    assert "bursts not comparable: not looked for at the last stage" in whole.remarks
    unseen = replace(before, sought=frozenset({"burst"}))
    nothing = compare_passes(unseen, last)
    assert nothing.verdict == "not comparable: no kind of event was looked for in both"
    assert nothing.left_out == (16, 0)


NO_BURST = not_measurable("dB", "close the filter")
CENT = Term("made", 1.0, "B")


def _with_bounds(result, bounds):
    class Bounded(type(result)):
        def at_most(self):
            return bounds

    return Bounded(**{f: getattr(result, f) for f in vars(result)})


def test_jumps_below_what_one_stage_can_see_are_left_out():
    found = [event(n, 50.0, "pitch jump", np.nan, size_cents=-30.0) for n in range(1, 9)]
    before = pool_takes([made(found, passes=8)])
    bounds = {"longest_dropout": CENT, "largest_jump": combine(40.0, "cents", [CENT])}
    coarse = pool_takes([_with_bounds(made(passes=8), bounds)])
    assert (before.least_jump_cents, coarse.least_jump_cents) == (15.0, 40.0)
    change = compare_passes(before, coarse)
    assert (change.verdict, change.left_out) == ("no change shown", (8, 0))


def test_a_dropout_counts_whatever_its_level():
    """Its depth decides whether it is found; what is left of its level lies below the floor."""
    found = [event(n, 50.0, "dropout", -70.0) for n in range(1, 9)]
    change = compare_passes(pool_takes([made(found, passes=8)]), pool_takes([made(passes=8)]))
    assert (change.verdict, change.left_out) == ("improved", (0, 0))
