import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from sigkit.measures.slider.passes import (
    count_passes,
    counted,
    events_per_pass,
    parts_looked_at,
    passes_table,
    place_events,
    travel_affected,
    whole_passes,
)
from sigkit.measures.slider.sizes import energy_ratio, largest_jump, longest_dropout

STEP_S = 0.01


def hand(number, pass_s=4.0, rest_s=1.0):
    """Even passes over the whole travel, up first, with rests: passes, times, travel, moving."""
    time_s = np.arange(0, number * (pass_s + rest_s), STEP_S)
    in_pass = time_s % (pass_s + rest_s)
    index = (time_s // (pass_s + rest_s)).astype(int)
    share = np.minimum(in_pass / pass_s, 1)
    travel = 100 * np.where(index % 2 == 0, share, 1 - share)
    rows = [
        (i + 1, ("up", "down")[i % 2], i * (pass_s + rest_s), i * (pass_s + rest_s) + pass_s)
        for i in range(number)
    ]
    passes = pd.DataFrame(rows, columns=["number", "direction", "start_s", "stop_s"])
    passes["from_percent"] = np.where(passes["direction"] == "up", 0.0, 100.0)
    passes["to_percent"] = 100.0 - passes["from_percent"]
    return passes, time_s, travel, in_pass < pass_s


def events_at(middles, length_s=0.01, **columns):
    middles, half = np.asarray(middles, float), np.asarray(length_s) / 2
    table = {"start_s": middles - half, "stop_s": middles + half}
    table |= {"kind": "burst", "moving": True, "level_db": -30.0, "u_level_db": 1.0}
    table |= {"tone_dbfs": -10.0, "size_cents": np.nan, "u_size_cents": np.nan, **columns}
    return pd.DataFrame(table).astype({"moving": bool})


def with_counts(found, **columns):
    passes = hand(len(found))[0]
    passes["assessed_s"], passes["events"] = 3.5, found
    return passes.assign(**columns)


@pytest.fixture
def placed():
    passes, time_s, travel, moving = hand(4)
    events = events_at([1.0, 4.04, 4.2, 4.6, 6.0, 8.99, 100.0])
    return place_events(events, passes, time_s, travel, np.full(time_s.size, 1.5), moving)


def test_events_are_placed_where_they_were_put(placed):
    assert list(placed["number"]) == [1, 1, 0, 0, 2, 2, 0]
    assert list(placed["direction"]) == ["up", "up", "", "", "down", "down", ""]
    # 10 ms of a pass of 4 s are 0.25 % of the travel; half of that is the nearest point's error
    assert placed["travel_percent"].to_numpy()[[0, 4, 5]] == pytest.approx(
        [25, 75, 0.25], abs=0.126
    )
    assert (placed["u_travel_percent"] == 1.5).all()


def test_only_events_near_movement_count(placed):
    assert list(placed["moving"]) == [True, True, True, False, True, True, False]
    assert len(counted(placed)) == 5


def test_without_seen_movement_all_events_count_and_have_no_pass():
    none = hand(1)[0].iloc[:0]
    nothing = np.full(500, np.nan)
    out = place_events(events_at([1.0, 4.6]), none, np.arange(500) * STEP_S, nothing, nothing, None)
    assert out["moving"].all()
    assert (out["number"] == 0).all()
    assert out["travel_percent"].isna().all()


def test_input_is_left_as_it_was():
    passes, time_s, travel, moving = hand(2)
    events = events_at([1.0])
    before = events.copy()
    place_events(events, passes, time_s, travel, travel, moving)
    pd.testing.assert_frame_equal(events, before)


def test_passes_table_counts_time_and_events(placed):
    passes, time_s, _, _ = hand(4)
    assessed = np.ones(time_s.size, bool)
    assessed[(time_s >= 5.5) & (time_s < 6.5)] = False
    table = passes_table(passes, placed, time_s, assessed)
    # each end falls within one point of 10 ms
    assert table["assessed_s"].to_numpy() == pytest.approx([4, 3, 4, 4], abs=2 * STEP_S)
    assert list(table["events"]) == [2, 2, 0, 0]


def test_partial_and_unseen_passes_are_not_whole():
    passes = with_counts([5, 5, 5, 5, 5])
    passes.loc[1, "to_percent"] = 31.0  # from 100: 69 % of the travel
    passes.loc[2, "assessed_s"] = 1.9
    passes.loc[3, "from_percent"] = np.nan
    assert list(whole_passes(passes)["number"]) == [1, 5]
    assert count_passes(passes).number == 10
    assert count_passes(passes).exposure == 2


def test_events_per_pass_is_the_mean_with_the_larger_uncertainty():
    even = events_per_pass(with_counts([4, 4, 4, 4]))
    assert (even.value, even.u, even.unit) == (4, 1, "per pass")  # sqrt(16)/4
    uneven = events_per_pass(with_counts([20, 4, 4, 4]))
    assert uneven.value == 8
    assert uneven.u == pytest.approx(stats.sem([20, 4, 4, 4]), rel=1e-12)
    assert uneven.dof == 3


@pytest.mark.parametrize("m", [1, 4, 10])
def test_none_found_agrees_with_published_limits(m):
    """Garwood, Biometrika 28 (1936) 437-442: none counted, upper limit 3.689 (two-sided 95 %).

    The one-sided limit of the same table, 2.996 (two-sided 90 %), is what k = 2 must give.
    """
    none = events_per_pass(with_counts([0] * m))
    assert none.value == 0
    assert none.expanded * m == pytest.approx(2.996, abs=0.005)
    assert none.expanded * m < 3.689
    assert stats.chi2.isf(0.025, 2) / 2 == pytest.approx(3.689, abs=5e-4)


@pytest.mark.parametrize("spread", [0.0, 0.7])
@pytest.mark.parametrize("m", [4, 10])
def test_events_per_pass_covers_the_truth(m, spread):
    """Poisson counts whose rate itself varies (gamma) from pass to pass; truth is the mean rate."""
    rng = np.random.default_rng(m)
    hits, trials = 0, 200
    for _ in range(trials):
        rate = rng.uniform(3, 10)
        rates = rate * (rng.gamma(1 / spread**2, spread**2, m) if spread else np.ones(m))
        got = events_per_pass(with_counts(list(rng.poisson(rates))))
        hits += abs(got.value - rate) <= got.expanded
    # 95 % less three binomial standard deviations; a skewed scatter of few passes costs 3 % more
    assert hits / trials >= 0.95 - 3 * math.sqrt(0.05 * 0.95 / trials) - 0.03 * (spread > 0)


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"to_percent": np.nan}, "no pass crosses 70 %"),
        ({"assessed_s": 1.0}, "no whole pass could be assessed"),
    ],
)
def test_events_per_pass_says_why_not(change, why):
    assert why in events_per_pass(with_counts([3, 3], **change)).reason
    assert "no pass" in events_per_pass(with_counts([3]).iloc[:0]).reason


