"""The report as a document: valid, alone, with anchors, and complete in what it says of itself."""

import datetime
import itertools
import re
import struct
from base64 import b64decode
from dataclasses import replace
from pathlib import Path

import pytest
from reports import COMPLAINT, by_id, parsed, text_of

from sigkit.evidence.evidence import Evidence
from sigkit.evidence.job.folder import Job
from sigkit.evidence.job.settings import Settings
from sigkit.evidence.job.stages import Stage
from sigkit.evidence.logs.readings import Reading
from sigkit.evidence.logs.repairs import Repair
from sigkit.evidence.report.about import NOT_GIVEN, issued_on, quoted
from sigkit.evidence.report.captures import css_text
from sigkit.measures import TESTS

ITEMS = {
    "a title": "top",
    "name of who measured": "made-by",
    "where it was done": "made-at",
    "unique identification": "report-name",
    "end of the report": "end",
    "for whom": "customer",
    "method": "all-results",
    "description of the item": "unit",
    "condition of the item": "condition",
    "date of receipt": "received",
    "dates of the tests": "capture-dates",
    "date of issue": "issued",
    "sampling": "selection",
    "relates only to the items tested": "only-this-unit",
    "results with units": "all-results",
    "deviations and exclusions": "not-tested",
    "results of others": "outside-work",
    "not reproduced in part": "whole",
    "conditions of the environment": "conditions",
    "decision rule": "judging",
}
"""Items that ISO/IEC 17025:2017, 7.8.2.1 and 7.8.3.1, ask of a report (from memory)."""
PIECES = {"tr": ("th", "td"), "ul": ("li",), "ol": ("li",), "dl": ("dt", "dd")}


@pytest.fixture(scope="module")
def html(sample_folder):
    return (sample_folder / "report.html").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def tree(html):
    return parsed(html)[0]


def test_it_follows_the_grammar_of_html(html):
    """WHATWG HTML, 13.2, as tinyhtml5 parses it; and that parser does notice."""
    assert parsed(html)[1] == []
    assert parsed(html.replace("</h1>", "</p></h1>", 1))[1]
    assert parsed(html.replace("<table ", "<table><p>lost</p><table ", 1))[1]


def test_elements_hold_what_they_may(tree):
    for element in tree.iter():
        for child in element:
            if element.tag in PIECES:
                assert child.tag in PIECES[element.tag], f"{child.tag} in {element.tag}"
        if element.tag == "table":
            rows = [row for part in element for row in part]
            widths = {sum(int(c.get("colspan", 1)) for c in row) for row in rows}
            assert len(widths) == 1, f"a table with rows of {widths} cells"


def test_every_address_is_inside_and_every_anchor_is_there_once(tree, html):
    names = [element.get("id") for element in tree.iter() if element.get("id")]
    assert len(names) == len(set(names))
    links = [element.get("href") for element in tree.iter("a")]
    assert links
    assert [link for link in links if link[0] != "#" or link[1:] not in names] == []
    sources = [element.get("src") for element in tree.iter() if element.get("src")]
    assert all(source.startswith("data:image/png;base64,") for source in sources)
    assert not re.search(r"(?:https?:)?//[a-z]|<script|<link|@import|url\(", strip(html))


def strip(html):
    return re.sub(r"data:image/png;base64,[^\"]+", "", html)


def test_headings_come_in_order(tree):
    levels = [int(e.tag[1]) for e in tree.iter() if re.fullmatch(r"h[1-6]", str(e.tag))]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b <= a + 1 for a, b in itertools.pairwise(levels))


def test_every_picture_is_told_in_words_with_numbers(tree, sample_part):
    pictures = list(tree.iter("img"))
    assert len(pictures) >= 2 * len({row.group for row in sample_part.rows})
    for picture in pictures:
        alt = picture.get("alt")
        assert re.search(r"\d+(\.\d+)? ±|\(\d|no capture|not measurable|at most", alt), alt
        assert len(alt) > 60
    assert len({picture.get("alt") for picture in pictures}) == len(pictures)


@pytest.mark.parametrize("item", ITEMS)
def test_what_a_report_has_to_say_of_itself(tree, item):
    assert ITEMS[item] in by_id(tree), item
    assert text_of(by_id(tree)[ITEMS[item]])


def test_what_the_job_says_of_the_report_stands_there(tree):
    told = {
        e.get("id"): text_of(n)
        for d in tree.iter("dl")
        for e, n in zip(d[::2], d[1::2], strict=True)
    }
    assert told["made-by"] == "bench 2"
    assert told["made-at"] == "workshop"
    assert told["received"] == "2026-02-20"
    assert told["issued"] == "2026-03-24"
    assert told["complaint"] == quoted(COMPLAINT)
    assert (
        told["capture-dates"] == "1 before: 2026-03-02; 2 cleaned: 2026-03-09; 3 after: 2026-03-23"
    )
    assert told["unit"] == "K14: 44-key two-oscillator keyboard synthesizer"
    assert "only the unit named above" in told["only-this-unit"]
    assert NOT_GIVEN not in " ".join(told.values())


