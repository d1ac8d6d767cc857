"""The travel strip of a slider: one row a pass, 0 to 100 % of the travel, each event a mark."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sigkit.charts.slider_ladder import beside_slider
from sigkit.charts.slider_time import MARKS, draw_slider_time, floor_text, mark_sizes
from sigkit.charts.style import GREY, LIGHT, MINUS, new_axes, stage_style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from sigkit.measures.slider.result import SliderResult

__all__ = [
    "beside_slider",
    "compare_slider",
    "draw_slider",
    "height_slider",
    "lies_over_slider",
]

SPOT_PERCENT = 5.0
"""Width of a fixed spot."""
GAP_ROWS = 1.7
"""Room above a stage's passes for its name and floor, in rows."""
UNSEEN_ROWS = 3
"""Rows that a stage without passes takes for its reason."""
MOST_LABELS = 40
"""Up to so many rows each is labelled, above every second one."""
SMALL = 7


def draw_slider(result: SliderResult, ax: Axes | None = None) -> Axes:
    """Draw the travel strip of one slider capture, or its course over time without passes.

    Parameters
    ----------
    result : SliderResult
        What `measure_slider` found.
    ax : Axes, optional
        Where to draw; one new figure if None.

    Returns
    -------
    Axes
        One row a pass, the first on top: the way it went as a line, where events were not looked
        for shaded, an event a mark at its place, larger where louder (a jump of pitch: where
        larger), fixed spots as bands, and the floor in words.
    """
    if result.passes.empty:
        return draw_slider_time(result, ax)
    ax = compare_slider({result.source.name: result}, ax)
    ax.set_title(f"Slider pass: {result.source.name}")
    return ax


def compare_slider(stages: Mapping[str, SliderResult], ax: Axes | None = None) -> Axes:
    """Draw the travel strips of several stages one above the other, on the same travel.

    Parameters
    ----------
    stages : mapping of str to SliderResult
        Results by the name of their stage, in order; the first is on top.
    ax : Axes, optional
        Where; by default the axes of a new figure.
    """
    ax = new_axes(ax)
    top, ticks = 0.0, []
    for index, (name, result) in enumerate(stages.items()):
        style = stage_style(index, len(stages))
        said = _stage_text(result)
        if len(stages) > 1:
            _write(ax, 0, top - 0.75, name, color=style["color"], fontweight="bold")
        _write(ax, 100, top - 0.75, said, ha="right", color=GREY)
        top -= GAP_ROWS
        if result.passes.empty:
            reason = result.events_per_pass.reason or "no passes seen"
            _write_gap(ax, top, reason)
            top -= UNSEEN_ROWS
            continue
        ticks += _draw_passes(ax, result, top, style)
        top -= len(result.passes)
    step = 1 if len(ticks) <= MOST_LABELS else 2
    places, labels = [t[0] for t in ticks[::step]], [t[1] for t in ticks[::step]]
    ax.set_yticks(places, labels, fontsize=SMALL)
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)
    ax.set(xlim=(-1, 101), ylim=(top - 0.2, 0), xlabel="place on the travel (%)", ylabel="pass")
    ax.set_xticks(range(0, 101, 20))
    _legend(ax, list(stages.values()))
    return ax


def height_slider(stages: Mapping[str, SliderResult]) -> float:
    """Return the height in inches at which the rows of `compare_slider` keep apart."""
    rows = sum(GAP_ROWS + (len(r.passes) or UNSEEN_ROWS) for r in stages.values())
    return 1.0 + 0.15 * rows


def lies_over_slider(stages: Mapping[str, SliderResult]) -> bool:
    """Whether `compare_slider` can show anything: whether any stage shows passes."""
    return any(len(result.passes) for result in stages.values())


def _draw_passes(
    ax: Axes, result: SliderResult, top: float, style: Mapping[str, Any]
) -> list[tuple[float, str]]:
    """Draw one row a pass below ``top`` and return where it lies and what it is called."""
    passes = result.passes.reset_index(drop=True)
    rows = {number: top - 0.5 - i for i, number in enumerate(passes["number"])}
    _band_spots(ax, result, top, len(passes))
    for _, one in passes.iterrows():
        y = rows[one["number"]]
        for low, high in _unassessed(result, one):
            ax.fill_between([low, high], y - 0.4, y + 0.4, color=LIGHT, alpha=0.7, lw=0, zorder=1)
        line = {key: style[key] for key in ("color", "linestyle")}
        ax.plot([one["from_percent"], one["to_percent"]], [y, y], lw=0.5, alpha=0.6, **line)
    placed = result.events[
        result.events["number"].isin(rows) & result.events["travel_percent"].notna()
    ]
    for kind, mark in MARKS.items():
        own = placed[placed["kind"] == kind]
        if own.empty:
            continue
        filled = style["markerfacecolor"]
        ax.scatter(
            own["travel_percent"],
            own["number"].map(rows),
            s=0.6 * mark_sizes(own),
            marker=mark,
            facecolor=np.where(own["moving"], filled, "white"),
            edgecolor=style["color"],
            linewidth=0.8,
            zorder=3,
        )
    names = zip(passes["number"], passes["direction"], strict=True)
    return [(rows[number], f"{number} {way}") for number, way in names]


