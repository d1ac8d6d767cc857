"""A slider over time: level of the tone, events as marks, jumps in cents, the floor stated."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sigkit.charts.style import ACCENT, GREY, INK, LIGHT, MINUS, new_axes

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from sigkit.measures.slider.result import SliderResult

Array = NDArray[np.float64]

DEEPEST_DB = -90.0
MARKS: Mapping[str, str] = {"burst": "o", "dropout": "v", "pitch jump": "D"}
"""The mark of each kind of event."""


def draw_slider_time(result: SliderResult, ax: Axes | None = None) -> Axes:
    """Draw one slider capture over time.

    Parameters
    ----------
    result : SliderResult
        What `measure_slider` found.
    ax : Axes, optional
        Where to draw; one new figure if None.

    Returns
    -------
    Axes
        With the tone's level as a line, bursts and dropouts as marks at their level below it,
        larger where louder, jumps of pitch as marks on it with their size in cents, and the
        detection floor along the way; or the reason why nothing was measured.
    """
    ax = new_axes(ax)
    ax.set(
        xlabel="time (s)",
        ylabel="level (dB re loudest tone)",
        title=f"Slider pass: {result.source.name}",
        ylim=(DEEPEST_DB, 6),
        xlim=(0, max(result.source.duration_s, 0.1)),
    )
    if result.time_s.size:
        ax.plot(result.time_s, result.tone_db, color=GREY, linewidth=0.8, label="tone")
    if not result.floor.measurable and result.events.empty:
        write_reason(ax, result.floor.reason)
        return ax
    _shade_gaps(ax, result)
    _mark_events(ax, result)
    if result.floor.measurable:
        _draw_floor(ax, result)
    else:
        _say(ax, result.floor.reason)
    ax.legend(loc="upper center", ncols=3, fontsize="small", bbox_to_anchor=(0.5, -0.18))
    return ax


def _draw_floor(ax: Axes, result: SliderResult) -> None:
    ax.plot(
        result.time_s,
        result.found_above_db,
        color=INK,
        linewidth=0.8,
        linestyle=(0, (1, 1.5)),
        label="floor: bursts show above it",
    )
    _say(ax, f"floor near full tone {floor_text(result)} re tone")


def floor_text(result: SliderResult) -> str:
    """Return the floor with its interval as people read it."""
    number, half = result.floor.numbers()
    return f"{number.replace('-', MINUS)} ± {half} dB"


def _say(ax: Axes, text: str) -> None:
    ax.annotate(
        text,
        (1, 0),
        xycoords="axes fraction",
        xytext=(-4, 4),
        textcoords="offset points",
        ha="right",
        va="bottom",
        fontsize="small",
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 1},
    )


def write_reason(ax: Axes, reason: str) -> None:
    """Write into empty axes why there is nothing to draw."""
    if not reason.startswith("not measurable"):
        reason = f"not measurable: {reason}"
    ax.text(
        0.5,
        0.5,
        textwrap.fill(re.sub(r"(?<!\w)-(?=\d)", MINUS, reason), 48),
        transform=ax.transAxes,
        ha="center",
        va="center",
        bbox={"facecolor": "white", "edgecolor": GREY, "linewidth": 0.5, "pad": 6},
    )


def _shade_gaps(ax: Axes, result: SliderResult) -> None:
    """Shade where events were not looked for."""
    ax.fill_between(
        result.time_s,
        0,
        1,
        where=~result.assessed,
        transform=ax.get_xaxis_transform(),
        facecolor=LIGHT,
        alpha=0.5,
        linewidth=0,
        label="not assessed",
    )


def _mark_events(ax: Axes, result: SliderResult) -> None:
    """Mark each event at its residual's level below the loudest tone, larger where louder."""
    for kind, mark in MARKS.items():
        rows = result.events[result.events["kind"] == kind]
        if rows.empty:
            continue
        at = rows["start_s"].to_numpy(float)
        tone = np.interp(at, result.time_s, np.nan_to_num(result.tone_db, nan=DEEPEST_DB))
        jump = kind == "pitch jump"
        level = np.zeros(len(rows)) if jump else rows["level_db"].to_numpy(float)
        height = np.clip(level + tone, DEEPEST_DB + 2, 4)
        ax.scatter(
            at,
            height,
            s=mark_sizes(rows),
            marker=mark,
            facecolor=np.where(rows["moving"], ACCENT, "white"),
            edgecolor=ACCENT,
            linewidth=0.8,
            zorder=3,
            label=f"{len(rows)} {kind}{'s' if len(rows) > 1 else ''}{', cents' if jump else ''}",
        )
        if jump:
            _label_jumps(ax, at, height, rows["size_cents"].to_numpy(float))


def _label_jumps(ax: Axes, at: Array, height: Array, cents: Array) -> None:
    """Write each jump's size upright below its mark, so that neighbours keep apart."""
    for x, y, size in zip(at, height, cents, strict=True):
        ax.annotate(
            f"{size:+.0f}".replace("-", MINUS),
            (x, y),
            xytext=(0, -7),
            textcoords="offset points",
            ha="center",
            va="top",
            rotation=90,
            fontsize=6,
        )


def mark_sizes(events: pd.DataFrame) -> Array:
    """Return the areas of marks in square points: by level from -60 dB on, by cents for jumps."""
    level = 6 + 1.6 * np.clip(np.nan_to_num(events["level_db"].to_numpy(float)) + 60, 0, 60)
    cents = 10 + 0.6 * np.clip(np.abs(np.nan_to_num(events["size_cents"].to_numpy(float))), 0, 150)
    jump = (events["kind"] == "pitch jump").to_numpy(bool)
    sizes: Array = np.where(jump, cents, level)
    return sizes
