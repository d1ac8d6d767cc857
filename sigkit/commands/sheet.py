"""``sigkit sheet``: print a page that tells how to record a bench test."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any


def add(commands: Any) -> None:
    """Add the command to the sub-parsers of ``sigkit``."""
    parser = commands.add_parser(
        "sheet", help="write pages to print: how to record a test, and what to write down"
    )
    parser.add_argument("tests", nargs="*", metavar="TEST", help="bench tests; none: all")
    parser.add_argument("--paper", choices=("a4", "letter"), default="a4", help="default: a4")
    parser.add_argument("--out", type=Path, default=Path("sheets"), metavar="DIR")
    parser.add_argument("--no-pdf", action="store_true", help="HTML only")
    parser.set_defaults(run=run)


def run(call: argparse.Namespace) -> int:
    """Write the sheets and say where they are."""
    from sigkit.evidence.sheets.pages import write_sheets

    for path in write_sheets(call.tests, call.out, paper=call.paper, pdf=not call.no_pdf):
        print(f"Written: {path}")
    return 0
