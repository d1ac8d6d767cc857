"""Page one: one page whatever the job, and nothing that is outside or worse left out."""

import io
import re
import zlib
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import weasyprint
from PIL import Image
from reports import parsed, text_of

from sigkit.evidence.evidence import Evidence
from sigkit.evidence.job.names import CaptureName
from sigkit.evidence.job.stages import Stage
from sigkit.evidence.listing.claims import claims_of
from sigkit.evidence.listing.texts import long_text, short_text
from sigkit.evidence.report.front import (
    MOST_ROWS,
    front_caption,
    front_rows,
    is_bad,
    sentences,
)
from sigkit.evidence.report.front_charts import front_chosen, front_drawings
from sigkit.evidence.report.front_lists import MOST_LINES, front_lists, lines_of, second_lists
from sigkit.evidence.report.pages import report_html
from sigkit.evidence.report.pdf import PAPERS, pdf_of
from sigkit.evidence.report.pictures import (
    BESIDE,
    FRONT,
    FRONT_IN,
    LADDER,
    MOST_BYTES,
    fitting,
    picture_name,
)
from sigkit.evidence.report.wording import caption
from sigkit.measures import TESTS
from sigkit.measures.result import words


def grown(evidence, sliders):
    """The job with its slider, which is outside its limits, under many other names."""
    outcomes = [o for o in evidence.outcomes if o.take.name.test != "slider"]
    for number in range(sliders):
        for outcome in evidence.outcomes:
            if outcome.take.name.test == "slider":
                name = CaptureName("slider", f"mixer_section_level_{number + 1}")
                outcomes.append(replace(outcome, take=replace(outcome.take, name=name)))
    return Evidence.of(evidence.job, outcomes)


@pytest.fixture(scope="module", params=[12, 40])
def job(request, sample_part):
    return grown(sample_part, request.param)


@pytest.fixture(scope="module")
def page_one(job):
    """The first page with charts of the right size, its links taken out, and what follows."""
    blank = io.BytesIO()
    Image.new("L", tuple(round(100 * inches) for inches in FRONT_IN)).save(blank, "PNG")
    charts = {picture_name(row.group) + FRONT: blank.getvalue() for row in front_chosen(job)}
    html = report_html(job, charts, "0123456789abcdef")
    front = re.sub(r'href="#[^"]*"', "", html[: html.index("<nav")])
    assert front.count("<img") == 3
    return f"{front}<p id='next'>next</p></body></html>"


@pytest.mark.parametrize("paper", PAPERS)
def test_page_one_is_one_page(page_one, paper):
    size = weasyprint.CSS(string=f"@page {{ size: {paper} }}")
    pages = weasyprint.HTML(string=page_one).render(stylesheets=[size]).pages
    assert ["next" in page.anchors for page in pages] == [False, True]
    assert {"outside", "not-tested"} <= set(pages[0].anchors)


def test_all_that_is_outside_or_worse_is_named(job):
    bad = [row for row in job.rows if is_bad(row)]
    assert bad
    outside, untested = front_lists(job)
    text = "\n".join(item for item, _ in outside.items)
    for row in bad:
        assert re.search(rf"\b{words(row.subject)}\b", text)
    assert outside.heading == "Still outside limits or worse"
    assert untested.heading == "Not tested or not fitted"
    assert lines_of(outside.items) <= MOST_LINES + 2
    assert lines_of(untested.items) <= MOST_LINES


def test_both_lists_are_set_alike(sample_folder):
    tree, _ = parsed((sample_folder / "report.html").read_text(encoding="utf-8"))
    pair = next(e for e in tree.iter("div") if e.get("class") == "pair")
    assert [text_of(s[0]) for s in pair] == [
        "Still outside limits or worse",
        "Not tested or not fitted",
    ]
    assert {(s.tag, s[0].tag, s[0].get("class")) for s in pair} == {("section", "h2", None)}


