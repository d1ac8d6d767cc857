"""The three charts of page one: chosen by rule, drawn small."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from sigkit.evidence.report.front import front_caption, is_bad
from sigkit.evidence.report.methods import methods
from sigkit.evidence.report.pictures import (
    FRONT,
    Bundle,
    draw_small,
    limits_of,
    picture_name,
    shown_takes,
)
from sigkit.evidence.report.wording import group_title, weight
from sigkit.evidence.rows.table import Row
from sigkit.judging.compare import IMPROVED

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence

FRONT_CHARTS = 3


def front_drawings(evidence: Evidence) -> list[Bundle]:
    """Return what draws the charts of page one, small; their names end in ``-front``."""
    bundles: list[Bundle] = []
    for row in front_chosen(evidence):
        shown = shown_takes(evidence, row.group)
        ends = [shown[0], shown[-1]][: len(shown)]
        draw = functools.partial(draw_small, ends, limits_of(evidence, row.group))
        bundles.append({picture_name(row.group) + FRONT: draw})
    return bundles


def front_charts(evidence: Evidence, sources: Mapping[str, str]) -> list[dict[str, Any]]:
    """Return the three charts of page one, chosen by rule.

    First a test of the owner's complaint where the job names one, then the worst that is left, then
    the largest improvement, then what changed most; each of another bench test where there are
    enough.
    """
    found = []
    for row in front_chosen(evidence):
        source = sources.get(picture_name(row.group) + FRONT) or sources.get(
            picture_name(row.group), ""
        )
        told = methods()[row.test]
        found.append(
            {
                "title": group_title(row.group),
                "anchor": picture_name(row.group),
                "picture": source,
                "caption": front_caption(row),
                "alt": f"{group_title(row.group)}. {told.chart}. {front_caption(row)}",
            }
        )
    return found


def front_chosen(evidence: Evidence) -> list[Row]:
    """Return the quantities whose tests are drawn on page one, in order."""
    drawn = [
        row
        for row in evidence.rows
        if row.judged.better != "none" and shown_takes(evidence, row.group)
    ]
    asked = sorted((row for row in drawn if _complained(evidence, row)), key=weight, reverse=True)
    bad = sorted((row for row in drawn if is_bad(row)), key=weight, reverse=True)
    better = sorted((row for row in drawn if row.verdict == IMPROVED), key=weight, reverse=True)
    rest = sorted(drawn, key=weight, reverse=True)
    chosen: list[Row] = []
    for ranked in (asked, bad, better, rest, rest, rest):
        if len(chosen) == FRONT_CHARTS:
            break
        tests = {row.test for row in chosen}
        groups = {row.group for row in chosen}
        other = [row for row in ranked if row.test not in tests]
        other = other or [row for row in ranked if row.group not in groups]
        chosen += other[:1]
    return chosen


def _complained(evidence: Evidence, row: Row) -> bool:
    """Whether a quantity is of a test that the owner's complaint names."""
    named = evidence.job.settings.complaint_tests
    return row.test in named or f"{row.test}-{row.subject}" in named
