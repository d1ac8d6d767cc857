"""Quantities over the marks of their slider, stage by stage."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from sigkit.judging.order_guides import OrderGuide, guides_for
from sigkit.judging.setting_order import (
    AT_LEAST_WORN,
    FAULTY,
    REVERSAL,
    WORN,
    Finding,
    judge_order,
)
from sigkit.judging.slider_marks import Mark, percent_of
from sigkit.measures import Judged

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence
    from sigkit.evidence.rows.table import Row
    from sigkit.evidence.run.takes import Outcome

LEAST_MARKS = 2
"""Places on the travel from which on a test is shown over them."""
SAME_INTERVAL_CENTS = 100.0
AGAIN = 2
"""Glides with steps or plateaux at one mark from which on the mark is to blame."""


@dataclass(frozen=True)
class StageMarks:
    """A quantity over the marks of its slider at one stage.

    Parameters
    ----------
    stage : str
        Name of the stage.
    marks : tuple of Mark
        One a setting with a capture.
    findings : tuple of Finding
        What they show.
    remark : str
        What a reader of the findings should know; may be empty.
    """

    stage: str
    marks: tuple[Mark, ...]
    findings: tuple[Finding, ...]
    remark: str = ""

    @property
    def placed(self) -> tuple[Mark, ...]:
        """The marks whose place on the travel is known, in its order."""
        known = [mark for mark in self.marks if mark.percent is not None]
        return tuple(sorted(known, key=lambda mark: mark.percent or 0.0))

    @property
    def faults(self) -> tuple[Finding, ...]:
        """What is worn or faulty."""
        return tuple(f for f in self.findings if f.word in (WORN, FAULTY, AT_LEAST_WORN))

    @property
    def reversals(self) -> tuple[tuple[float, float], ...]:
        """Between which places of the travel it falls where it should rise, %."""
        return tuple(
            (f.from_percent, f.to_percent)
            for f in self.findings
            if f.kind == REVERSAL and f.from_percent is not None and f.to_percent is not None
        )


@dataclass(frozen=True)
class SettingOrder:
    """A quantity over the marks of its slider at every stage.

    Parameters
    ----------
    test, subject : str
        What was tested.
    judged : Judged
        The quantity.
    guide : OrderGuide
        What is held against it.
    stages : tuple of StageMarks
        One a stage with captures, in order.
    """

    test: str
    subject: str
    judged: Judged
    guide: OrderGuide
    stages: tuple[StageMarks, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return marks and findings, ready for JSON."""
        return {
            "test": self.test,
            "subject": self.subject,
            "quantity": self.judged.quantity,
            "unit": self.judged.unit,
            "source": self.guide.source,
            "stages": {
                stage.stage: {
                    "marks": [
                        {
                            "setting": mark.setting,
                            "percent": mark.percent,
                            "value": mark.quantity.value if mark.quantity.measurable else None,
                            "u": mark.quantity.u if mark.quantity.measurable else None,
                            "at_most": None if mark.at_most is None else mark.at_most.value,
                            "reason": mark.quantity.reason,
                        }
                        for mark in stage.marks
                    ],
                    "findings": [finding.to_dict() for finding in stage.findings],
                    "remark": stage.remark,
                }
                for stage in self.stages
            },
        }


def setting_orders_of(evidence: Evidence) -> tuple[SettingOrder, ...]:
    """Put every quantity that should follow a slider over the slider's marks.

    Parameters
    ----------
    evidence : Evidence
        A measured job.

    Returns
    -------
    tuple of SettingOrder
        One for each quantity of each test and subject that has captures at two or more places of
        the travel, see `sigkit.judging.setting_order.judge_order`.
    """
    found = []
    for test, subject in dict.fromkeys((row.test, row.subject) for row in evidence.rows):
        for guide in guides_for(test, subject):
            rows = [
                row
                for row in evidence.rows
                if (row.test, row.subject, row.judged.quantity) == (test, subject, guide.quantity)
            ]
            places = {percent_of(row.setting) for row in rows} - {None}
            if len(places) >= LEAST_MARKS:
                stages = tuple(_stages(evidence, rows, guide))
                found.append(SettingOrder(test, subject, rows[0].judged, guide, stages))
    return tuple(found)


def _stages(evidence: Evidence, rows: Sequence[Row], guide: OrderGuide) -> list[StageMarks]:
    found = []
    for stage in evidence.job.stages:
        cells = {row.setting: row.cells[stage.name] for row in rows}
        marks = tuple(
            Mark(setting, percent_of(setting), cell.quantity, cell.at_most)
            for setting, cell in cells.items()
            if cell.tested
        )
        if marks:
            own = [
                outcome
                for outcome in evidence.outcomes
                if outcome.take.stage == stage.name
                and (outcome.take.name.test, outcome.take.name.subject)
                == (rows[0].test, rows[0].subject)
                and percent_of(outcome.take.name.setting) is not None
            ]
            remark = "; ".join(filter(None, (_unequal(own), _where_faulty(own))))
            found.append(StageMarks(stage.name, marks, judge_order(marks, guide), remark))
    return found


def _unequal(outcomes: Sequence[Outcome]) -> str:
    """Say where the marks were not played over one interval: some times grow with it."""
    spans = []
    for outcome in outcomes:
        tables = outcome.result.tables().values() if outcome.result is not None else ()
        sizes = [table["interval_cents"] for table in tables if "interval_cents" in table]
        spans += [float(np.median(np.abs(size))) for size in sizes if len(size)]
    if not spans or max(spans) - min(spans) < SAME_INTERVAL_CENTS:
        return ""
    return (
        f"the marks were not played over one interval ({min(spans) / 100:.0f} to "
        f"{max(spans) / 100:.0f} semitones): at constant rate a wider one takes longer"
    )


def _where_faulty(outcomes: Sequence[Outcome]) -> str:
    """Say at which marks steps and plateaux were seen: at some, the slider; at all, not it."""
    seen: dict[float, list[int]] = {}
    for outcome in outcomes:
        tables = outcome.result.tables().values() if outcome.result is not None else ()
        percent = percent_of(outcome.take.name.setting)
        for table in tables:
            if "glitches" in table and len(table) and percent is not None:
                seen.setdefault(percent, []).extend(table["glitches"].tolist())
    faulty = {at: sum(n > 0 for n in counts) for at, counts in seen.items() if any(counts)}
    if len(seen) < LEAST_MARKS or not faulty:
        return ""
    if len(faulty) == len(seen):
        return "steps or plateaux at every mark: a contact or the glide's own parts, not the slider"
    told = [f"{at:g} % ({n} of {len(seen[at])})" for at, n in sorted(faulty.items()) if n >= AGAIN]
    if not told:
        return ""
    return (
        f"steps or plateaux at {', '.join(told)}, elsewhere once or never: the slider's spot there"
    )
