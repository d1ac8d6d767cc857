"""Marks with whiskers, one style a stage, and the legend that names them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from sigkit.charts.style import stage_style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

SMALL = 7
MARK = 4.5


def whisker(
    ax: Axes,
    at: float,
    value: float,
    interval: tuple[float, float],
    style: Mapping[str, Any],
    *,
    upright: bool,
) -> None:
    """Draw a mark with its interval as a whisker, in the style of its stage."""
    error = [[max(value - interval[0], 0.0)], [max(interval[1] - value, 0.0)]]
    x, y = (at, value) if upright else (value, at)
    bars = ax.errorbar(
        x,
        y,
        xerr=None if upright else error,
        yerr=error if upright else None,
        marker=style["marker"],
        markersize=MARK,
        color=style["color"],
        markerfacecolor=style["markerfacecolor"],
        elinewidth=style["linewidth"],
        capsize=2,
        zorder=3,
        clip_on=False,
    )
    for bar in bars[2]:
        bar.set_linestyle(style["linestyle"])


def stage_legend(ax: Axes, stages: Sequence[str]) -> None:
    """Name the stages above the axes, each with its line and mark."""
    from matplotlib.lines import Line2D

    keys = ("color", "linestyle", "marker", "markerfacecolor")
    handles = [
        Line2D(
            [],
            [],
            label=name,
            markersize=MARK,
            **{key: stage_style(index, len(stages))[key] for key in keys},
        )
        for index, name in enumerate(stages)
    ]
    legend = ax.legend(
        handles=handles, ncols=3, fontsize=SMALL, loc="lower left", borderaxespad=1.6
    )
    legend.set_bbox_to_anchor((0, 1), transform=ax.transAxes)
