"""Warm-up: cents against minutes since switch-on, with the band and the settling time."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from sigkit.charts.style import GREY, LIGHT, new_axes, stage_style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from sigkit.measures.warmup import WarmupResult


def draw_warmup(result: WarmupResult, ax: Axes | None = None) -> Axes:
    """Draw one warm-up.

    Parameters
    ----------
    result : WarmupResult
        What to draw.
    ax : Axes, optional
        Where; by default the axes of a new figure.
    """
    return compare_warmup({result.source.name: result}, ax)


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
        said = f"settled {settled.value / 60:.1f} ± {settled.expanded / 60:.1f} min"
    ax.plot(minutes, pitch, label=f"{name}: {said}", **line)
    ax.fill_between(minutes, pitch - half, pitch + half, color=style["color"], alpha=0.2, lw=0)
    if settled.measurable:
        marker = {key: style[key] for key in ("color", "marker", "markerfacecolor")}
        ax.errorbar(
            settled.value / 60, 0, xerr=settled.expanded / 60, capsize=3, markersize=6, **marker
        )
    for at_s, cents in zip(result.jumps["time_s"], result.jumps["size_cents"], strict=True):
        ax.axvline(at_s / 60, color=style["color"], linestyle=":", linewidth=0.8)
        ax.annotate(
            f"step {cents:+.1f} cents",
            (at_s / 60, 0.02),
            xycoords=("data", "axes fraction"),
            xytext=(3, 0),
            textcoords="offset points",
            fontsize=7,
            color=style["color"],
        )
