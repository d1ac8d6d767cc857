"""The part of the report on each test, subject and setting."""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from sigkit.evidence.report.captures import Numbered
from sigkit.evidence.report.methods import methods
from sigkit.evidence.report.pictures import BESIDE, picture_name
from sigkit.evidence.report.wording import (
    HOLD,
    caption,
    causes_told,
    cell_text,
    change_text,
    group_title,
    limit_text,
    percent,
    shared_remarks,
    upper_first,
)
from sigkit.evidence.rows.shown_rows import FIRST_LINE
from sigkit.evidence.rows.table import SINGLE, Group, Row
from sigkit.judging.limits import OUTSIDE, UNDECIDED, WITHIN
from sigkit.measures.result import words

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence
    from sigkit.evidence.run.takes import Outcome


UNITS: Mapping[str, str] = {"hz": "Hz", "s": "s", "cents": "cents"}
"""How the name of an option ends, and its unit."""


def sections_of(
    evidence: Evidence,
    sources: Mapping[str, str],
    numbered: Numbered,
    elsewhere: Container[str] = (),
) -> list[dict[str, Any]]:
    """Return what the report shows of each test, subject and setting.

    Parameters
    ----------
    evidence : Evidence
        The job's evidence.
    sources : mapping of str to str
        Pictures by name, in base64.
    numbered : Numbered
        Its captures.
    elsewhere : container of str, optional
        Pictures that the report has no room for.
    """
    groups = dict.fromkeys(row.group for row in evidence.rows)
    return [
        {
            **_section(evidence, group, sources, numbered),
            "elsewhere": [
                f"charts/{name}.png"
                for name in (picture_name(group), picture_name(group) + BESIDE)
                if name in elsewhere
            ],
        }
        for group in groups
    ]


def _section(
    evidence: Evidence, group: Group, sources: Mapping[str, str], numbered: Numbered
) -> dict[str, Any]:
    own = [(n, row) for n, row in enumerate(evidence.rows, start=FIRST_LINE) if row.group == group]
    rows = [row for _, row in own]
    name, told = picture_name(group), methods()[group[0]]
    shared = shared_remarks(rows)
    said = " ".join(caption(row) for row in _captioned(rows))
    beside = [row for row in rows if row.judged.quantity in told.beside_quantities]
    return {
        "test": group[0],
        "title": group_title(group),
        "anchor": name,
        "picture": sources.get(name, ""),
        "alt": f"{group_title(group)}. {told.chart}. {said}",
        "beside": sources.get(name + BESIDE, ""),
        "beside_said": upper_first(told.beside or "beside the main chart"),
        "beside_alt": f"{group_title(group)}. {told.beside}. "
        + " ".join(caption(row) for row in beside),
        "caption": said,
        "stages": _stages(rows),
        "lines": [_line(number, row, shared, numbered) for number, row in own],
        "remarks": shared,
        "causes": causes_told(rows),
        "method": told,
        "taken": _taken(evidence, group, numbered),
        "limits": _limits(rows),
    }


def _line(number: int, row: Row, shared: Sequence[str], numbered: Numbered) -> dict[str, Any]:
    limit = row.limit_verdict.word
    if limit in (WITHIN, OUTSIDE, UNDECIDED) and row.limit is not None:
        probability = row.limit_verdict.probability or 0.0
        limit += f" ({limit_text(row)}; probability within {percent(probability)})"
    if row.stood.word:
        limit += f"; {row.stood.word} in {words(row.since)}"
        limit += f" ({limit_text(row)})" if row.limit is not None else ""
    remarks = [r for r in row.remarks if (row.has_change or r != SINGLE) and r not in shared]
    return {
        "number": number,
        "label": row.judged.label,
        "cells": [
            {
                "stage": name,
                "text": cell_text(cell),
                "captures": numbered.of_cell(row.group, name) if cell.quantity.measurable else (),
                "takes": cell.takes,
            }
            for name, cell in ((name, row.cells[name]) for name in _stages([row]))
        ],
        "change": change_text(row.change),
        "verdict": row.verdict.partition(":")[0],
        "limit": limit or "no limit set",
        "remarks": remarks,
    }


def _stages(rows: Sequence[Row]) -> list[str]:
    """Return the first, the last, and every other stage with captures of some rows of a test."""
    cells = rows[0].cells
    ends = (next(iter(cells)), list(cells)[-1])
    return [name for name, cell in cells.items() if cell.tested or name in ends]


def _captioned(rows: Sequence[Row]) -> list[Row]:
    """Return the leading row, and the first that shows a change where the leading one has none."""
    rest = [row for row in rows[1:] if row.has_change and row.judged.better != "none"]
    return [rows[0], *([] if rows[0].has_change else rest[:1])]


