"""Protocol sheets: a page for each bench test that tells how to record it, to print and fill in."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Mapping, Sequence
from functools import lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from sigkit.captures.cues.plan import Plan, plan_of
from sigkit.captures.remarks import spoken_time
from sigkit.errors import InputError
from sigkit.evidence.report.pdf import pdf_of
from sigkit.measures import TESTS, bench_test

PAGES: Mapping[str, str] = {"a4": "A4", "letter": "letter"}
SIZES: Mapping[str, Mapping[str, float]] = {
    "a4": {"body_pt": 12, "small_pt": 10.5, "blank_mm": 5},
    "letter": {"body_pt": 11.5, "small_pt": 10, "blank_mm": 4.2},
}
"""What fills a page of each paper and not more."""
BEEPS: Mapping[str, str] = {
    "up": "1 beep",
    "down": "2 beeps",
    "next": "3 beeps",
    "stop": "1 long beep",
}
BLANKS = (
    ("Unit, stage", "Date, time", "Who recorded"),
    ("Part under test", "Setting of its control", "Octave switch"),
    ("Room, °C", "Minutes since power-on", "Rails, V (+ and -)"),
    ("Gain, dB or mark", "Recorder, inputs 1 and 2", "Takes, files"),
)
"""What is written down beside every take."""


@lru_cache(maxsize=1)
def sheet_texts() -> Mapping[str, Mapping[str, Any]]:
    """Return what the sheets say, by test, and what all say under ``common``."""
    text = files("sigkit.evidence.sheets").joinpath("sheets.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


def sheet_html(test: str, *, paper: str = "a4") -> str:
    """Return the protocol sheet of a bench test as one page of HTML.

    Parameters
    ----------
    test : str
        Name of the bench test.
    paper : {"a4", "letter"}, optional
        Size of the page.

    Raises
    ------
    InputError
        No such test or paper.
    """
    import jinja2

    if paper not in PAGES:
        raise InputError(
            f"There is no paper {paper!r} here.", where="sheet, paper", remedy="Use a4 or letter."
        )
    named = bench_test(test, where="sheet")
    texts = sheet_texts()
    sheet, common = texts[test], texts["common"]
    plan = plan_of(test)
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("sigkit.evidence.sheets"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    return environment.get_template("sheet.html").render(
        title=named.title,
        test=test,
        page=PAGES[paper],
        size=SIZES[paper],
        sheet=sheet,
        common=common,
        cue_length=spoken_time(plan.length_s),
        beeps=_beeps(plan),
        blanks=BLANKS,
        care=[*sheet["care"], *common["care"]],
    )


def _beeps(plan: Plan) -> list[tuple[str, str]]:
    """Return each beep with what it asks for, different askings joined."""
    asked: dict[str, list[str]] = {}
    for step in plan.steps:
        words = asked.setdefault(step.kind, [])
        if step.words not in words:
            words.append(step.words)
    return [(BEEPS[kind], "; then: ".join(asked[kind])) for kind in BEEPS if kind in asked]


def write_sheets(
    tests: Sequence[str],
    folder: str | os.PathLike[str] = ".",
    *,
    paper: str = "a4",
    pdf: bool = True,
) -> list[Path]:
    """Write protocol sheets, as HTML and as PDF.

    Parameters
    ----------
    tests : sequence of str
        Names of bench tests; none: all.
    folder : str or path-like, optional
        Where to; made if it is not there. Sheets that are there already are made anew.
    paper : {"a4", "letter"}, optional
        Size of the page.
    pdf : bool, optional
        Whether to write PDF files too.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    InputError
        No such test or paper, a folder that cannot be written to, or no WeasyPrint for PDF; the
        HTML files are written all the same.
    """
    pages = {test: sheet_html(test, paper=paper) for test in (tests or tuple(TESTS))}
    folder, written = Path(folder), []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for test, page in pages.items():
            written.append(folder / f"sheet-{test}-{paper}.html")
            written[-1].write_text(page, encoding="utf-8")
        for test, page in pages.items() if pdf else ():
            written.append(folder / f"sheet-{test}-{paper}.pdf")
            written[-1].write_bytes(pdf_of(page, str(folder)))
    except OSError as error:
        raise InputError(
            f"The sheets cannot be written: {error.strerror or error}.",
            where=str(folder),
            remedy="Choose a folder that you may write to.",
        ) from None
    return written
