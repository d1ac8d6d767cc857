"""Sliders between stages, from made results: what may be called a change, and what may not."""

from dataclasses import replace

import numpy as np
import pytest
from slider_made import event, evidence_of, made, refused, spread

from sigkit.evidence.report.pages import cell_text
from sigkit.measures import TESTS


def rows(before, after, **more):
    evidence = evidence_of({"before": {"volume": before}, "after": {"volume": after}}, **more)
    return {row.judged.quantity: row for row in evidence.rows}


def verdicts(before, after):
    return {name: row.verdict for name, row in rows(before, after).items()}


def test_events_per_pass_lead_and_show_their_count():
    """Garwood limits of 20 in 10 passes: 1.2217 to 3.0888; with their scatter 1.12 to 3.43."""
    found = rows(made(spread([2] * 10)), made())
    assert next(iter(found)) == "events_per_pass"
    text = cell_text(found["events_per_pass"].cells["before"]).replace("\N{NO-BREAK SPACE}", " ")
    assert text == "2.0 per pass (20 in 10 passes: 1.1 to 3.4)"
    assert found["events_per_pass"].limit_verdict.word == "within limits"
    assert found["fixed_spots"].limit_verdict.word == "within limits"
    assert {j.quantity for j in TESTS["slider"].judged} >= set(found)


def test_five_to_none_is_no_change_and_six_is_one():
    five = verdicts(made(spread([1, 1, 1, 1, 1, 0]), passes=6), made(passes=6))
    six = verdicts(made(spread([1] * 6), passes=6), made(passes=6))
    for quantity in ("events_per_pass", "event_rate"):
        assert five[quantity] == "no change shown"
        assert six[quantity] == "improved"
    back = rows(made(passes=6), made(spread([1] * 6), passes=6))
    assert back["events_per_pass"].verdict == "worse"
    assert any("permutation of passes" in r for r in back["events_per_pass"].remarks)
    assert "judged by the events per pass" in back["event_rate"].remarks


def test_another_hand_speed_is_no_change_of_any_quantity():
    """The same five dropouts a pass, moved three times as fast: each lasts a third."""

    def stage(travel_s, length_s, seed):
        random = np.random.default_rng(seed)
        found = [
            event(number, random.uniform(8, 97), "dropout", 0.0, length_s=length_s)
            for number in range(1, 9)
            for _ in range(5)
        ]
        return made(found, passes=8, travel_s=travel_s)

    found = rows(stage(6.0, 0.03, 1), stage(2.0, 0.01, 2))
    assert found["event_rate"].change.value > found["event_rate"].change.expanded
    assert not {row.verdict for row in found.values()} & {"improved", "worse"}
    assert found["longest_dropout"].verdict == (
        "not comparable: another hand speed, 17 against 50 % of travel per second"
    )


def test_a_noisier_capture_is_no_cleaner_slider():
    """The same dirt of -45 dB over floors of -60 and -35 dB: nothing is left to see after."""
    dirt = [event(n, p, level_db=-45.0) for n in range(1, 9) for p in (20.0, 50.0, 80.0)]
    found = rows(made(dirt, passes=8, floor_db=-60.0), made(passes=8, floor_db=-35.0))
    assert found["events_per_pass"].change.value == pytest.approx(-3.0)
    assert not {row.verdict for row in found.values()} & {"improved", "worse"}
    assert found["fixed_spots"].verdict == (
        "not comparable: over the floors of both 0 against 0, in stretches of 5 % of the travel"
    )
    clear = rows(made(dirt, passes=8, floor_db=-60.0), made(passes=8, floor_db=-58.0))
    for quantity in ("events_per_pass", "event_rate", "worst_level", "fixed_spots"):
        assert clear[quantity].verdict == "improved", quantity


def test_the_loudest_burst_must_differ_by_more_than_passes_do():
    """One burst 20 dB above the others, in one pass of eight: chance, although each is certain."""
    random = np.random.default_rng(5)
    levels = random.normal(-40, 4, (2, 8))
    levels[0, 3] = -15.0
    stages = [
        made([event(n, 50.0, level_db=level) for n, level in enumerate(own, 1)], passes=8)
        for own in levels
    ]
    found = rows(*stages)
    assert abs(found["worst_level"].change.value) > 5 * found["worst_level"].change.u
    assert found["worst_level"].verdict == "no change shown"
    loud = made([event(n, 50.0, level_db=-20.0) for n in range(1, 9)], passes=8)
    assert verdicts(loud, stages[1])["worst_level"] == "improved"
    once = verdicts(made([event(2, 50.0)], passes=8), made(passes=8))
    assert once["worst_level"] == "no change shown"


def test_few_passes_need_more():
    """Three passes: 1.96 times 6 dB times sqrt(2/3) is 9.6 dB."""

    def three(level_db):
        return made([event(n, 50.0, level_db=level_db) for n in (1, 2, 3)], passes=3)

    assert verdicts(three(-20.0), three(-29.0))["worst_level"] == "no change shown"
    found = rows(three(-20.0), three(-30.0))["worst_level"]
    assert found.verdict == "improved"
    assert any("fewer than 4 passes" in remark for remark in found.remarks)


