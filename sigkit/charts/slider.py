"""The slider strip: level of the tone over time, events as marks, the floor stated."""

from __future__ import annotations

import re
import textwrap
from typing import TYPE_CHECKING

import numpy as np

from sigkit.charts.style import ACCENT, GREY, INK, LIGHT, new_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from sigkit.measures.slider import SliderResult

DEEPEST_DB = -90.0
MINUS = "\N{MINUS SIGN}"


def draw_slider(result: SliderResult, ax: Axes | None = None) -> Axes:
    """Draw the strip of one slider capture.

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
        larger where louder, and the detection floor along the travel; or the reason why nothing
        was measured.
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
    if not result.floor.measurable:
        _write_reason(ax, result.floor.reason)
        return ax
    _shade_gaps(ax, result)
    _mark_events(ax, result)
    ax.plot(
        result.time_s,
        result.found_above_db,
        color=INK,
        linewidth=0.8,
        linestyle=(0, (1, 1.5)),
        label="floor: bursts show above it",
    )
    number, half = result.floor.numbers()
    ax.annotate(
        f"floor near full tone {number.replace('-', MINUS)} ± {half} dB re tone",
        (1, 0),
        xycoords="axes fraction",
        xytext=(-4, 4),
        textcoords="offset points",
        ha="right",
        va="bottom",
        fontsize="small",
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 1},
    )
    ax.legend(loc="upper center", ncols=5, fontsize="small", bbox_to_anchor=(0.5, -0.18))
    return ax


def _write_reason(ax: Axes, reason: str) -> None:
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
    for kind, mark in (("burst", "o"), ("dropout", "v")):
        rows = result.events[result.events["kind"] == kind]
        if rows.empty:
            continue
        at = rows["start_s"].to_numpy(float)
        level = rows["level_db"].to_numpy(float)
        tone = np.interp(at, result.time_s, np.nan_to_num(result.tone_db, nan=DEEPEST_DB))
        size = 6 + 1.6 * np.clip(level + 60, 0, 60)
        ax.scatter(
            at,
            np.clip(level + tone, DEEPEST_DB + 2, 4),
            s=size,
            marker=mark,
            facecolor=np.where(rows["moving"], ACCENT, "white"),
            edgecolor=ACCENT,
            linewidth=0.8,
            zorder=3,
            label=f"{len(rows)} {kind}{'s' if len(rows) > 1 else ''}",
        )