def test_the_owner_s_words_stand_on_page_one_as_they_were_said(tree, html):
    """Quoted, escaped, on one line, cut where they are long, and whole below."""
    (front,) = (e for e in tree.iter("section") if e.get("class") == "page-one")
    (said,) = (e for e in front.iter("q"))
    text = text_of(said)
    assert len(text) < 250
    assert text.endswith(" ...\N{RIGHT DOUBLE QUOTATION MARK}")
    assert " ".join(COMPLAINT.split()).startswith(text[1:-5])
    assert "<b>" in text
    assert "<b>" not in html
    assert next(i for i, e in enumerate(front) if said in e.iter()) < [e.tag for e in front].index(
        "table"
    )


@pytest.mark.parametrize(
    ("given", "dates", "told"),
    [
        ("2026-03-24", ("2026-03-02", "2026-03-23"), "2026-03-24"),
        ("", ("2026-03-23", "2026-03-02"), "not given; not before 2026-03-23, the last date in"),
        ("", ("2026-03-02T21:30", ""), "not given; not before 2026-03-02, the last date in"),
        ("", ("", ""), "not given, and nothing in this job is dated"),
        ("March", ("2026-03-02", ""), "March"),
        ("2026-03-01", ("2026-03-02", ""), "2026-03-01, which is before the last date in this job"),
    ],
)
def test_the_date_of_issue_is_never_made_up(given, dates, told):
    job = Job(
        Path("job"),
        Settings(report={"issued": given} if given else {}),
        tuple(Stage(f"{n}", date=date) for n, date in enumerate(dates)),
        (),
    )
    assert issued_on(Evidence.of(job, ())).startswith(told)


def test_repairs_and_readings_are_dates_too():
    repair = Repair(2, "", "2026-05-01", "", (), "", "filter capacitors replaced", "", None)
    clock = datetime.datetime(2026, 5, 2, 23, 59)
    stage = Stage("1", date="2026-03-02", readings=(Reading(2, "1", clock=clock),))
    job = Job(Path("job"), Settings(), (stage,), (), repairs=(repair,))
    assert "not before 2026-05-02" in issued_on(Evidence.of(job, ()))
    job = replace(job, stages=(replace(stage, readings=()),))
    assert "not before 2026-05-01" in issued_on(Evidence.of(job, ()))


def test_each_test_says_method_reference_decision_and_what_it_does_not_show(tree, sample_part):
    names = by_id(tree)
    html_text = text_of(tree)
    for group in {row.group for row in sample_part.rows}:
        assert "-".join(part for part in group if part) in names
    number = len({row.group for row in sample_part.rows})
    for word in ("Method.", "After:", "Taken from.", "Decision.", "Not shown."):
        assert html_text.count(word) == number, word
    assert "common practice, no source" in html_text
    assert "JCGM 106" in html_text


def test_every_test_has_its_method_and_names_quantities_that_exist():
    from sigkit.evidence.report.methods import methods

    assert list(methods()) == list(TESTS)
    for name, told in methods().items():
        judged = {j.quantity for j in TESTS[name].judged}
        assert set(told.beside_quantities) <= judged
        assert told.method
        assert told.reference
        assert told.not_shown


def test_every_value_leads_to_its_capture(tree, sample_part):
    names = by_id(tree)
    for number, row in enumerate(sample_part.rows, start=2):
        links = {a.get("href")[1:] for a in names[f"r{number}"].iter("a")}
        files = {
            o.take.key
            for o in sample_part.outcomes
            for stage, cell in row.cells.items()
            if (o.take.name.test, o.take.name.subject, o.take.name.setting) == row.group
            and o.take.stage == stage
            and cell.quantity.measurable
        }
        shown = {text_of(names[link]).split()[1] for link in links}
        assert {re.sub(r"\.wav.*", ".wav", text) for text in shown} == files


def test_every_capture_is_listed_with_size_date_and_whole_hash(tree, sample_part):
    names = by_id(tree)
    listed = sample_part.capture_list()
    for number, capture in enumerate(listed, start=1):
        text = text_of(names[f"c{number}"])
        for part in (capture["path"], capture["sha256"], str(capture["bytes"]), "2026-03-", "yes"):
            assert part in text
    assert f"c{len(listed) + 1}" not in names


def test_readings_and_repairs_are_there(tree):
    text = text_of(tree)
    assert "room, °C: 19.5" in text.replace("\N{NO-BREAK SPACE}", " ")
    assert "contact cleaner that leaves no residue" in text


def test_printed_pages_name_the_report(html, sample_folder):
    import hashlib

    code = hashlib.sha256((sample_folder / "results.json").read_bytes()).hexdigest()[:16]
    assert f'content: "Bench evidence, K14, results {code}, 2026' in html
    assert f"End of the report on K14, results {code}." in text_of(parsed(html)[0])
    assert 'counter(page) " of " counter(pages)' in html


def test_a_unit_cannot_leave_the_header():
    assert css_text('a"; } </style>') == r"a\000022\00003b \00007d \00003c\00002fstyle\00003e"


def test_pictures_have_a_palette(tree):
    """PNG, W3C second edition, 11.2.2: colour type 3 in byte 25 of the file."""
    data = b64decode(next(tree.iter("img")).get("src").partition(",")[2])
    assert struct.unpack(">B", data[25:26]) == (3,)