def test_random_captures_without_a_change_seldom_claim_one():
    """Passes that differ by 0.5 in ln and levels by 6 dB: 5 % of each verdict and no more.

    Three binomial standard deviations above 5 % in 60 trials: 0.13.
    """
    random = np.random.default_rng(6)
    claims = dict.fromkeys(("events_per_pass", "worst_level", "travel_affected", "energy_ratio"), 0)
    trials = 60
    for _ in range(trials):
        stages = []
        for _ in range(2):
            counts = random.poisson(3 * random.lognormal(0, 0.5, 8))
            found = [
                event(n, random.uniform(5, 95), level_db=min(random.normal(-35, 6), -1.0))
                for n, count in enumerate(counts, start=1)
                for _ in range(count)
            ]
            stages.append(made(found, passes=8))
        found = verdicts(*stages)
        for name in claims:
            claims[name] += found[name] in ("improved", "worse")
    print({name: count / trials for name, count in claims.items()})
    assert max(claims.values()) / trials <= 0.05 + 3 * (0.05 * 0.95 / trials) ** 0.5


def test_without_passes_events_per_second_are_judged_with_care():
    """Twelve events to five in equal time: 0.11 to 1.27 exactly; 40 to none stands out anyway."""

    def unseen(number, floor_db=-55.0):
        events = spread([number], level_db=-45.0)
        return made(events, passes=8, travel=False, floor_db=floor_db)

    some = rows(unseen(12), unseen(5))
    assert some["event_rate"].verdict == "no change shown"
    assert any(remark.startswith("no passes seen") for remark in some["event_rate"].remarks)
    assert rows(unseen(40), unseen(0))["event_rate"].verdict == "improved"
    assert rows(unseen(40), unseen(0, -35.0))["event_rate"].verdict == "no change shown"
    mixed = rows(made(spread([5] * 8), passes=8), unseen(0))
    assert mixed["event_rate"].verdict == "improved"
    assert mixed["events_per_pass"].verdict.startswith("not measurable: after")


def test_another_kind_of_slider_or_a_refused_one_is_not_compared():
    found = rows(made(spread([2] * 6), passes=6), made(passes=6, controls="pitch"))
    assert {row.verdict for row in found.values()} == {
        "not comparable: a slider of level against one of pitch"
    }
    lost = rows(made(spread([2] * 6), passes=6), refused("the capture is silent"))
    assert lost["events_per_pass"].verdict == "not measurable: after: the capture is silent"


def test_kinds_are_told_apart_in_the_remarks():
    found = [event(n, p) for n in range(1, 9) for p in (30.0, 60.0)]
    found += [event(n, 80.0, "dropout", 0.0) for n in (1, 4)]
    row = rows(made(found, passes=8), made(passes=8))["events_per_pass"]
    assert "by kind: bursts 16 against 0, improved; dropouts 2 against 0, no change shown" in (
        row.remarks
    )


def test_takes_are_pooled_over_a_stage():
    takes = [made(spread([1, 1, 1], seed=seed), passes=3) for seed in (1, 2)]
    row = rows(takes, [made(passes=3), made(passes=3)])["events_per_pass"]
    assert row.cells["before"].counts == (6, 6.0)
    assert row.verdict == "improved"
    assert not any("one take a stage" in remark for remark in row.remarks)


def test_hidden_places_do_not_make_spots_vanish():
    dirt = [event(n, p) for n in range(1, 9) for p in (5.0, 50.0)]
    half = rows(made(dirt, passes=8), made(passes=8, hidden=[(0, 20)]))
    assert half["fixed_spots"].verdict == "improved"
    only = [event(n, 5.0) for n in range(1, 9)]
    none = rows(made(only, passes=8), made(passes=8, hidden=[(0, 20)]))
    assert none["fixed_spots"].verdict.startswith("not comparable: over the floors of both 0")


def test_a_slider_is_held_against_its_limit_by_the_limits_of_its_rate():
    """4 in 10 passes: exactly up to 1.024, and 1.084 with passes that scatter by 0.5 in ln, so
    undecided; the normal law would say 0.8, within.
    """
    four = made(spread([1, 0, 1, 0, 1, 0, 1, 0, 0, 0]))
    row = rows(made(spread([1] * 10)), four)["events_per_pass"]
    assert row.cells["after"].quantity.expanded == pytest.approx(0.4)
    assert row.limit_verdict.word == "undecided"
    own = rows(made(), four, limits={("slider", "events_per_pass"): 1.09})["events_per_pass"]
    assert own.limit_verdict.word == "within limits"
    assert own.limit.source == "set for this job"


def test_an_event_at_rest_changes_nothing():
    resting = made([event(n, 50.0) for n in range(1, 9)], passes=8)
    resting = replace(resting, events=resting.events.assign(moving=False))
    assert verdicts(resting, made(passes=8))["event_rate"] == "no change shown"
