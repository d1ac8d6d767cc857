"""Two oscillators: both pitches in cents, their difference, how fast they beat."""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from sigkit.charts.style import GREY, MINUS, new_axes, stage_style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from sigkit.measures.beating.measure import BeatingResult

TOLD_APART = "two oscillators"
MOST_MARKERS = 60
SMALL = 7
LANE = 0.09
"""Share of the height for the gaps of one stage."""
TO_CENTS = 1200 / math.log(2)


def draw_beating(result: BeatingResult, ax: Axes | None = None) -> Axes:
    """Draw both pitches of one capture and their difference.

    Parameters
    ----------
    result : BeatingResult
        What to draw.
    ax : Axes, optional
        Where; by default the axes of a new figure.

    Returns
    -------
    Axes
        With the pitch of each oscillator, less the mean of oscillator 1 (times the simple ratio
        for oscillator 2), and their difference, all with 95 % bands. Parts in which two
        oscillators are not told apart are gaps with the reason in words.
    """
    return compare_beating({result.source.name: result}, ax)


def compare_beating(stages: Mapping[str, BeatingResult], ax: Axes | None = None) -> Axes:
    """Draw how far two oscillators are apart in several stages, on the same scales.

    A single stage is drawn with both pitches beside their difference.

    Parameters
    ----------
    stages : mapping of str to BeatingResult
        Results by the name of their stage, in order.
    ax : Axes, optional
        Where; by default the axes of a new figure.
    """
    ax = new_axes(ax)
    single = len(stages) == 1
    for index, (name, result) in enumerate(stages.items()):
        if single:
            _draw_pitches(ax, result)
            name = "difference"
        style = stage_style(index, len(stages)) | {"zorder": 3 - index / len(stages)}
        columns = result.curve["detune_cents"], result.curve["u_detune_cents"]
        _draw(ax, result, *columns, f"{name}: {_locked_or_apart(result)}", style)
    ax.axhline(0, color=GREY, linewidth=0.5, zorder=0)
    _finish(ax, stages)
    ax.set_ylabel("pitch re oscillator 1 (cents)" if single else "pitch apart (cents)")
    return ax


def beside_beating(stages: Mapping[str, BeatingResult], ax: Axes | None = None) -> Axes:
    """Draw how fast two oscillators beat in several stages, on the same scales.

    Parameters
    ----------
    stages : mapping of str to BeatingResult
        Results by the name of their stage, in order.
    ax : Axes, optional
        Where; by default the axes of a new figure.
    """
    ax = new_axes(ax)
    for index, (name, result) in enumerate(stages.items()):
        curve = result.curve
        per_cent_hz = result.ratio[0] * curve["frequency_1_hz"] / TO_CENTS
        label = f"{name}: {_words(result.beat_rate, 'beats/s')}"
        u_beat = curve["u_detune_cents"] * per_cent_hz
        _draw(ax, result, curve["beat_hz"], u_beat, label, stage_style(index, len(stages)))
    ax.set_ylim(bottom=0)
    _finish(ax, stages)
    ax.set_ylabel("beats per second (1/s)")
    return ax


def _draw_pitches(ax: Axes, result: BeatingResult) -> None:
    """Draw both oscillators as thin greys: dashed 1, solid 2."""
    curve, (second, first) = result.curve, result.ratio
    mean_hz = 2 ** np.log2(curve["frequency_1_hz"]).mean()
    for number, ratio, line in ((1, 1.0, (0, (4, 2))), (2, second / first, "-")):
        hz, u_hz = curve[f"frequency_{number}_hz"], curve[f"u_{number}_hz"]
        style = {"color": GREY, "linestyle": line, "linewidth": 0.9}
        cents = TO_CENTS * np.log(hz / (ratio * mean_hz))
        frequency = getattr(result, f"frequency_{number}")
        label = f"oscillator {number}: {_words(frequency, 'Hz')}"
        _draw(ax, result, cents, TO_CENTS * u_hz / hz, label, style)


def _draw(
    ax: Axes,
    result: BeatingResult,
    value: pd.Series,
    u: pd.Series,
    label: str,
    style: Mapping[str, Any],
) -> None:
    """Draw a line with its 95 % band, broken wherever two oscillators are not told apart."""
    line = {key: style[key] for key in ("color", "linestyle", "linewidth")}
    line["zorder"] = style.get("zorder", 2)  # a dashed line shows on a solid one
    if "marker" in style and len(value) <= MOST_MARKERS:
        line |= {"marker": style["marker"], "markersize": 3}
        line["markerfacecolor"] = style["markerfacecolor"]
    gaps = [(start_s + stop_s) / 2 for start_s, stop_s, _ in _gaps(result)]
    time_s = np.concatenate([result.curve["time_s"], gaps])
    order = np.argsort(time_s)
    empty = np.full(len(gaps), np.nan)
    middle = np.concatenate([value, empty])[order]
    half = 2 * np.concatenate([u, empty])[order]
    ax.plot(time_s[order], middle, label=label, **line)
    ax.fill_between(
        time_s[order], middle - half, middle + half, color=style["color"], alpha=0.2, linewidth=0
    )


