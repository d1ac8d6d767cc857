import math

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from sigkit.measures.slider.spots import (
    SPOT_COLUMNS,
    first_pass_apart,
    fixed_spots,
    spots_of,
)


def passes_of(found, directions=("up", "down")):
    number = len(found)
    up = np.array([directions[i % len(directions)] == "up" for i in range(number)])
    start = 5.0 * np.arange(number)
    return pd.DataFrame(
        {
            "number": np.arange(1, number + 1),
            "direction": np.where(up, "up", "down"),
            "start_s": start,
            "stop_s": start + 4,
            "from_percent": np.where(up, 0.0, 100.0),
            "to_percent": np.where(up, 100.0, 0.0),
            "assessed_s": 3.5,
            "events": found,
        }
    )


def events_of(number, percent, u_percent=1.0):
    table = {"number": number, "travel_percent": percent, "u_travel_percent": u_percent}
    return pd.DataFrame({**table, "moving": True}).astype({"number": int, "moving": bool})


def slider(rng, passes, *, scattered, spots=(), fires=0.88, off_percent=1.0, backlash=0.0):
    """Scattered events and spots that fire at random in each pass; up first, then down."""
    number, percent = [], []
    for i in range(1, passes + 1):
        places = list(rng.uniform(0, 100, rng.poisson(scattered)))
        for spot in spots:
            if rng.random() < fires:
                side = backlash / 2 if i % 2 else -backlash / 2
                places.append(spot + side + off_percent * rng.standard_normal())
        number += [i] * len(places)
        percent += places
    found = np.bincount(number, minlength=passes + 1)[1:] if number else np.zeros(passes, int)
    return events_of(number, np.clip(np.array(percent, float), 0, 100)), passes_of(found)


def spots_found(spots, truth, within=4.0):
    at = spots.loc[spots["fixed"], "travel_percent"].to_numpy()
    return sum(bool((np.abs(at - t) < within).any()) for t in truth)


def test_scattered_events_are_seldom_called_fixed():
    """At most 2 %, plus three binomial standard deviations of the trials."""
    rng = np.random.default_rng(11)
    false = []
    for n, scattered in [(3, 1), (4, 3), (6, 3), (10, 1), (10, 3)]:
        for _ in range(20):
            false.append(spots_of(*slider(rng, n, scattered=scattered))["fixed"].any())
    assert np.mean(false) <= 0.02 + 3 * math.sqrt(0.02 * 0.98 / len(false))


@pytest.mark.parametrize("passes", [4, 6, 10])
def test_fixed_spots_are_found(passes):
    """A spot with one event in 88 of 100 passes; needed are max(3, half) of them (binomial)."""
    rng = np.random.default_rng(passes)
    trials = 25
    found = [
        spots_found(spots_of(*slider(rng, passes, scattered=0, spots=[37.0])), [37.0])
        for _ in range(trials)
    ]
    can = stats.binom.sf(max(3, math.ceil(passes / 2)) - 1, passes, 0.88)
    # places off by 1 % leave 5 % now and then: 0.05
    assert np.mean(found) >= can - 0.05 - 3 * math.sqrt(can * (1 - can) / trials + 1e-3)


def test_three_spots_among_scattered_events_are_counted_and_placed():
    rng = np.random.default_rng(2)
    truth = [20.0, 50.0, 80.0]
    table = slider(rng, 10, scattered=1, spots=truth, backlash=2.0)
    spots = spots_of(*table)
    fixed = spots[spots["fixed"]]
    assert list(spots.columns) == SPOT_COLUMNS
    assert len(fixed) == 3
    miss = np.abs(fixed["travel_percent"].to_numpy() - truth)
    assert (miss <= 3 * fixed["u_travel_percent"].to_numpy()).all()
    assert (fixed["passes_hit"] >= 6).all()
    assert (fixed["of_passes"] == 10).all()
    assert (fixed["p_chance"] <= 0.05).all()
    assert (fixed["passes_hit"] >= fixed["needed"]).all()
    assert (spots.loc[~spots["fixed"], "passes_hit"] < spots.loc[~spots["fixed"], "needed"]).all()
    got = fixed_spots(spots, table[1])
    assert (got.value, got.unit) == (3, "")
    assert 0 < got.u < 1


