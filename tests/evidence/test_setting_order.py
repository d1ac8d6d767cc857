"""A glide test over its marks in a made job: findings in evidence, report, pictures and JSON."""

import json
import re
from dataclasses import replace

import pytest
from marks_made import evidence_of, glided

from sigkit.evidence.report.pages import report_html
from sigkit.evidence.report.pictures import draw_groups
from sigkit.evidence.report.setting_order_section import order_faults, order_sentence
from sigkit.judging.order_guides import guides_for

NAME = "order-glide-portamento-glide_time"


@pytest.fixture(scope="module")
def evidence():
    """Return five marks before and after: a reversal at 75 %, mended; the minimum is not."""
    return evidence_of(
        {
            "1_before": {
                "0": glided(0.085),
                "25": glided(0.11),
                "half": glided(0.62),
                "75": glided(0.48),
                "max": glided(1.4),
                "fast": glided(0.2),
            },
            "2_after": {
                "0": glided(0.035),
                "25": [glided(0.12), glided(0.13)],
                "half": glided(0.4),
                "75": glided(0.8),
                "max": glided(1.3),
            },
        }
    )


def text_of(evidence):
    report = report_html(evidence, {})
    return re.sub(r"\s+", " ", re.sub(r"data:[^\"]+|<[^>]+>", " ", report))


def test_marks_lie_in_the_order_of_the_travel_with_takes_joined(evidence):
    (order,) = evidence.setting_orders
    assert (order.test, order.subject, order.judged.quantity) == (
        *("glide", "portamento", "glide_time"),
    )
    before, after = order.stages
    assert [mark.percent for mark in before.placed] == [0, 25, 50, 75, 100]
    assert [mark.quantity.value for mark in after.placed] == [0.035, 0.125, 0.4, 0.8, 1.3]
    assert [mark.setting for mark in before.marks if mark.percent is None] == ["fast"]
    assert not [mark for mark in after.marks if mark.percent is None]


def test_findings_by_stage(evidence):
    before, after = evidence.setting_orders[0].stages
    assert [(f.kind, f.word) for f in before.findings] == [
        ("rises", ""),
        ("reversal", "faulty"),
        ("minimum", "faulty"),
        ("order unknown", ""),
    ]
    assert [(f.kind, f.word) for f in after.findings] == [
        ("rises steadily", "within limits"),
        ("minimum", "worn"),
    ]
    assert len(before.faults) == 2
    assert order_sentence(evidence.setting_orders[0]) == (
        "Glide: portamento over its marks, 2 after: rises steadily from 35.0 ms to 1.30 s; "
        "at 0 %: 35.0 ms: above 20 ms, up to 60 ms (worn)."
    )


def test_it_reaches_the_report(evidence):
    text = text_of(evidence)
    assert "Glide: portamento, over the marks of its slider" in text
    assert "falls between 50 and 75 %: 0.620 to 0.480 s" in text
    assert text.count(order_sentence(evidence.setting_orders[0])) == 1
    bad = text[text.index("Still outside limits or worse") : text.index("No change shown")]
    assert "over its marks: 2 after at 0 %: 35.0 ms: above 20 ms, up to 60 ms (worn)" in bad
    assert "falls between" not in bad
    (fault,) = order_faults(evidence.setting_orders, "3_later")
    assert fault.endswith("above 20 ms, up to 60 ms (worn), not tested since")
    assert "fast, place unknown" in text
    assert "guide value, common practice, no source" in text.lower()


def test_it_is_drawn(evidence):
    pictures = draw_groups(evidence)
    assert pictures[NAME].startswith(b"\x89PNG")
    report = report_html(evidence, pictures)
    assert 'id="order-glide-portamento"' in report


