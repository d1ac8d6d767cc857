"""``sigkit check``: whether captures are good enough to leave the bench."""

from __future__ import annotations

import argparse
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sigkit.evidence.run.checks import Check

WIDTH = 80
OK, PROBLEMS = 0, 1


def add(commands: Any) -> None:
    """Add the command to the parser of ``sigkit``."""
    check = commands.add_parser("check", help="say whether captures are fit to measure")
    check.add_argument(
        "paths", nargs="+", type=Path, metavar="FILE", help="WAV files, or folders of them"
    )
    check.add_argument("--test", metavar="NAME", help="bench test, where the name does not say it")
    check.set_defaults(run=run)


def run(call: argparse.Namespace) -> int:
    """Check every file, print what is wrong with it as soon as it is known, and count."""
    from sigkit.evidence.run.checks import CaptureChecks, checked

    done = []
    for check in checked(call.paths, call.test):
        print("\n".join(lines_of(check)), flush=True)
        done.append(check)
    checks = CaptureChecks(tuple(done))
    print(f"\n{checks.count}")
    return OK if checks.ok else PROBLEMS


def lines_of(check: Check) -> list[str]:
    """Return a check as plain text of at most 80 columns: the capture, then each finding."""
    facts = f"{check.facts}: " if check.facts else ""
    lines = [f"{check.name}: {facts}{check.verdict}"]
    if len(lines[0]) > WIDTH:
        lines = [*textwrap.wrap(check.name, WIDTH), f"  {facts}{check.verdict}"]
    if check.error is not None:
        for text in (check.error.problem, check.error.remedy):
            lines += _wrapped(text)
        return lines
    for note in check.notes:
        lines += _wrapped(f"note: {note}")
    for problem in check.problems:
        again = ": record again" if problem.severity == "record again" else ""
        lines += _wrapped(f"{problem.kind}{again}: {problem.how_much}, {problem.where}")
        lines += _wrapped(f"harms {problem.harmed}. {problem.remedy}", "    ")
    return lines


def _wrapped(text: str, indent: str = "  ") -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent="    ")
