"""The ``sigkit`` command."""

from __future__ import annotations

import argparse
import os
import sys
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

from sigkit.commands.say import complain
from sigkit.errors import SigkitError

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence
    from sigkit.evidence.rows.table import Row

WIDTH = 80
OK, PROBLEMS, WRONG_CALL, INTERRUPTED = 0, 1, 2, 130
CODE_DIGITS = 16


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the ``sigkit`` command.

    Parameters
    ----------
    arguments : sequence of str, optional
        What follows ``sigkit`` on the command line; None takes the program's own.

    Returns
    -------
    int
        0 done, 1 done with problems, 2 the call or the job is wrong, 130 interrupted.
    """
    try:
        call = _parser().parse_args(arguments)
        return int(call.run(call))
    except SigkitError as error:
        complain(error.problem, error.where, error.remedy)
        return WRONG_CALL
    except KeyboardInterrupt:
        print("Interrupted: nothing is half-written; run it again to finish.", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return OK


def _evidence(call: argparse.Namespace) -> int:
    from sigkit.evidence.earlier import beside_earlier
    from sigkit.evidence.job.folder import open_job
    from sigkit.evidence.manifest import FILE, sha256

    job = open_job(call.folder)
    out = Path(call.folder, "evidence") if call.out is None else call.out
    evidence = job.measure(cache=not call.fresh)
    pdf = call.pdf or call.paper is not None
    folder = evidence.write(out, pdf=pdf, paper=call.paper or "a4", progress=True)
    print("\n".join(table_lines(evidence)))
    print(f"Captures: {evidence.origin}")
    print(f"\nWritten: {folder / 'report.html'}")
    code = sha256(folder / FILE)[:CODE_DIGITS]
    print(f"Code of this evidence, to give to someone else early: {code}")
    for line in beside_earlier(folder):
        print("\n".join(_wrapped(line, "", "  ")))
    nothing_measured = not any(outcome.measured for outcome in evidence.outcomes)
    lost = any(problem.lost for problem in evidence.problems)
    return PROBLEMS if lost or nothing_measured else OK


def _demo(call: argparse.Namespace) -> int:
    from sigkit.synth.demo import make_demo

    files = make_demo(call.folder, remake=call.remake)
    print(f"{len(files)} files of the demo job are in {call.folder}")
    print(f"Measure them with: sigkit evidence {call.folder}")
    return OK


def _verify(call: argparse.Namespace) -> int:
    from sigkit.evidence.manifest import MEANING, verify

    found = verify(call.folder, call.captures, recompute=call.recompute, progress=True)
    print("\n".join([*found.lines(), *found.codes()]))
    print(textwrap.fill(MEANING, WIDTH))
    return OK if found.ok else PROBLEMS


def table_lines(evidence: Evidence) -> list[str]:
    """Return the before/after table as plain text of at most 80 columns."""
    from sigkit.evidence.report.pages import causes_told, group_title, shared_remarks
    from sigkit.evidence.rows.table import SINGLE

    lines: list[str] = []
    for group in dict.fromkeys(row.group for row in evidence.rows):
        rows = [row for row in evidence.rows if row.group == group]
        lines += [""] if lines else []
        lines += textwrap.wrap(group_title(group), WIDTH)
        for row in rows:
            lines += _row_lines(row)
        for label, cause in causes_told(rows):
            lines += _wrapped(f"Outside limits: {label}. {cause}", "  ", "    ")
            for caution in cause.cautions:
                lines += _wrapped(caution, "    caution: ", "      ")
        for remark in shared_remarks(rows):
            lines += _wrapped(remark, "  remark: ", "    ") if remark != SINGLE else []
    used = sum(outcome.used for outcome in evidence.outcomes)
    lines += ["", f"{used} of {evidence.capture_count} captures used"]
    if evidence.problems:
        lines += ["", "Problems"]
        for problem in evidence.problems:
            lines += _wrapped(f"{problem.where}: {problem.problem} {problem.remedy}", "  ", "    ")
    return lines


def _row_lines(row: Row) -> list[str]:
    from sigkit.evidence.report.pages import cell_text, change_text, limit_text
    from sigkit.measures.result import words

    lines = [f"  {row.judged.label}"]
    width = max(len(words(name)) for name in row.cells) + 2
    for name, cell in row.cells.items():
        head = f"    {words(name):{width}}"
        lines += _wrapped(cell_text(cell), head, " " * len(head))
    head = f"    {'change':{width}}"
    text = ", ".join(part for part in (change_text(row.change), _short_verdict(row)) if part)
    if text:
        lines += _wrapped(text, head, " " * len(head))
    if row.limit_verdict.word:
        head = f"    {'limit':{width}}"
        text = f"{row.limit_verdict.word} ({limit_text(row)})"
        lines += _wrapped(text, head, " " * len(head))
    return lines


def _short_verdict(row: Row) -> str:
    """Return the verdict, without a reason that stands in the line of a stage already."""
    verdict = row.verdict
    for name, cell in row.cells.items():
        reason = cell.quantity.reason
        if reason:
            verdict = verdict.removesuffix(f": {name}: {reason}").removesuffix(f" ({reason})")
    return verdict


def _wrapped(text: str, first: str, rest: str) -> list[str]:
    lines = textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=rest)
    return [line.replace("\N{NO-BREAK SPACE}", " ") for line in lines]


class _Parser(argparse.ArgumentParser):
    """A parser whose errors have three lines like all others."""

    def error(self, message: str) -> NoReturn:
        complain(f"{message[:1].upper()}{message[1:]}.", self.prog, f"See '{self.prog} --help'.")
        raise SystemExit(WRONG_CALL)


def _parser() -> _Parser:
    import sigkit
    from sigkit.commands import check, cue, measure, new, record, sheet

    parser = _Parser(
        prog="sigkit",
        description="Bench tests of analogue keyboard synthesizers, recorded as WAV, measured with "
        "uncertainty and set side by side as evidence.",
    )
    parser.add_argument("--version", action="version", version=f"sigkit {sigkit.__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND")

    evidence = commands.add_parser("evidence", help="measure a job folder and write its evidence")
    evidence.add_argument("folder", type=Path, metavar="FOLDER", help="one sub-folder per stage")
    evidence.add_argument(
        "--out", type=Path, metavar="DIR", help="default: FOLDER/evidence; dated where taken"
    )
    evidence.add_argument("--pdf", action="store_true", help="write report.pdf too")
    evidence.add_argument("--paper", choices=("a4", "letter"), help="paper of report.pdf (a4)")
    evidence.add_argument(
        "--fresh", action="store_true", help="measure all anew; keep nothing for a later run"
    )
    evidence.set_defaults(run=_evidence)

    demo = commands.add_parser("demo", help="make the demo job")
    demo.add_argument("folder", nargs="?", type=Path, default=Path("sample_audio"))
    demo.add_argument("--remake", action="store_true", help="make its captures anew, bit for bit")
    demo.set_defaults(run=_demo)

    verify = commands.add_parser("verify", help="check evidence against its manifest")
    verify.add_argument("folder", type=Path, metavar="FOLDER", help="the evidence folder")
    verify.add_argument(
        "--captures", type=Path, metavar="DIR", help="the job folder, or one WAV file"
    )
    verify.add_argument(
        "--recompute", action="store_true", help="measure again and compare with results.csv"
    )
    verify.set_defaults(run=_verify)

    new.add(commands)
    measure.add(commands)
    record.add(commands)
    cue.add(commands)
    sheet.add(commands)
    check.add(commands)
    return parser
