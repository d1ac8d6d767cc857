"""Values, names and findings in the words and digits that every page shows."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import replace

from sigkit.evidence.rows.cell import Cell
from sigkit.evidence.rows.table import Group, Row
from sigkit.judging.causes import Cause
from sigkit.judging.compare import BY_AT_LEAST, WORSE
from sigkit.judging.limits import NOT_MEASURABLE, NOT_TESTED, OUTSIDE
from sigkit.measures import TESTS
from sigkit.measures.result import words
from sigkit.quantity import Quantity, decimal_places

MINUS = "\N{MINUS SIGN}"
HOLD = "\N{NO-BREAK SPACE}"
SPOKEN = {"1/s": f"per{HOLD}s"}
"""Units that people read otherwise than they are written in tables."""
NEGATIVE = re.compile(r"(?<![\w-])-(?=\d)")


def value_text(quantity: Quantity, *, signed: bool = False, unit: bool = True) -> str:
    """Return value, expanded uncertainty and unit, rounded to two digits of the uncertainty.

    Without the unit where the head of the row has it. A number of things is whole, with the whole
    numbers that its interval holds where these are several.
    """
    if (things := quantity.counted()) is not None:
        return _number_text(*things, signed=signed)
    half = quantity.expanded
    places = decimal_places(half)
    value = f"{round(quantity.value, places):{'+' if signed else ''}.{max(places, 0)}f}"
    if float(value) == 0:
        value = value.lstrip("+-")
    text = f"{value} ±{HOLD}{round(half, places):.{max(places, 0)}f}"
    if unit:
        text += f"{HOLD}{SPOKEN.get(quantity.unit, quantity.unit)}"
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
    reason = NEGATIVE.sub(MINUS, cell.quantity.reason)
    if not cell.tested:
        return reason if reason == NOT_TESTED else f"not tested: {reason}"
    return reason if reason.startswith("not measurable") else f"not measurable: {reason}"


def rate_text(cell: Cell) -> str:
    """Return a rate with the count behind it and its 95 % limits."""
    assert cell.counts is not None
    count, exposure = cell.counts
    rate, limits = _rate(cell)
    unit = "passes" if cell.quantity.unit == "per pass" else "s"
    counted = f"({count} in {exposure:.3g} {unit}:".replace(" ", HOLD)
    limits = f"{limits})".replace(" ", HOLD)
    return f"{rate}{HOLD}{SPOKEN.get(cell.quantity.unit, cell.quantity.unit)} {counted} {limits}"


def _rate(cell: Cell) -> tuple[str, str]:
    assert cell.counts is not None
    count, exposure = cell.counts
    low, high = cell.interval
    places = max(decimal_places(high - low), 0)
    return f"{count / exposure:.{places}f}", f"{low:.{places}f} to {high:.{places}f}"


def short_text(cell: Cell, *, unit: bool = True) -> str:
    """Return a cell without the count behind a rate, and without the reason for no value."""
    if cell.whole is not None:
        cell = replace(cell, quantity=cell.whole, whole=None)
    if not cell.tested:
        return NOT_TESTED
    if not cell.quantity.measurable:
        return NOT_MEASURABLE
    if cell.counts is None:
        return value_text(cell.quantity, unit=unit)
    rate, limits = _rate(cell)
    limits = limits.replace(" ", HOLD)
    spoken = SPOKEN.get(cell.quantity.unit, cell.quantity.unit)
    return f"{rate}{HOLD}{spoken} ({limits})" if unit else f"{rate} ({limits})"


def change_text(change: Quantity, *, unit: bool = True) -> str:
    """Return the change with its sign or its bound, or nothing where there is none."""
    if change.reason.startswith(BY_AT_LEAST):
        return change.reason
    return value_text(change, signed=True, unit=unit) if change.measurable else ""


def group_title(group: Group) -> str:
    """Return test, subject and setting in words."""
    test, subject, setting = group
    return f"{TESTS[test].title}: {words(subject)}" + (f", {words(setting)}" if setting else "")


def limit_text(row: Row, *, unit: bool = True) -> str:
    """Return the limit of a row as people read it."""
    assert row.limit is not None
    sign = "±" if row.judged.better == "nearer zero" else f"at most{HOLD}"
    shown = row.limit.unit if unit else ""
    return f"{sign}{row.limit.value:g}{HOLD}{shown}".replace("-", MINUS).rstrip(HOLD)


def outside(row: Row) -> str:
    """Return that a quantity is outside its limit, and the limit; else nothing."""
    if row.held.word != OUTSIDE:
        return ""
    since = f" in {words(row.since)}, not tested since" if row.since else ""
    return f"{OUTSIDE} ({limit_text(row)}){since}"


def shared_remarks(rows: Sequence[Row]) -> list[str]:
    """Return the remarks that stand beside every change among some rows."""
    changed = [row for row in rows if row.has_change]
    every = dict.fromkeys(remark for row in changed for remark in row.remarks)
    return [remark for remark in every if all(remark in row.remarks for row in changed)]


def causes_told(rows: Sequence[Row]) -> list[tuple[str, Cause]]:
    """Return what lies outside its limit, by what it often comes from: labels and the cause.

    Labels say in which stage, where that was not tested again.
    """
    labels: dict[tuple[Cause, str], list[str]] = {}
    for row in rows:
        if row.cause is not None:
            labels.setdefault((row.cause, row.since), []).append(row.judged.label)
    return [
        ("; ".join(names) + (f" (in {words(since)}, not tested since)" if since else ""), cause)
        for (cause, since), names in labels.items()
    ]


def caption(row: Row) -> str:
    """Return the sentence below a chart, made from a judged quantity."""
    seen = "; ".join(
        f"{words(name)}: {cell_text(cell).rstrip('.')}"
        for name, cell in row.cells.items()
        if cell.tested
    )
    label = row.judged.label[0].upper() + row.judged.label[1:]
    if row.has_change:
        found = f", {row.verdict}" if row.verdict else ""
        found += f"; {outside(row)}" if outside(row) else ""
        return f"{label}: {seen}; change {change_text(row.change)}{found}."
    end = (
        f" {row.verdict[0].upper()}{row.verdict[1:]}." if row.verdict.startswith("not comp") else ""
    )
    found = f"; {outside(row)}" if outside(row) else ""
    return f"{label}: {seen.rstrip('.')}{found}.{end}"


def weight(row: Row) -> float:
    """Return how far a change exceeds its uncertainty; what is worse or outside counts twice."""
    size = abs(row.change.value) / row.change.expanded if row.change.measurable else 0.0
    bad = row.verdict == WORSE or row.held.word == OUTSIDE
    return math.log1p(size) * (2.0 if bad else 1.0)


def upper_first(text: str) -> str:
    """Return a text with its first letter as a capital."""
    return text[:1].upper() + text[1:]


def percent(share: float) -> str:
    """Return a probability in percent, no closer to certainty than it can be told."""
    if share > 0.999:
        return f">{HOLD}99.9{HOLD}%"
    return f"<{HOLD}0.1{HOLD}%" if share < 0.001 else f"{100 * share:.1f}{HOLD}%"