def test_rows_are_joined_by_test_where_there_are_many(job):
    rows = front_rows(job.rows)
    assert len(rows) <= MOST_ROWS
    sliders = {row.subject for row in job.rows if row.test == "slider"}
    told = [row for row in rows if row["row"].test == "slider"]
    if len(sliders) < MOST_ROWS - 3:
        assert len(told) == len(sliders)
    else:
        assert len(told) == 1
        assert f"and {len(sliders) - 1} others" in told[0]["title"]
        assert f"{len(sliders)} in all: {len(sliders)} outside or worse" in told[0]["others"]


def test_the_worst_quantity_carries_its_row(sample_part):
    for line in front_rows(sample_part.rows):
        own = [r for r in sample_part.rows if (r.test, r.subject) == line["row"].group[:2]]
        assert line["bad"] == any(is_bad(row) for row in own)


def test_sentences_are_four_at_most_and_short(job):
    said = sentences(job)
    assert len(said) <= 4
    assert max(map(len, said)) < 260
    assert all(sentence.endswith(".") for sentence in said)


@pytest.fixture(scope="module")
def followed_up(sample_part):
    """The same job with a later stage in which one slider alone was recorded."""
    later = Stage("4_followup", date="2026-09-01")
    job = replace(sample_part.job, stages=(*sample_part.job.stages, later))
    again = [
        replace(o, take=replace(o.take, stage=later.name))
        for o in sample_part.outcomes
        if (o.take.stage, o.take.name.test) == ("3_after", "slider")
    ]
    return Evidence.of(job, [*sample_part.outcomes, *again])


def test_a_follow_up_of_one_slider_hides_nothing_that_was_outside(sample_part, followed_up):
    def bad(evidence):
        return [(*row.group, row.judged.quantity) for row in evidence.rows if is_bad(row)]

    assert len(bad(sample_part)) > 3
    assert bad(followed_up) == bad(sample_part)
    (listed, _) = front_lists(followed_up)
    told = " ".join(text for text, _ in listed.items)
    for row in followed_up.rows:
        if is_bad(row) and row.test != "slider":
            assert row.since == "3_after"
            assert row.limit_verdict.word == "not tested"
            assert row.stood.word == "outside limits"
    assert "in 3 after, not tested since" in told
    carrying = {row["row"].group: row for row in front_rows(followed_up.rows)}
    before = {row["row"].group: row for row in front_rows(sample_part.rows)}
    assert {g: r["row"].judged for g, r in carrying.items()} == {
        g: r["row"].judged for g, r in before.items()
    }
    assert any(row["word"] == "outside" and row["since"] == "3 after" for row in carrying.values())
    lying = sum(row.stood.word == "outside limits" for row in followed_up.rows)
    assert (
        f"Of these, when last tested, {sum_of(followed_up, 'within limits')} lay within, "
        in (sentences(followed_up)[1])
    )
    assert f"{lying} outside" in sentences(followed_up)[1]


def sum_of(evidence, word):
    return sum(row.stood.word == word for row in evidence.rows)


def test_a_follow_up_hides_nothing_in_the_listing_nor_in_the_results(sample_part, followed_up):
    was = [claim.row for claim in claims_of(sample_part) if claim.bad]
    now = [claim for claim in claims_of(followed_up) if claim.bad]
    assert [(c.row.group, c.row.judged) for c in now] == [(r.group, r.judged) for r in was]
    for claim in now:
        assert ("in 3 after, not tested since" in claim.value) == (claim.row.test != "slider")
        assert claim.value in " ".join(long_text(followed_up, "x").split())
    assert f"{len(now)} quantities outside my limits or worse" in short_text(followed_up)
    lines = pd.read_csv(io.BytesIO(followed_up.results()["results.csv"]))
    own = lines[lines.kind == "quantity"]
    stood = [row.stood.word for row in followed_up.rows]
    assert own.last_tested_verdict.fillna("").tolist() == stood
    assert set(own.last_tested.dropna()) == {"3_after"}
    html = report_html(followed_up, {})
    assert parsed(html)[1] == []
    assert "outside limits in 3 after" in html


