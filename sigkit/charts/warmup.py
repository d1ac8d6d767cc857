"""Warm-up: cents against minutes since switch-on, with band, settling, steps and cycle marked."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from sigkit.charts.style import GREY, INK, LIGHT, new_axes, stage_style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from sigkit.measures.warmup.result import WarmupResult

MOST_STEPS = 5
"""So many steps are labelled."""


def draw_warmup(result: WarmupResult, ax: Axes | None = None) -> Axes:
    """Draw one warm-up, with the exponentials that fit it.

    Parameters
    ----------
    result : WarmupResult
        What to draw.
    ax : Axes, optional
        Where; by default the axes of a new figure.
    """
    ax = compare_warmup({result.source.name: result}, ax)
    if np.isfinite(result.fitted_cents).any():
        ax.plot(result.curve["time_s"] / 60, result.fitted_cents, color=INK, lw=0.6, zorder=3)
        _mark_approaches(ax, result)
    return ax


def compare_warmup(stages: Mapping[str, WarmupResult], ax: Axes | None = None) -> Axes:
    """Draw the warm-ups of several stages on the same scales.

    Parameters
    ----------
    stages : mapping of str to WarmupResult
        Results by the name of their stage, in order.
    ax : Axes, optional
        Where; by default the axes of a new figure.
    """
    ax = new_axes(ax)
    band = next(iter(stages.values())).band_cents
    ax.axhspan(-band, band, color=LIGHT, alpha=0.6, linewidth=0, zorder=0)
    below = sum(float(result.total_drift) for result in stages.values()) > 0
    ax.annotate(
        f"±{band:g} cents around the final pitch",
        (0.01, band if below else -band),
        xycoords=("axes fraction", "data"),
        xytext=(0, 2 if below else -2),
        textcoords="offset points",
        va="bottom" if below else "top",
        fontsize=7,
        color=GREY,
    )
    for index, (name, result) in enumerate(stages.items()):
        _draw_curve(ax, name, result, stage_style(index, len(stages)))
    ax.set_xlabel("time since switch-on (min)")
    ax.set_ylabel("pitch relative to the end (cents)")
    ax.set_xlim(left=min(0.0, ax.get_xlim()[0]))
    ax.grid(axis="y")
    ax.margins(y=0.12)
    ax.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), borderaxespad=0.2)
    return ax


def _draw_curve(ax: Axes, name: str, result: WarmupResult, style: dict[str, Any]) -> None:
    curve = result.curve
    minutes, pitch = curve["time_s"] / 60, curve["cents"]
    half = 2 * curve["u_cents"]
    line = {key: style[key] for key in ("color", "linestyle", "linewidth")}
    settled = result.settling_time
    said = settled.reason.split(":")[0]
    if settled.measurable:
        half_min = settled.expanded / 60
        # One digit more than the half-width's first, and a tenth of a minute at least.
        places = max(1, math.ceil(-math.log10(max(half_min, 1e-3))))
        said = f"settled {settled.value / 60:.{places}f} ± {half_min:.{places}f} min"
    if result.cycle_period.measurable:
        said += (
            f"; cycle ±{result.cycle_cents.value:.1f} cents, "
            f"{result.cycle_period.value / 60:.1f} min"
        )
    ax.plot(minutes, pitch, label=f"{name}: {said}", **line)
    ax.fill_between(minutes, pitch - half, pitch + half, color=style["color"], alpha=0.2, lw=0)
    if settled.measurable:
        marker = {key: style[key] for key in ("color", "marker", "markerfacecolor")}
        known = np.isfinite(pitch)
        there = np.interp(settled.value / 60, minutes[known], pitch[known])
        half_min = settled.expanded / 60
        ax.errorbar(settled.value / 60, there, xerr=half_min, capsize=3, markersize=6, **marker)
    _mark_steps(ax, result, style["color"])


def _mark_steps(ax: Axes, result: WarmupResult, color: str) -> None:
    """Mark every step with a dotted line, and its size beside the curve."""
    jumps = result.jumps
    for number, (at_s, cents) in enumerate(zip(jumps["time_s"], jumps["size_cents"], strict=True)):
        ax.axvline(at_s / 60, color=color, linestyle=":", linewidth=0.8)
        if number >= MOST_STEPS:
            continue
        right = at_s / 60 > np.mean(ax.get_xlim())
        ax.annotate(
            f"step {cents:+.1f} cents",
            (at_s / 60, 0.02 + 0.06 * (number % 3)),
            xycoords=("data", "axes fraction"),
            xytext=(-3 if right else 3, 0),
            textcoords="offset points",
            ha="right" if right else "left",
            fontsize=7,
            color=color,
        )


def _mark_approaches(ax: Axes, result: WarmupResult) -> None:
    """Say which exponentials the thin line is."""
    parts = " and ".join(
        f"{cents:+.1f} cents in {seconds / 60:.1f} min"
        for cents, seconds in zip(
            result.shape["cents"], result.shape["time_constant_s"], strict=True
        )
    )
    rises = float(result.drift_without_steps) > 0
    ax.annotate(
        f"thin line: {parts} (time constant)",
        (0.99, 0.2 if rises else 0.97),
        xycoords="axes fraction",
        ha="right",
        va="bottom" if rises else "top",
        fontsize=7,
        color=GREY,
    )
