"""``sigkit check``: whether captures are good enough to leave the bench."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sigkit.commands.parser import add_command, add_json
from sigkit.commands.progress import Progress
from sigkit.commands.say import OK, PROBLEMS, WIDTH, folded, print_json
from sigkit.errors import InputError

if TYPE_CHECKING:
    from sigkit.evidence.run.checks import CaptureChecks, Check


def add(commands: Any) -> None:
    """Add the command to those of ``sigkit``."""
    parser = add_command(
        commands,
        run,
        short="say whether captures are fit to measure",
        text="Reads every capture and says what is wrong with it, where, how much, which tests "
        "that harms and what to do. Writes nothing.",
        example="sigkit check my_job/1_before",
    )
    parser.add_argument(
        "paths", nargs="+", type=Path, metavar="FILE", help="WAV files, or folders of them"
    )
    parser.add_argument("--test", metavar="NAME", help="bench test, where the name does not say it")
    add_json(parser)


def run(call: argparse.Namespace) -> int:
    """Check every file, print what is wrong with it as soon as it is known, and sum up."""
    from sigkit.evidence.run.checks import CaptureChecks, captures_in, checked, size_of

    captures = list(captures_in(call.paths))
    if not captures:
        raise InputError(
            "There are no captures to check.",
            where=", ".join(map(str, call.paths)),
            remedy="Name WAV files, a folder that holds some, or a job.",
        )
    sizes = [size_of(capture) for capture in captures]
    progress = Progress("checking", sum(sizes))
    done: list[Check] = []
    for check in checked(captures, call.test):
        progress.clear()
        done.append(check)
        if not call.json:
            print("\n".join(lines_of(check)), flush=True)
        progress(sum(sizes[: len(done)]), f"{len(done)} of {len(sizes)}")
    progress.clear()
    checks = CaptureChecks(tuple(done))
    if call.json:
        print_json("check", checks.to_dict())
    else:
        print("\n".join(["", *summary_of(checks)]))
    return OK if checks.ok else PROBLEMS


def summary_of(checks: CaptureChecks) -> list[str]:
    """Return the count, and where there are many captures the names of those to do again."""
    lines = [checks.count]
    if len(checks.checks) > 1:
        for verdict in ("record again", "unreadable"):
            names = [check.name for check in checks.checks if check.verdict == verdict]
            lines += [f"{verdict}:", *(f"  {name}" for name in names)] if names else []
    return lines


def lines_of(check: Check) -> list[str]:
    """Return a check as plain text of at most 80 columns: the capture, then each finding."""
    facts = f"{check.facts}: " if check.facts else ""
    lines = [f"{check.name}: {facts}{check.verdict}"]
    if len(lines[0]) > WIDTH:
        lines = [*folded(check.name), f"  {facts}{check.verdict}"]
    if check.error is not None:
        for text in (check.error.problem, check.error.remedy):
            lines += folded(text, "  ", "    ")
        return lines
    for note in check.notes:
        lines += folded(f"note: {note}", "  ", "    ")
    for problem in check.problems:
        harmed = not check.test or check.test in problem.harms
        again = ": record again" if harmed and problem.severity == "record again" else ""
        lines += folded(f"{problem.kind}{again}: {problem.how_much}, {problem.where}", "  ", "    ")
        lines += folded(f"harms {problem.harmed}. {problem.remedy}", "    ", "    ")
    return lines
