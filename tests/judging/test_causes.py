"""Causes and next steps as data: complete, hedged, and chosen by sign and company."""

import csv
import re
from importlib import resources

import pytest

from sigkit.judging.causes import MOST_CAUSES, cause_of, causes, off_alike
from sigkit.judging.limits import guide_limits
from sigkit.judging.next_step import cautions
from sigkit.measures import TESTS

LINES = list(
    csv.DictReader(
        resources.files("sigkit.judging").joinpath("causes.csv").read_text("utf-8").splitlines()
    )
)
NAMES = [f"{line['test']}-{line['quantity']}-{line['sign']}-{line['alike']}" for line in LINES]


def test_every_guide_limit_has_a_line_for_whatever_sign_and_company():
    missing = [key for key in guide_limits() if (*key, "any", "any") not in causes()]
    assert not missing
    assert len(causes()) == len(LINES)


@pytest.mark.parametrize("line", LINES, ids=NAMES)
def test_a_line_is_about_a_judged_quantity_and_says_little_and_never_surely(line):
    """Hedged words and no direction of a trimmer: common practice, no source."""
    assert line["quantity"] in {judged.quantity for judged in TESTS[line["test"]].judged}
    often = line["often"].split(";")
    assert 1 <= len(often) <= MOST_CAUSES
    assert all(cause.strip() for cause in often)
    assert line["step"].strip()
    assert line["source"]
    said = f"{line['often']}; {line['step']}".casefold()
    assert not re.search(r"\b(certainly|always|surely|must be|definitely)\b", said)
    assert not re.search(r"clockwise|turn (it|the trim\w*) (left|right|up|down)", said)
    assert not re.search(r"\bis (the|a|due|caused)\b", line["often"])


@pytest.mark.parametrize("line", LINES, ids=NAMES)
def test_work_inside_carries_its_caution(line):
    """Whatever asks for a meter on rails, a fluid, or a new capacitor says what to mind."""
    words = line["step"].casefold()
    needed = {
        "solvent": "clean" in words,
        "live": bool(re.search(r"\b(rails|rail|key chain|service document)\b", words)),
    }
    named = set(line["cautions"].split())
    assert named <= set(cautions())
    if needed["solvent"]:
        assert "solvent" in named
    if needed["live"]:
        assert named & {"live", "capacitors"}
    if re.search(r"replace|swap|capacitor", words):
        assert named & {"opening", "capacitors"}


def test_the_line_that_says_most_goes_first():
    one = cause_of("keyboard", "scale_error", 5.0)
    every = cause_of("keyboard", "scale_error", 5.0, alike=True)
    assert one is not every
    assert "rail" in every.often[0]
    flat = cause_of("keyboard", "curvature", -9.0)
    sharp = cause_of("keyboard", "curvature", 9.0)
    assert "reset time" in flat.often[0]
    assert "too much" in sharp.often[0]
    assert cause_of("keyboard", "no_such_quantity", 1.0) is None


def test_the_jobs_own_line_goes_before_every_shipped_one():
    own = {("keyboard", "scale_error", "any", "any"): cause_of("keyboard", "hold_droop", 1.0)}
    chosen = cause_of("keyboard", "scale_error", 5.0, alike=True, own=own)
    assert chosen is own["keyboard", "scale_error", "any", "any"]


@pytest.mark.parametrize(
    ("values", "outside", "alike"),
    [
        ([6, 7], [True, True], True),
        ([-6, -7, -9], [True, True, True], True),
        ([6, -7], [True, True], False),
        ([6, 7], [True, False], False),
        ([6], [True], False),
    ],
)
def test_alike_needs_every_subject_outside_to_the_same_side(values, outside, alike):
    assert off_alike(values, outside) is alike
