"""The cleaning ladder of made sliders: counts by stage, what returned, what to do next."""

import json
import re

import pytest
from slider_made import event, evidence_of, made, refused, spread

from sigkit.errors import InputError
from sigkit.evidence.job.folder import open_job
from sigkit.evidence.report.ladder_section import ladder_sentence
from sigkit.evidence.report.pages import report_html
from sigkit.evidence.report.pictures import draw_groups

FIXED = [event(n, p) for n in range(1, 11) for p in (30.0, 60.0)]


@pytest.fixture(scope="module")
def evidence():
    """Return six sliders over three stages, from quiet to worn."""
    return evidence_of(
        {
            "1_before": {
                "volume": made(FIXED),
                "release": made(spread([5] * 10)),
                "attack": made(spread([4] * 10)),
                "noise": made(passes=10),
                "bend": refused("the capture is silent"),
            },
            "2_cleaned": {
                "volume": made(FIXED),
                "release": made(passes=10),
                "attack": made(spread([3] * 10, seed=2)),
            },
            "3_followup": {
                "volume": made(FIXED[:18]),
                "release": made(spread([4] * 10, seed=3)),
                "attack": made(spread([3] * 10, seed=4)),
                "decay": made(passes=10, floor_db=-20.0),
                "bend": made(spread([4] + [0] * 9)),
            },
        },
        cleaning={"2_cleaned": "cleaner", "3_followup": {"volume": "hand"}},
    )


def lines(evidence):
    return {line.subject: line for line in evidence.ladder.lines}


def test_one_line_a_slider_with_its_limits(evidence):
    """Garwood, 95 %: 50 in 10 passes 3.711 to 6.592, none in 10 passes up to 0.3689; with passes
    that scatter by 0.5 in ln: 5.05 / exp(hypot(ln(5.05 / 3.711), 0.3099)) = 3.261, and so on.
    """
    found = lines(evidence)
    assert list(found) == ["attack", "bend", "decay", "noise", "release", "volume"]
    first, second, third = found["release"].rungs
    assert [rung.counts for rung in (first, second, third)] == [(50, 10), (0, 10), (40, 10)]
    assert first.interval == pytest.approx((3.261, 7.601), abs=2e-3)
    assert second.interval == pytest.approx((0.0, 0.3778), abs=5e-5)
    assert [rung.done for rung in found["volume"].rungs] == ["", "cleaner", "hand"]
    assert [rung.fixed_spots for rung in found["volume"].rungs] == [2, 2, 2]
    assert [rung.tested for rung in found["noise"].rungs] == [True, False, False]
    assert found["noise"].last.stage == "1_before"
    assert found["bend"].rungs[0].reason == "the capture is silent"
    assert found["bend"].rungs[0].counts is None


def test_what_was_quiet_and_fires_again_has_returned(evidence):
    returned = {s: [r.returned for r in line.rungs] for s, line in lines(evidence).items()}
    assert returned["release"] == [False, False, True]
    assert not any(any(r) for subject, r in returned.items() if subject != "release")


@pytest.mark.parametrize(
    ("earlier", "later", "back"),
    [
        ([0] * 10, [3] * 10, True),
        ([0] * 10, [2] * 10, False),
        ([1] * 10, [3] * 10, False),
        ([1] * 10, [4] * 10, True),
        ([2] * 10, [9] * 10, False),
        ([0] * 10, [21] + [0] * 9, False),
    ],
)
def test_returned_needs_two_more_twice_as_many_and_passes_that_differ(earlier, later, back):
    """None to 2 a pass is two more and no further; from 2 a pass it had not been quiet; 21 events
    in one pass of ten are chance.
    """
    evidence = evidence_of(
        {"after": {"x": made(spread(earlier))}, "followup": {"x": made(spread(later, seed=1))}}
    )
    assert lines(evidence)["x"].last.returned is back


