"""What the rows outside their limits, when they were last tested, often come from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from sigkit.evidence.rows.table import Row
from sigkit.judging.causes import Cause, Key, cause_of, off_alike
from sigkit.judging.limits import OUTSIDE


def with_causes(rows: Sequence[Row], own: Mapping[Key, Cause]) -> tuple[Row, ...]:
    """Return the rows, those outside their limits with what that often comes from.

    Parameters
    ----------
    rows : sequence of Row
        Every row of a job.
    own : mapping
        The job's own causes.
    """
    return tuple(
        replace(row, cause=_cause(row, rows, own)) if row.held.word == OUTSIDE else row
        for row in rows
    )


def _cause(row: Row, rows: Sequence[Row], own: Mapping[Key, Cause]) -> Cause | None:
    kind = row.test, row.judged.quantity
    same = [other for other in rows if (other.test, other.judged.quantity) == kind]
    seen = [other for other in same if other.seen.quantity.measurable]
    subjects = {other.subject for other in seen}
    alike = len(subjects) > 1 and off_alike(
        [other.seen.quantity.value for other in seen],
        [other.held.word == OUTSIDE for other in seen],
    )
    return cause_of(*kind, row.seen.quantity.value, alike=alike, own=own)