@pytest.mark.parametrize("m", [3, 4])
def test_chance_is_that_of_the_exact_scan_statistic(m):
    """One event in each of m passes up: all within a window w of the travel.

    m w^(m-1) - (m-1) w^m, the range of m even places (J. I. Naus, JASA 60 (1965) 532-538). Places
    are binned in 0.5 % and a window holds ten bins: pairs up to 4.5 to 5.5 % apart may share it.
    """
    events = events_of(np.arange(1, m + 1), np.full(m, 40.0))
    got = spots_of(events, passes_of([1] * m, ["up"])).loc[0, "p_chance"]

    def exact(w):
        return m * w ** (m - 1) - (m - 1) * w**m

    noise = 3 * math.sqrt(exact(0.05) / 2000) + 1 / 2001
    assert exact(0.045) - noise <= got <= exact(0.055) + noise


def test_many_events_in_one_pass_make_no_spot():
    events = events_of([1] * 12 + [2, 3], [40.0] * 12 + [70.0, 10.0])
    assert spots_of(events, passes_of([12, 1, 1, 0])).empty


def test_up_and_down_may_lie_two_percent_apart_but_not_more():
    number = np.arange(1, 7)
    up = number % 2 == 1
    places = np.where(up, [40, 0, 44, 0, 42, 0], [0, 38, 0, 42, 0, 40])  # 38 to 42, 40 to 44
    hit = spots_of(events_of(number, places + 0.25), passes_of([1] * 6))
    assert list(hit["passes_hit"]) == [6]
    apart = spots_of(events_of(number, np.where(up, 48.0, 40.0)), passes_of([1] * 6))
    assert list(apart["passes_hit"]) == [3, 3]


def test_partial_passes_do_not_count_where_they_did_not_cross():
    passes = passes_of([1, 1, 1, 0, 0, 0, 0, 0], ["up"])
    passes.loc[3:, "to_percent"] = 60.0
    spots = spots_of(events_of([1, 2, 3], [80.0, 80.5, 81.0]), passes)
    assert spots.loc[0, "of_passes"] == 3
    assert spots.loc[0, "fixed"]
    low = spots_of(events_of([1, 2, 3], [30.0, 30.5, 31.0]), passes)
    assert low.loc[0, "of_passes"] == 8
    assert not low.loc[0, "fixed"]


def test_events_that_do_not_count_make_no_spot():
    events = events_of([1, 2, 3], [30.0, 30.0, 30.0])
    events["moving"] = False
    assert spots_of(events, passes_of([0, 0, 0])).empty
    unknown = events_of([1, 2, 3], [np.nan] * 3)
    assert spots_of(unknown, passes_of([1, 1, 1])).empty
    outside = events_of([0, 0, 0], [30.0] * 3)
    assert spots_of(outside, passes_of([0, 0, 0])).empty


def test_no_events_is_a_count_of_none():
    passes = passes_of([0] * 6)
    got = fixed_spots(spots_of(events_of([], np.zeros(0)), passes), passes)
    assert got.value == 0
    assert got.u == pytest.approx(math.sqrt(0.05 * 0.95))


def test_fixed_spots_says_why_not():
    few = passes_of([1, 1])
    spots = spots_of(events_of([1, 2], [30.0, 30.0]), few)
    assert list(spots["passes_hit"]) == [2]
    assert not spots["fixed"].any()
    assert "2 assessed pass(es) seen, 3 needed" in fixed_spots(spots, few).reason
    lost = passes_of([1] * 5).assign(from_percent=np.nan)
    assert "0 assessed" in fixed_spots(spots.iloc[:0], lost).reason
    dense = slider(np.random.default_rng(1), 4, scattered=25)
    assert "so densely" in fixed_spots(spots_of(*dense), dense[1]).reason


def test_same_events_give_the_same_answer():
    table = slider(np.random.default_rng(8), 6, scattered=2, spots=[60.0])
    pd.testing.assert_frame_equal(spots_of(*table), spots_of(*table))


def test_first_pass_beside_the_others():
    got = first_pass_apart(passes_of([9, 3, 4, 3, 3, 3]))
    assert str(got) == "first pass 9, later 3.2 a pass"
    assert (got.first, got.later, got.u_later) == (9, 3.2, pytest.approx(4 / 5))
    assert got.p_chance == pytest.approx(stats.binomtest(9, 25, 1 / 6, "greater").pvalue)
    assert first_pass_apart(passes_of([2, 0, 0, 0])).u_later == pytest.approx(0.5)


def test_no_first_pass_without_others_or_when_it_is_partial():
    assert str(first_pass_apart(passes_of([9]))) == ""
    partial = passes_of([9, 3, 3])
    partial.loc[0, "to_percent"] = 50.0
    assert str(first_pass_apart(partial)) == ""
