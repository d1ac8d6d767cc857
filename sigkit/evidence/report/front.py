"""Page one: a row for each bench test and subject, and four sentences.

It has to stay one page however many captures a job has: rows are put together by rule.
"""

from __future__ import annotations

import collections
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from sigkit.evidence.report.ladder_section import ladder_sentence
from sigkit.evidence.report.pictures import picture_name
from sigkit.evidence.report.setting_order_section import order_sentence
from sigkit.evidence.report.wording import (
    change_text,
    limit_text,
    outside,
    short_text,
    upper_first,
)
from sigkit.evidence.rows.gaps import gaps_of, gaps_told
from sigkit.evidence.rows.shown_rows import FIRST_LINE
from sigkit.evidence.rows.table import SINGLE, Row
from sigkit.judging.compare import IMPROVED, UNCHANGED, WORSE
from sigkit.judging.limits import NOT_MEASURABLE, NOT_TESTED, OUTSIDE, UNDECIDED, WITHIN
from sigkit.measures import TESTS
from sigkit.measures.result import words

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence

MOST_ROWS = 12
"""So many rows are read in ten seconds, and leave room for the rest of an A4 or letter page."""
LONG_SENTENCE = 230
CHANCE = 0.05
"""Share of changes that an interval of 95 % claims where there is none."""
BAD = "outside or worse"
ORDER = (BAD, UNDECIDED, NOT_MEASURABLE, NOT_TESTED, UNCHANGED, WITHIN)
"""What a row is called by, the worst first."""


def front_rows(rows: Sequence[Row], most: int = MOST_ROWS) -> list[dict[str, Any]]:
    """Return the table of page one: a row for each bench test and subject, or for a test alone.

    Parameters
    ----------
    rows : sequence of Row
        The job's rows.
    most : int, optional
        Where there are more tests and subjects than that, the test with most subjects is told in
        one row, then the next, until they fit.
    """
    by_subject: dict[tuple[str, ...], list[Row]] = {}
    for row in rows:
        by_subject.setdefault((row.test, row.subject), []).append(row)
    merged: set[str] = set()
    groups = dict(by_subject)
    while len(groups) > most:
        sizes = collections.Counter(key[0] for key in groups if len(key) > 1)
        test, count = max(sizes.items(), key=lambda item: item[1])
        if count < 2:
            break
        merged.add(test)
        groups = {}
        for key, own in by_subject.items():
            short = key[:1] if key[0] in merged else key
            groups.setdefault(short, []).extend(own)
    lines = {id(row): number for number, row in enumerate(rows, start=FIRST_LINE)}
    told = [_front_row(own, merged=len(key) == 1) for key, own in groups.items()]
    return [{**line, "line": lines[id(line["row"])]} for line in told]


def _front_row(rows: Sequence[Row], *, merged: bool) -> dict[str, Any]:
    row = carrying(rows)
    subjects = list(dict.fromkeys(r.subject for r in rows))
    setting = f", {words(row.setting)}" if row.setting else ""
    title = f"{TESTS[row.test].title}: {words(row.subject)}{setting}"
    if merged:
        others = len(subjects) - 1
        title += f" and {others} other{'' if others == 1 else 's'}"
    return {
        "row": row,
        "title": title,
        "anchor": picture_name(row.group),
        "label": _label(row),
        "cells": [
            (name, row.cells[name], short_text(row.cells[name], unit=False))
            for name in ends_of(row)
        ],
        "change": change_text(row.change, unit=False),
        "finding": finding(row),
        "single": SINGLE in row.remarks and row.has_change,
        "word": row.held.word.removesuffix(" limits") or "no limit set",
        "since": words(row.since) if row.stood.word else "",
        "limit": limit_text(row, unit=False) if row.held.word and row.limit is not None else "",
        "others": _subjects(rows) if merged else _others(rows, row),
        "bad": is_bad(row),
    }


def _label(row: Row) -> str:
    """Return a quantity with its unit, which its values then go without."""
    unit = row.judged.unit
    inside = not unit or unit == "1/s" or unit in row.judged.label
    return row.judged.label if inside else f"{row.judged.label} ({unit})"


def carrying(rows: Sequence[Row]) -> Row:
    """Return the quantity that carries a row of page one: the worst, else the leading one.

    What is worse or outside limits comes first, then what is undecided, then the leading quantity
    with a value in the last stage.
    """
    judged = [row for row in rows if row.judged.better != "none"] or list(rows)
    for rank in (BAD, UNDECIDED):
        if found := [row for row in judged if standing(row) == rank]:
            return max(found, key=_size)
    leading = [row for row in judged if row.seen.quantity.measurable]
    with_limit = [row for row in leading if row.held.word]
    compared = [row for row in with_limit if row.has_change]
    return (compared or with_limit or leading or judged)[0]


def _size(row: Row) -> tuple[bool, bool, float]:
    change = abs(row.change.value) / row.change.expanded if row.change.measurable else 0.0
    return row.held.word == OUTSIDE, row.verdict == WORSE, change