def test_a_keener_floor_at_the_follow_up_is_no_return():
    quiet = [event(n, p, level_db=-50.0) for n in range(1, 11) for p in (20.0, 40.0, 60.0)]
    evidence = evidence_of(
        {"after": {"x": made(floor_db=-40.0)}, "followup": {"x": made(quiet, floor_db=-60.0)}}
    )
    assert not lines(evidence)["x"].last.returned


def test_next_steps_follow_the_last_stage_and_what_was_done(evidence):
    steps = {subject: line.step for subject, line in lines(evidence).items()}
    assert (steps["noise"].finding, steps["noise"].action) == ("quiet", "leave")
    assert (steps["decay"].finding, steps["decay"].action) == ("hidden", "record")
    assert (steps["bend"].finding, steps["bend"].action) == ("cannot tell", "record")
    assert steps["attack"].step.startswith("dismantle and clean by hand; look at the pressure")
    assert steps["volume"].step == "track worn: replace the slider"
    assert (steps["release"].finding, steps["release"].action) == ("returned", "clean")


def test_the_sentence_names_every_slider_once(evidence):
    assert ladder_sentence(evidence.ladder) == (
        "Sliders: clean these two (attack, release); replace this one (volume); record these two "
        "again (bend, decay); leave this one (noise). Returned after having been quiet: release."
    )


def test_three_level_sliders_that_fire_everywhere_point_to_what_they_share():
    wild = [event(n, p) for n in range(1, 11) for p in range(3, 98, 5)]
    evidence = evidence_of({"before": {name: made(wild) for name in "abc"}})
    assert {line.step.finding for line in evidence.ladder.lines} == {"everywhere"}
    two = evidence_of({"before": {name: made(wild) for name in "ab"}})
    assert {line.step.finding for line in two.ladder.lines} == {"fixed spots"}


def test_without_passes_the_reason_stands_in_the_rung():
    evidence = evidence_of({"before": {"x": made(spread([3] * 4), passes=4, travel=False)}})
    (line,) = evidence.ladder.lines
    assert line.last.counts is None
    assert line.last.reason == "no passes seen in the level"
    assert line.step.finding == "not measurable"


def test_it_reaches_report_pictures_and_json(evidence):
    pictures = draw_groups(evidence)
    assert "ladder-slider" in pictures
    report = report_html(evidence, pictures)
    text = re.sub(r"\s+", " ", re.sub(r"data:[^\"]+|<[^>]+>", " ", report))
    assert text.count(ladder_sentence(evidence.ladder)) == 2
    assert "Sliders over the stages" in text
    for word in ("unplugged", "ventilated", "safety data sheet", "trained and permitted"):
        assert word in text
    assert "after contact cleaner" in text
    assert "fixed spots: track worn: replace the slider" in text
    document = json.loads(json.dumps(evidence.to_dict(), allow_nan=False))
    volume = next(s for s in document["sliders"] if s["subject"] == "volume")
    assert volume["action"] == "replace"
    assert volume["stages"]["3_followup"]["counts"] == [18, 10.0]
    assert volume["stages"]["3_followup"]["done"] == "hand"


def test_a_job_without_sliders_has_no_ladder():
    evidence = evidence_of({"before": {}})
    assert not evidence.ladder
    assert "ladder-slider" not in draw_groups(evidence)
    assert "Sliders over the stages" not in report_html(evidence, {})


@pytest.mark.parametrize(
    ("text", "problem", "remedy"),
    [
        ('cleaning = "soap"', "one of air, cleaner, hand, replaced; got 'soap'", "cleaner"),
        ("cleaning = { volume = 'soap' }", "stages.after.cleaning.volume must be one", "volume"),
        ("cleaning = { volum = 'air' }", "no slider 'volum'", "volume"),
        ("cleaning = 3", "must be a text or a table", ""),
    ],
)
def test_a_wrong_cleaning_is_refused(job_folder, text, problem, remedy):
    (job_folder / "job.toml").write_text(f"[stages.after]\n{text}\n")
    with pytest.raises(InputError, match=problem) as caught:
        open_job(job_folder)
    assert remedy in caught.value.remedy
