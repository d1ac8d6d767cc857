"""The cleaning ladder: events per pass of sliders over the stages."""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from sigkit.charts.stage_marks import SMALL, stage_legend, whisker
from sigkit.charts.style import GREY, LIGHT, MINUS, new_axes, stage_style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from sigkit.evidence.rows.ladder import Ladder, Line
    from sigkit.measures.slider.result import SliderResult

LEAST = 1.0
"""The axis is even up to here, and logarithmic above."""
ROW_IN = 0.3
SPREAD = 0.5
"""Share of a row over which the stages of a slider lie apart."""


def draw_slider_ladder(ladder: Ladder, ax: Axes | None = None, *, ends_only: bool = False) -> Axes:
    """Draw every slider of a job over the stages.

    Parameters
    ----------
    ladder : Ladder
        What `sigkit.evidence.rows.ladder.ladder_of` gives.
    ax : Axes, optional
        Where to draw; one new figure if None.
    ends_only : bool, optional
        Draw the first and the last stage alone, without next steps and the limit's source.

    Returns
    -------
    Axes
        One row a slider: events per pass of each stage with 95 % limits as whiskers, the
        limit as a band, ``returned`` in words, the next step at the end of the row; a stage
        without an answer as a word at the left of its row.
    """
    ax = new_axes(ax)
    lines = ladder.lines
    if ends_only:
        lines = tuple(replace(line, rungs=line.rungs[:1] + line.rungs[1:][-1:]) for line in lines)
    stages = list(dict.fromkeys(rung.stage for line in lines for rung in line.rungs))
    top = max([ladder.limit.value, *(_highest(line) for line in lines)]) * 1.3
    ax.axvspan(0, ladder.limit.value, color=LIGHT, alpha=0.5, linewidth=0, zorder=0)
    if not ends_only:
        _say_more(ax, ladder)
    for row, line in enumerate(lines):
        _draw_line(ax, -row, line, len(stages))
    ax.set_xscale("symlog", linthresh=LEAST, linscale=0.7)
    ax.set_xlim(0, top)
    ax.set_xticks(ticks := [t for t in (0, 0.5, 1, 2, 5, 10, 20, 50, 100) if t <= top])
    ax.set_xticklabels([f"{t:g}" for t in ticks])
    ax.minorticks_off()
    names = [_name(line) for line in lines]
    ax.set_yticks([-row for row in range(len(lines))], names, fontsize=8)
    ax.set_ylim(-len(lines) + 0.4, 0.6)
    even = "" if ends_only else " (scale even up to 1, logarithmic above)"
    ax.set_xlabel(f"events per pass{even}")
    ax.tick_params(axis="y", length=0)
    ax.grid(axis="x")
    stage_legend(ax, [stage.replace("_", " ") for stage in stages])
    return ax


def _say_more(ax: Axes, ladder: Ladder) -> None:
    """Write the limit's source above the axes, and the next step at the end of every row."""
    said = f"left alone up to {ladder.limit.value:g}: {ladder.limit.source}"
    _beside(ax, (0, 1), said, xycoords="axes fraction", va="bottom", color=GREY)
    _beside(ax, (1, 1), "next step", xycoords="axes fraction", va="bottom", color=GREY)
    for row, line in enumerate(ladder.lines):
        said = line.step.action + ("\nreturned" if line.last.returned else "")
        _beside(ax, (1, -row), said, xycoords=("axes fraction", "data"), va="center")


def height_ladder(ladder: Ladder) -> float:
    """Return the height in inches at which the rows of `draw_slider_ladder` keep apart."""
    return 1.3 + ROW_IN * len(ladder.lines)


def beside_slider(stages: Mapping[str, SliderResult], ax: Axes | None = None) -> Axes:
    """Draw the events per pass of one slider over its stages.

    Parameters
    ----------
    stages : mapping of str to SliderResult
        Results by the name of their stage, in order.
    ax : Axes, optional
        Where; by default the axes of a new figure.

    Returns
    -------
    Axes
        Each pass a small mark, the mean with its 95 % interval beside them; a stage without
        passes as a gap with its reason.
    """
    from matplotlib.ticker import MaxNLocator

    ax = new_axes(ax)
    means: list[tuple[int, float]] = []
    for index, result in enumerate(stages.values()):
        style = stage_style(index, len(stages))
        mean = result.events_per_pass
        if not mean.measurable:
            _write_gap(ax, index, mean.reason)
            continue
        counts = result.passes["events"].to_numpy(float)
        aside = index - 0.28 + 0.16 * np.arange(counts.size) / max(counts.size - 1, 1)
        ax.plot(aside, counts, ls="", marker=".", ms=3, color=style["color"], zorder=2)
        low = max(mean.value - mean.expanded, 0.0)
        whisker(ax, index, mean.value, (low, mean.value + mean.expanded), style, upright=True)
        label = f"{mean.value:.1f}"
        ax.annotate(
            label,
            (index, mean.value),
            xytext=(7, 3),
            textcoords="offset points",
            va="bottom",
            color=style["color"],
        )
        means.append((index, mean.value))
    ax.plot(*zip(*means, strict=True), color=GREY, lw=0.6, zorder=1) if means else None
    ax.set_xticks(range(len(stages)), list(stages))
    ax.set_xlim(-0.6, len(stages) - 0.4)
    ax.set_ylim(bottom=0, top=max(ax.get_ylim()[1], 1.0))
    ax.yaxis.set_major_locator(MaxNLocator(integer=True))
    ax.set_ylabel("events per pass")
    ax.grid(axis="y")
    ax.set_title("small marks: single passes; whiskers: 95 % of their mean", fontsize=SMALL)
    return ax


def _beside(ax: Axes, at: tuple[float, float], text: str, **style: Any) -> None:
    ax.annotate(text, at, xytext=(5, 2), textcoords="offset points", fontsize=SMALL, **style)


def _draw_line(ax: Axes, y: float, line: Line, stages: int) -> None:
    """Draw the stages of one slider, the first on top, each a little below the one before."""
    step = SPREAD / max(stages - 1, 1)
    first = y + SPREAD / 2 if stages > 1 else y
    for index, rung in enumerate(line.rungs):
        at = first - index * step
        if rung.counts is not None:
            whisker(ax, at, rung.rate, rung.interval, stage_style(index, stages), upright=False)
        elif rung.tested:
            ax.annotate(
                f"{rung.stage.replace('_', ' ')}: not measurable",
                (0, at),
                xytext=(4, 0),
                textcoords="offset points",
                va="center",
                fontsize=6,
                color=GREY,
            )


def _write_gap(ax: Axes, at: float, reason: str) -> None:
    if not reason.startswith("not measurable"):
        reason = f"not measurable: {reason}"
    place = ax.get_xaxis_transform()
    reason = re.sub(r"(?<!\w)-(?=\d)", MINUS, textwrap.shorten(reason, 90, placeholder=" ..."))
    text = textwrap.fill(reason, 22)
    ax.text(at, 0.5, text, transform=place, ha="center", va="center", fontsize=SMALL)


def _highest(line: Line) -> float:
    ends = [rung.interval[1] for rung in line.rungs]
    return max((end for end in ends if math.isfinite(end)), default=0.0)


def _name(line: Line) -> str:
    return ", ".join(part.replace("_", " ") for part in (line.subject, line.setting) if part)
