"""``sigkit measure``: one capture, its numbers, its limits and what to do next."""

from __future__ import annotations

import argparse
import json
import sys
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sigkit.commands.say import complain
from sigkit.errors import InputError

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence
    from sigkit.evidence.rows.table import Row

WIDTH = 80
LABEL = 34
MOST_LISTED = 24
OK, PROBLEMS = 0, 1


def add(commands: Any) -> None:
    """Add the command to those of ``sigkit``.

    Parameters
    ----------
    commands : argparse's sub-parsers
        Those of the command.
    """
    parser = commands.add_parser(
        "measure",
        help="measure one capture and hold it against the limits",
        description="Prints every number of one capture with its expanded uncertainty, how it "
        "stands to its limit, and the next step. In a job the job's settings hold. For instance: "
        "sigkit measure stability my_job/1_before/stability-oscillator_1.wav",
    )
    parser.add_argument("test", metavar="TEST", help="bench test, such as warmup")
    parser.add_argument("file", type=Path, metavar="FILE", help="WAV file of the capture")
    parser.add_argument(
        "--set", action="append", default=[], metavar="NAME=VALUE", help="an option of the test"
    )
    parser.add_argument("--channel", type=int, metavar="N", help="counted from 0")
    parser.add_argument("--chart", type=Path, metavar="PNG", help="draw it into a new file")
    parser.add_argument("--json", action="store_true", help="print the whole result as JSON")
    parser.set_defaults(run=run)


def run(call: argparse.Namespace) -> int:
    """Measure, and print what there is to say.

    Parameters
    ----------
    call : argparse.Namespace
        The options.

    Returns
    -------
    int
        0 measured, 1 the capture cannot answer.
    """
    from sigkit.evidence.run.one import measure_one

    options = dict(_option(text) for text in call.set)
    if call.chart is not None and call.chart.exists():
        raise InputError(
            "The file for the chart is there already.",
            where=str(call.chart),
            remedy="Name a new file; nothing is written over.",
        )
    evidence = measure_one(call.file, call.test, options, channel=call.channel)
    outcome = evidence.outcomes[0]
    if outcome.error is not None:
        complain(outcome.error.problem, outcome.error.where, outcome.error.remedy)
        return PROBLEMS
    if call.json:
        print(json.dumps(evidence.to_dict(), indent=1, ensure_ascii=False, allow_nan=False))
    else:
        print("\n".join(lines_of(evidence)))
    if call.chart is not None:
        _draw(evidence, call.chart)
    return OK if outcome.measured else PROBLEMS


def lines_of(evidence: Evidence) -> list[str]:
    """Return what is said of one capture, at most 80 columns wide.

    Parameters
    ----------
    evidence : Evidence
        Of that capture alone.
    """
    from sigkit.evidence.report.pages import causes_told, group_title

    outcome = evidence.outcomes[0]
    assert outcome.result is not None
    source = outcome.result.source
    lines = textwrap.wrap(group_title(evidence.rows[0].group), WIDTH)
    head = f"{source.name}, {source.duration_s:.1f} s, {source.rate} Hz, channel {source.channel}"
    lines += [*textwrap.wrap(head, WIDTH), ""]
    for row in evidence.rows:
        lines += _row(row)
    lines += _sources(evidence.rows)
    listed = outcome.result.particulars()
    if listed:
        lines += ["", *(line for text in listed[:MOST_LISTED] for line in _wrapped(text))]
    if len(listed) > MOST_LISTED:
        lines.append(f"and {len(listed) - MOST_LISTED} more, in --json")
    for label, cause in causes_told(evidence.rows):
        lines += ["", *_wrapped(f"Outside limits: {label}. {cause}")]
        for caution in cause.cautions:
            lines += _wrapped(f"Caution: {caution}")
    said = [*outcome.remarks, *outcome.result.said]
    if said:
        lines += ["", *(line for text in dict.fromkeys(said) for line in _wrapped(f"- {text}"))]
    return lines


def _row(row: Row) -> list[str]:
    """Return a quantity's line: its value, and below it how that stands to its limit."""
    from sigkit.evidence.report.pages import cell_text, limit_text

    text = cell_text(row.last)
    if row.limit_verdict.word:
        chance = row.limit_verdict.chance
        held = f"{limit_text(row)}; probability within {chance}" if chance else limit_text(row)
        text += f", {row.limit_verdict.word} ({held})"
    return _wrapped(text, f"{row.judged.label:{LABEL}}", " " * LABEL)


def _sources(rows: Sequence[Row]) -> list[str]:
    """Return where the limits come from; which is which where they come from several places."""
    labels: dict[str, list[str]] = {}
    for row in rows:
        if row.limit is not None and row.limit_verdict.word:
            labels.setdefault(row.limit.source, []).append(row.judged.label)
    lines = [""] if labels else []
    for source, judged in labels.items():
        of = f" of {', '.join(judged)}" if len(labels) > 1 else ""
        lines += _wrapped(f"Limits{of}: {source}")
    return lines


def _wrapped(text: str, first: str = "", rest: str = "  ") -> list[str]:
    lines = textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=rest)
    return [line.replace("\N{NO-BREAK SPACE}", " ") for line in lines]


def _option(text: str) -> tuple[str, bool | int | float | str]:
    """Return name and value of an option as it is written on the command line."""
    name, equals, value = text.partition("=")
    if not equals or not name.strip() or not value.strip():
        raise InputError(
            f"{text!r} is no option with a value.",
            where="sigkit measure, --set",
            remedy="Write it as NAME=VALUE, such as --set mains_hz=50.",
        )
    return name.strip(), _value(value.strip())


def _value(text: str) -> bool | int | float | str:
    if text in ("true", "false"):
        return text == "true"
    kinds: Sequence[type[int] | type[float]] = (int, float)
    for kind in kinds:
        try:
            return kind(text)
        except ValueError:
            continue
    return text


def _draw(evidence: Evidence, path: Path) -> None:
    from sigkit.evidence.report.pictures import draw_stages

    path.write_bytes(draw_stages(evidence.outcomes))
    print(f"\nChart: {path}", file=sys.stderr)
