"""Before and after of one test, subject and setting in one picture, on the same scales."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING

from sigkit.charts.style import ACCENT, INK, look
from sigkit.evidence.rows import Group
from sigkit.evidence.run import Outcome
from sigkit.measures.result import words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from sigkit.evidence.evidence import Evidence

WIDTH_IN = 5.2
"""Narrow enough that its letters stay readable at the width of a phone."""
HEIGHT_IN = 2.5
DPI = 160


def draw_groups(evidence: Evidence) -> dict[str, bytes]:
    """Draw every test, subject and setting that has a measurement; PNG by picture name."""
    drawn: dict[str, bytes] = {}
    for group in dict.fromkeys(row.group for row in evidence.rows):
        shown = shown_takes(evidence, group)
        if shown:
            drawn[picture_name(group)] = draw_stages(shown)
    return drawn


def shown_takes(evidence: Evidence, group: Group) -> list[Outcome]:
    """Return the first measured take of each stage: the rule by which takes are drawn."""
    shown: dict[str, Outcome] = {}
    for outcome in evidence.outcomes:
        name = outcome.take.name
        if outcome.used and (name.test, name.subject, name.setting) == group:
            shown.setdefault(outcome.take.stage, outcome)
    return list(shown.values())


def picture_name(group: Group) -> str:
    """Return the name of a group's picture, without suffix."""
    return "-".join(part for part in group if part)


def draw_stages(shown: Sequence[Outcome]) -> bytes:
    """Draw the results one below the other on shared scales, as PNG without date or version."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with look():
        size = (WIDTH_IN, HEIGHT_IN * len(shown) + 0.2)
        figure = Figure(figsize=size, layout="constrained")
        FigureCanvasAgg(figure)
        every: list[list[Axes]] = []
        for index, outcome in enumerate(shown):
            ax = figure.add_subplot(len(shown), 1, index + 1)
            before = set(figure.axes)
            assert outcome.result is not None
            outcome.result.plot(ax)
            every.append([ax, *(a for a in figure.axes if a not in before)])
            last = index == len(shown) - 1
            ax.set_title(
                f"{words(outcome.take.stage)}",
                color=ACCENT if last and len(shown) > 1 else INK,
                fontweight="bold",
            )
        _share([axes[0] for axes in every])
        picture = io.BytesIO()
        figure.savefig(picture, format="png", dpi=DPI, metadata={"Software": None})
    return picture.getvalue()


def _share(axes: Sequence[Axes]) -> None:
    x = [limit for ax in axes for limit in ax.get_xlim()]
    y = [limit for ax in axes for limit in ax.get_ylim()]
    for ax in axes:
        ax.set_xlim(min(x), max(x))
        ax.set_ylim(min(y), max(y))
    for ax in axes[:-1]:
        ax.set_xlabel("")
