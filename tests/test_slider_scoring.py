"""The scoring's own rules, on results made by hand from the truth."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import slider_figures as figures
from slider_scoring import FOUND, NEAR_S, PIECE_S, Truth, asked, score
from sliders_dirt import Planted


def planted(start, stop=None, kind="burst", *, level_db=-30.0, excused="", size=0.0):
    stop = start + 0.01 if stop is None else stop
    cause = {"burst": "added", "pitch jump": "jump"}.get(kind, kind)
    over = np.nan if kind == "pitch jump" else level_db + 60
    place = (50.0, "up", 1)
    return Planted(
        start, stop, kind, cause, level_db, over, 0.0, *place, 0.0, size, stop - start, excused
    )


def truth(events, *, pops=(), tone_db=0.0):
    passes = pd.DataFrame({"start_s": [1.0, 9.0], "stop_s": [8.0, 9.2]})
    tone = np.full(1000, tone_db)
    return Truth(1, "level", "saw", 100.0, 60.0, 0.5, 9.5, 10.0, passes, events, list(pops), tone)


def result(rows, *, hidden=(0, 0), floor=-45.0, refused=None):
    """A result that looked everywhere but in ``hidden``, and found ``rows`` (start, stop, kind)."""
    events = pd.DataFrame(
        [(a, b, kind, -31.0, 0.5, np.nan, np.nan, "up", 1, 52.0, 1.0) for a, b, kind in rows],
        columns=FOUND,
    )
    t = np.arange(1000) / 100 + 0.005
    assessed = ((t < hidden[0]) | (t > hidden[1])) & (refused is None)
    quantity = SimpleNamespace(measurable=refused is None, value=floor, reason=refused or "")
    return SimpleNamespace(
        events=events,
        time_s=t,
        tone_db=np.zeros(t.size),
        found_above_db=np.where(assessed, floor, np.nan),
        assessed=assessed,
        floor=quantity,
        controls="level",
    )


def test_a_perfect_result_has_every_hit_and_no_alarm():
    events = [planted(2), planted(3, 3.05, "dropout"), planted(4, 4.1, "pitch jump", size=60.0)]
    s = score(truth(events), result([(e.start_s, e.stop_s, e.kind) for e in events]))
    assert s.planted["miss"].tolist() == ["", "", ""]
    assert len(s.alarms) == 0
    assert s.assessed_s == s.asked_s == pytest.approx(8.8, abs=0.011)  # 0.1 s from both ends
    table = figures.found_table([s])
    assert table.loc["all", "F1 20 dB"] == 1
    assert table.loc["all", "as such"] == table.loc["all", "as jumps"] == "1/1 1.000"
    errors = figures.error_table([s])
    assert errors.loc["burst level, dB", "bias"] == pytest.approx(-1)
    assert errors.loc["burst level, dB", "within 2u %"] == 100
    assert errors.loc["travel, %", "median"] == pytest.approx(2)


def test_matching_is_one_to_one_by_gap_and_kind_first():
    events = [planted(2), planted(2.2, 2.3, "dropout"), planted(5)]
    found = [(2.2, 2.21, "burst"), (2.25, 2.3, "dropout"), (2.011 + NEAR_S, 2.05, "burst")]
    s = score(truth(events), result(found))
    # the third lies too far from the first; it and the burst on the dropout are pieces
    assert s.planted["miss"].tolist() == ["missed", "", "missed"]
    assert s.planted["found_kind"].iloc[1] == "dropout"
    assert (s.pieces, len(s.alarms)) == (2, 0)
    near = score(truth([planted(2)]), result([(2.009 + NEAR_S, 2.05, "dropout")]))
    assert near.planted["miss"].tolist() == [""]
    far = score(truth([planted(2)]), result([(2.012 + PIECE_S, 2.2, "burst")]))
    assert far.planted["miss"].tolist() == ["missed"]
    assert far.alarms["where"].tolist() == [""]


def test_misses_are_excused_only_by_rule_and_counted():
    events = [planted(2), planted(3), planted(4, excused="foot"), planted(5)]
    s = score(truth(events), result([(5.0, 5.01, "burst")], hidden=(1.9, 2.1)))
    assert s.planted["miss"].tolist() == ["not assessed", "missed", "foot", ""]
    assert figures.recall(s.planted) == (1, 2)
    assert figures.recall(s.planted, strict=True) == (1, 3)
    assert figures.f1(s.planted, 1) == pytest.approx(2 / (2 + 1 + 1))
    assert s.asked_s - s.assessed_s == pytest.approx(0.2, abs=0.021)


def test_refused_sweeps_are_not_assessed_at_all():
    s = score(truth([planted(2)]), result([], refused="too bright"))
    assert (s.refused, s.assessed_s, s.looked_s) == ("too bright", 0, 0)
    row = figures.refusal_table([s]).loc[("level", "saw")]
    assert (row["refused"], row["not assessed %"], row["not assessed"]) == (1, 100, 1)


def test_alarms_are_told_apart_by_where_they_are():
    found = [(0.45, 0.55, "burst"), (3, 3.01, "burst"), (6, 6.01, "burst"), (9.1, 9.2, "dropout")]
    s = score(truth([], pops=[(6.2, "glitch")]), result(found))
    assert s.alarms["where"].tolist() == ["key", "", "recorder", "flick"]
    row = figures.alarm_table([s]).loc["all"]
    assert (row["alarms"], row["recorder"], row["flick"], row["key"]) == (1, 1, 1, 1)
    assert row["minutes"] == pytest.approx(9 / 60, rel=0.01)


def test_quiet_tone_is_not_asked_for():
    assert asked(truth([], tone_db=-39.9)).any()
    assert not asked(truth([], tone_db=-40.1)).any()


def test_events_above_the_stated_floor_are_counted_by_energy_in_ten_milliseconds():
    events = [planted(2, 2.001, level_db=-36.0), planted(3, 3.001, level_db=-34.0), planted(5, 5.1)]
    s = score(truth(events), result([(3.0, 3.001, "burst")], floor=-45.0))
    row = figures.stated_floor([s]).loc["all bursts"]
    assert row["above the floor"] == "1/2 0.500"  # 1 ms at -34 dB is -44 dB in 10 ms
    assert row["0-6 dB below"] == "0/1 0.000"


def test_limits_of_rates_are_those_of_tables():
    """Garwood's exact limits, as tabled for 0 and 10 counts (from memory: 3.689; 4.795, 18.39)."""
    assert figures.poisson_limits(0, 1.0) == pytest.approx((0, 3.689), abs=1e-3)
    assert figures.poisson_limits(10, 1.0) == pytest.approx((4.795, 18.39), abs=5e-3)


def test_logistic_curve_is_found_again():
    """Half at 10 dB and 95 % at 16 dB, from 4000 draws: within three standard errors."""
    rng = np.random.default_rng(1)
    x = rng.uniform(-5, 30, 4000)
    p = 1 / (1 + np.exp(-(x - 10) * np.log(19) / 6))
    half, most = figures.logistic(x, rng.random(x.size) < p)
    assert half == pytest.approx(10, abs=0.5)
    assert most == pytest.approx(16, abs=1.0)
