"""``sigkit evidence``: a whole job measured, and its evidence written."""

from __future__ import annotations

import argparse
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sigkit.commands.parser import add_command, add_json
from sigkit.commands.say import CODE_DIGITS, OK, PROBLEMS, folded, print_json

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence
    from sigkit.evidence.rows.table import Row


def add(commands: Any) -> None:
    """Add the command to those of ``sigkit``."""
    parser = add_command(
        commands,
        run,
        short="measure a job and write its report",
        text="Measures every capture of a job folder, puts its stages side by side, and writes "
        "report, charts, tables, the kit for a listing and the list of hashes. Older evidence "
        "stays as it is; newer goes into a dated folder beside it.",
        example="sigkit evidence my_job",
    )
    parser.add_argument(
        "folder", type=Path, metavar="FOLDER", help="the job: one sub-folder for each stage"
    )
    parser.add_argument(
        "--out", type=Path, metavar="DIR", help="default: FOLDER/evidence; dated where taken"
    )
    parser.add_argument("--pdf", action="store_true", help="write report.pdf too")
    parser.add_argument("--paper", choices=("a4", "letter"), help="paper of report.pdf (a4)")
    parser.add_argument(
        "--fresh", action="store_true", help="measure all anew; keep nothing for a later run"
    )
    add_json(parser, "print all results as JSON instead of the table")


def run(call: argparse.Namespace) -> int:
    """Measure, write, and print the table and what there is to look at."""
    from sigkit.evidence.earlier import beside_earlier
    from sigkit.evidence.job.folder import open_job
    from sigkit.evidence.manifest import FILE, sha256

    job = open_job(call.folder)
    out = Path(call.folder, "evidence") if call.out is None else call.out
    evidence = job.measure(cache=not call.fresh)
    pdf = call.pdf or call.paper is not None
    folder = evidence.write(out, pdf=pdf, paper=call.paper or "a4", progress=True)
    code = sha256(folder / FILE)[:CODE_DIGITS]
    if call.json:
        found = {"written": folder / "report.html", "code": code, **document_of(evidence)}
        print_json("evidence", found)
    else:
        print("\n".join(table_lines(evidence)))
        print(f"Captures: {evidence.origin}")
        print(f"\nWritten: {folder / 'report.html'}")
        print(f"Code of this evidence, to give to someone else early: {code}")
        for line in beside_earlier(folder):
            print("\n".join(folded(line)))
    nothing_measured = not any(outcome.measured for outcome in evidence.outcomes)
    lost = any(problem.lost for problem in evidence.problems)
    return PROBLEMS if lost or nothing_measured else OK


def document_of(evidence: Evidence) -> dict[str, Any]:
    """Return what ``results.json`` holds, with numbers in full instead of nine digits."""
    document = evidence.to_dict()
    results = [outcome.result for outcome in evidence.outcomes]
    return {
        "results_schema": document.pop("schema_version"),
        **document,
        "rows": [row.to_dict() for row in evidence.rows],
        "sliders": [line.to_dict() for line in evidence.ladder.lines],
        "setting_orders": [order.to_dict() for order in evidence.setting_orders],
        "captures": [
            {**entry, "result": None if result is None else result.to_dict()}
            for entry, result in zip(document["captures"], results, strict=True)
        ],
    }


def table_lines(evidence: Evidence) -> list[str]:
    """Return the before/after table as plain text of at most 80 columns."""
    from sigkit.evidence.report.pages import causes_told, group_title, shared_remarks
    from sigkit.evidence.rows.gaps import gaps_of, gaps_told
    from sigkit.evidence.rows.table import SINGLE
    from sigkit.measures.result import words

    lines: list[str] = []
    for group in dict.fromkeys(row.group for row in evidence.rows):
        rows = [row for row in evidence.rows if row.group == group]
        lines += [""] if lines else []
        lines += folded(group_title(group), rest="")
        for _, alike in groupby(rows, _answerless):
            first, *others = alike
            lines += _row_lines(first)
            if others and _answerless(first):
                names = ", ".join(row.judged.label for row in others)
                lines += folded(f"the same of: {names}", "  ", "    ")
            else:
                lines += [line for row in others for line in _row_lines(row)]
        for label, cause in causes_told(rows):
            lines += folded(f"Outside limits: {label}. {cause}", "  ", "    ")
            for caution in cause.cautions:
                lines += folded(caution, "    caution: ", "      ")
        for remark in shared_remarks(rows):
            lines += folded(remark, "  remark: ", "    ") if remark != SINGLE else []
    if evidence.ladder.lines:
        lines += ["", "All sliders: what to do next"]
        for line in evidence.ladder.lines:
            name = words(" ".join(part for part in (line.subject, line.setting) if part))
            lines += folded(f"{name}: {line.step.finding}: {line.step.step}", "  ", "    ")
            for caution in line.step.cautions:
                lines += folded(caution, "    caution: ", "      ")
    used = sum(outcome.used for outcome in evidence.outcomes)
    lines += ["", f"{used} of {evidence.capture_count} captures used"]
    lines += folded(gaps_told(gaps_of(evidence)))
    if evidence.problems:
        lines += ["", "Problems"]
        for problem in evidence.problems:
            lines += folded(f"{problem.where}: {problem.problem} {problem.remedy}", "  ", "    ")
    return lines


def _answerless(row: Row) -> tuple[str, ...]:
    """Return what is said of a row in which no stage has a value; nothing where one has."""
    from sigkit.evidence.report.pages import cell_text
    from sigkit.judging.limits import OUTSIDE, UNDECIDED, WITHIN

    if any(cell.quantity.measurable for cell in row.cells.values()):
        return ()
    word = row.limit_verdict.word
    held = word if word in (WITHIN, OUTSIDE, UNDECIDED) else ""
    return (*map(cell_text, row.cells.values()), _short_verdict(row), held)


def _row_lines(row: Row) -> list[str]:
    from sigkit.evidence.report.pages import cell_text, change_text, limit_text
    from sigkit.evidence.rows.table import UNHELD
    from sigkit.measures.result import words

    lines = [f"  {row.judged.label}"]
    width = max(len(words(name)) for name in row.cells) + 2
    for name, cell in row.cells.items():
        head = f"    {words(name):{width}}"
        lines += folded(cell_text(cell), head, " " * len(head))
    head = f"    {'change':{width}}"
    text = ", ".join(part for part in (change_text(row.change), _short_verdict(row)) if part)
    if text:
        lines += folded(text, head, " " * len(head))
    if row.limit_verdict.word:
        head = f"    {'limit':{width}}"
        chance = row.limit_verdict.chance
        held = f"{limit_text(row)}; probability within {chance}" if chance else limit_text(row)
        lines += folded(f"{row.limit_verdict.word} ({held})", head, " " * len(head))
    elif why := next((r for r in row.remarks if r.startswith(UNHELD)), ""):
        head = f"    {'limit':{width}}"
        held = f"({limit_text(row)}): " if row.limit is not None else ""
        lines += folded(f"not held against {held}{why.removeprefix(UNHELD)}", head, " " * len(head))
    return lines


def _short_verdict(row: Row) -> str:
    """Return the verdict, without a reason that stands in the line of a stage already."""
    verdict = row.verdict
    for name, cell in row.cells.items():
        reason = cell.quantity.reason
        if reason:
            verdict = verdict.removesuffix(f": {name}: {reason}").removesuffix(f" ({reason})")
    return verdict