def _band_spots(ax: Axes, result: SliderResult, top: float, rows: int) -> None:
    """Draw a band over all passes at each fixed spot, with how many passes it was hit in."""
    spots = result.spots
    for _, spot in spots[spots["fixed"].astype(bool)].iterrows():
        low = spot["travel_percent"] - SPOT_PERCENT / 2
        ax.fill_between(
            [low, low + SPOT_PERCENT],
            top - rows,
            top,
            facecolor="none",
            edgecolor=GREY,
            linewidth=0.0,
            hatch="////",
            alpha=0.35,
            zorder=0,
        )
        hit = f"{spot['passes_hit']}/{spot['of_passes']}"
        _write(ax, spot["travel_percent"], top + 0.12, hit, ha="center", color=GREY)


def _unassessed(result: SliderResult, one: pd.Series) -> list[tuple[float, float]]:
    """Return the stretches of the travel in which a pass was not looked at."""
    time = result.time_s
    inside = (time >= one["start_s"]) & (time < one["stop_s"]) & np.isfinite(result.travel_percent)
    place, seen = result.travel_percent[inside], result.assessed[inside]
    edges = np.flatnonzero(np.diff(np.concatenate([[True], seen, [True]]).astype(int)))
    runs = zip(edges[::2], edges[1::2], strict=True)
    return [_ends(place[start:stop]) for start, stop in runs]


def _ends(places: NDArray[np.floating]) -> tuple[float, float]:
    return float(places.min()), float(places.max())


def _stage_text(result: SliderResult) -> str:
    """Return how many events a stage has, how many have no place, and its floor."""
    events = result.events[result.events["moving"].astype(bool)]
    lost = int((result.events["number"].gt(0) & result.events["travel_percent"].isna()).sum())
    count = f"{len(events)} event{'' if len(events) == 1 else 's'}"
    without = f", {lost} without a place" if lost else ""
    if not result.floor.measurable and result.events.empty:
        return ""
    if not result.floor.measurable:
        return f"{count}{without}; no floor for bursts"
    return f"{count}{without}, above {floor_text(result)} re tone"


def _write_gap(ax: Axes, top: float, reason: str) -> None:
    """Write into the room of a stage without passes why it has none."""
    ax.axhspan(top - UNSEEN_ROWS, top, facecolor=LIGHT, alpha=0.4, linewidth=0, zorder=0)
    if not reason.startswith("not measurable"):
        reason = f"not measurable: {reason}"
    text = textwrap.fill(re.sub(r"(?<!\w)-(?=\d)", MINUS, reason), 72)
    _write(ax, 50, top - UNSEEN_ROWS / 2, text, ha="center")


def _write(ax: Axes, x: float, y: float, text: str, **style: Any) -> None:
    ax.text(x, y, text, va="center", **{"fontsize": SMALL, "ha": "left", **style})


def _legend(ax: Axes, results: Sequence[SliderResult]) -> None:
    """Name the marks, the shade and the bands that were drawn."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    kinds = {kind for result in results for kind in result.events["kind"]}
    spots = any(result.spots["fixed"].any() for result in results if len(result.spots))
    hidden = any((~result.assessed).any() for result in results if len(result.passes))
    marks = [
        Line2D([], [], ls="", marker=mark, color=GREY, markersize=5, label=LABELS[kind])
        for kind, mark in MARKS.items()
        if kind in kinds
    ]
    patches = [Patch(facecolor=LIGHT, alpha=0.7, label="not assessed")] if hidden else []
    if spots:
        patches.append(
            Patch(
                facecolor="none", edgecolor=GREY, hatch="////", lw=0, label="fixed spot, passes hit"
            )
        )
    if marks or patches:
        ax.legend(
            handles=[*marks, *patches],
            loc="upper center",
            bbox_to_anchor=(0.5, 0.0),
            borderaxespad=5.0,
            ncols=3,
            fontsize=SMALL,
        )


LABELS = {
    "burst": "burst, larger: louder",
    "dropout": "dropout",
    "pitch jump": "jump of pitch, larger: more cents",
}
