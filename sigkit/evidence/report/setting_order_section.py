"""The report's part on sliders over their marks: a picture, findings in words, a table."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from sigkit.evidence.rows.setting_order import SettingOrder, StageMarks
from sigkit.judging.order_guides import OrderGuide
from sigkit.judging.slider_marks import percent_of
from sigkit.measures import TESTS
from sigkit.measures.result import words

if TYPE_CHECKING:
    from sigkit.evidence.rows.cell import Cell
    from sigkit.evidence.rows.table import Row

HOLD = "\N{NO-BREAK SPACE}"


def order_picture(order: SettingOrder) -> str:
    """Return the name of the picture, without suffix."""
    return f"order-{order.test}-{order.subject}-{order.judged.quantity}"


def order_title(order: SettingOrder) -> str:
    """Return test and subject in words."""
    return f"{TESTS[order.test].title}: {words(order.subject)}"


def order_sentence(order: SettingOrder) -> str:
    """Return what the last stage with captures shows, in one sentence."""
    last = order.stages[-1]
    told = [last.findings[0].text, *(fault_text(last, i) for i in range(len(last.faults)))]
    return f"{order_title(order)} over its marks, {words(last.stage)}: {'; '.join(told)}."


def order_faults(orders: Sequence[SettingOrder], stage: str) -> list[str]:
    """Return what is worn or faulty over the marks when they were last recorded, with its place.

    Parameters
    ----------
    orders : sequence of SettingOrder
        Quantities over the marks of their slider.
    stage : str
        The last stage of the job.
    """
    return [
        f"{order_title(order)}, {order.judged.label} over its marks: {words(one.stage)} "
        + fault_text(one, number)
        + ("" if one.stage == stage else ", not tested since")
        for order in orders
        for one in order.stages[-1:]
        for number in range(len(one.faults))
    ]


def fault_text(stage: StageMarks, number: int) -> str:
    """Return a fault in words with its grade."""
    fault = stage.faults[number]
    return f"{fault.text} ({fault.word})"


def order_sections(
    orders: Sequence[SettingOrder],
    rows: Sequence[Row],
    sources: Mapping[str, str],
    told: Callable[[Cell], str],
    numbers: Mapping[tuple[str, str, str, str, int], int],
) -> list[dict[str, Any]]:
    """Return what the report shows of sliders over their marks, one section a test and subject.

    Parameters
    ----------
    orders : sequence of SettingOrder
        Quantities over the marks of their slider.
    rows : sequence of Row
        The job's rows, for the table.
    sources : mapping of str to str
        Pictures by name, in base64.
    told : callable
        Gives the text of a cell.
    numbers : mapping
        Line of results.csv of each finding, as `shown_rows.finding_numbers` gives it.
    """
    sections = []
    for test, subject in dict.fromkeys((order.test, order.subject) for order in orders):
        own = [order for order in orders if (order.test, order.subject) == (test, subject)]
        sections.append(
            {
                "title": f"{order_title(own[0])}, over the marks of its slider",
                "anchor": f"order-{test}-{subject}",
                "orders": [_order(order, rows, sources, told, numbers) for order in own],
                "rule": _rule(own[0].guide),
                "sources": sorted({order.guide.source for order in own}),
            }
        )
    return sections


def _order(
    order: SettingOrder,
    rows: Sequence[Row],
    sources: Mapping[str, str],
    told: Callable[[Cell], str],
    numbers: Mapping[tuple[str, str, str, str, int], int],
) -> dict[str, Any]:
    name = order_picture(order)
    what = order.test, order.subject, order.judged.quantity
    own = [
        row
        for row in rows
        if (row.test, row.subject, row.judged) == (order.test, order.subject, order.judged)
    ]
    placed = sorted(own, key=lambda row: _place(row.setting))
    return {
        "label": order.judged.label[0].upper() + order.judged.label[1:],
        "anchor": name,
        "picture": sources.get(name, ""),
        "caption": _caption(order),
        "stages": [stage.stage for stage in order.stages],
        "findings": [
            (
                stage.stage,
                [(f, numbers[(*what, stage.stage, n)]) for n, f in enumerate(stage.findings)],
                stage.remark,
            )
            for stage in order.stages
        ],
        "lines": [
            {
                "name": _mark_name(row.setting),
                "cells": [(s.stage, told(row.cells[s.stage])) for s in order.stages],
            }
            for row in placed
        ],
    }


def _rule(guide: OrderGuide) -> str:
    worn, dead = (
        f"{percent:g}{HOLD}%"
        for percent in (guide.reversal_worn_to_percent, guide.dead_zone_percent)
    )
    return (
        "Two marks differ only where their difference exceeds its expanded uncertainty. A fall "
        "from one mark to a later one is worn where it happens once and by no more than "
        f"{worn}, else faulty; a change shown to be below {dead} for a quarter of the travel "
        "(in proportion for other distances) is a dead zone, faulty. How well the hand meets a "
        "mark is in the uncertainty only where the mark was recorded in several takes."
    )


def _place(setting: str) -> float:
    percent = percent_of(setting)
    return 101.0 if percent is None else percent


def _mark_name(setting: str) -> str:
    percent = percent_of(setting)
    if percent is None:
        return f"{words(setting) or 'no setting'}, place unknown"
    return f"{percent:.3g}{HOLD}%"


def _caption(order: SettingOrder) -> str:
    seen = "; ".join(f"{words(stage.stage)}: {stage.findings[0].text}" for stage in order.stages)
    return (
        f"{order.judged.label[0].upper()}{order.judged.label[1:]} against the mark: {seen}. "
        f"Whiskers: expanded uncertainty, about 95{HOLD}%; arrows: at most."
    )
