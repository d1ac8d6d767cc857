"""Lines of results.csv beside the quantities: sliders over the stages, findings over their marks.

Both are made from the quantities and judged on their own; the report shows them, so they stand in
the table too, behind the quantities, each told apart by its ``kind``.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from sigkit.evidence.rows.ladder import PER_PASS, Line, Rung
from sigkit.evidence.rows.setting_order import SettingOrder, StageMarks
from sigkit.judging.limits import Limit
from sigkit.judging.setting_order import DEAD_ZONE, REVERSAL, Finding

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence

QUANTITY, LADDER, MARKS = "quantity", "slider over the stages", "finding over marks"
"""Kinds of lines: a quantity of a capture, a slider over the stages, what marks of a slider show.
"""
FIRST_LINE = 2
"""Line of results.csv that holds the first row; the first one holds the names of the columns."""
NOT_FOUND = "no such finding"
Place = tuple[str, float | None, float | None, int]
"""Kind of a finding, between which marks in percent, and which of several alike."""


def shown_lines(evidence: Evidence) -> list[dict[str, Any]]:
    """Return the lines of ladder and marks as cells by column; left out are empty ones."""
    ladder = [row for line in evidence.ladder.lines for row in _ladder(evidence, line)]
    return ladder + [row for order in evidence.setting_orders for row in _order(order)]


def ladder_numbers(evidence: Evidence) -> dict[tuple[str, str], int]:
    """Return the line of results.csv with the events per pass of each slider of the ladder.

    Its fixed spots and its floor stand in the two lines behind.
    """
    numbers, line = {}, FIRST_LINE + len(evidence.rows)
    for one in evidence.ladder.lines:
        numbers[one.subject, one.setting] = line
        line += sum(1 for _ in _ladder(evidence, one))
    return numbers


def finding_numbers(evidence: Evidence) -> dict[tuple[str, str, str, str, int], int]:
    """Return the line of results.csv of each finding over marks.

    By test, subject, quantity and stage, and by its place among the findings of that stage.
    """
    line = FIRST_LINE + len(evidence.rows)
    line += sum(1 for one in evidence.ladder.lines for _ in _ladder(evidence, one))
    numbers: dict[tuple[str, str, str, str, int], int] = {}
    for order in evidence.setting_orders:
        what = order.test, order.subject, order.judged.quantity
        for by_stage in _found(order).values():
            numbers |= {(*what, stage, place): line for stage, (place, _) in by_stage.items()}
            line += 1
    return numbers


def _ladder(evidence: Evidence, line: Line) -> Iterator[dict[str, Any]]:
    same = (line.subject, line.setting)
    own = (row for row in evidence.rows if (row.test, row.judged.quantity) == PER_PASS)
    row = next((row for row in own if row.group[1:] == same), None)
    limit = evidence.ladder.limit
    yield {
        **_named(LADDER, PER_PASS[0], *same, f"ladder_{PER_PASS[1]}", "per pass"),
        **_by_stage({rung.stage: _counted(rung) for rung in line.rungs}),
        "verdict": "" if row is None else row.verdict,
        "limit": limit.value,
        "limit_source": limit.source,
        "remarks": f"{line.step.finding}: {line.step.step}",
    }
    spots = {rung.stage: _plain(rung, rung.fixed_spots) for rung in line.rungs}
    floors = {rung.stage: _plain(rung, rung.floor_db) for rung in line.rungs}
    yield {**_named(LADDER, PER_PASS[0], *same, "ladder_fixed_spots", ""), **_by_stage(spots)}
    yield {**_named(LADDER, PER_PASS[0], *same, "ladder_floor", "dB"), **_by_stage(floors)}


def _counted(rung: Rung) -> dict[str, Any]:
    low, high = rung.interval
    count, exposure = rung.counts or (math.nan, math.nan)
    told = [f"after {rung.done}"] if rung.done else []
    told += ["returned"] if rung.returned else []
    return {
        **_plain(rung, rung.rate),
        **{"low": low, "high": high, "count": count, "exposure": exposure},
        "finding": ", ".join(told),
    }


def _plain(rung: Rung, value: float | None) -> dict[str, Any]:
    known = value is not None and math.isfinite(value)
    why = "" if known else rung.reason or "not told by its passes"
    return {"": value if known else math.nan, "why": why}


def _order(order: SettingOrder) -> Iterator[dict[str, Any]]:
    tested = {stage.stage: stage for stage in order.stages}
    guide = order.guide
    limits = {
        REVERSAL: Limit(guide.reversal_worn_to_percent, "%", guide.source),
        DEAD_ZONE: Limit(guide.dead_zone_percent, "%", guide.source),
    }
    for number, ((kind, first, last, again), by_stage) in enumerate(_found(order).items()):
        where = "" if first is None or last is None else f"{first:g}_to_{last:g}_percent"
        name = "_".join([order.judged.quantity, *kind.split(), *([str(again)] if again else [])])
        unit = "%" if any(f.change is not None for _, f in by_stage.values()) else ""
        limit = limits.get(kind)
        remarks = [] if number else [_remark(stage) for stage in order.stages if stage.remark]
        yield {
            **_named(MARKS, order.test, order.subject, where, name, unit),
            **_by_stage({stage: _told(by_stage.get(stage, (0, None))[1]) for stage in tested}),
            "limit": math.nan if limit is None else limit.value,
            "limit_source": "" if limit is None else limit.source,
            "remarks": "; ".join(remarks),
        }


def _found(order: SettingOrder) -> dict[Place, dict[str, tuple[int, Finding]]]:
    """Return the findings of all stages by kind and place, with their number in each stage."""
    found: dict[Place, dict[str, tuple[int, Finding]]] = {}
    for stage in order.stages:
        for number, finding in enumerate(stage.findings):
            again = 0
            while stage.stage in found.get((*_place(finding), again), {}):
                again += 1
            found.setdefault((*_place(finding), again), {})[stage.stage] = (number, finding)
    return found


def _place(finding: Finding) -> tuple[str, float | None, float | None]:
    return finding.kind, finding.from_percent, finding.to_percent


def _told(finding: Finding | None) -> dict[str, Any]:
    if finding is None:
        return {"why": NOT_FOUND}
    change, told = finding.change, [finding.text, finding.word]
    cells: dict[str, Any] = {"finding": ": ".join(filter(None, told))}
    if change is not None and change.measurable:
        low, high = change.value - change.expanded, change.value + change.expanded
        cells |= {"": change.value, "u": change.u, "low": low, "high": high}
    return cells


def _remark(stage: StageMarks) -> str:
    return f"{stage.stage}: {stage.remark}"


def _named(kind: str, *names: str) -> dict[str, Any]:
    columns = ("test", "subject", "setting", "quantity", "unit")
    return {"kind": kind, **dict(zip(columns, names, strict=True))}


def _by_stage(cells: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    """Return the cells of each stage by the name of their column."""
    return {
        f"{word}_{stage}" if word else stage: value
        for stage, own in cells.items()
        for word, value in own.items()
    }