def test_travel_affected_counts_parts():
    passes = with_counts([3, 0])
    events = events_at([1, 2, 3, 4], travel_percent=[2.0, 4.9, 5.1, 99.9], u_travel_percent=0.0)
    got = travel_affected(events, passes)
    assert got.value == pytest.approx(15)  # parts 1, 2 and 20 of 20
    assert got.u == pytest.approx(100 * stats.beta(3.5, 17.5).std(), rel=1e-9)
    moved = travel_affected(events.assign(u_travel_percent=3.0), passes)
    assert moved.u > got.u
    events["moving"] = False
    assert travel_affected(events, passes).value == 0


def test_parts_not_looked_at_are_left_out():
    passes, time_s, travel, moving = hand(2)
    passes = passes_table(passes, events_at([]).assign(number=0), time_s, moving & (travel >= 20))
    looked = parts_looked_at(passes, time_s, travel, moving & (travel >= 20))
    assert looked.sum() == 16
    assert not looked[:4].any()
    events = events_at([1, 2], travel_percent=[50.0, 3.0], u_travel_percent=0.0)
    assert travel_affected(events, passes, looked).value == pytest.approx(100 / 16)


def test_travel_affected_needs_a_known_travel():
    lost = with_counts([3, 0], from_percent=np.nan)
    events = events_at([1.0], travel_percent=np.nan, u_travel_percent=np.nan)
    assert "not known" in travel_affected(events, lost).reason
    assert "most events" in travel_affected(events, with_counts([1])).reason


