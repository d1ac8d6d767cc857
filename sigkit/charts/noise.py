"""Noise: the spectrum of the quiet with the families of the mains marked, and levels beside it."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from sigkit.arrays import Real
from sigkit.charts.stage_marks import SMALL, stage_legend, whisker
from sigkit.charts.style import GREY, INK, LIGHT, MINUS, new_axes, stage_style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from sigkit.measures.noise.result import NoiseResult
    from sigkit.quantity import Quantity

POINTS = 700
"""Points of a line: the highest and the mean of so many bands, even on the logarithmic axis."""
LOWEST_HZ = 20.0
MOST_MARKS = 20
LINE_OVER = 12.0
BELOW_DB = 12.0
MARKERS = {"odd": "o", "even": "s"}
LEVELS: Mapping[str, str] = {
    "floor": "floor",
    "floor_a": "floor, A-weighted",
    "hum_odd": "hum, odd family",
    "ripple": "ripple, even family",
}


def draw_noise(result: NoiseResult, ax: Axes | None = None) -> Axes:
    """Draw the spectrum of the quiet of one capture.

    Parameters
    ----------
    result : NoiseResult
        What `measure_noise` found.
    ax : Axes, optional
        Where to draw; one new figure if None.

    Returns
    -------
    Axes
        Power per hertz in dBFS against frequency; lines of the mains that stand out as marks of
        their level, circles for odd multiples and squares for even ones; the floor in words.
    """
    return compare_noise({result.source.name: result}, ax)


def compare_noise(stages: Mapping[str, NoiseResult], ax: Axes | None = None) -> Axes:
    """Draw the spectra of several stages over each other.

    Parameters
    ----------
    stages : mapping of str to NoiseResult
        Results by the name of their stage, in order.
    ax : Axes, optional
        Where to draw; one new figure if None.
    """
    ax = new_axes(ax)
    known = [(i, name, r) for i, (name, r) in enumerate(stages.items()) if r.density.size]
    if not known:
        _write_reason(ax, next(iter(stages.values()), None))
        return ax
    lowest, top = math.inf, -math.inf
    for index, name, result in known:
        style = stage_style(index, len(stages))
        line = {key: style[key] for key in ("color", "linestyle", "linewidth")}
        at, level = _bands(result.frequency_hz, result.density)
        words = f"{name}, floor {_number(result.floor.value)} dBFS"
        ax.plot(at, level, label=words, **line)
        lowest, top = min(lowest, float(np.quantile(level, 0.02))), max(top, float(level.max()))
        top = max(top, _marks(ax, result, style))
    high = max(result.band_hz[1] for _, _, result in known)
    ax.set_xscale("log")
    ax.set_xlim(LOWEST_HZ, high)
    ax.set_ylim(lowest - BELOW_DB, top + 6)
    ax.set_xlabel("frequency (Hz)")
    ax.set_ylabel("noise per hertz; lines: their level (dBFS)", fontsize=8)
    ax.grid(axis="y")
    _legend(ax)
    return ax


def beside_noise(
    stages: Mapping[str, NoiseResult],
    ax: Axes | None = None,
    *,
    limits: Mapping[str, tuple[float, str]] | None = None,
) -> Axes:
    """Draw floor and families of every stage as marks with whiskers, re the full tone if known.

    Parameters
    ----------
    stages : mapping of str to NoiseResult
        Results by the name of their stage, in order.
    ax : Axes, optional
        Where to draw; one new figure if None.
    limits : mapping of str to (float, str), optional
        Limits with their sources by quantity, drawn as bands up to them.
    """
    ax = new_axes(ax)
    relative = all(r.tone.measurable for r in stages.values()) and len(stages) > 0
    names = {f"{name}_re_tone": words for name, words in LEVELS.items()} if relative else LEVELS
    if relative:
        names = {**names, "bleed": "bleed of the tone"}
    rows = list(names)
    values: list[float] = []
    for index, result in enumerate(stages.values()):
        style = stage_style(index, len(stages))
        lift = 0.22 * (index - (len(stages) - 1) / 2)
        for place, name in enumerate(rows):
            quantity: Quantity = getattr(result, name)
            y = len(rows) - 1 - place - lift
            if quantity.measurable:
                interval = (quantity.value - quantity.expanded, quantity.value + quantity.expanded)
                whisker(ax, y, quantity.value, interval, style, upright=False)
                values.append(quantity.value)
            elif name in result.bounds:
                most = float(result.bounds[name])
                ax.annotate(
                    "none above",
                    (most, y),
                    xytext=(-3, 0),
                    textcoords="offset points",
                    ha="right",
                    va="center",
                    fontsize=SMALL,
                    color=style["color"],
                )
                ax.plot([most], [y], marker="|", color=style["color"], linestyle="none")
                values.append(most)
    if not values:
        _write_reason(ax, next(iter(stages.values()), None))
        return ax
    ax.set_yticks(range(len(rows)), [names[name] for name in reversed(rows)])
    ax.set_ylim(-0.6, len(rows) - 0.4)
    ax.set_xlim(min(values) - 18, max(values) + 6)
    _limits(ax, rows, limits or {})
    ax.set_xlabel("level re the full tone (dB)" if relative else "level (dBFS)")
    ax.grid(axis="x")
    if len(stages) > 1:
        stage_legend(ax, list(stages))
    return ax


def _limits(ax: Axes, rows: list[str], limits: Mapping[str, tuple[float, str]]) -> None:
    """Draw for each level the band within its limit, and the sources of the limits."""
    lowest = ax.get_xlim()[0]
    held = {name: limits[name] for name in rows if name in limits}
    for name, (limit, _) in held.items():
        y = len(rows) - 1 - rows.index(name)
        ax.fill_betweenx([y - 0.4, y + 0.4], lowest, limit, color=LIGHT, alpha=0.6, lw=0, zorder=0)
    if held:
        ax.annotate(
            f"grey: within the limit ({'; '.join(dict.fromkeys(s for _, s in held.values()))})",
            (1.0, 0.0),
            xycoords="axes fraction",
            xytext=(-2, 2),
            textcoords="offset points",
            ha="right",
            va="bottom",
            fontsize=5.5,
            color=GREY,
        )


def _number(value: float) -> str:
    return f"{value:.1f}".replace("-", MINUS)


def _bands(frequency_hz: Real, density: Real) -> tuple[Real, Real]:
    """Mean power per hertz in bands that are even on the axis; a line keeps its height in them."""
    inside = frequency_hz >= LOWEST_HZ / 1.1
    f, power = frequency_hz[inside], np.maximum(density[inside], 1e-30)
    edges = np.geomspace(f[0], f[-1] * 1.001, POINTS)
    band = np.digitize(f, edges)
    first = np.flatnonzero(np.diff(np.concatenate([[-1], band])))
    count = np.diff(np.concatenate([first, [f.size]]))
    mean = np.add.reduceat(power, first) / count
    peak = np.maximum.reduceat(power, first)
    usual = [float(np.median(part)) for part in np.split(power, first[1:])]
    # Where a band holds many bins, a line that stands far out of them is still to be seen.
    level = np.where(peak > LINE_OVER * np.array(usual), peak, mean)
    middle = np.add.reduceat(f, first) / count
    return middle, 10 * np.log10(level)


def _marks(ax: Axes, result: NoiseResult, style: Mapping[str, Any]) -> float:
    """Mark the lines of the mains that stand out; return the highest."""
    highest = -math.inf
    table = result.hum
    if not len(table):
        return highest
    told = table[np.isfinite(table["level_dbfs"].astype(float))].head(MOST_MARKS)
    for family, marker in MARKERS.items():
        own = told[told["family"] == family]
        if not len(own):
            continue
        ax.plot(
            own["frequency_hz"],
            own["level_dbfs"],
            linestyle="none",
            marker=marker,
            markersize=style["markersize"],
            color=style["color"],
            markerfacecolor=style["markerfacecolor"],
            zorder=3,
        )
        highest = max(highest, float(own["level_dbfs"].max()))
    return highest


def _legend(ax: Axes) -> None:
    from matplotlib.lines import Line2D

    handles, labels = ax.get_legend_handles_labels()
    for family, marker in MARKERS.items():
        handles.append(
            Line2D([], [], linestyle="none", marker=marker, color=GREY, markerfacecolor="white")
        )
        labels.append(f"{family} multiples of the mains")
    ax.legend(handles, labels, loc="upper right", fontsize=SMALL)


def _write_reason(ax: Axes, result: NoiseResult | None) -> None:
    reason = result.floor.reason if result is not None else "no capture"
    ax.text(
        0.5,
        0.5,
        textwrap.fill(f"not measurable: {reason}", 48),
        transform=ax.transAxes,
        ha="center",
        va="center",
        color=INK,
    )
