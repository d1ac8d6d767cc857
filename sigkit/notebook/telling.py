"""What the numbers mean: what is outside its limit, what changed, what to do next."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from sigkit.evidence.report.ladder_section import ladder_sentence
from sigkit.evidence.report.pages import (
    causes_told,
    cell_text,
    change_text,
    group_title,
    limit_text,
)
from sigkit.evidence.report.setting_order_section import order_sentence
from sigkit.evidence.rows.table import Group, Row
from sigkit.judging.compare import IMPROVED, UNCHANGED, WORSE
from sigkit.judging.limits import OUTSIDE, UNDECIDED, WITHIN
from sigkit.measures import TESTS
from sigkit.measures.result import words
from sigkit.notebook.shown import Shown, listed, said, table, together

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence

Title = Callable[[Group], str]
MOST_GROUPS, MANY_GROUPS = 2, 8
"""Up to the first every judged quantity is shown, up to the second those with a limit, beyond it
the leading one of each subject and setting and what is outside its limit."""
MOST_LISTED, MOST_CHANGES = 8, 2
AS_ABOVE = "not measurable: as above"


def results_table(evidence: Evidence, *, every: bool = False) -> Shown:
    """Return stages side by side: values with their expanded uncertainty, change and limit.

    Parameters
    ----------
    evidence : Evidence
        What was measured.
    every : bool, optional
        Whether to show every quantity, also those that are not judged.
    """
    stages = [stage.name for stage in evidence.job.stages]
    several = len(stages) > 1
    head = ["", *map(words, stages), *(["change", ""] if several else [])]
    head.append(f"limit, {words(stages[-1])}" if several else "limit")
    title, groups = titles(evidence.rows), by_group(evidence.rows)
    rows: list[list[str]] = []
    for group, own in groups.items():
        rows.append([title(group)])
        said_of: dict[str, str] = {}
        for row in own if every else _leading(own, few=len(groups)):
            told = {name: cell_text(row.cells[name]) for name in stages}
            again = {
                name: AS_ABOVE if text == said_of.get(name) and len(text) > len(AS_ABOVE) else text
                for name, text in told.items()
            }
            said_of |= {n: t for n, t in told.items() if not row.cells[n].quantity.measurable}
            cells = [row.judged.label, *again.values()]
            if several:
                cells += [change_text(row.change), row.verdict.partition(":")[0]]
            limit = row.held.word
            if row.limit is not None and limit in (WITHIN, OUTSIDE, UNDECIDED):
                limit += f" ({limit_text(row)})"
            if row.since:
                limit = (limit + _since(row)).lstrip()
            rows.append([*cells, limit])
    return table(head, rows)


def limits_table(evidence: Evidence, test: str, quantity: str, limits: Sequence[float]) -> Shown:
    """Return a quantity, as last tested, held against other limits; no number changes by it."""
    head = ["", words(evidence.job.stages[-1].name), "limit", "", "probability within"]
    title = titles([row for row in evidence.rows if row.test == test])
    rows: list[list[str]] = []
    for limit in limits:
        held = evidence.with_limit(test, quantity, limit).rows
        for row in (r for r in held if (r.test, r.judged.quantity) == (test, quantity)):
            name = f"{title(row.group)}, {row.judged.label}"
            shown = cell_text(row.seen) + _since(row)
            rows.append([name, shown, limit_text(row), row.held.word, row.held.chance])
    if not rows:
        return said(f"Nothing to hold against a limit: no capture of {TESTS[test].title}.")
    return table(head, sorted(rows, key=lambda row: row[0]))


def by_group(rows: Sequence[Row]) -> dict[Group, list[Row]]:
    """Return the rows of each test, subject and setting, in order."""
    found: dict[Group, list[Row]] = {}
    for row in rows:
        found.setdefault(row.group, []).append(row)
    return found


def titles(rows: Sequence[Row]) -> Title:
    """Return what names a subject and setting; its test is named only where there are several."""
    if len({row.test for row in rows}) > 1:
        return group_title
    return lambda group: ", ".join(words(part) for part in group[1:] if part) or group_title(group)


def _leading(rows: Sequence[Row], *, few: int) -> list[Row]:
    """Return the rows that are shown where ``few`` groups are."""
    every = few <= MOST_GROUPS
    return [
        row
        for row in rows
        if row is rows[0]
        or row.verdict == WORSE
        or row.held.word == OUTSIDE
        or (row.limit is not None and few <= MANY_GROUPS)
        or (every and any(cell.quantity.measurable for cell in row.cells.values()))
    ]


def problems_shown(evidence: Evidence) -> Shown:
    """Return what is wrong with captures, a line each."""
    lines = [f"{p.where}: {p.problem} {p.remedy}" for p in evidence.problems]
    return listed("To be seen to", lines)


def meaning_of(evidence: Evidence) -> Shown:
    """Return what the results mean, made from the judged rows, and the next step at the bench."""
    several = len(by_group(evidence.rows)) > 1
    title = titles(evidence.rows) if several else None
    rows = [row for row in evidence.rows if row.judged.better != "none"]
    last = words(evidence.job.stages[-1].name)
    outside = [row for row in rows if row.held.word == OUTSIDE]
    tested = [row for row in rows if not row.since]
    causes = causes_told(outside)
    parts = [
        listed(f"Outside its limit in {last}", _outside(outside, title, since=False)),
        listed(
            f"Outside its limit, and not tested in {last}", _outside(outside, title, since=True)
        ),
        listed(
            "What that often comes from (experience of the trade, no finding)",
            [f"{labels}: {'; '.join(cause.often)}." for labels, cause in causes],
        ),
    ]
    if len(evidence.job.stages) > 1:
        for verdict in (WORSE, IMPROVED, UNCHANGED):
            found = [row for row in rows if row.has_change and row.verdict == verdict]
            parts.append(listed(verdict.capitalize(), _by_group(found, title, change=True)))
    unsure = [row for row in tested if row.held.word == UNDECIDED]
    within = [row for row in tested if row.held.word == WITHIN]
    parts += [
        listed("Too close to the limit to say", _by_group(unsure, title)),
        listed(f"Within its limit in {last}", _by_group(within, title)),
        listed("No answer", _short(_unanswered(tested, title))),
        listed(f"Not tested in {last}", _short(_earlier(rows, title))),
        listed("Over the marks of the slider", list(map(order_sentence, evidence.setting_orders))),
        listed("Next at the bench", _next(evidence, rows, outside)),
    ]
    parts = [part for part in parts if part.text]
    return together(parts)


def _next(evidence: Evidence, rows: Sequence[Row], outside: Sequence[Row]) -> list[str]:
    """Return the next steps; what to do with sliders is asked of all of them together."""
    steps = [ladder_sentence(evidence.ladder)] if evidence.ladder else []
    for _, cause in causes_told([row for row in outside if row.test != "slider"]):
        step = f"{cause.step[0].upper()}{cause.step[1:]}".rstrip(".")
        steps.append(" ".join([f"{step}.", *cause.cautions]))
    return [step for step in dict.fromkeys(steps) if step] or [_then(rows)]


def _by_group(rows: Sequence[Row], title: Title | None, *, change: bool = False) -> list[str]:
    """Return the names of quantities, those of one subject and setting in one line."""
    lines, groups = [], by_group(rows)
    for group, own in groups.items():
        names = [
            row.judged.label + (f" {change_text(row.change)}" if change else "") for row in own
        ]
        if change and len(groups) > MOST_GROUPS and len(names) > MOST_CHANGES + 1:
            names[MOST_CHANGES:] = [f"and {len(names) - MOST_CHANGES} more"]
        lines.append((f"{title(group)}: " if title else "") + "; ".join(names))
    return lines


def _then(rows: Sequence[Row]) -> str:
    if any(row.held.word == UNDECIDED for row in rows):
        return "Record two more takes of the same: the mean of three is surer, and may decide."
    if not any(row.held.word == WITHIN for row in rows):
        return "Record again as 'No answer' says; till then these numbers ask for no work."
    return "These numbers ask for no work here: go on to the next test."


def _outside(rows: Sequence[Row], title: Title | None, *, since: bool) -> list[str]:
    """Return what lies outside its limit: in the last stage, or ``since`` an earlier one."""
    lines = []
    for row in (row for row in rows if bool(row.since) == since):
        name = f"{title(row.group)}, {row.judged.label}" if title else row.judged.label
        stage = words(row.since or list(row.cells)[-1])
        lines.append(f"{name}: {stage} {cell_text(row.seen)}, limit {limit_text(row)}")
    return lines


def _earlier(rows: Sequence[Row], title: Title | None) -> list[str]:
    """Return what was last tested in an earlier stage, and how it stood then; a line for each."""
    found: dict[tuple[str, str], list[Row]] = {}
    for row in (row for row in rows if row.since and row.held.word != OUTSIDE):
        found.setdefault((row.since, row.held.word or "no limit set"), []).append(row)
    return [
        f"{line} ({how} in {words(stage)})"
        for (stage, how), own in found.items()
        for line in _by_group(own, title)
    ]


def _since(row: Row) -> str:
    return f" in {words(row.since)}, not tested since" if row.since else ""


def _short(items: list[str]) -> list[str]:
    """Return the first items, and how many more there are."""
    if len(items) <= MOST_LISTED:
        return items
    return [*items[:MOST_LISTED], f"and {len(items) - MOST_LISTED} more, in the table"]


def _unanswered(rows: Sequence[Row], title: Title | None) -> list[str]:
    """Return why the last stage has no value, each reason once."""
    reasons: dict[str, list[str]] = {}
    for row in rows:
        silent = row.judged.only_if_seen or row.held.word == WITHIN
        if not row.last.quantity.measurable and not silent:
            subject = f"{title(row.group)}: " if title else ""
            reasons.setdefault(subject + cell_text(row.last), []).append(row.judged.label)
    return [f"{text} ({', '.join(labels)})" for text, labels in reasons.items()]