def test_what_did_not_change_and_what_cannot_be_told_is_listed(sample_part):
    same, lost = second_lists(sample_part)
    for row in sample_part.rows:
        if row.judged.better == "none":
            continue
        if row.verdict == "no change shown":
            assert any(row.judged.label in text for text, _ in same.items)
        if row.verdict.startswith("not comparable"):
            assert any(row.verdict in text and row.judged.label in text for text, _ in lost.items)


def test_charts_are_chosen_by_rule_and_told_apart_in_grey(sample_part):
    chosen = front_chosen(sample_part)
    assert is_bad(chosen[0])
    assert chosen[1].verdict == "improved"
    assert len({row.test for row in chosen}) == 3
    drawn = {n: draw() for bundle in front_drawings(sample_part) for n, draw in bundle.items()}
    assert [name.endswith(FRONT) for name in drawn] == [True] * 3
    for data in drawn.values():
        grey = np.asarray(Image.open(io.BytesIO(data)).convert("L"))
        assert grey.min() < 100
        assert grey.shape[1] > 500


def test_a_test_of_the_owner_s_complaint_is_drawn_first(sample_part):
    settings = replace(sample_part.job.settings, complaint_tests=("waveform-oscillator_2",))
    asked = Evidence.of(replace(sample_part.job, settings=settings), sample_part.outcomes)
    chosen = front_chosen(asked)
    assert (chosen[0].test, chosen[0].subject) == ("waveform", "oscillator_2")
    assert is_bad(chosen[1])
    assert front_chosen(sample_part)[0].test != "waveform"


def test_a_caption_says_outside_where_it_says_improved(sample_part):
    """A change for the better that is not good enough reads as both."""
    outside = [row for row in sample_part.rows if row.limit_verdict.word == "outside limits"]
    assert any(row.verdict == "improved" for row in outside)
    for row in sample_part.rows:
        for told in (front_caption(row), caption(row)):
            assert ("outside limits (" in told) == (row in outside)


def test_pictures_that_are_too_many_go_by_rule():
    """The size of a picture as base64 is 4/3 of its bytes (RFC 4648, 4)."""
    size = MOST_BYTES * 3 // 4 // 10
    names = [f"t-{n}" for n in range(6)]
    every = {n: bytes(size) for name in names for n in (name, name + BESIDE)}
    every |= {f"t-0{FRONT}": bytes(size), LADDER: bytes(size)}
    held = fitting(every, kept=["t-5"])
    assert len(held) == 10
    assert {f"t-0{FRONT}", LADDER, *names} <= set(held)
    assert {f"t-5{BESIDE}"} <= set(held)
    assert fitting(dict.fromkeys(names, b"x"), []) == dict.fromkeys(names, b"x")


def test_a_report_says_where_a_picture_is_that_it_has_no_room_for(sample_part):
    big = {"slider-oscillator_2_level-beside": bytes(MOST_BYTES)}
    report = report_html(sample_part, big)
    assert "charts/slider-oscillator_2_level-beside.png beside this report" in report


@pytest.mark.parametrize(("paper", "points"), [("a4", (595, 842)), ("letter", (612, 792))])
def test_paper(paper, points):
    """A4 by ISO 216: 210 mm x 297 mm; letter by ANSI X3.151: 8.5 in x 11 in; 72 points an inch."""
    printed = pdf_of("<p>one</p>", "report.pdf", paper=paper)
    streams = re.findall(rb"stream\r?\n(.*?)\r?\nendstream", printed, re.DOTALL)
    text = b"".join(zlib.decompress(s) for s in streams if s[:1] == b"x")
    box = re.search(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", text)
    assert tuple(round(float(n)) for n in box.groups()) == points


def test_a_test_without_any_value_still_has_a_row(sample_part):
    """A job of one stage has no before; it claims no change."""
    job = replace(sample_part.job, stages=sample_part.job.stages[-1:])
    last = [o for o in sample_part.outcomes if o.take.stage == "3_after"]
    evidence = Evidence.of(job, last)
    html = report_html(evidence, {})
    tree, errors = parsed(html)
    assert errors == []
    assert "improved" not in text_of(next(e for e in tree.iter("table")))
    assert {TESTS[r["row"].test].name for r in front_rows(evidence.rows)} == {
        o.take.name.test for o in last
    }
