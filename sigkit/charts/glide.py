"""Glide: all repeats laid on one start, cents against time, up and down apart."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from sigkit.charts.style import GREY, LIGHT, new_axes, stage_style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from sigkit.measures.glide.measure import GlideResult

DEFINED = (0.1, 0.9)
"""Shares of the interval between which the glide time runs."""


def draw_glide(result: GlideResult, ax: Axes | None = None) -> Axes:
    """Draw the glides of one capture, every one from its own start.

    Parameters
    ----------
    result : GlideResult
        What to draw.
    ax : Axes, optional
        Where; by default the axes of a new figure.
    """
    return compare_glide({result.source.name: result}, ax)


def compare_glide(stages: Mapping[str, GlideResult], ax: Axes | None = None) -> Axes:
    """Draw the glides of several stages on the same scales, each from its own start.

    Parameters
    ----------
    stages : mapping of str to GlideResult
        Results by the name of their stage, in order.
    ax : Axes, optional
        Where; by default the axes of a new figure.

    Notes
    -----
    Glides up rise from zero, glides down fall from zero. A marker stands where 10 % and where 90 %
    of the interval are reached; grey lines are these levels of the first glide each way.
    """
    ax = new_axes(ax)
    last_s, reasons = 0.0, []
    for index, (name, result) in enumerate(stages.items()):
        style = stage_style(index, len(stages))
        line = {key: style[key] for key in ("color", "linestyle", "linewidth")}
        label: str | None = f"{name}: {_said(result)}"
        for row, curve in zip(result.glides.itertuples(), result.curves, strict=True):
            if row.reason or not curve.time_s.size:
                continue
            ax.plot(1000 * curve.time_s, curve.cents, label=label, **line)
            label = None
            _mark(ax, row, curve, style)
            last_s = max(last_s, float(curve.time_s[-1]))
        if label is not None:
            reasons.append(label)
    for at, text in enumerate(reasons):
        ax.annotate(
            text,
            (0.5, 0.5 - 0.1 * at),
            xycoords="axes fraction",
            ha="center",
            fontsize=8,
            color=GREY,
        )
    for level in _levels(stages):
        ax.axhline(level, color=LIGHT, linewidth=0.8, zorder=0)
    ax.axhline(0.0, color=GREY, linewidth=0.6, zorder=0)
    _scale(ax, last_s)
    ax.set_ylabel("pitch from the note before (cents)")
    ax.grid(axis="y")
    if len(reasons) < len(stages):
        ax.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), borderaxespad=0.2, fontsize=8)
    return ax


def _scale(ax: Axes, last_s: float) -> None:
    """Label the time in milliseconds, or in seconds where it is long."""
    from matplotlib.ticker import FuncFormatter

    if last_s > 2:
        ax.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value / 1000:g}"))
    ax.set_xlabel(f"time since the start of the glide ({'s' if last_s > 2 else 'ms'})")


def _said(result: GlideResult) -> str:
    time = result.glide_time
    if time.measurable:
        return f"10 to 90 % in {time}"
    bound = result.at_most().get("glide_time")
    if bound is not None:
        return f"10 to 90 % in at most {1000 * float(bound):.2g} ms"
    return time.reason.split(":")[0]


def _mark(ax: Axes, row: Any, curve: Any, style: Mapping[str, Any]) -> None:
    """Put markers where 10 and 90 % of the interval are reached."""
    share = curve.cents / row.interval_cents
    marker = {key: style[key] for key in ("color", "marker", "markerfacecolor")}
    for level in DEFINED:
        beyond = np.flatnonzero(share > level)
        if not beyond.size or not beyond[0]:
            continue
        i = int(beyond[0])
        part = (level - share[i - 1]) / (share[i] - share[i - 1])
        at = curve.time_s[i - 1] + part * (curve.time_s[i] - curve.time_s[i - 1])
        ax.plot(1000 * at, level * row.interval_cents, markersize=4, linestyle="", **marker)


def _levels(stages: Mapping[str, GlideResult]) -> list[float]:
    """10 and 90 % of the first interval upwards and of the first downwards."""
    for result in stages.values():
        spans = result.glides["interval_cents"].to_numpy(np.float64)
        first = [float(spans[own][0]) for own in (spans > 0, spans < 0) if own.any()]
        return [share * span for span in first for share in DEFINED]
    return []
