"""A quantity against the marks of its slider, one line a stage."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from sigkit.charts.stage_marks import MARK, SMALL, stage_legend, whisker
from sigkit.charts.style import GREY, LIGHT, new_axes, stage_style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from sigkit.evidence.rows.setting_order import SettingOrder, StageMarks
    from sigkit.judging.slider_marks import Mark

ARROW = 0.6
"""How far down the arrow of a bound reaches, as a share of the bound."""
ROOM = 1.35
EDGE_PERCENT = 4.0
BRACKET, BRACKET_ROW = 0.02, 0.09
"""Height of a bracket's ends, and of one with its words, in parts of the axes."""


def draw_setting_order(order: SettingOrder, ax: Axes | None = None) -> Axes:
    """Draw a quantity against the marks of its slider.

    Parameters
    ----------
    order : SettingOrder
        What `sigkit.evidence.rows.setting_order.setting_orders_of` gives.
    ax : Axes, optional
        Where to draw; one new figure if None.

    Returns
    -------
    Axes
        One line a stage on a logarithmic axis, expanded uncertainties as whiskers, a bound as an
        arrow down from it; a mark without a value breaks the line and says so. The guide's minimum
        is a band at 0 %. A bracket along the top spans every stretch over which it falls where it
        should rise, in the colour of its stage, one row a stage.
    """
    ax = new_axes(ax)
    count = len(order.stages)
    for index, stage in enumerate(order.stages):
        _draw_stage(ax, stage, stage_style(index, count))
    ax.set_yscale("log")
    low, high = _range(order)
    minimum = order.guide.minimum
    if minimum is not None:
        _draw_minimum(ax, low, minimum.value, minimum.unit)
    rows = sum(bool(stage.reversals) for stage in order.stages)
    ax.set_ylim(low, high * (high / low) ** (rows * BRACKET_ROW / (1 - rows * BRACKET_ROW)))
    ax.yaxis.set_major_locator(_decades(low, high))
    ax.yaxis.set_minor_locator(_nothing())
    ax.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    places = [mark.percent for stage in order.stages for mark in stage.placed]
    at = sorted({percent for percent in places if percent is not None})
    ax.set_xticks(at, [f"{percent:.3g}" for percent in at])
    ax.set_xlim(-EDGE_PERCENT, 100 + EDGE_PERCENT)
    ax.set_xlabel("mark on the slider (% of its travel)")
    label = order.judged.label
    ax.set_ylabel(f"{label} ({order.judged.unit}, log scale)")
    ax.grid(axis="y")
    turned = 0
    for index, stage in enumerate(order.stages):
        _write_gaps(ax, stage, index)
        for ends in stage.reversals:
            _draw_reversal(ax, ends, stage, stage_style(index, count)["color"], turned)
        turned += bool(stage.reversals)
    stage_legend(ax, [stage.stage.replace("_", " ") for stage in order.stages])
    return ax


def _draw_stage(ax: Axes, stage: StageMarks, style: dict[str, Any]) -> None:
    line = {key: style[key] for key in ("color", "linestyle", "linewidth")}
    levels = [_height(mark) for mark in stage.placed]
    at = [mark.percent for mark in stage.placed]
    ax.plot(np.array(at, float), np.array(levels, float), zorder=2, **line)
    for mark, level in zip(stage.placed, levels, strict=True):
        if math.isnan(level) or mark.percent is None:
            continue
        if _is_bound(mark):
            _draw_bound(ax, mark.percent, level, style)
        else:
            half = mark.quantity.expanded
            ends = max(level - half, level * 1e-3), level + half
            whisker(ax, mark.percent, level, ends, style, upright=True)


def _draw_bound(ax: Axes, percent: float, bound: float, style: dict[str, Any]) -> None:
    """Draw a bar at the bound and an arrow down from it."""
    ax.plot(percent, bound, ls="", marker="_", ms=2 * MARK, color=style["color"], zorder=3)
    ax.annotate(
        "",
        (percent, bound * ARROW),
        (percent, bound),
        arrowprops={
            "arrowstyle": "-|>",
            "edgecolor": style["color"],
            "facecolor": style["markerfacecolor"],
            "linewidth": style["linewidth"],
            "shrinkA": 0,
            "shrinkB": 0,
        },
        zorder=3,
    )


def _draw_minimum(ax: Axes, low: float, value: float, unit: str) -> None:
    if value <= low:
        return
    ax.fill_between(
        [-EDGE_PERCENT, EDGE_PERCENT], low, value, color=LIGHT, alpha=0.5, linewidth=0, zorder=0
    )
    ax.annotate(
        f"at 0: at most {value:g} {unit} (guide value)",
        (EDGE_PERCENT, low),
        xytext=(3, 2),
        textcoords="offset points",
        va="bottom",
        fontsize=SMALL,
        color=GREY,
    )


def _write_gaps(ax: Axes, stage: StageMarks, index: int) -> None:
    for mark in stage.placed:
        if not mark.known and mark.percent is not None:
            ax.annotate(
                f"{stage.stage.replace('_', ' ')}:\nnot measurable",
                (mark.percent, 0.0),
                xytext=(0, 14 + 18 * index),
                xycoords=ax.get_xaxis_transform(),
                textcoords="offset points",
                ha="left" if mark.percent < 10 else "right" if mark.percent > 90 else "center",
                fontsize=6,
                color=GREY,
            )


def _draw_reversal(
    ax: Axes, ends: tuple[float, float], stage: StageMarks, color: str, row: int
) -> None:
    """Draw a bracket over the stretch, and say below it what it is."""
    top = 1 - BRACKET - row * BRACKET_ROW
    ax.plot(
        np.repeat(ends, 2),
        [top - BRACKET, top, top, top - BRACKET],
        transform=ax.get_xaxis_transform(),
        color=color,
        linewidth=1.2,
        label="_reversal",
    )
    ax.annotate(
        f"{stage.stage.replace('_', ' ')}: falls back",
        (sum(ends) / 2, top),
        xycoords=ax.get_xaxis_transform(),
        xytext=(0, -2),
        textcoords="offset points",
        ha="center",
        va="top",
        fontsize=SMALL,
        color=color,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5},
    )


def _is_bound(mark: Mark) -> bool:
    return not mark.quantity.measurable or mark.quantity.value <= 0


def _height(mark: Mark) -> float:
    """Return where a mark is drawn; a value at zero or below as the bound that it gives."""
    if not mark.known:
        return math.nan
    value = mark.level.value
    return value if value > 0 else max(value + mark.level.expanded, math.nan)


def _range(order: SettingOrder) -> tuple[float, float]:
    ends = []
    for stage in order.stages:
        for mark in stage.placed:
            level = _height(mark)
            if math.isnan(level):
                continue
            if _is_bound(mark):
                ends += [level * ARROW, level]
            else:
                half = mark.quantity.expanded
                ends += [max(level - half, 0.3 * level), level + half]
    if order.guide.minimum is not None:
        ends.append(order.guide.minimum.value)
    if not ends:
        return 0.01, 10.0
    return min(ends) / ROOM, max(ends) * ROOM


def _decades(low: float, high: float) -> Any:
    from matplotlib.ticker import LogLocator

    wide = math.log10(high / low) > 2.5
    return LogLocator(subs=(1.0, 3.0) if wide else (1.0, 2.0, 5.0), numticks=20)


def _nothing() -> Any:
    from matplotlib.ticker import NullLocator

    return NullLocator()
