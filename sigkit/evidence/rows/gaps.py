"""What is missing: each test, stage and quantity without an answer, with the reason, counted."""

from __future__ import annotations

import collections
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from sigkit.judging.limits import NOT_MEASURABLE, NOT_TESTED
from sigkit.measures import TESTS

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence

NO_CAPTURE = "no capture in this stage"
NOT_FITTED = "not fitted"
NOT_COMPARABLE = "not comparable"
KINDS = (NO_CAPTURE, NOT_TESTED, NOT_FITTED, NOT_MEASURABLE, NOT_COMPARABLE)
NO_REASON = "no reason given"


class Gap(NamedTuple):
    """Something without an answer.

    Parameters
    ----------
    kind : str
        ``no capture in this stage`` (of anything, or of a test and subject), ``not tested`` (a
        bench test without a capture in any stage), ``not fitted`` (the unit has no such thing),
        ``not measurable`` (a capture that cannot answer), ``not comparable`` (two stages that have
        values and no difference).
    test, subject, setting, stage, quantity : str
        What it is of, as far as that says something.
    why : str
        The reason.
    """

    kind: str
    test: str
    subject: str
    setting: str
    stage: str
    quantity: str
    why: str


def gaps_of(evidence: Evidence) -> tuple[Gap, ...]:
    """Return everything of a job that has no answer, each once."""
    settings = evidence.job.settings
    found = [
        Gap(NO_CAPTURE, "", "", "", stage.name, "", stage.reason)
        for stage in evidence.job.stages
        if stage.reason
    ]
    for kind, named in ((NOT_FITTED, settings.not_fitted), (NOT_TESTED, settings.not_tested)):
        for name, why in named.items():
            test, _, subject = name.partition("-")
            found.append(Gap(kind, test, subject, "", "", "", why or NO_REASON))
    said = {g.test for g in found if g.kind in (NOT_FITTED, NOT_TESTED) and not g.subject}
    tested = {row.test for row in evidence.rows}
    found += [
        Gap(NOT_TESTED, test, "", "", "", "", NO_REASON)
        for test in TESTS
        if test not in tested | said
    ]
    for row in evidence.rows:
        for stage in evidence.job.stages:
            cell = row.cells[stage.name]
            where = (*row.group, stage.name, row.judged.quantity)
            if cell.tested and not cell.quantity.measurable:
                found.append(Gap(NOT_MEASURABLE, *where, cell.quantity.reason))
            elif not cell.tested and not stage.reason:
                found.append(Gap(NO_CAPTURE, *row.group, stage.name, "", NO_REASON))
        if row.verdict.startswith(NOT_COMPARABLE):
            why = row.verdict.partition(": ")[2]
            found.append(Gap(NOT_COMPARABLE, *row.group, "", row.judged.quantity, why))
    return tuple(dict.fromkeys(found))


def gaps_told(gaps: Sequence[Gap]) -> str:
    """Return the number of gaps of each kind in one sentence; empty where there is none."""
    counts = collections.Counter(gap.kind for gap in gaps)
    told = [f"{counts[kind]} {kind}" for kind in KINDS if kind in counts]
    return f"Gaps, each with its reason: {', '.join(told)}." if told else ""
