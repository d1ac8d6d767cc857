"""Every finding from hand-made states, every step of the table, no step without its caution."""

import csv
import itertools
from importlib import resources

import pytest

from sigkit.judging.limits import Limit
from sigkit.judging.next_step import CLEANINGS, SliderState, finding_of, next_step, steps

LIMIT = Limit(1, "per pass", "test", worn_to=10)
FINDINGS = (
    *("quiet", "hidden", "not measurable", "cannot tell", "first pass only", "scattered"),
    *("fixed spots", "everywhere", "returned"),
)


def state(count, passes=10.0, **more):
    return SliderState((count, passes), **{"floor_db": -55.0, **more})


@pytest.mark.parametrize(
    ("found", "finding"),
    [
        (state(0), "quiet"),
        (state(3), "quiet"),
        (state(0, 3.0), "cannot tell"),
        (state(4), "cannot tell"),
        (state(17), "cannot tell"),
        (state(20), "scattered"),
        (state(60), "scattered"),
        (state(3, fixed_spots=1), "fixed spots"),
        (state(60, fixed_spots=2), "fixed spots"),
        (state(0, floor_db=-36.0), "quiet"),
        (state(0, floor_db=-35.9), "hidden"),
        (state(60, floor_db=-20.0), "scattered"),
        (state(60, later=(2, 9.0)), "first pass only"),
        (state(60, later=(5, 9.0)), "scattered"),
        (state(60, 3.0, later=(0, 2.0)), "scattered"),
        (state(60, returned=True), "returned"),
        (state(60, returned=True, fixed_spots=1), "returned"),
        (state(0, returned=True), "quiet"),
        (SliderState(None), "not measurable"),
    ],
)
def test_findings(found, finding):
    """Exact 95 % limits of 3, 4, 17, 18 in 10 passes: to 0.877, to 1.024, from 0.990, from 1.067
    (F. Garwood, Biometrika 28, 1936); of none in 3 passes: to 1.23.
    """
    assert finding_of(found, LIMIT) == finding
    assert next_step(found, LIMIT).finding == finding


def test_several_sliders_that_crackle_everywhere_point_elsewhere():
    wide = state(200, travel_percent=80.0, fixed_spots=3)
    assert finding_of(wide, LIMIT, all_over=3) == "everywhere"
    assert "leaking coupling capacitor" in next_step(wide, LIMIT, all_over=3).step
    assert finding_of(wide, LIMIT, all_over=2) == "fixed spots"
    assert finding_of(state(200, travel_percent=40.0), LIMIT, all_over=3) == "scattered"
    few = state(60, travel_percent=80.0)
    assert finding_of(few, LIMIT, all_over=3) == "scattered"
    pitch = state(200, travel_percent=80.0, controls="pitch")
    assert finding_of(pitch, LIMIT, all_over=3) == "scattered"


def test_the_ladder_goes_to_more_invasive_steps():
    steps_of = {
        (finding, done): next_step(found, LIMIT)
        for finding, found_with in (("scattered", {}), ("fixed", {"fixed_spots": 2}))
        for done in ("none", *CLEANINGS)
        for found in [state(60, done=done, **found_with)]
    }
    assert steps_of["scattered", "none"].step.startswith("compressed air, then contact cleaner")
    assert steps_of["scattered", "air"].step.startswith("contact cleaner")
    assert steps_of["scattered", "cleaner"].step.startswith("dismantle and clean by hand")
    assert steps_of["fixed", "none"].step.startswith("dismantle and clean by hand")
    assert steps_of["fixed", "hand"].step == "track worn: replace the slider"
    assert steps_of["fixed", "replaced"].action == "circuit"


def test_the_table_answers_every_case_once():
    every = steps()
    for finding, done in itertools.product(FINDINGS, ("none", *CLEANINGS)):
        assert (finding, done) in every or (finding, "any") in every, (finding, done)
    assert {finding for finding, _ in every} == set(FINDINGS)
    assert {done for _, done in every} <= {"none", "any", *CLEANINGS}
    text = resources.files("sigkit.judging").joinpath("next_steps.csv").read_text("utf-8")
    assert len(every) == len(list(csv.DictReader(text.splitlines())))


def test_cleaner_never_comes_without_its_caution():
    for step in steps().values():
        assert step.source == "common practice, no source"
        if "cleaner" in step.step or "clean by hand" in step.step:
            text = " ".join(step.cautions)
            for word in ("unplugged", "ventilated", "spark", "safety data sheet", "local rules"):
                assert word in text, step.step
        if step.action in ("replace", "circuit"):
            assert any("trained and permitted" in caution for caution in step.cautions)
    assert next_step(state(0), LIMIT).cautions == ()
