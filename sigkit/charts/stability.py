"""Pitch stability: pitch in cents over time, jumps and faults of the recorder marked."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from sigkit.charts.style import GREY, MINUS, new_axes, stage_style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from sigkit.measures.stability.measure import StabilityResult

MOST_POINTS = 1500
"""More frames are drawn as the band from lowest to highest pitch of each group."""


def draw_stability(result: StabilityResult, ax: Axes | None = None) -> Axes:
    """Draw the pitch of one held note.

    Parameters
    ----------
    result : StabilityResult
        What to draw.
    ax : Axes, optional
        Where; by default the axes of a new figure.
    """
    return compare_stability({result.source.name: result}, ax)


def compare_stability(stages: Mapping[str, StabilityResult], ax: Axes | None = None) -> Axes:
    """Draw the pitch of a held note in several stages on the same scales.

    Each is drawn against its own mean, so that the eye compares steadiness and not tuning.

    Parameters
    ----------
    stages : mapping of str to StabilityResult
        Results by the name of their stage, in order.
    ax : Axes, optional
        Where; by default the axes of a new figure.
    """
    ax = new_axes(ax)
    for index, (name, result) in enumerate(stages.items()):
        style = stage_style(index, len(stages))
        line = {key: style[key] for key in ("color", "linestyle", "linewidth")}
        track = result.track
        time_s, low, high = _envelope(track.time_s, track.cents(float(result.frequency)))
        half = 2 * float(np.nanmean(track.u_cents()))
        ax.plot(time_s, (low + high) / 2, label=name, **line)
        ax.fill_between(
            time_s, low - half, high + half, color=style["color"], alpha=0.2, linewidth=0
        )
        _mark_faults(result, ax, index)
        for at_s, cents in zip(result.jumps["time_s"], result.jumps["size_cents"], strict=True):
            ax.axvline(at_s, color=style["color"], linestyle=":", linewidth=0.8)
            ax.annotate(
                f"jump {cents:+.1f} cents".replace("-", MINUS),
                (at_s, 0.02 + 0.06 * index),
                xycoords=("data", "axes fraction"),
                xytext=(3, 0),
                textcoords="offset points",
                fontsize=7,
                color=style["color"],
            )
    ax.axhline(0, color=GREY, linewidth=0.5, zorder=0)
    low_y, high_y = ax.get_ylim()
    reach = max(0.5, abs(low_y), abs(high_y))
    ax.set_ylim(-reach, reach)
    ax.set_xlabel("time (s)")
    ax.set_ylabel("pitch relative to its mean (cents)")
    ax.grid(axis="y")
    if len(stages) > 1:
        ax.legend(
            loc="lower left", bbox_to_anchor=(0.0, 1.0), borderaxespad=0.2, ncols=3, fontsize=8
        )
    return ax


def _mark_faults(result: StabilityResult, ax: Axes, index: int) -> None:
    """Mark the gaps that faults of the recorder leave, and name the first of each kind."""
    faults, named = result.recorder_faults, set[str]()
    for at_s, kind, samples in zip(
        faults["time_s"], faults["kind"], faults["samples"], strict=True
    ):
        lasting = samples / result.source.rate if kind == "silence" else 0.0
        ax.axvspan(at_s, at_s + max(lasting, 1e-9), color=GREY, alpha=0.5, linewidth=0.8)
        if kind in named:
            continue
        named.add(kind)
        ax.annotate(
            f"recorder: {kind}",
            (at_s, 0.98 - 0.06 * (index + len(named) - 1)),
            xycoords=("data", "axes fraction"),
            xytext=(3, 0),
            textcoords="offset points",
            fontsize=7,
            va="top",
            color=GREY,
        )


def beside_stability(stages: Mapping[str, StabilityResult], ax: Axes | None = None) -> Axes:
    """Draw the Allan deviation of several stages with its 95 % intervals, in cents.

    Dotted below each is the deviation that the noise of its recording alone would show.

    Parameters
    ----------
    stages : mapping of str to StabilityResult
        Results by the name of their stage, in order.
    ax : Axes, optional
        Where; by default the axes of a new figure.
    """
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    ax = new_axes(ax)
    to_cents = 1200 / math.log(2)
    for index, (name, result) in enumerate(stages.items()):
        style = stage_style(index, len(stages))
        table = result.allan
        if table.empty:
            continue
        value = table["adev"] * to_cents
        error = [
            (table["adev"] - table["adev_low"]) * to_cents,
            (table["adev_high"] - table["adev"]) * to_cents,
        ]
        ax.errorbar(table["tau_s"], value, yerr=error, capsize=2, label=name, **style)
        floor = table["floor"] * to_cents
        ax.plot(table["tau_s"], floor, color=style["color"], linestyle=":", linewidth=0.8)
        if index + 1 < len(stages):
            continue
        ax.annotate(
            "noise of the recording" if len(stages) == 1 else "noise of the recordings",
            (table["tau_s"].iloc[-1], floor.iloc[-1]),
            xytext=(0, -3),
            textcoords="offset points",
            fontsize=7,
            ha="right",
            va="top",
            color=style["color"],
        )
    ax.set_title("Allan deviation with its 95 % intervals")
    ax.set_xscale("log")
    ax.set_yscale("log")
    for axis in (ax.xaxis, ax.yaxis):
        low, high = axis.get_view_interval()
        axis.set_major_locator(LogLocator(subs=(1, 2, 5) if high < 500 * low else (1,)))
        axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axis.set_minor_formatter(NullFormatter())
    ax.set_xlabel("averaging time (s)")
    ax.set_ylabel("Allan deviation of pitch (cents)")
    ax.grid(which="major")
    if len(stages) > 1:
        ax.legend(loc="best")
    return ax


def _envelope(time_s: np.ndarray, cents: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Lowest and highest value of groups of frames, so that long tracks stay readable."""
    group = max(1, math.ceil(time_s.size / MOST_POINTS))
    if group == 1:
        return time_s, cents, cents
    count = time_s.size // group
    parts = cents[: count * group].reshape(count, group)
    empty = ~np.isfinite(parts).any(axis=1)
    filled = np.where(np.isfinite(parts), parts, np.inf)
    low = filled.min(axis=1)
    high = np.where(np.isfinite(parts), parts, -np.inf).max(axis=1)
    low[empty] = high[empty] = np.nan
    return time_s[: count * group].reshape(count, group).mean(axis=1), low, high
