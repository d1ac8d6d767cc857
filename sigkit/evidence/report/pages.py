"""The report: one HTML file that needs nothing else, and the table shown in notebooks."""

from __future__ import annotations

import base64
import collections
import html
import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from sigkit.evidence.report.ladder_section import ladder_section
from sigkit.evidence.report.pictures import BESIDE, picture_name
from sigkit.evidence.report.setting_order_section import (
    order_faults,
    order_sections,
    order_sentence,
)
from sigkit.evidence.rows.gaps import NO_REASON, NOT_FITTED, gaps_of, gaps_told
from sigkit.evidence.rows.table import SINGLE, Cell, Group, Row
from sigkit.judging.causes import Cause
from sigkit.judging.compare import (
    BY_AT_LEAST,
    IMPROVED,
    NO_CHANGE_BECAUSE,
    UNCHANGED,
    WORSE,
    rate_interval,
)
from sigkit.judging.limits import NOT_MEASURABLE, NOT_TESTED, OUTSIDE, UNDECIDED, WITHIN
from sigkit.measures import TESTS
from sigkit.measures.result import words
from sigkit.quantity import Quantity, decimal_places

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence
    from sigkit.evidence.run.takes import Outcome

PAGE_ONE_CHARTS = 3
CHANCE = 0.05
"""Share of changes that an interval of 95 % claims where there is none."""
MINUS = "\N{MINUS SIGN}"
HOLD = "\N{NO-BREAK SPACE}"


