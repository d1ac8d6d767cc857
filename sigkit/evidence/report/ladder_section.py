"""The ladder's part of the report: what to do with each slider, in a sentence and a table."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from sigkit.evidence.report.pictures import LADDER
from sigkit.evidence.rows.ladder import Ladder, Line, Rung
from sigkit.judging.next_step import CIRCUIT, CLEAN, LEAVE, RECORD, REPLACE
from sigkit.measures.result import words

if TYPE_CHECKING:
    from sigkit.evidence.rows.table import Row

NUMBERS = (
    *("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten"),
    *("eleven", "twelve", "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen"),
    *("nineteen", "twenty"),
)
ASKED: Mapping[str, tuple[str, str]] = {
    CLEAN: ("clean this one", "clean these {}"),
    REPLACE: ("replace this one", "replace these {}"),
    CIRCUIT: ("look at the circuit of this one", "look at the circuit of these {}"),
    RECORD: ("record this one again", "record these {} again"),
    LEAVE: ("leave this one", "leave these {}"),
}
"""What is asked for, for one slider and for several, what needs work first."""
MINUS = "\N{MINUS SIGN}"
HOLD = "\N{NO-BREAK SPACE}"


def ladder_section(
    ladder: Ladder,
    rows: Sequence[Row],
    sources: Mapping[str, str],
    numbers: Mapping[tuple[str, str], int],
) -> dict[str, Any] | None:
    """Return what the report shows of all sliders; None where the job has none.

    Parameters
    ----------
    ladder : Ladder
        The sliders over the stages.
    rows : sequence of Row
        The job's rows, for the finding on each slider's events per pass.
    sources : mapping of str to str
        Pictures by name, in base64.
    numbers : mapping of (str, str) to int
        Line of results.csv of each slider, by subject and setting.
    """
    if not ladder:
        return None
    verdicts = {
        (row.subject, row.setting): row.verdict.partition(":")[0]
        for row in rows
        if (row.test, row.judged.quantity) == ("slider", "events_per_pass")
    }
    cautions = dict.fromkeys(text for line in ladder.lines for text in line.step.cautions)
    return {
        "sentence": ladder_sentence(ladder),
        "picture": sources.get(LADDER, ""),
        "caption": _caption(ladder),
        "lines": [
            {**_line(line, verdicts), "number": numbers[line.subject, line.setting]}
            for line in ladder.lines
        ],
        "stages": [rung.stage for rung in ladder.lines[0].rungs],
        "cautions": list(cautions),
        "sources": sorted({line.step.source for line in ladder.lines}),
    }


def ladder_sentence(ladder: Ladder, *, named: bool = True) -> str:
    """Return what to do with the sliders in one sentence, such as "clean these three, ...".

    Without names where they would be too many: they stand in the table.

    Examples
    --------
    >>> from sigkit.judging.limits import Limit
    >>> ladder_sentence(Ladder((), Limit(1, "per pass", "")))
    ''
    """
    parts = []
    for action, (one, several) in ASKED.items():
        names = [name_of(line) for line in ladder.lines if line.step.action == action]
        if names:
            asked = one if len(names) == 1 else several.format(_number(len(names)))
            parts.append(f"{asked} ({', '.join(names)})" if named else asked)
    back = [name_of(line) for line in ladder.lines if line.last.returned]
    if not parts:
        return ""
    sentence = "; ".join(parts)
    sentence = f"Sliders: {sentence}."
    if back and not named:
        sentence += f" {_number(len(back)).capitalize()} returned after having been quiet."
    elif back:
        sentence += f" Returned after having been quiet: {', '.join(back)}."
    return sentence


def name_of(line: Line) -> str:
    """Return the name of a slider in words."""
    return words(line.subject) + (f", {words(line.setting)}" if line.setting else "")


def cleaned_with(line: Line) -> str:
    """Return what was last done to a slider, in words; empty where the job does not say."""
    done = [rung.done for rung in line.rungs if rung.done]
    return DONE[done[-1]] if done else ""


def _line(line: Line, verdicts: Mapping[tuple[str, str], str]) -> dict[str, Any]:
    where = "" if line.last is line.rungs[-1] else f", as of {words(line.last.stage)}"
    return {
        "name": name_of(line),
        "cells": [(rung.stage, rung_text(rung)) for rung in line.rungs],
        "verdict": verdicts.get((line.subject, line.setting), "") or "one stage only",
        "finding": line.step.finding + where,
        "step": line.step.step,
    }


def rung_text(rung: Rung) -> str:
    """Return what stands in a stage's cell: events per pass with their limits, and what else."""
    done = f"after {DONE[rung.done]}: " if rung.done else ""
    if rung.counts is None:
        reason = rung.reason.replace(" -", f" {MINUS}")
        if not rung.tested or reason.startswith("not measurable"):
            return done + reason
        return f"{done}not measurable: {reason}"
    number, passes = rung.counts
    low, high = rung.interval
    counted = f"({number} in {passes:.3g} passes:".replace(" ", HOLD)
    told = counted + " " + f"{low:.2f} to {high:.2f})".replace(" ", HOLD)
    said = [f"{done}{rung.rate:.2f} {told}"]
    if rung.fixed_spots:
        said.append(f"{rung.fixed_spots} fixed spot{'' if rung.fixed_spots == 1 else 's'}")
    if math.isfinite(rung.floor_db):
        said.append(f"floor {rung.floor_db:.0f}{HOLD}dB".replace("-", MINUS))
    if rung.returned:
        said.append("returned")
    return ", ".join(said)


DONE: Mapping[str, str] = {
    "air": "compressed air",
    "cleaner": "contact cleaner",
    "hand": "dismantling and cleaning by hand",
    "replaced": "replacing the slider",
}


def _caption(ladder: Ladder) -> str:
    last = [line for line in ladder.lines if line.last.counts is not None]
    quiet = sum(line.step.action == LEAVE for line in last)
    number = len(ladder)
    return (
        f"Events per pass of {_number(number)} slider{'' if number == 1 else 's'} over the stages, "
        f"with 95{HOLD}% limits: at the last stage {_number(quiet)} of {_number(len(last))} "
        f"that could be measured can be left alone (at most {ladder.limit.value:g} per pass)."
    )


def _number(number: int) -> str:
    return NUMBERS[number] if number < len(NUMBERS) else str(number)
