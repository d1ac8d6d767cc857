"""``sigkit measure``: one capture, its numbers, its limits and what to do next."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sigkit.commands.evidence import document_of
from sigkit.commands.parser import add_command, add_json
from sigkit.commands.progress import waiting
from sigkit.commands.say import OK, PROBLEMS, WRONG_CALL, complain, folded, print_json
from sigkit.errors import InputError, SigkitError

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence
    from sigkit.evidence.rows.table import Row

LABEL = 34
MOST_LISTED = 24
START_S = 3.0
COST = {"envelope": 0.12, "slider": 0.15, "glide": 0.2, "keyboard": 0.15, "waveform": 0.08}
USUAL_COST = 0.05
"""Seconds that a second of sound usually takes, by test; for the time that is shown meanwhile."""


def add(commands: Any) -> None:
    """Add the command to those of ``sigkit``."""
    parser = add_command(
        commands,
        run,
        short="measure one capture, with limits and next step",
        text="Prints every number of one capture with its expanded uncertainty, how it stands to "
        "its limit, and the next step. In a job the job's settings hold.",
        example="sigkit measure slider my_job/1_before/slider-volume.wav",
    )
    parser.add_argument("test", metavar="TEST", help="bench test, such as warmup")
    parser.add_argument("file", type=Path, metavar="FILE", help="WAV file of the capture")
    parser.add_argument(
        "--set", action="append", default=[], metavar="NAME=VALUE", help="an option of the test"
    )
    parser.add_argument("--channel", type=int, metavar="N", help="counted from 0")
    parser.add_argument("--chart", type=Path, metavar="PNG", help="draw it into a new file")
    add_json(parser)


def run(call: argparse.Namespace) -> int:
    """Measure, and print what there is to say; 1 where the capture cannot answer."""
    from sigkit.evidence.run.one import measure_one

    options = dict(_option(text) for text in call.set)
    if call.chart is not None:
        _require_new(call.chart)
    with waiting(f"measuring {call.file.name}", _usual_s(call.test, call.file)):
        evidence = measure_one(call.file, call.test, options, channel=call.channel)
    outcome = evidence.outcomes[0]
    if call.json:
        print_json("measure", document_of(evidence))
    if outcome.error is not None:
        complain(outcome.error.problem, outcome.error.where, outcome.error.remedy)
        return WRONG_CALL if isinstance(outcome.error, InputError) else PROBLEMS
    if not call.json:
        print("\n".join(lines_of(evidence)))
    if call.chart is not None:
        _draw(evidence, call.chart)
    return OK if outcome.measured else PROBLEMS


def _require_new(chart: Path) -> None:
    """Raise unless a picture can be written there, before anything is measured."""
    if chart.exists():
        problem, remedy = "The file for the chart is there already.", "Nothing is written over."
    elif chart.suffix.casefold() != ".png":
        problem, remedy = "The chart is a PNG file.", "Let its name end in .png."
    elif not chart.absolute().parent.is_dir():
        problem, remedy = "The folder for the chart is not there.", "Make it first."
    else:
        return
    raise InputError(problem, where=str(chart), remedy=f"{remedy} Name a new file.")


def _usual_s(test: str, path: Path) -> float:
    """Return how long the measurement usually takes; 0 where the file cannot be read."""
    from sigkit.captures.wav import open_capture

    try:
        return START_S + COST.get(test, USUAL_COST) * open_capture(path).duration_s
    except SigkitError:
        return 0.0


def lines_of(evidence: Evidence) -> list[str]:
    """Return what is said of one capture, at most 80 columns wide."""
    from sigkit.evidence.report.pages import causes_told, group_title

    outcome = evidence.outcomes[0]
    assert outcome.result is not None
    source = outcome.result.source
    lines = folded(group_title(evidence.rows[0].group), rest="")
    head = f"{source.name}, {source.duration_s:.1f} s, {source.rate} Hz, channel {source.channel}"
    lines += [*folded(head, rest=""), ""]
    for row in evidence.rows:
        lines += _row(row)
    lines += _sources(evidence.rows)
    listed = outcome.result.particulars()
    if listed:
        lines += ["", *(line for text in listed[:MOST_LISTED] for line in folded(text))]
    if len(listed) > MOST_LISTED:
        lines.append(f"and {len(listed) - MOST_LISTED} more, in --json")
    sliders = evidence.ladder.lines
    for label, cause in causes_told(evidence.rows):
        told = f"Often: {'; '.join(cause.often)}." if sliders and cause.often else str(cause)
        lines += ["", *folded(f"Outside limits: {label}. {told}")]
        for caution in cause.cautions:
            lines += folded(f"Caution: {caution}")
    for slider in sliders:
        lines += ["", *folded(f"Next step: {slider.step.finding}: {slider.step.step}")]
        for caution in slider.step.cautions:
            lines += folded(f"Caution: {caution}")
    said = [*outcome.remarks, *outcome.result.said]
    if said:
        lines += ["", *(line for text in dict.fromkeys(said) for line in folded(f"- {text}"))]
    return lines


def _row(row: Row) -> list[str]:
    """Return a quantity's line: its value, and below it how that stands to its limit."""
    from sigkit.evidence.report.pages import cell_text, limit_text

    text = cell_text(row.last)
    if row.limit_verdict.word:
        chance = row.limit_verdict.chance
        held = f"{limit_text(row)}; probability within {chance}" if chance else limit_text(row)
        text += f", {row.limit_verdict.word} ({held})"
    return folded(text, f"{row.judged.label:{LABEL}}", " " * LABEL)


def _sources(rows: Sequence[Row]) -> list[str]:
    """Return where the limits come from; which is which where they come from several places."""
    labels: dict[str, list[str]] = {}
    for row in rows:
        if row.limit is not None and row.limit_verdict.word:
            labels.setdefault(row.limit.source, []).append(row.judged.label)
    lines = [""] if labels else []
    for source, judged in labels.items():
        of = f" of {', '.join(judged)}" if len(labels) > 1 else ""
        lines += folded(f"Limits{of}: {source}")
    return lines


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

    try:
        path.write_bytes(draw_stages(evidence.outcomes))
    except OSError as error:
        raise InputError(
            f"The chart cannot be written: {error.strerror or error}.",
            where=str(path),
            remedy="Name a new file in a folder that you may write to, with space left.",
        ) from error
    print(f"\nChart: {path}", file=sys.stderr)