def standing(row: Row) -> str:
    """Return how a quantity stands, in one of the words of `ORDER`."""
    if is_bad(row):
        return BAD
    word = row.held.word
    if word == UNDECIDED:
        return UNDECIDED
    if row.since:
        return NOT_TESTED
    if not row.last.quantity.measurable and word != WITHIN:
        return NOT_MEASURABLE
    return UNCHANGED if row.verdict == UNCHANGED and word != WITHIN else WITHIN


def is_bad(row: Row) -> bool:
    """Whether a quantity became worse or lies outside its limit when it was last tested."""
    return row.verdict == WORSE or row.held.word == OUTSIDE


def finding(row: Row) -> str:
    """Return the finding on a change in a word or two."""
    short = row.verdict.partition(":")[0]
    return short or ("not judged" if row.has_change else "one stage only")


def ends_of(row: Row) -> list[str]:
    """Return the first and the last stage of a row that have captures of it."""
    stages = list(row.cells)
    tested = [name for name in stages if row.cells[name].tested]
    if len(tested) > 1:
        return [tested[0], tested[-1]]
    one = tested[0] if tested else stages[-1]
    return list(dict.fromkeys([one if one != stages[-1] else stages[0], stages[-1]]))


def _others(rows: Sequence[Row], shown: Row) -> str:
    """Return how many other quantities of a row are outside, worse or undecided."""
    counted = collections.Counter(standing(row) for row in rows if row is not shown)
    told = ", ".join(f"{counted[word]} {word}" for word in (BAD, UNDECIDED) if counted[word])
    return f"also {told}" if told else ""


def _subjects(rows: Sequence[Row]) -> str:
    """Return how the subjects of a bench test stand that share a row, each by its worst word."""
    subjects = dict.fromkeys(row.subject for row in rows)
    worst = [standing(carrying([r for r in rows if r.subject == subject])) for subject in subjects]
    counted = collections.Counter(worst)
    told = ", ".join(f"{counted[word]} {word}" for word in ORDER if counted[word])
    return f"{len(worst)} in all: {told}"


def sentences(evidence: Evidence) -> list[str]:
    """Return four plain sentences: changes, limits, sliders or single takes, captures."""
    rows = [row for row in evidence.rows if row.judged.better != "none"]
    verdicts = collections.Counter(row.verdict for row in rows if row.has_change)
    lost = sum(not row.has_change for row in rows)
    limits = collections.Counter(row.limit_verdict.word for row in rows if row.limit_verdict.word)
    stages = evidence.job.stages
    said = []
    if len(stages) > 1:
        said.append(
            f"Of {len(rows)} quantities {verdicts[IMPROVED]} improved, {verdicts[WORSE]} became "
            f"worse, {verdicts[UNCHANGED]} show no change, and {lost} could not be compared."
        )
    if limits:
        said.append(
            f"In the last stage, {words(stages[-1].name)}, {limits[WITHIN]} lie within the chosen "
            f"limits, {limits[OUTSIDE]} outside, {limits[UNDECIDED]} are undecided, "
            f"{limits[NOT_MEASURABLE]} not measurable, {limits[NOT_TESTED]} not tested."
        )
        stood = collections.Counter(row.stood.word for row in rows if row.stood.word)
        if stood:
            said[-1] += (
                f" Of these, when last tested, {stood[WITHIN]} lay within, {stood[OUTSIDE]} "
                f"outside, {stood[UNDECIDED]} were undecided, {stood[NOT_MEASURABLE]} not "
                "measurable."
            )
    told = ladder_sentence(evidence.ladder) if evidence.ladder else ""
    if len(told) > LONG_SENTENCE:
        told = ladder_sentence(evidence.ladder, named=False)
    if not told and evidence.setting_orders:
        told = order_sentence(evidence.setting_orders[0])
    if told:
        said.append(told)
    used = sum(outcome.used for outcome in evidence.outcomes)
    captures = f"{used} of {evidence.capture_count} captures were used; each is listed with its "
    captures += "reason"
    if any(SINGLE in row.remarks for row in rows):
        captures += "; where a stage has a single take, repeatability is unknown"
    return [*said, f"{captures}."]


def second_sentences(evidence: Evidence) -> list[str]:
    """Return what page two says of all results: what chance alone would find, and the gaps."""
    compared = [row for row in evidence.rows if row.judged.better != "none" and row.has_change]
    claimed = sum(row.verdict in (IMPROVED, WORSE) for row in compared)
    said = []
    if claimed and (by_chance := round(CHANCE * len(compared))):
        said.append(
            f"A finding holds with about 95 %: had nothing changed at all, about {by_chance} of "
            f"these {len(compared)} would still read improved or worse, by chance."
        )
    return said + ([told] if (told := gaps_told(gaps_of(evidence))) else [])


def front_caption(row: Row) -> str:
    """Return the sentence below a small chart: the row that carries it, from stage to stage."""
    seen = "; ".join(f"{words(name)} {short_text(row.cells[name])}" for name in ends_of(row))
    said = [f"{upper_first(row.judged.label)}: {seen}"]
    said += [row.verdict or "not judged"] if row.has_change else []
    said += [outside(row)] if outside(row) else []
    return f"{'; '.join(said)}."