def _gaps(result: BeatingResult) -> list[tuple[float, float, str]]:
    """Start, stop and kind of every part in which two oscillators are not told apart."""
    parts = result.parts[result.parts["kind"] != TOLD_APART]
    return list(zip(parts["start_s"], parts["stop_s"], parts["kind"], strict=True))


def _finish(ax: Axes, stages: Mapping[str, BeatingResult]) -> None:
    """Scale, label and name everything; write the reason into each gap."""
    ax.set_xlim(0, max(result.source.duration_s for result in stages.values()))
    ax.set_xlabel("time (s)")
    ax.grid(axis="y")
    legend = ax.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), borderaxespad=0.2)
    if not any(result.curve["detune_cents"].notna().any() for result in stages.values()):
        ax.set(ylim=(-1, 1), yticks=[0])
        if len(stages) == 1:
            legend.remove()
            _write_reason(ax, str(next(iter(stages.values())).detune))
    with_gaps = [index for index, result in enumerate(stages.values()) if _gaps(result)]
    low, high = ax.get_ylim()
    room = LANE * len(with_gaps)
    ticks = [tick for tick in ax.get_yticks() if low <= tick <= high]
    ax.set_ylim(low - room / (1 - room) * (high - low), high)
    ax.set_yticks(ticks)
    for lane, index in enumerate(reversed(with_gaps)):
        gaps = _gaps(list(stages.values())[index])
        _write_gaps(ax, gaps, LANE * (lane + 0.5), stage_style(index, len(stages))["color"])


def _write_reason(ax: Axes, reason: str) -> None:
    ax.text(
        0.5,
        0.5,
        textwrap.fill(reason, 48),
        transform=ax.transAxes,
        ha="center",
        va="center",
        bbox={"facecolor": "white", "edgecolor": GREY, "linewidth": 0.5, "pad": 6},
    )


def _write_gaps(ax: Axes, gaps: list[tuple[float, float, str]], at: float, color: str) -> None:
    """Draw a bracket along each gap at height ``at``, with its reason in it or beside it.

    Where there is no room for it, the reason is left to a gap of the same kind that has room.
    """
    place = ax.get_xaxis_transform()
    end_s = ax.get_xlim()[1]
    points_s = end_s / (ax.get_window_extent().width / ax.figure.dpi * 72)
    taken_s, said = 0.0, set()
    for number, (start_s, stop_s, kind) in enumerate(gaps):
        ax.plot([start_s, stop_s], [at] * 2, transform=place, color=color, lw=0.8, marker="|")
        until_s = gaps[number + 1][0] if number + 1 < len(gaps) else end_s
        for text in (kind, textwrap.fill(kind, max(map(len, [*kind.split(), kind[:14]])))):
            needs_s = (0.5 * SMALL * max(map(len, text.split("\n"))) + 5) * points_s
            where, ha, stop_text_s = (start_s + stop_s) / 2, "center", stop_s
            if needs_s <= stop_s - start_s:
                break
            if needs_s <= until_s - stop_s:
                where, ha, stop_text_s = stop_s + 4 * points_s, "left", stop_s + needs_s
                break
            if needs_s <= start_s - taken_s:
                where, ha = start_s - 4 * points_s, "right"
                break
        else:
            if kind in said or any(kind == other for *_, other in gaps[number + 1 :]):
                continue
        taken_s = stop_text_s
        said.add(kind)
        label = ax.text(where, at, text, transform=place, ha=ha, va="center", color=color)
        label.set(fontsize=SMALL, linespacing=0.95)
        if ha == "center":
            label.set_bbox({"facecolor": "white", "edgecolor": "none", "pad": 1})


def _locked_or_apart(result: BeatingResult) -> str:
    if result.locking_width.measurable:
        return f"no beats over {_words(result.locking_width, 'cents')}"
    if result.largest_locking is not None:
        return f"beats but for at most {result.largest_locking.value:.2g} cents"
    return _words(result.detune, "cents")


def _words(quantity: Any, unit: str) -> str:
    """Value and 95 % interval, or the head of the reason why there is none."""
    if not quantity.measurable:
        said = str(quantity).split(":")
        return textwrap.shorten(":".join(said[:2]), 52, placeholder=" ...")
    number, half = quantity.numbers()
    return f"{re.sub('^-', MINUS, number)} ± {half} {unit}"
