"""Lists of page one and two: what is still outside or worse, not tested, unchanged, or untold.

Page one has to stay one page however many captures a job has. Its lists are shortened by rule, and
what is outside its limit or became worse is never left out: it is named with fewer words.
"""

from __future__ import annotations

import collections
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from sigkit.evidence.report.front import is_bad
from sigkit.evidence.report.pictures import picture_name
from sigkit.evidence.report.setting_order_section import order_faults
from sigkit.evidence.report.wording import change_text, group_title, outside, short_text
from sigkit.evidence.rows.cell import Cell
from sigkit.evidence.rows.gaps import NO_REASON, NOT_FITTED, gaps_of
from sigkit.evidence.rows.table import Row
from sigkit.judging.compare import NO_CHANGE_BECAUSE, UNCHANGED, WORSE
from sigkit.judging.limits import NOT_TESTED, UNDECIDED, WITHIN
from sigkit.measures import TESTS
from sigkit.measures.result import words

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence

LINE = 62
"""Characters in a line of a list, two lists side by side."""
NONE = "None among what was tested."
NOTHING_JUDGED = "Nothing could be held against a limit or compared, so nothing can be said of it."
NOTHING_COMPARED = "Nothing was compared: one stage only, or no two that can be."
MOST_LINES = 17
"""Lines that a list of page one may take."""


@dataclass(frozen=True)
class FrontList:
    """A list of page one.

    Parameters
    ----------
    heading, anchor : str
        Its name, and where it can be linked to.
    items : tuple of (str, str)
        Text, and the anchor that holds the rest; an empty anchor for none.
    none : str
        What an empty list means.
    """

    heading: str
    anchor: str
    items: tuple[tuple[str, str], ...] = field(default=())
    none: str = NONE


def none_bad(evidence: Evidence) -> str:
    """Return what it means that nothing is outside or worse: good only if something was judged."""
    judged = any(row.held.word in (WITHIN, UNDECIDED) for row in evidence.rows)
    compared = any(row.has_change for row in evidence.rows if row.judged.better != "none")
    return NONE if judged or compared else NOTHING_JUDGED


def none_unchanged(evidence: Evidence) -> str:
    """Return what it means that nothing is unchanged: good only if something was compared."""
    compared = any(row.has_change for row in evidence.rows if row.judged.better != "none")
    return "None among what was compared." if compared else NOTHING_COMPARED


def front_lists(evidence: Evidence) -> list[FrontList]:
    """Return the two lists of page one: what is still outside or worse, and what was not tested."""
    last = evidence.job.stages[-1].name
    bad = [row for row in evidence.rows if is_bad(row)]
    faults = [(text, "") for text in order_faults(evidence.setting_orders, last)]
    told = _fitting(
        [
            [*_bad_items(bad, _with_value), *faults],
            [*_bad_items(bad, _name_only), *faults],
            [*_bad_subjects(bad), *faults],
        ]
    )
    untested = _fitting([_untested(evidence, named=True), _untested(evidence, named=False)])
    return [
        FrontList("Still outside limits or worse", "outside", tuple(told), none_bad(evidence)),
        FrontList("Not tested or not fitted", "not-tested", tuple(untested)),
    ]


Items = list[tuple[str, str]]


def _fitting(choices: Sequence[Items]) -> Items:
    """Return the first list that is short enough, else the last."""
    return next((items for items in choices if lines_of(items) <= MOST_LINES), choices[-1])


