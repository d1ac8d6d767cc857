"""Brightness that turns back while the hand goes on: no place is better than a wrong one."""

import itertools

import numpy as np
import pytest

from sigkit.measures.slider.travel import travel_of

STEP_S = 0.01


def passes_of(ends, seconds=2.0, rest=0.6):
    """Positions of a hand that goes straight from one end to the next and rests there."""
    parts = [np.full(80, float(ends[0]))]
    for here, there in itertools.pairwise(ends):
        parts += [
            np.linspace(here, there, round(seconds / STEP_S)),
            np.full(round(rest / STEP_S), there),
        ]
    return np.concatenate([*parts, np.full(60, float(ends[-1]))])


def hump(position):
    """Brighter up to two thirds of the way, then duller again."""
    return np.sin(0.75 * np.pi * position)


def travel(control, *, may_turn=True):
    noise = 1e-4 * np.random.default_rng(3).standard_normal(control.size)
    t = np.arange(control.size) * STEP_S
    return travel_of(t, control + noise, np.ones(t.size, bool), least=0.25, may_turn=may_turn)


@pytest.mark.parametrize("ends", [(0, 1, 0, 1), (1, 0, 1), (0, 1)])
def test_a_control_that_turns_back_on_the_way_tells_no_place(ends):
    found = travel(hump(passes_of(ends)))
    assert "turns back" in found.why_none
    assert found.passes.empty
    assert np.isnan(found.travel_percent).all()
    assert found.moving is None  # where it turns it seems to stand still


@pytest.mark.parametrize("ends", [(0, 1, 0, 1), (1, 0, 1), (0, 1)])
def test_one_that_rests_at_both_ends_tells_its_places(ends):
    found = travel(passes_of(ends))
    assert not found.why_none
    assert len(found.passes) == len(ends) - 1


def test_a_hand_that_never_rests_is_believed():
    found = travel(passes_of((0, 1, 0, 1, 0), rest=0.0))
    assert not found.why_none
    assert len(found.passes) == 4


def test_only_what_may_turn_is_asked():
    assert not travel(hump(passes_of((0, 1, 0, 1))), may_turn=False).why_none
