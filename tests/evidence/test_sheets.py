"""Protocol sheets: one page for every bench test, on both papers, that says what the rules say."""

from __future__ import annotations

import builtins
import html
import re

import pytest

from sigkit.captures.cues.plan import plan_of
from sigkit.cli import main
from sigkit.errors import InputError
from sigkit.evidence.job.names import read_name
from sigkit.evidence.sheets.pages import BLANKS, sheet_html, sheet_texts, write_sheets
from sigkit.measures import TESTS


def text_of(page: str) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page.split("</style>")[1])).split())


def test_every_bench_test_has_a_sheet_and_no_other():
    assert set(sheet_texts()) == {"common", *TESTS}


@pytest.mark.parametrize("test", TESTS)
def test_a_sheet_says_what_to_set_play_record_and_write_down(test):
    text, said = text_of(sheet_html(test)), sheet_texts()[test]
    for line in (*said["set"], *said["play"], said["length"], said["level"], said["name"]):
        assert line in text
    for row in BLANKS:
        for blank in row:
            assert blank in text
    for step in plan_of(test).steps:
        assert step.words in text
    assert f"sigkit cue {test}" in text
    assert "trained and permitted" in text
    assert "discharge through a resistor" in text
    assert "earthed or double-insulated" in text


@pytest.mark.parametrize("test", TESTS)
def test_the_file_name_on_a_sheet_is_one_that_a_job_takes(test):
    assert read_name(sheet_texts()[test]["name"]).test == test


def test_the_cue_for_a_slider_takes_the_time_that_its_sheet_says():
    assert plan_of("slider").length_s == pytest.approx(55, abs=5)
    assert plan_of("keyboard").length_s == pytest.approx(140, abs=5)
    assert plan_of("beating").length_s == pytest.approx(200, abs=5)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_each_sheet_fills_one_page(paper):
    try:
        import weasyprint
    except (ImportError, OSError) as error:  # not installed, or without the Pango library
        pytest.skip(f"WeasyPrint cannot be used: {error}")
    sizes = {"a4": (210, 297), "letter": (215.9, 279.4)}  # ISO 216; ANSI/ASME Y14.1, mm
    for test in TESTS:
        document = weasyprint.HTML(string=sheet_html(test, paper=paper)).render()
        assert len(document.pages) == 1, test
        page = document.pages[0]
        inches = (page.width / 96 * 25.4, page.height / 96 * 25.4)
        assert inches == pytest.approx(sizes[paper], abs=0.2)


def test_the_command_writes_pages(tmp_path, capsys):
    assert main(["sheet", "slider", "noise", "--no-pdf", "--out", str(tmp_path / "s")]) == 0
    names = sorted(p.name for p in (tmp_path / "s").iterdir())
    assert names == ["sheet-noise-a4.html", "sheet-slider-a4.html"]
    assert capsys.readouterr().out.count("Written: ") == 2


def test_without_weasyprint_the_pages_are_there_and_the_way_to_pdf_is_said(
    tmp_path, monkeypatch, capsys
):
    real = builtins.__import__

    def no_weasyprint(name, *rest, **more):
        if name == "weasyprint":
            raise ImportError(name)
        return real(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", no_weasyprint)
    assert main(["sheet", "slider", "--paper", "letter", "--out", str(tmp_path)]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 3
    assert "pip install 'sigkit[pdf]'" in lines[2]
    assert (tmp_path / "sheet-slider-letter.html").exists()


def test_wrong_calls_are_said_in_three_lines(tmp_path):
    for call in (
        lambda: sheet_html("slidr"),
        lambda: sheet_html("slider", paper="a5"),
        lambda: write_sheets(["slider"], tmp_path / "file" / "x"),
    ):
        (tmp_path / "file").write_text("")
        with pytest.raises(InputError) as error:
            call()
        assert len(str(error.value).splitlines()) == 3