def lines_of(items: Sequence[tuple[str, str]]) -> int:
    """Return how many lines of page one some items take, about."""
    return sum(-(-len(text) // LINE) for text, _ in items)


def _bad_items(rows: Sequence[Row], told: Callable[[Row], str]) -> Items:
    groups = dict.fromkeys(row.group for row in rows)
    return [
        (
            f"{group_title(group)}: {'; '.join(told(row) for row in rows if row.group == group)}",
            picture_name(group),
        )
        for group in groups
    ]


def _with_value(row: Row) -> str:
    how = ", ".join(w for w in (row.verdict if row.verdict == WORSE else "", outside(row)) if w)
    return f"{row.judged.label} {short_text(row.seen)}, {how}"


def _name_only(row: Row) -> str:
    return row.judged.label


def _bad_subjects(rows: Sequence[Row]) -> Items:
    """Return a line for each bench test with the names of all that is bad in it."""
    items = []
    for test in dict.fromkeys(row.test for row in rows):
        own = [row for row in rows if row.test == test]
        counted = collections.Counter((row.subject, row.setting) for row in own)
        named = ", ".join(
            words(subject) + (f" {words(setting)}" if setting else "")
            for subject, setting in counted
        )
        items.append((f"{TESTS[test].title}: {named}", picture_name(own[0].group)))
    return items


def _untested(evidence: Evidence, *, named: bool) -> Items:
    """Return what was not tested, stage by stage: whole tests by name, else their subjects."""
    groups = list(dict.fromkeys(row.group for row in evidence.rows))
    cells: Mapping[tuple[str, str, str], Mapping[str, Cell]] = {
        row.group: row.cells for row in reversed(evidence.rows)
    }
    items = [
        (f"{words(stage.name)}, nothing: {stage.reason}", "conditions")
        for stage in evidence.job.stages
        if stage.reason
    ]
    for stage in evidence.job.stages:
        if stage.reason:
            continue
        missing = [group for group in groups if not cells[group][stage.name].tested]
        told = []
        for test in dict.fromkeys(group[0] for group in missing):
            every = [group for group in groups if group[0] == test]
            own = [group for group in missing if group[0] == test]
            title = TESTS[test].title
            if len(own) == len(every):
                told.append(title)
            elif named:
                told.append(f"{title} of {', '.join(_subject(group) for group in own)}")
            else:
                told.append(f"{title} of {len(own)} of {len(every)}")
        if told:
            items.append((f"Not in {words(stage.name)}: {'; '.join(told)}", "all-results"))
    for kind, heading in ((NOT_TESTED, "In no stage"), (NOT_FITTED, "Not fitted")):
        told = [
            (group_title((gap.test, gap.subject, "")) if gap.subject else TESTS[gap.test].title)
            + ("" if gap.why == NO_REASON else f" ({gap.why})")
            for gap in gaps_of(evidence)
            if gap.kind == kind
        ]
        if told:
            items.append((f"{heading}: {'; '.join(told)}", ""))
    return items


def _subject(group: tuple[str, str, str]) -> str:
    return words(group[1]) + (f" {words(group[2])}" if group[2] else "")


def second_lists(evidence: Evidence) -> list[FrontList]:
    """Return the lists of page two: no change shown, and what could not be told."""
    rows = [row for row in evidence.rows if row.judged.better != "none"]
    same: dict[tuple[str, str, str], list[str]] = {}
    untold: dict[tuple[str, str], list[str]] = {}
    for row in rows:
        if row.verdict == UNCHANGED:
            told = f"{row.judged.label} {change_text(row.change)}{_why_unchanged(row)}"
            same.setdefault(row.group, []).append(told)
        for why in _untold(row):
            key = f"{group_title(row.group)}, {why}", picture_name(row.group)
            untold.setdefault(key, []).append(row.judged.label)
    unchanged = [
        (f"{group_title(group)}: {'; '.join(changes)}", picture_name(group))
        for group, changes in same.items()
    ]
    lost = [(f"{text} ({', '.join(labels)})", anchor) for (text, anchor), labels in untold.items()]
    return [
        FrontList("No change shown", "no-change", tuple(unchanged), none_unchanged(evidence)),
        FrontList("Not measurable or not comparable", "not-measurable", tuple(lost)),
    ]


def _why_unchanged(row: Row) -> str:
    """Say why a change beyond its uncertainty is none; empty where it lies within."""
    if not row.change.measurable or abs(row.change.value) <= row.change.expanded:
        return ""
    reasons = [remark for remark in row.remarks if remark.startswith(NO_CHANGE_BECAUSE)]
    return f" ({'; '.join(reasons)})" if reasons else ""


def _untold(row: Row) -> list[str]:
    if row.verdict.startswith("not comparable"):
        return [row.verdict]
    return [
        f"{words(name)}: {cell.quantity.reason}"
        for name, cell in row.cells.items()
        if cell.tested and not cell.quantity.measurable
    ]
