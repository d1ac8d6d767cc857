"""Stages side by side: one row per test, subject, setting and quantity."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from sigkit.evidence.gate import (
    Cut,
    Subject,
    comparable,
    cut_to_shorter,
    other_band,
    other_gain,
    other_length,
    partial_drift,
    settling_times,
    shared_sources,
    tone_moved,
    too_short_for,
    unknown_start,
)
from sigkit.evidence.job.folder import Job, Stage
from sigkit.evidence.job.names import stage_order
from sigkit.evidence.logs.repairs import attribution, between
from sigkit.evidence.rows.cell import Cell, cell_of, whole_of
from sigkit.evidence.rows.slider_rows import judge_slider
from sigkit.evidence.run.takes import Outcome
from sigkit.judging.causes import Cause
from sigkit.judging.compare import (
    BY_AT_LEAST,
    Change,
    judge_bound,
    judge_change,
    unit_of_change,
)
from sigkit.judging.limits import (
    NOT_TESTED,
    WITHIN,
    Limit,
    LimitVerdict,
    job_limits,
    judge_count,
    judge_limit,
)
from sigkit.measures import TESTS, Judged
from sigkit.measures.held_note import CLOCK
from sigkit.measures.result import words
from sigkit.quantity import Quantity, not_measurable

SINCE_SWITCH_ON = ("total_drift", "settling_time")
SINGLE = "single take: repeatability unknown"
ONE_SINGLE = "single take at one stage: taken to repeat as the takes of the other do"

Group = tuple[str, str, str]
"""Test, subject and setting."""
NOT_HELD = LimitVerdict("")
UNHELD = "not held against its limit: "
ByStage = Mapping[str, Sequence[Outcome]]


@dataclass(frozen=True)
class Row:
    """A quantity over the stages, its change and how it stands to its limit.

    Parameters
    ----------
    test, subject, setting : str
        What was tested.
    judged : Judged
        The quantity.
    cells : mapping of str to Cell
        By stage, in order.
    change : Quantity
        Last stage less first stage that have captures of it.
    verdict : str
        What may be said of the change.
    limit : Limit or None
        The limit it is compared with.
    limit_verdict : LimitVerdict
        How the last stage stands to the limit.
    remarks : tuple of str
        What a reader of the change should know.
    cause : Cause or None
        What it often comes from, where it lies outside its limit as last tested.
    stood : LimitVerdict
        How the last stage that has a capture stands to the limit, where that is an earlier one.
    """

    test: str
    subject: str
    setting: str
    judged: Judged
    cells: Mapping[str, Cell]
    change: Quantity
    verdict: str
    limit: Limit | None
    limit_verdict: LimitVerdict
    remarks: tuple[str, ...] = ()
    cause: Cause | None = None
    stood: LimitVerdict = NOT_HELD

    @property
    def last(self) -> Cell:
        """The cell of the last stage over whole captures, which is held against the limit."""
        return whole_of(list(self.cells.values())[-1])

    @property
    def since(self) -> str:
        """The last stage that has a capture of it, where that is an earlier one; else empty."""
        tested = [name for name, cell in self.cells.items() if cell.tested]
        return "" if self.last.tested or not tested else tested[-1]

    @property
    def seen(self) -> Cell:
        """The cell of the last stage that has a capture of it, over whole captures."""
        return whole_of(self.cells[self.since]) if self.since else self.last

    @property
    def held(self) -> LimitVerdict:
        """How the last stage that has a capture stands to the limit.

        What lay outside then and was not tested since still counts as outside.
        """
        return self.stood if self.since else self.limit_verdict

    @property
    def group(self) -> Group:
        """Test, subject and setting."""
        return self.test, self.subject, self.setting

    @property
    def has_change(self) -> bool:
        """Whether a change is stated, be it from one side only."""
        return self.change.measurable or self.change.reason.startswith(BY_AT_LEAST)

    def to_dict(self) -> dict[str, Any]:
        """Return the row with its whole budgets, ready for JSON."""
        limit = self.limit
        return {
            "test": self.test,
            "subject": self.subject,
            "setting": self.setting,
            "quantity": self.judged.quantity,
            "unit": self.judged.unit,
            "stages": {
                name: {
                    **cell.quantity.to_dict(),
                    "tested": cell.tested,
                    "takes": cell.takes,
                    "counts": list(cell.counts) if cell.counts else None,
                    "whole": cell.whole.to_dict() if cell.whole is not None else None,
                }
                for name, cell in self.cells.items()
            },
            "change": self.change.to_dict(),
            "verdict": self.verdict,
            "limit": None if limit is None else {"value": limit.value, "source": limit.source},
            "limit_verdict": self.limit_verdict.word,
            "p_within": self.limit_verdict.probability,
            "last_tested": self.since or None,
            "last_tested_verdict": self.stood.word,
            "remarks": list(self.remarks),
            "cause": None if self.cause is None else self.cause.to_dict(),
        }


def rows_of(job: Job, outcomes: Sequence[Outcome]) -> tuple[Row, ...]:
    """Put the outcomes of a job side by side, in the order of the bench tests."""
    limits = job_limits(job.settings.limits, job.settings.limit_sources)
    order = list(TESTS)
    groups = sorted(
        {_group(outcome) for outcome in outcomes},
        key=lambda g: (order.index(g[0]), stage_order(g[1]), stage_order(g[2])),
    )
    settled_s = settling_times(outcomes)
    rows = []
    for group in groups:
        by_stage = {
            stage.name: [o for o in outcomes if o.take.stage == stage.name and _group(o) == group]
            for stage in job.stages
        }
        cut = cut_to_shorter(group[0], by_stage)
        for judged in TESTS[group[0]].judged:
            limit = limits.get((group[0], judged.quantity))
            row = _row(job, group, judged, by_stage, cut, settled_s, limit)
            seen = any(cell.quantity.measurable for cell in row.cells.values())
            if seen or not judged.only_if_seen:
                rows.append(row)
    return tuple(rows)


def _row(
    job: Job,
    group: Group,
    judged: Judged,
    by_stage: ByStage,
    cut: Cut,
    settled_s: Mapping[Subject, float],
    limit: Limit | None,
) -> Row:
    stages = {stage.name: stage for stage in job.stages}
    ppm = job.settings.clock_ppm
    wholes = {name: cell_of(stages[name], judged, found, ppm) for name, found in by_stage.items()}
    cells = {
        name: wholes[name]
        if cut.by_stage[name] == by_stage[name]
        else replace(
            cell_of(stages[name], judged, cut.by_stage[name], ppm), whole=wholes[name].quantity
        )
        for name in by_stage
    }
    tested = [name for name, cell in cells.items() if cell.tested]
    change, remarks = _change(stages, group[0], judged, cells, cut, settled_s)
    if change.verdict.startswith("not comparable"):
        cells = wholes
    elif cut.remark:
        remarks = (cut.remark, *remarks)
    joined = [
        f"{words(o.take.stage)}: {o.joined}" for f in by_stage.values() for o in f if o.joined
    ]
    remarks = (*remarks, *joined)
    final = job.stages[-1].name
    verdict, unjudged = _held(group[0], judged, limit, wholes[final], by_stage[final])
    stood = NOT_HELD
    if tested and tested[-1] != final:
        name = tested[-1]
        stood, unjudged = _held(group[0], judged, limit, wholes[name], by_stage[name])
    if unjudged:
        remarks = (*remarks, f"{UNHELD}{unjudged}")
    if job.repairs is not None and len(tested) > 1:
        done = between(job.repairs, group[1], list(stages), tested[0], tested[-1])
        remarks = (*remarks, attribution(done))
    if single := _single([cells[name].takes for name in (tested[0], tested[-1])]):
        remarks = (*remarks, single)
    return Row(
        *group,
        judged=judged,
        cells=cells,
        change=change.difference,
        verdict=change.verdict,
        limit=limit if judged.better != "none" else None,
        limit_verdict=verdict,
        remarks=remarks,
        stood=stood,
    )


def _single(takes: Sequence[int]) -> str:
    """Return what to remark on how many takes the two ends of a comparison have."""
    if 1 not in takes:
        return ""
    return ONE_SINGLE if max(takes) > 1 else SINGLE


def _held(
    test: str, judged: Judged, limit: Limit | None, cell: Cell, outcomes: Sequence[Outcome]
) -> tuple[LimitVerdict, str]:
    """Return how a stage stands to a limit, or why it is not held against it."""
    used = [outcome for outcome in outcomes if outcome.used]
    unjudged = ""
    if test == "warmup" and judged.quantity in SINCE_SWITCH_ON:
        unjudged = unknown_start(used)
    if test == "warmup" and judged.quantity == "total_drift":
        unjudged = unjudged or partial_drift(used)
    if limit is None or judged.better == "none":
        return NOT_HELD, unjudged
    if unjudged and (cell.quantity.measurable or cell.at_most is not None):
        return NOT_HELD, unjudged
    verdict = _stands(cell, limit, judged)
    if test == "warmup" and judged.quantity == "settling_time" and verdict.word == WITHIN:
        short = too_short_for(used, limit.value)
        return (NOT_HELD, short) if short else (verdict, "")
    return verdict, ""


def _stands(last: Cell, limit: Limit, judged: Judged) -> LimitVerdict:
    """Hold the last stage against a limit; what was counted by the limits of its rate."""
    if not last.tested:
        return LimitVerdict(NOT_TESTED)
    if last.counts is not None and last.quantity.measurable:
        return judge_count(last.counts, limit, last.passes)
    return judge_limit(last.quantity, limit, judged.better, at_most=last.at_most)


def _change(
    stages: Mapping[str, Stage],
    test: str,
    judged: Judged,
    cells: Mapping[str, Cell],
    cut: Cut,
    settled_s: Mapping[Subject, float],
) -> tuple[Change, tuple[str, ...]]:
    unit = unit_of_change(judged.unit)
    tested = [name for name, cell in cells.items() if cell.tested]
    if len(tested) < 2:
        why = _untested(stages, tested)
        nothing = not_measurable(unit, why or "one stage only")
        return Change(nothing, f"not comparable: {why}" if why else ""), ()
    first, last = tested[0], tested[-1]
    bounded = _bounded(judged, cells[first], cells[last])
    for name in (first, last):
        if not cells[name].quantity.measurable and bounded is None:
            reason = f"{name}: {cells[name].quantity.reason}"
            return Change(not_measurable(unit, reason), f"not measurable: {reason}"), ()
    used = [[o for o in cut.by_stage[name] if o.used] for name in (first, last)]
    why, remarks = comparable(test, stages[first], stages[last], used[0], used[1], settled_s)
    why = why or cut.why_not
    if not why and judged.better != "none" and judged.unit.startswith("dBFS"):
        why = other_gain(stages[first], stages[last])
        remarks = (*remarks, *tone_moved(*used))
    why = why or other_band(judged.quantity, *used) or other_length(test, judged.quantity, *used)
    if not why and (test, judged.quantity) == ("warmup", "total_drift"):
        late = [partial_drift(found) for found in used]
        why = "; ".join(
            f"{name} {found}" for name, found in zip((first, last), late, strict=True) if found
        )
    if why:
        return Change(not_measurable(unit, why), f"not comparable: {why}"), ()
    change = bounded
    if change is None:
        shared, apart = shared_sources(*used)
        ends_of = cells[first].quantity, cells[last].quantity
        change = judge_change(*ends_of, judged.better, shared)
        if apart and any(term.source == CLOCK for end in ends_of for term in end.budget):
            remarks = (*remarks, apart)
    if test == "slider" and judged.better != "none":
        change, by_passes = judge_slider(judged.quantity, change, *used)
        remarks = (*remarks, *by_passes)
    ends = [next((o.result for o in found if o.result is not None), None) for found in used]
    if ends[0] is not None and ends[1] is not None:
        remarks = (*remarks, *ends[1].against(judged.quantity, ends[0]))
    return change, (*remarks, change.remark) if change.remark else remarks


def _bounded(judged: Judged, first: Cell, last: Cell) -> Change | None:
    if judged.better != "smaller":
        return None
    return judge_bound(first.quantity, last.quantity, (first.at_most, last.at_most))


def _untested(stages: Mapping[str, Stage], tested: Sequence[str]) -> str:
    others = [stage for name, stage in stages.items() if name not in tested]
    if not others:
        return ""
    reason = f" ({others[0].reason})" if others[0].reason else ""
    return f"no capture in {others[0].name}{reason}"


def _group(outcome: Outcome) -> Group:
    name = outcome.take.name
    return name.test, name.subject, name.setting