def test_energy_ratio_is_that_of_the_samples():
    """Energies summed sample by sample: a sine and bursts of noise of set power."""
    rng = np.random.default_rng(3)
    rate, seconds = 8000, 10
    tone = 0.3 * np.sin(2 * np.pi * 100 * np.arange(rate * seconds) / rate)
    bursts, starts = np.zeros(tone.size), [1.0, 4.0, 7.0]
    for start, level in zip(starts, (-20, -30, -40), strict=True):
        noise = rng.standard_normal(rate // 10)
        noise *= math.sqrt(10 ** (level / 10) * 0.045 / np.mean(noise**2))
        bursts[int(start * rate) :][: noise.size] += noise
    truth = 10 * math.log10(np.sum(bursts**2) / np.sum(tone**2))
    time_s = np.arange(0, seconds, STEP_S)
    line = np.full(time_s.size, 20 * math.log10(0.3))
    events = events_at(
        np.add(starts, 0.05), 0.1, level_db=[-20.0, -30.0, -40.0], tone_dbfs=20 * math.log10(0.3)
    )
    got = energy_ratio(events, time_s, line, np.ones(time_s.size, bool))
    assert got.value == pytest.approx(truth, abs=1e-6)
    # one burst holds nearly all the energy: nearly the 4.34 dB of a single Poisson event
    e = np.array([1, 0.1, 0.01])
    by_chance = 4.342945 * math.sqrt((e**2).sum()) / e.sum()
    assert got.budget[0].u == pytest.approx(by_chance, rel=1e-6)
    assert got.budget[1].u == pytest.approx(math.sqrt((e**2).sum()) / e.sum(), rel=1e-9)


def test_energy_ratio_uses_only_counted_events_and_assessed_tone():
    time_s = np.arange(0, 4, STEP_S)
    line = np.where(time_s < 2, -10.0, -60.0)
    line[-1] = np.nan
    events = events_at([1, 1.5], 0.2, moving=[True, False])
    got = energy_ratio(events, time_s, line, time_s < 2)
    assert got.value == pytest.approx(-30 + 10 * math.log10(0.2 / 2), abs=1e-9)
    events["moving"] = False
    none = energy_ratio(events, time_s, line, time_s < 2, floor_db=-52.3)
    assert none.reason == "no event found above the floor of -52 dB"
    assert "move slower" in energy_ratio(events, time_s, line, time_s < 0.5).reason


def test_longest_dropout_and_largest_jump():
    events = events_at(
        [1, 2, 3, 4],
        [0.01, 0.03, 0.2, 0.01],
        kind=["dropout", "dropout", "dropout", "burst"],
        moving=[True, True, False, True],
    )
    got = longest_dropout(events)
    assert got.value == pytest.approx(0.03)
    assert got.u == pytest.approx(0.0011 * math.sqrt(2))
    assert longest_dropout(events.iloc[2:]).reason == "no dropout found"
    jumps = events_at(
        [1, 2, 3],
        kind=["pitch jump"] * 3,
        size_cents=[20.0, -35.0, 90.0],
        u_size_cents=[1.0, 2.0, 3.0],
        moving=[True, True, False],
    )
    assert (largest_jump(jumps).value, largest_jump(jumps).u) == (35, 2)
    assert largest_jump(events).reason == "no pitch jump found"
