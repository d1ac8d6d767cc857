"""The largest and the whole of events: differences beyond those of single passes."""

import functools
import math

import numpy as np
import pytest
from slider_made import event, made, spread

from sigkit.judging.per_pass import PER_PASS, fixed_over_both, pass_spread
from sigkit.judging.stage_passes import pool_takes


def stage(found=(), **more):
    return pool_takes([made(found, **more)])


def jumps(cents, passes):
    return stage(
        [event(n, 50.0, "pitch jump", np.nan, size_cents=cents) for n in range(1, passes + 1)],
        passes=passes,
    )


@pytest.mark.parametrize("quantity", PER_PASS)
def test_the_sign_is_that_of_last_less_first(quantity):
    """Eight passes against eight, each parted wholly: p = 2 / C(16, 8) = 2 / 12870."""
    much = [event(n, p, level_db=-20.0) for n in range(1, 9) for p in (20.0, 50.0, 80.0)]
    much += [event(n, 60.0, "dropout", 0.0, length_s=0.04) for n in range(1, 9)]
    much += [event(n, 70.0, "pitch jump", np.nan, size_cents=-80.0) for n in range(1, 9)]
    many, none = stage(much, passes=8), stage(passes=8)
    up, down = pass_spread(quantity, none, many), pass_spread(quantity, many, none)
    assert (up.sign, down.sign, pass_spread(quantity, many, many).sign) == (1, -1, 0)
    assert up.p_value == pytest.approx(2 / math.comb(16, 8), rel=1e-9)
    assert up.remark.startswith(PER_PASS[quantity][0])


def test_few_passes_are_held_against_the_usual_scatter():
    """Three passes a side: exp(-1.96 * 0.5 * sqrt(2/3)) is 0.449 of 60 cents, 27 cents."""
    assert pass_spread("largest_jump", jumps(60.0, 3), jumps(28.0, 3)).sign == 0
    assert pass_spread("largest_jump", jumps(60.0, 3), jumps(26.0, 3)).sign == -1
    assert pass_spread("largest_jump", jumps(26.0, 3), jumps(60.0, 3)).sign == 1
    assert math.isnan(pass_spread("largest_jump", jumps(60.0, 3), jumps(28.0, 3)).p_value)


def test_one_event_in_few_passes_is_no_change_of_the_loudest():
    """One burst in one of three passes, or one in a single pass, against none: chance."""
    one = [event(2, 50.0, level_db=-10.0)]
    assert pass_spread("worst_level", stage(one, passes=3), stage(passes=3)).sign == 0
    single = stage([event(1, 50.0, level_db=-10.0)], passes=1)
    assert pass_spread("worst_level", single, stage(passes=1)).sign == 0
    assert pass_spread("energy_ratio", single, stage(passes=1)).sign == 0
    many = [event(n, p, level_db=-10.0) for n in (1, 2, 3) for p in (20.0, 40.0, 60.0, 80.0)]
    found = stage(many, passes=3)
    for quantity in ("worst_level", "energy_ratio", "travel_affected"):
        assert pass_spread(quantity, found, stage(passes=3)).sign == -1, quantity
    overlap = [event(1, 50.0, level_db=-10.0), event(2, 50.0, level_db=-30.0)]
    quieter = stage([event(n, 50.0, level_db=-29.0) for n in (1, 2)], passes=2)
    assert pass_spread("worst_level", stage(overlap, passes=2), quieter).sign == 0


def test_fixed_places_are_counted_once_and_only_where_both_could_see():
    clean = stage()
    two = stage([event(n, p + n % 3) for n in range(1, 11) for p in (30.0, 60.0)])
    assert fixed_over_both(two, clean) == (2, 0)
    assert fixed_over_both(clean, two) == (0, 2)
    assert fixed_over_both(two, stage(hidden=[(50, 80)])) == (1, 0)
    half = stage([event(n, 30.0) for n in range(1, 6)])
    assert fixed_over_both(half, clean) == (1, 0)
    fewer = stage([event(n, 30.0) for n in range(1, 5)])
    assert fixed_over_both(fewer, clean) == (0, 0)
    thrice_in_two = stage([event(n, 30.0) for n in (1, 1, 1, 2)], passes=4)
    assert fixed_over_both(thrice_in_two, clean) == (0, 0)


@functools.cache
def pairs_without_a_change(passes, trials=80):
    """Passes that differ by 0.5 in ln, levels by 6 dB."""
    random = np.random.default_rng([13, passes])
    pairs = []
    for _ in range(trials):
        sides = []
        for _ in range(2):
            counts = random.poisson(3 * random.lognormal(0, 0.5, passes))
            found = spread(counts, seed=int(random.integers(1 << 30)))
            found = [e | {"level_db": min(random.normal(-35, 6), -1.0)} for e in found]
            sides.append(stage(found, passes=passes))
        pairs.append(sides)
    return pairs


@pytest.mark.parametrize("passes", [1, 3, 8])
@pytest.mark.parametrize("quantity", ["worst_level", "travel_affected", "energy_ratio"])
def test_without_a_change_few_are_claimed(quantity, passes):
    """5 %, and three binomial deviations more."""
    pairs = pairs_without_a_change(passes)
    share = np.mean([pass_spread(quantity, *sides).sign != 0 for sides in pairs])
    print(f"{quantity}, {passes} passes a side: {share:.3f}")
    assert share <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / len(pairs))