def report_html(evidence: Evidence, pictures: Mapping[str, bytes]) -> str:
    """Return the whole report.

    Parameters
    ----------
    evidence : Evidence
        What to report.
    pictures : mapping of str to bytes
        PNG by picture name, as drawn from the same evidence.

    Returns
    -------
    str
        HTML with all pictures inside; no outside address, no date but those of the job.
    """
    import jinja2

    from sigkit.evidence.run.made_with import versions

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("sigkit.evidence.report"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    environment.filters["words"] = words
    settings, rows = evidence.job.settings, evidence.rows
    sources = {name: base64.b64encode(png).decode() for name, png in pictures.items()}
    sections = [_section(group, rows, sources) for group in dict.fromkeys(r.group for r in rows)]
    charted = [s for s in sections if s["picture"]]
    ladder = ladder_section(evidence.ladder, rows, sources)
    chosen = sorted(charted, key=lambda s: s["weight"], reverse=True)[:PAGE_ONE_CHARTS]
    return environment.get_template("report.html").render(
        unit=settings.unit or "unit not named",
        description=settings.description,
        stages=evidence.job.stages,
        dates=collections.defaultdict(str, {s.name: s.date for s in evidence.job.stages}),
        leading=[_line(row) for row in _leading(rows)],
        ends=[evidence.job.stages[i].name for i in (0, -1)][: len(evidence.job.stages)],
        sentences=[
            *_sentences(evidence),
            *([ladder["sentence"]] if ladder else []),
            *map(order_sentence, evidence.setting_orders),
        ],
        ladder=ladder,
        setting_orders=order_sections(evidence.setting_orders, rows, sources, cell_text),
        chosen=chosen,
        lists=_lists(evidence),
        sections=sections,
        limits={
            f"{TESTS[r.test].title}, {r.judged.label}": (limit_text(r), r.limit.source)
            for r in rows
            if r.limit is not None
        },
        cause_sources=sorted({row.cause.source for row in rows if row.cause is not None}),
        captures=evidence.capture_list(),
        remarks=[(o.take.key, text) for o in evidence.outcomes if (text := _remarks(o))],
        problems=evidence.problems,
        repairs=evidence.job.repairs,
        versions=versions(),
        mains_hz=settings.wide.get("mains_hz"),
    )


def table_html(evidence: Evidence) -> str:
    """Return the before/after table for a notebook."""
    stages = [stage.name for stage in evidence.job.stages]
    left = "style='text-align:left'"
    heads = ["", *(words(s) for s in stages), "change", "", "limit"]
    head = "".join(f"<th {left}>{html.escape(text)}</th>" for text in heads)
    body, group = "", None
    for row in evidence.rows:
        if row.group != group:
            group = row.group
            title = html.escape(group_title(group))
            body += f"<tr><th colspan='{len(heads)}' {left}>{title}</th></tr>"
        verdict = row.verdict.split(":")[0]
        texts = [row.judged.label, *(cell_text(row.cells[s]) for s in stages)]
        texts += [change_text(row.change), verdict, row.limit_verdict.word]
        body += f"<tr>{''.join(f'<td {left}>{html.escape(text)}</td>' for text in texts)}</tr>"
    problems = "".join(
        f"<li>{html.escape(f'{p.where}: {p.problem} {p.remedy}')}</li>" for p in evidence.problems
    )
    return (
        f"<table style='font-size:0.85em'><thead><tr>{head}</tr></thead>"
        f"<tbody>{body}</tbody></table>{f'<p>Problems</p><ul>{problems}</ul>' if problems else ''}"
    )


def value_text(quantity: Quantity, *, signed: bool = False) -> str:
    """Return value, expanded uncertainty and unit, rounded to two digits of the uncertainty.

    A number of things is whole, with the whole numbers that its interval holds where these are
    several.
    """
    if (things := quantity.counted()) is not None:
        return _number_text(*things, signed=signed)
    half = quantity.expanded
    places = decimal_places(half)
    value = f"{round(quantity.value, places):{'+' if signed else ''}.{max(places, 0)}f}"
    if float(value) == 0:
        value = value.lstrip("+-")
    text = f"{value} ±{HOLD}{round(half, places):.{max(places, 0)}f}{HOLD}{quantity.unit}"
    return text.replace("-", MINUS, 1) if text.startswith("-") else text


def _number_text(value: int, least: int, most: int, *, signed: bool) -> str:
    least = least if signed else max(least, 0)
    said = [f"{n:+d}" if signed and n else f"{n}" for n in (value, least, most)]
    text = said[0] if least == most else f"{said[0]}{HOLD}({said[1]}{HOLD}to{HOLD}{said[2]})"
    return text.replace("-", MINUS)


def cell_text(cell: Cell) -> str:
    """Return what stands in a stage's cell: the value, or the reason why there is none."""
    if cell.whole is not None:
        whole = cell_text(replace(cell, quantity=cell.whole, whole=None))
        return f"{cell_text(replace(cell, whole=None))} (over its whole length: {whole})"
    if cell.quantity.measurable:
        return value_text(cell.quantity) if cell.counts is None else rate_text(cell)
    reason = cell.quantity.reason
    if not cell.tested:
        return reason if reason == NOT_TESTED else f"not tested: {reason}"
    return reason if reason.startswith("not measurable") else f"not measurable: {reason}"


def rate_text(cell: Cell) -> str:
    """Return a rate with the count behind it and its exact 95 % limits."""
    assert cell.counts is not None
    count, exposure = cell.counts
    low, high = rate_interval(count, exposure)
    places = max(decimal_places(high - low), 0)
    rate, limits = f"{count / exposure:.{places}f}", f"{low:.{places}f} to {high:.{places}f}"
    unit = "passes" if cell.quantity.unit == "per pass" else "s"
    counted = f"({count} in {exposure:.3g} {unit}:".replace(" ", HOLD)
    limits = f"{limits})".replace(" ", HOLD)
    return f"{rate}{HOLD}{cell.quantity.unit} {counted} {limits}"


def change_text(change: Quantity) -> str:
    """Return the change with its sign or its bound, or nothing where there is none."""
    if change.reason.startswith(BY_AT_LEAST):
        return change.reason
    return value_text(change, signed=True) if change.measurable else ""


def group_title(group: Group) -> str:
    """Return test, subject and setting in words."""
    test, subject, setting = group
    return f"{TESTS[test].title}: {words(subject)}" + (f", {words(setting)}" if setting else "")


def _leading(rows: Sequence[Row]) -> list[Row]:
    """Return the leading quantity of each group, and whatever else is worse or outside limits."""
    first = {row.group: row for row in reversed(rows)}
    return [
        row
        for row in rows
        if row is first[row.group] or row.verdict == WORSE or row.limit_verdict.word == OUTSIDE
    ]


def _line(row: Row) -> dict[str, Any]:
    tested = [name for name, cell in row.cells.items() if cell.tested]
    stages = list(row.cells)
    ends = (tested[0], tested[-1])
    if len(tested) < 2:
        ends = (tested[0] if tested[0] != stages[-1] else stages[0], stages[-1])
    limit = short = row.limit_verdict.word
    if limit in (WITHIN, OUTSIDE, UNDECIDED) and row.limit is not None:
        probability = row.limit_verdict.probability or 0.0
        short = f"{limit} ({limit_text(row)})"
        limit += f" ({limit_text(row)}; probability within {_percent(probability)})"
    return {
        "group": row.group,
        "title": group_title(row.group),
        "label": row.judged.label,
        "anchor": picture_name(row.group),
        "cells": [(name, cell_text(row.cells[name]), _takes(row.cells[name])) for name in stages],
        "ends": [(name, cell_text(row.cells[name])) for name in dict.fromkeys(ends)],
        "change": change_text(row.change),
        "verdict": row.verdict,
        "short_verdict": row.verdict.partition(":")[0],
        "limit": limit or "no limit set",
        "short_limit": short or "no limit set",
        "remarks": [r for r in row.remarks if row.has_change or r != SINGLE],
        "single": SINGLE in row.remarks,
    }


def limit_text(row: Row) -> str:
    """Return the limit of a row as people read it."""
    assert row.limit is not None
    sign = "±" if row.judged.better == "nearer zero" else f"at most{HOLD}"
    return f"{sign}{row.limit.value:g}{HOLD}{row.limit.unit}".replace("-", MINUS).rstrip(HOLD)


def shared_remarks(rows: Sequence[Row]) -> list[str]:
    """Return the remarks that stand beside every change among some rows."""
    changed = [row for row in rows if row.has_change]
    every = dict.fromkeys(remark for row in changed for remark in row.remarks)
    return [remark for remark in every if all(remark in row.remarks for row in changed)]


def causes_told(rows: Sequence[Row]) -> list[tuple[str, Cause]]:
    """Return what lies outside its limit, by what it often comes from: labels and the cause."""
    labels: dict[Cause, list[str]] = {}
    for row in rows:
        if row.cause is not None:
            labels.setdefault(row.cause, []).append(row.judged.label)
    return [("; ".join(names), cause) for cause, names in labels.items()]


def _section(group: Group, rows: Sequence[Row], sources: Mapping[str, str]) -> dict[str, Any]:
    own = [row for row in rows if row.group == group]
    name = picture_name(group)
    shared = shared_remarks(own)
    lines = [_line(row) for row in own]
    for line in lines:
        line["remarks"] = [remark for remark in line["remarks"] if remark not in shared]
    return {
        "title": group_title(group),
        "anchor": name,
        "picture": sources.get(name, ""),
        "beside": sources.get(name + BESIDE, ""),
        "caption": " ".join(caption(row) for row in _captioned(own)),
        "lines": lines,
        "remarks": shared,
        "causes": causes_told(own),
        "weight": max(weight(row) for row in own),
    }


def _captioned(rows: Sequence[Row]) -> list[Row]:
    """Return the leading row, and the first that shows a change where the leading one has none."""
    rest = [row for row in rows[1:] if row.has_change and row.judged.better != "none"]
    return [rows[0], *([] if rows[0].has_change else rest[:1])]


def caption(row: Row) -> str:
    """Return the sentence below a chart, made from a judged quantity."""
    seen = "; ".join(
        f"{words(name)}: {cell_text(cell).rstrip('.')}"
        for name, cell in row.cells.items()
        if cell.tested
    )
    label = row.judged.label[0].upper() + row.judged.label[1:]
    if row.has_change:
        return f"{label}: {seen}; change {change_text(row.change)}, {row.verdict}."
    end = (
        f" {row.verdict[0].upper()}{row.verdict[1:]}." if row.verdict.startswith("not comp") else ""
    )
    return f"{label}: {seen.rstrip('.')}.{end}"


def weight(row: Row) -> float:
    """Return how far a change exceeds its uncertainty; what is worse or outside counts twice."""
    size = abs(row.change.value) / row.change.expanded if row.change.measurable else 0.0
    bad = row.verdict == WORSE or row.limit_verdict.word == OUTSIDE
    return math.log1p(size) * (2.0 if bad else 1.0)


def _sentences(evidence: Evidence) -> list[str]:
    rows = [row for row in evidence.rows if row.judged.better != "none"]
    verdicts = collections.Counter(row.verdict for row in rows if row.has_change)
    lost = [row for row in rows if not row.has_change]
    limits = collections.Counter(row.limit_verdict.word for row in rows if row.limit_verdict.word)
    used = sum(outcome.used for outcome in evidence.outcomes)
    total = evidence.capture_count
    stages = evidence.job.stages
    said = []
    if len(stages) > 1:
        said.append(
            f"Of {len(rows)} quantities {verdicts[IMPROVED]} improved, "
            f"{verdicts[WORSE]} became worse, {verdicts[UNCHANGED]} show no change, "
            f"and {len(lost)} could not be compared."
        )
        by_chance = round(CHANCE * (len(rows) - len(lost)))
        if verdicts[IMPROVED] + verdicts[WORSE] and by_chance:
            said.append(
                f"A finding holds with about 95 %: had nothing changed at all, about {by_chance} "
                f"of these {len(rows) - len(lost)} would still read improved or worse, by chance."
            )
    if limits:
        said.append(
            f"In the last stage, {words(stages[-1].name)}, {limits[WITHIN]} lie within the chosen "
            f"limits, {limits[OUTSIDE]} outside, {limits[UNDECIDED]} are undecided, "
            f"{limits[NOT_MEASURABLE]} not measurable, {limits[NOT_TESTED]} not tested."
        )
    said.append(f"{used} of {total} captures were used; every capture is listed with its reason.")
    if counted := gaps_told(gaps_of(evidence)):
        said.append(counted)
    if any(SINGLE in row.remarks for row in rows):
        said.append(
            "Where a stage has a single take, its repeatability is unknown: at best the stated "
            "uncertainty covers the wander seen within that take."
        )
    return said


def _lists(evidence: Evidence) -> list[tuple[str, list[str]]]:
    rows = evidence.rows
    last = words(evidence.job.stages[-1].name)
    bad = [
        f"{_name(row)}: {last} {cell_text(list(row.cells.values())[-1])}, "
        + ", ".join(w for w in (row.verdict if row.verdict == WORSE else "", _outside(row)) if w)
        for row in rows
        if row.verdict == WORSE or row.limit_verdict.word == OUTSIDE
    ]
    bad += order_faults(evidence.setting_orders, evidence.job.stages[-1].name)
    same = [
        f"{_name(row)}: change {change_text(row.change)}{_why_unchanged(row)}"
        for row in rows
        if row.verdict == UNCHANGED and row.judged.better != "none"
    ]
    untold: dict[str, list[str]] = {}
    for row in rows:
        if row.judged.better != "none":
            for why in _untold(row):
                untold.setdefault(f"{group_title(row.group)}, {why}", []).append(row.judged.label)
    untested = [f"{stage.name}: {stage.reason}" for stage in evidence.job.stages if stage.reason]
    untested += list(
        dict.fromkeys(
            f"{group_title(row.group)}: not in {words(name)}"
            for row in rows
            for name, cell in row.cells.items()
            if not cell.tested
        )
    )
    for gap in (g for g in gaps_of(evidence) if g.kind in (NOT_TESTED, NOT_FITTED)):
        name = group_title((gap.test, gap.subject, "")) if gap.subject else TESTS[gap.test].title
        why = "" if gap.why == NO_REASON else f": {gap.why}"
        nowhere = "no capture in any stage" if gap.kind == NOT_TESTED else gap.kind
        untested.append(f"{name}: {nowhere}{why}")
    return [
        ("Still outside limits or worse", bad),
        ("No change shown", same),
        ("Not measurable or not comparable", [f"{k} ({', '.join(v)})" for k, v in untold.items()]),
        ("Not tested or not fitted", untested),
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


def _outside(row: Row) -> str:
    return f"{OUTSIDE} ({limit_text(row)})" if row.limit_verdict.word == OUTSIDE else ""


def _name(row: Row) -> str:
    return f"{group_title(row.group)}, {row.judged.label}"


def _takes(cell: Cell) -> str:
    if not cell.quantity.measurable:
        return ""
    return "single take" if cell.takes == 1 else f"mean of {cell.takes} takes"


def _percent(share: float) -> str:
    if share > 0.999:
        return f">{HOLD}99.9{HOLD}%"
    return f"<{HOLD}0.1{HOLD}%" if share < 0.001 else f"{100 * share:.1f}{HOLD}%"


def _remarks(outcome: Outcome) -> str:
    """Return what the reader, the fitness check and the measure remarked on a capture."""
    measured = outcome.result.said if outcome.result is not None else ()
    remarks = dict.fromkeys((*outcome.remarks, *measured))
    return " ".join(r if r.endswith((".", "!")) else f"{r}." for r in remarks)
