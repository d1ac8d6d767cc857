"""``sigkit sheet``: print a page that tells how to record a bench test."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from sigkit.commands.parser import add_command, add_json
from sigkit.commands.progress import waiting
from sigkit.commands.say import OK, print_json

START_S, PAGE_S = 2.0, 1.0
"""What a PDF usually takes; for the time that is shown meanwhile."""


def add(commands: Any) -> None:
    """Add the command to those of ``sigkit``."""
    parser = add_command(
        commands,
        run,
        short="write pages to print: how to record each test",
        text="Writes a page for each test, as HTML and PDF: what to set, what to play and for how "
        "long, level, channels, a table to fill in, the file name to give, cautions.",
        example="sigkit sheet slider keyboard --no-pdf",
    )
    parser.add_argument("tests", nargs="*", metavar="TEST", help="bench tests; none: all")
    parser.add_argument("--paper", choices=("a4", "letter"), default="a4", help="default: a4")
    parser.add_argument(
        "--out", type=Path, default=Path("sheets"), metavar="DIR", help="default: sheets"
    )
    parser.add_argument("--no-pdf", action="store_true", help="HTML only, to print from a browser")
    add_json(parser, "print the names of the files as JSON")


def run(call: argparse.Namespace) -> int:
    """Write the sheets and say where they are."""
    from sigkit.evidence.sheets.pages import write_sheets
    from sigkit.measures import TESTS

    usual_s = 0.0 if call.no_pdf else START_S + PAGE_S * (len(call.tests) or len(TESTS))
    with waiting("writing the sheets", usual_s):
        files = write_sheets(call.tests, call.out, paper=call.paper, pdf=not call.no_pdf)
    if call.json:
        print_json("sheet", {"files": files})
        return OK
    for path in files:
        print(f"Written: {path}")
    return OK
