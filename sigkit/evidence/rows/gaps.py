"""What is missing: each test, stage and quantity without an answer, with the reason, counted."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from sigkit.judging.limits import NOT_MEASURABLE, NOT_TESTED
from sigkit.measures import TESTS

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence

NO_CAPTURE = "no capture in this stage"
NOT_FITTED = "not fitted"
NOT_COMPARABLE = "not comparable"
KINDS = (NO_CAPTURE, NOT_TESTED, NOT_FITTED, NOT_MEASURABLE, NOT_COMPARABLE)
COLUMNS = ("kind", "test", "subject", "setting", "stage", "quantity", "why")
NO_REASON = "no reason given"


def gaps_of(evidence: Evidence) -> pd.DataFrame:
    """Return one row for everything that has no answer.

    Parameters
    ----------
    evidence : Evidence
        A job's evidence.

    Returns
    -------
    DataFrame
        Columns ``kind``: ``no capture in this stage`` (of anything, or of a test and subject),
        ``not tested`` (a bench test without a capture in any stage), ``not fitted`` (the unit has
        no such thing), ``not measurable`` (a capture that cannot answer), ``not comparable`` (two
        stages that have values and no difference); then ``test``, ``subject``, ``setting``,
        ``stage``, ``quantity`` as far as they say something, and ``why``.
    """
    settings = evidence.job.settings
    found: list[tuple[str, ...]] = [
        (NO_CAPTURE, "", "", "", stage.name, "", stage.reason)
        for stage in evidence.job.stages
        if stage.reason
    ]
    for kind, named in ((NOT_FITTED, settings.not_fitted), (NOT_TESTED, settings.not_tested)):
        for name, why in named.items():
            test, _, subject = name.partition("-")
            found.append((kind, test, subject, "", "", "", why or NO_REASON))
    said = {gap[1] for gap in found if gap[0] in (NOT_FITTED, NOT_TESTED) and not gap[2]}
    tested = {row.test for row in evidence.rows}
    found += [
        (NOT_TESTED, test, "", "", "", "", NO_REASON) for test in TESTS if test not in tested | said
    ]
    for row in evidence.rows:
        for stage in evidence.job.stages:
            cell = row.cells[stage.name]
            where = (*row.group, stage.name, row.judged.quantity)
            if cell.tested and not cell.quantity.measurable:
                found.append((NOT_MEASURABLE, *where, cell.quantity.reason))
            elif not cell.tested and not stage.reason:
                found.append((NO_CAPTURE, *row.group, stage.name, "", NO_REASON))
        if row.verdict.startswith(NOT_COMPARABLE):
            why = row.verdict.partition(": ")[2]
            found.append((NOT_COMPARABLE, *row.group, "", row.judged.quantity, why))
    return pd.DataFrame(list(dict.fromkeys(found)), columns=list(COLUMNS))


def gaps_told(gaps: pd.DataFrame) -> str:
    """Return the number of gaps of each kind in one sentence; empty where there is none."""
    counts = gaps["kind"].value_counts()
    told = [f"{counts[kind]} {kind}" for kind in KINDS if kind in counts]
    return f"Gaps, each with its reason: {', '.join(told)}." if told else ""
