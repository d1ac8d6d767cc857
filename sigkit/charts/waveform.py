"""Waveform: two periods with the ideal laid under; beside them harmonics against closed forms."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from sigkit.arrays import Real
from sigkit.charts.style import GREY, LIGHT, new_axes, stage_style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from sigkit.measures.waveform.result import WaveformResult

PERIODS = 2
IDEAL: Mapping[str, Any] = {
    "color": "#bdbdbd",
    "linewidth": 3.0,
    "solid_joinstyle": "miter",
    "zorder": 1,
}
MOST_HARMONICS = 40
"""Harmonics that are drawn; more lie too close to tell apart."""
DEEP_DB = 80.0
EXACT_DB = 0.005
"""Expanded uncertainty from which on a difference is drawn to a hundredth of a decibel."""
HALF_WIDTH = 0.3
CLOSED_WIDTH = 0.9


def draw_waveform(result: WaveformResult, ax: Axes | None = None) -> Axes:
    """Draw two periods of one capture with the ideal wave laid under.

    Parameters
    ----------
    result : WaveformResult
        What `measure_waveform` found.
    ax : Axes, optional
        Where to draw; one new figure if None.
    """
    return compare_waveform({result.source.name: result}, ax)


def compare_waveform(stages: Mapping[str, WaveformResult], ax: Axes | None = None) -> Axes:
    """Draw two periods of several stages over each other, the last one's ideal laid under.

    Parameters
    ----------
    stages : mapping of str to WaveformResult
        Results by the name of their stage, in order.
    ax : Axes, optional
        Where to draw; one new figure if None.

    Returns
    -------
    Axes
        The waves re their own rms, each laid so that its fundamental crosses zero upward at 0.
    """
    ax = new_axes(ax)
    drawn = [(name, result) for name, result in stages.items() if result.shape_confidence > 0]
    if not drawn:
        _write_reason(ax, stages)
        return ax
    last = drawn[-1][1]
    if np.isfinite(last.period.ideal).all():
        label = f"ideal {last.shape}"
        if last.duty_cycle.measurable:
            label += f" of {float(last.duty_cycle):.1f} %"
        at, ideal = _corners(last.period.phase, last.period.ideal)
        ax.plot(*_repeated(at, ideal), label=label, **IDEAL)
    for index, (name, result) in enumerate(stages.items()):
        if result.shape_confidence == 0:
            continue
        style = stage_style(index, len(stages))
        line = {key: style[key] for key in ("color", "linestyle", "linewidth")}
        label = name if len(stages) > 1 else "as captured"
        period = result.period
        ax.plot(*_repeated(period.phase, period.value), label=label, zorder=2, **line)
    ax.axhline(0, color=GREY, linewidth=0.5, zorder=0)
    ax.set_xlim(0, PERIODS)
    low, high = ax.get_ylim()
    ax.set_ylim(low, high + 0.3 * (high - low))
    ax.set_xlabel("time (periods)")
    ax.set_ylabel("level re the wave's rms")
    if len(drawn) > 1:
        changed = drawn[-1][1].difference(drawn[0][1])
        said = changed.reason
        if changed.measurable:
            exact = 2 * changed.u < EXACT_DB
            said = f"{changed.value:.2f} dB" if exact else str(changed)
            said = f"difference of the waves: {said}"
        ax.set_title(said, fontsize=8)
    ax.legend(loc="upper right", ncols=3, fontsize=7)
    return ax


def beside_waveform(stages: Mapping[str, WaveformResult], ax: Axes | None = None) -> Axes:
    """Draw the harmonics of several stages beside the closed form of the last one's shape.

    Parameters
    ----------
    stages : mapping of str to WaveformResult
        Results by the name of their stage, in order.
    ax : Axes, optional
        Where to draw; one new figure if None.
    """
    ax = new_axes(ax)
    drawn = [result for result in stages.values() if result.shape_confidence > 0]
    if not drawn:
        _write_reason(ax, stages)
        return ax
    last = drawn[-1]
    order = last.harmonics["order"].to_numpy()[:MOST_HARMONICS]
    lowest = -20.0
    for index, (name, result) in enumerate(stages.items()):
        if result.shape_confidence == 0:
            continue
        style = stage_style(index, len(stages))
        table = result.harmonics.head(MOST_HARMONICS)
        level, u = table["level_db"].to_numpy(), table["u_level_db"].to_numpy()
        shift = (index - (len(stages) - 1) / 2) * HALF_WIDTH
        ax.errorbar(
            table["order"] + shift,
            level,
            yerr=2 * u,
            linestyle="none",
            marker=style["marker"],
            markersize=3.5,
            color=style["color"],
            markerfacecolor=style["markerfacecolor"],
            elinewidth=0.8,
            label=name if len(stages) > 1 else "as captured",
            zorder=3,
        )
        known = level[np.isfinite(level)]
        lowest = min(lowest, float(known.min()) if known.size else lowest)
    bottom = max(lowest, -DEEP_DB) - 6
    closed = last.harmonics["closed_form_db"].to_numpy()[: order.size]
    there = np.isfinite(closed) & (closed > bottom)
    ax.bar(
        order[there],
        closed[there] - bottom,
        bottom=bottom,
        width=CLOSED_WIDTH,
        color=LIGHT,
        zorder=1,
        label=f"closed form, {last.shape}" if last.shape != "mixed" else None,
    )
    ax.set(xlim=(0.3, order[-1] + 0.7), ylim=(bottom, 12))
    ax.set_xlabel("harmonic")
    ax.set_ylabel("level re the fundamental (dB)")
    ax.set_title(_band(drawn), fontsize=8)
    ax.legend(loc="upper right", ncols=3, fontsize=7)
    return ax


def _band(drawn: list[WaveformResult]) -> str:
    last = drawn[-1]
    shown = min(MOST_HARMONICS, last.thd_harmonics)
    band = f"harmonics 2 to {last.thd_harmonics}, up to {last.thd_band_hz / 1000:.3g} kHz"
    said = f"THD {last.thd} ({band})" if last.thd.measurable else band
    return said + (f"; the first {shown} drawn" if shown < last.thd_harmonics else "")


def _repeated(phase: Real, value: Real) -> tuple[Real, Real]:
    return (
        np.concatenate([phase + turn for turn in range(PERIODS)]),
        np.tile(value, PERIODS),
    )


def _corners(phase: Real, value: Real) -> tuple[Real, Real]:
    """Return an ideal wave with its steps drawn upright."""
    step = np.abs(np.diff(value))
    steep = np.flatnonzero(step > 0.2 * np.ptp(value)) if np.ptp(value) > 0 else np.empty(0, int)
    middle = (phase[steep] + phase[np.minimum(steep + 1, phase.size - 1)]) / 2
    at = np.concatenate([phase, middle, middle])
    both = np.concatenate([value, value[steep], value[steep + 1]])
    rank = np.concatenate([np.zeros(phase.size), np.ones(steep.size), np.full(steep.size, 2.0)])
    sort = np.lexsort((rank, at))
    return at[sort], both[sort]


def _write_reason(ax: Axes, stages: Mapping[str, WaveformResult]) -> None:
    reason = next((r.thd.reason for r in stages.values()), "")
    ax.text(
        0.5,
        0.5,
        textwrap.fill(f"not measurable: {reason}" if reason else "no wave", 48),
        transform=ax.transAxes,
        ha="center",
        va="center",
    )
    ax.set_axis_off()
