"""Stages side by side: one row per test, subject, setting and quantity."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sigkit.evidence.job import Job, Stage
from sigkit.evidence.names import stage_order
from sigkit.evidence.run import Outcome
from sigkit.judging.compare import (
    Change,
    Counts,
    budget_of,
    join_takes,
    judge_change,
    judge_counts,
)
from sigkit.judging.limits import NOT_TESTED, Limit, LimitVerdict, job_limits, judge_limit
from sigkit.measures import TESTS, Judged
from sigkit.quantity import Quantity, combine, not_measurable

SINGLE = "single take: repeatability unknown"
ROOM_STEP_C = 3.0
"""Largest difference of room temperature at which pitch is compared; common practice, no source."""
RAIL_STEP_V = 0.05
"""Difference of a supply rail worth a remark; common practice, no source."""
LENGTH_STEP = 0.1
"""Relative difference in length worth a remark."""

Group = tuple[str, str, str]
"""Test, subject and setting."""


@dataclass(frozen=True)
class Cell:
    """A quantity at one stage.

    Parameters
    ----------
    quantity : Quantity
        Over the takes of the stage; without a value where there is none.
    tested : bool
        Whether the stage has a capture of it.
    takes : int
        Takes behind the value.
    counts : tuple of int and float, or None
        Events, and the seconds in which they were counted, where the quantity is a rate.
    at_most : Quantity or None
        Upper bound, where there is no value because nothing was found above it.
    """

    quantity: Quantity
    tested: bool = True
    takes: int = 0
    counts: Counts | None = None
    at_most: Quantity | None = None


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

    @property
    def group(self) -> Group:
        """Test, subject and setting."""
        return self.test, self.subject, self.setting

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
                }
                for name, cell in self.cells.items()
            },
            "change": self.change.to_dict(),
            "verdict": self.verdict,
            "limit": None if limit is None else {"value": limit.value, "source": limit.source},
            "limit_verdict": self.limit_verdict.word,
            "p_within": self.limit_verdict.probability,
            "remarks": list(self.remarks),
        }


def rows_of(job: Job, outcomes: Sequence[Outcome]) -> tuple[Row, ...]:
    """Put the outcomes of a job side by side, in the order of the bench tests."""
    units = {(t.name, j.quantity): j.unit for t in TESTS.values() for j in t.judged}
    limits = job_limits(job.settings.limits, units)
    order = list(TESTS)
    groups = sorted(
        {_group(outcome) for outcome in outcomes},
        key=lambda g: (order.index(g[0]), stage_order(g[1]), stage_order(g[2])),
    )
    rows = []
    for group in groups:
        by_stage = {
            stage.name: [o for o in outcomes if o.take.stage == stage.name and _group(o) == group]
            for stage in job.stages
        }
        for judged in TESTS[group[0]].judged:
            limit = limits.get((group[0], judged.quantity))
            rows.append(_row(job, group, judged, by_stage, limit))
    return tuple(rows)


def comparable(
    test: str, first: Stage, last: Stage, before: Sequence[Outcome], after: Sequence[Outcome]
) -> tuple[str, tuple[str, ...]]:
    """Say why two stages of a test cannot be compared, empty where they can, and what to remark."""
    remarks = []
    if _is_pitch_test(test):
        if first.room_c is None or last.room_c is None:
            remarks.append("room temperature not given for both stages")
        elif abs(first.room_c - last.room_c) > ROOM_STEP_C:
            return f"room {first.room_c:g} °C against {last.room_c:g} °C", ()
    notes = [_frequency_hz(outcomes) for outcomes in (before, after)]
    if all(notes) and abs(12 * math.log2(notes[0] / notes[1])) > 1:
        return f"another note, {notes[0]:.1f} Hz against {notes[1]:.1f} Hz", ()
    options = [{k: v for k, v in o.take.options.items() if k != "power_on_s"} for o in before]
    others = [{k: v for k, v in o.take.options.items() if k != "power_on_s"} for o in after]
    if any(a != b for a in options for b in others):
        return "measured with other options", ()
    for rail in first.rails_v.keys() & last.rails_v.keys():
        if abs(first.rails_v[rail] - last.rails_v[rail]) > RAIL_STEP_V:
            remarks.append(
                f"includes the effect of rail {rail}: "
                f"{first.rails_v[rail]:g} V, then {last.rails_v[rail]:g} V"
            )
    lengths = [min(o.duration_s for o in outcomes) for outcomes in (before, after)]
    if test == "warmup" and abs(lengths[0] - lengths[1]) > LENGTH_STEP * max(lengths):
        remarks.append(f"captures of {lengths[0]:.0f} s and {lengths[1]:.0f} s compared")
    if {o.sha256 for o in before} & {o.sha256 for o in after}:
        remarks.append("the same recording lies in both stages")
    return "", tuple(remarks)


def _row(
    job: Job,
    group: Group,
    judged: Judged,
    by_stage: Mapping[str, Sequence[Outcome]],
    limit: Limit | None,
) -> Row:
    stages = {stage.name: stage for stage in job.stages}
    cells = {name: _cell(stages[name], judged, found) for name, found in by_stage.items()}
    tested = [name for name, cell in cells.items() if cell.tested]
    change, remarks = _change(stages, group[0], judged, cells, by_stage)
    last = cells[job.stages[-1].name]
    verdict = LimitVerdict("")
    if limit is not None and judged.better != "none":
        verdict = (
            judge_limit(last.quantity, limit, judged.better, at_most=last.at_most)
            if last.tested
            else LimitVerdict(NOT_TESTED)
        )
    if any(cells[name].takes == 1 for name in tested):
        remarks = (*remarks, SINGLE)
    return Row(
        *group,
        judged=judged,
        cells=cells,
        change=change.difference,
        verdict=change.verdict,
        limit=limit if judged.better != "none" else None,
        limit_verdict=verdict,
        remarks=remarks,
    )


def _change(
    stages: Mapping[str, Stage],
    test: str,
    judged: Judged,
    cells: Mapping[str, Cell],
    by_stage: Mapping[str, Sequence[Outcome]],
) -> tuple[Change, tuple[str, ...]]:
    tested = [name for name, cell in cells.items() if cell.tested]
    if len(tested) < 2:
        why = _untested(stages, tested)
        nothing = not_measurable(judged.unit, why or "one stage only")
        return Change(nothing, f"not comparable: {why}" if why else ""), ()
    first, last = tested[0], tested[-1]
    for name in (first, last):
        if not cells[name].quantity.measurable:
            reason = f"{name}: {cells[name].quantity.reason}"
            return Change(not_measurable(judged.unit, reason), f"not measurable: {reason}"), ()
    used = [[o for o in by_stage[name] if o.used] for name in (first, last)]
    why, remarks = comparable(test, stages[first], stages[last], *used)
    if why:
        return Change(not_measurable(judged.unit, why), f"not comparable: {why}"), ()
    change = judge_change(cells[first].quantity, cells[last].quantity, judged.better)
    counts = cells[first].counts, cells[last].counts
    if counts[0] is not None and counts[1] is not None and judged.better == "smaller":
        change = judge_counts(change, counts[0], counts[1])
    return change, (*remarks, change.remark) if change.remark else remarks


def _untested(stages: Mapping[str, Stage], tested: Sequence[str]) -> str:
    others = [stage for name, stage in stages.items() if name not in tested]
    if not others:
        return ""
    reason = f" ({others[0].reason})" if others[0].reason else ""
    return f"no capture in {others[0].name}{reason}"


def _cell(stage: Stage, judged: Judged, outcomes: Sequence[Outcome]) -> Cell:
    if not outcomes:
        return Cell(not_measurable(judged.unit, stage.reason or NOT_TESTED), tested=False)
    results = [outcome.result for outcome in outcomes if outcome.result is not None]
    if not results:
        return Cell(not_measurable(judged.unit, outcomes[0].reason))
    takes = [result.quantities()[judged.quantity] for result in results]
    joined = join_takes(takes)
    if len(results) == 1 and joined.measurable:
        other = results[0].another_capture().get(judged.quantity)
        joined = combine(
            joined.value, joined.unit, [*budget_of(joined), *([other] if other else [])]
        )
    bounds = [
        quantity if quantity.measurable else result.at_most().get(judged.quantity)
        for quantity, result in zip(takes, results, strict=True)
    ]
    highest = max((b for b in bounds if b is not None), key=float, default=None)
    counts = [getattr(result, "counts", {}).get(judged.quantity) for result in results]
    known = [count for count in counts if count is not None]
    total = (sum(c[0] for c in known), math.fsum(c[1] for c in known))
    return Cell(
        joined,
        takes=len(results),
        counts=total if len(known) == len(results) else None,
        at_most=highest if None not in bounds and not joined.measurable else None,
    )


def _group(outcome: Outcome) -> Group:
    name = outcome.take.name
    return name.test, name.subject, name.setting


def _is_pitch_test(test: str) -> bool:
    return any(judged.unit.startswith("cents") for judged in TESTS[test].judged)


def _frequency_hz(outcomes: Sequence[Outcome]) -> float:
    """Return the frequency of the first measured take, 0 where it has none."""
    for outcome in outcomes:
        if outcome.result is not None:
            quantity = outcome.result.quantities().get("frequency")
            return quantity.value if quantity is not None and quantity.measurable else 0.0
    return 0.0
