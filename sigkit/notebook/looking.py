"""The charts of a notebook, as they stand in the report, each with what one sees on it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from sigkit.evidence.report.pages import caption
from sigkit.evidence.report.pictures import BESIDE, LADDER, draw_groups, picture_name
from sigkit.evidence.rows.table import Group
from sigkit.notebook.shown import Shown, picture, said
from sigkit.notebook.telling import by_group

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence

MOST_NAMED = 4
SEEN_BESIDE = {
    "beating": "How fast the two beat; slower is nearer to unison.",
    "envelope": "The attacks over each other, on a linear scale, re each note's peak.",
    "keyboard": "The keys that something is said of, to be worked down at the bench.",
    "noise": "Floor and mains families, with their intervals, re the full tone where it is known.",
    "slider": "Events per pass over the stages; a small mark is one pass.",
    "stability": "How much the pitch moves over short and long times (Allan deviation), with 95 % "
    "intervals.",
    "waveform": "The harmonics beside those of the ideal wave.",
}
"""What the picture beside the main one of a test shows."""


def charts_of(evidence: Evidence, groups: Sequence[Group], *, across: bool) -> list[Shown]:
    """Return the charts of some subjects and settings.

    Parameters
    ----------
    evidence : Evidence
        What was measured.
    groups : sequence of Group
        Which ones.
    across : bool
        Whether those follow that show all subjects, or all marks of a slider, at once.
    """
    rows, pictures = by_group(evidence.rows), draw_groups(evidence, groups=groups)
    parts = []
    for group in groups:
        own, name = rows[group], picture_name(group)
        changed = [row for row in own if row.has_change and row.judged.better != "none"]
        told = caption(own[0] if own[0].has_change or not changed else changed[0])
        if name in pictures:
            parts.append(picture(pictures[name], told))
        if name + BESIDE in pictures:
            parts.append(picture(pictures[name + BESIDE], SEEN_BESIDE.get(group[0], "")))
    for name, drawn in pictures.items() if across else ():
        if name == LADDER:
            parts.append(picture(drawn, "Every slider over the stages, and what to do next."))
        elif name.startswith("order-"):
            parts.append(picture(drawn, "Every mark of the slider."))
    return parts or [said("Nothing to look at: no capture could be measured.")]


def others(method: str, groups: Sequence[Group]) -> Shown:
    """Return how to see those that are not shown."""
    calls = [", ".join(f'"{part}"' for part in group[1:] if part) for group in groups]
    if not calls:
        return Shown("", "")
    few = "; ".join(f"bench.{method}({call})" for call in calls[:MOST_NAMED])
    more = f"; and {len(calls) - MOST_NAMED} more" if len(calls) > MOST_NAMED else ""
    return said(f"Others, in a cell of their own: {few}{more}.")