def test_it_is_in_the_json(evidence):
    document = json.loads(json.dumps(evidence.to_dict(), allow_nan=False))
    (order,) = document["setting_orders"]
    assert (order["test"], order["quantity"], order["unit"]) == ("glide", "glide_time", "s")
    before = order["stages"]["1_before"]
    marks = {mark["setting"]: mark for mark in before["marks"]}
    assert marks["half"]["percent"] == 50
    assert marks["half"]["value"] == 0.62
    assert marks["fast"]["percent"] is None
    fall = next(f for f in before["findings"] if f["kind"] == "reversal")
    assert (fall["from_percent"], fall["to_percent"], fall["word"]) == (50, 75, "faulty")
    assert fall["change"]["value"] == pytest.approx(-22.58, abs=0.005)


def test_marks_played_over_other_intervals_are_remarked_on():
    other = {"0": glided(0.01), "50": glided(0.2, cents=-1200.0), "100": glided(0.9)}
    (order,) = evidence_of(
        {"before": other, "after": dict(other, **{"50": glided(0.3)})}
    ).setting_orders
    assert order.stages[0].remark.startswith(
        "the marks were not played over one interval (12 to 24"
    )
    assert order.stages[1].remark == ""


def test_plateaux_at_one_mark_are_the_slider_s_and_at_all_of_them_are_not():
    def stage(*glitches):
        marks = zip(("0", "50", "100"), (0.1, 0.2, 0.9), glitches, strict=True)
        return {at: glided(time_s, glitches=n) for at, time_s, n in marks}

    (order,) = evidence_of(
        {
            "slider": stage((0, 0, 0), (1, 2, 1), (0, 0, 0)),
            "contact": stage((1, 0, 0), (1, 0, 0), (0, 1, 0)),
            "once": stage((0, 0, 0), (1, 0, 0), (0, 0, 0)),
            "none": stage((0,), (0,), (0,)),
        }
    ).setting_orders
    slider, contact, once, none = (stage.remark for stage in order.stages)
    assert slider == (
        "steps or plateaux at 50 % (3 of 3), elsewhere once or never: the slider's spot there"
    )
    assert contact == (
        "steps or plateaux at every mark: a contact or the glide's own parts, not the slider"
    )
    assert once == none == ""


def test_a_bound_and_a_missing_capture():
    evidence = evidence_of(
        {
            "before": {"0": glided(at_most_s=0.006), "50": glided(0.4), "100": glided()},
            "after": {"0": glided(0.01), "50": glided(0.4)},
            "later": {},
        }
    )
    (order,) = evidence.setting_orders
    assert [stage.stage for stage in order.stages] == ["before", "after"]
    assert order.stages[0].placed[0].at_most.value == 0.006
    assert [f.kind for f in order.stages[0].findings] == ["too few marks", "no value"]
    assert [f.kind for f in order.stages[1].findings] == ["too few marks"]
    assert NAME in draw_groups(evidence)
    assert "fewer than 3 marks with a value" in text_of(evidence)


@pytest.mark.parametrize("settings", [("50",), ("50", "half"), ("", "50"), ("fast", "slow")])
def test_one_place_on_the_travel_is_no_section(settings):
    evidence = evidence_of({"before": {setting: glided(0.2) for setting in settings}})
    assert evidence.setting_orders == ()
    assert NAME not in draw_groups(evidence)
    assert "over the marks" not in text_of(evidence)


def test_several_quantities_of_one_subject_share_a_section(monkeypatch):
    """And one that the test does not judge is passed over."""
    (guide,) = guides_for("glide", "portamento")
    asked = [replace(guide, quantity=name) for name in ("glide_time", "glitches", "not_there")]
    monkeypatch.setattr("sigkit.evidence.rows.setting_order.guides_for", lambda *_: asked)
    evidence = evidence_of({"before": {str(p): glided(0.01 + p / 100) for p in (0, 50, 100)}})
    assert [o.judged.quantity for o in evidence.setting_orders] == ["glide_time", "glitches"]
    text = text_of(evidence)
    assert text.count("over the marks of its slider") == 2, "in the contents, and as a heading"
    assert "Steps and plateaux a glide" in text
    assert "order-glide-portamento-glitches" in draw_groups(evidence)