def _limits(rows: Sequence[Row]) -> list[str]:
    """Return what the quantities of a section are held against, with its source."""
    by_source: dict[str, list[str]] = {}
    for row in rows:
        if row.limit is not None:
            told = f"{row.judged.label} {limit_text(row)}"
            by_source.setdefault(row.limit.source, []).append(told)
    return [f"{'; '.join(told)} ({source})" for source, told in by_source.items()]


def _taken(evidence: Evidence, group: Group, numbered: Numbered) -> list[dict[str, Any]]:
    """Return for each stage which captures were measured, how long, and with which options."""
    taken = []
    for stage in evidence.job.stages:
        own = [o for o in evidence.outcomes if o.take.stage == stage.name and _is_of(o, group)]
        if own:
            taken.append(
                {
                    "stage": stage.name,
                    "captures": numbered.of_cell(group, stage.name),
                    "unused": sum(not outcome.used for outcome in own),
                    "how": _joined(_how(outcome) for outcome in own if outcome.used),
                    "options": _joined(_options(outcome) for outcome in own if outcome.used),
                }
            )
    return taken


def _is_of(outcome: Outcome, group: Group) -> bool:
    name = outcome.take.name
    return (name.test, name.subject, name.setting) == group


def _joined(texts: Iterable[str]) -> str:
    return "; ".join(dict.fromkeys(text for text in texts if text))


def _how(outcome: Outcome) -> str:
    assert outcome.result is not None
    source = outcome.result.source
    return (
        f"{source.duration_s:.0f}{HOLD}s at {source.rate / 1000:g}{HOLD}kHz, "
        f"channel {source.channel + 1}"
    )


def _options(outcome: Outcome) -> str:
    """Return the options that a measurement was given, by the job or its capture."""
    told = [_option(str(key), value) for key, value in outcome.take.options.items()]
    if outcome.take.power_on_s is not None:
        edges = dict.fromkeys(f"{edge_s:g}" for edge_s in outcome.take.power_on_s)
        at = " to ".join(edges).replace("-", "\N{MINUS SIGN}")
        told.append(f"switched on at {at}{HOLD}s of the capture")
    return ", ".join(told)


def _option(key: str, value: object) -> str:
    name, _, unit = key.rpartition("_")
    if unit not in UNITS or isinstance(value, (bool, str)):
        return f"{words(key)} {value}"
    number = f"{value:g}" if isinstance(value, (int, float)) else str(value)
    return f"{words(name)} {number}{HOLD}{UNITS[unit]}"


def contents(
    sections: Sequence[Mapping[str, Any]],
    ladder: Mapping[str, Any] | None,
    orders: Sequence[Mapping[str, Any]],
) -> list[tuple[str, str, int]]:
    """Return the list of contents: anchor, title, and depth."""
    found = [
        ("about", "About this report", 0),
        ("no-change", "No change shown", 0),
        ("not-measurable", "Not measurable or not comparable", 0),
        ("not-shown", "What this evidence does not show", 0),
        ("problems", "Problems found", 0),
        ("all-results", "All results", 0),
    ]
    if ladder:
        found.append(("ladder", "Sliders over the stages", 1))
    found += [(str(order["anchor"]), str(order["title"]), 1) for order in orders]
    found += [(str(section["anchor"]), str(section["title"]), 1) for section in sections]
    return [
        *found,
        ("judging", "How the numbers are judged", 0),
        ("conditions", "Conditions and readings", 0),
        ("repairs", "What was done", 0),
        ("captures", "All captures", 0),
        ("cautions", "Cautions", 0),
    ]


def conditions(evidence: Evidence) -> list[dict[str, Any]]:
    """Return what was read off meters, a line each."""
    lines = []
    for stage in evidence.job.stages:
        for reading in stage.readings:
            since = (
                f"{reading.time_s / 60:.0f}{HOLD}min"
                if reading.time_s == reading.time_s
                else (reading.clock.isoformat(" ", "minutes") if reading.clock else "not given")
            )
            read = [f"{_name(name)} {value:g}" for name, value in reading.values.items()]
            read += [f"{name} {rail}{HOLD}V" for name, rail in reading.rails.items()]
            lines.append(
                {
                    "stage": stage.name,
                    "of": " ".join(words(t) for t in (reading.test, reading.subject) if t)
                    or "everything",
                    "since": since,
                    "read": ", ".join(read).replace("-", "\N{MINUS SIGN}") or "nothing",
                }
            )
    return lines


def _name(column: str) -> str:
    units = {"room_c": "room, °C:", "ripple_mv": "ripple, mV:"}
    return units.get(column, words(column))
