"""Envelope: notes laid on their onsets, level in dB and linear, with the points that are told."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from sigkit.arrays import Real
from sigkit.charts.style import GREY, new_axes, stage_style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from sigkit.measures.envelope.result import EnvelopeResult


DEEP_DB = 75.0
"""Range of the picture in dB, if the floor is not nearer."""
BELOW_FLOOR_DB = 3.0
MOST_NOTES = 8
"""Notes that are drawn of one capture."""
ATTACKS = 2.5
"""Width of the linear picture in times to the peak."""
POINT_AT_S = {"release_20_s": 20, "release_40_s": 40}


def draw_envelope(result: EnvelopeResult, ax: Axes | None = None) -> Axes:
    """Draw the envelope of every note of one capture, in dB.

    Parameters
    ----------
    result : EnvelopeResult
        What `measure_envelope` found.
    ax : Axes, optional
        Where to draw; one new figure if None.

    Returns
    -------
    Axes
        With a line a note, all laid on their onset, and marks where the peak is reached, where the
        key was let go, and 20 and 40 dB below the level there.
    """
    return compare_envelope({result.source.name: result}, ax)


def compare_envelope(stages: Mapping[str, EnvelopeResult], ax: Axes | None = None) -> Axes:
    """Draw the envelopes of several stages over each other, in dB.

    Parameters
    ----------
    stages : mapping of str to EnvelopeResult
        Results by the name of their stage, in order.
    ax : Axes, optional
        Where to draw; one new figure if None.
    """
    ax = new_axes(ax)
    top, bottom, longest = -math.inf, math.inf, 0.0
    for index, (name, result) in enumerate(stages.items()):
        style = stage_style(index, len(stages))
        for row, note in _notes(result):
            time, level = _level(note.time_s - note.onset_s, note.gain, note.floor)
            ax.plot(time, level, label=None if row else name, **_line(style, row))
            top, longest = max(top, float(np.nanmax(level))), max(longest, float(time[-1]))
            bottom = min(bottom, float(np.nanmin(level)))
        _points(ax, result, style)
    if not math.isfinite(top):
        _write_reason(ax, next(iter(stages.values()), None))
        return ax
    for result in stages.values():
        if not (result.attack.measurable or result.release_20.measurable):
            # Notes are seen of which hardly anything can be told.
            _write_reason(ax, result)
            break
    ax.set_ylim(max(top - DEEP_DB, bottom) - 2, top + 4)
    ax.set_xlim(-0.03 * longest, longest)
    ax.set_xlabel(_since(stages))
    ax.set_ylabel("level (dBFS)")
    ax.grid(axis="y")
    _legend(ax, stages)
    return ax


def beside_envelope(stages: Mapping[str, EnvelopeResult], ax: Axes | None = None) -> Axes:
    """Draw the attacks of several stages over each other, linear, re each note's peak.

    Parameters
    ----------
    stages : mapping of str to EnvelopeResult
        Results by the name of their stage, in order.
    ax : Axes, optional
        Where to draw; one new figure if None.
    """
    ax = new_axes(ax)
    width = 0.0
    for index, (name, result) in enumerate(stages.items()):
        style = stage_style(index, len(stages))
        first = True
        for row, note in _notes(result):
            peak = 10 ** (note.peak_dbfs / 20)
            if not math.isfinite(peak):
                continue
            time, share = note.time_s - note.onset_s, 100 * note.gain / peak
            reach = ATTACKS * note.rise_s if math.isfinite(note.rise_s) else 0.05
            width = max(width, reach)
            near = time < 2 * reach
            ax.plot(
                1000 * time[near], share[near], label=name if first else None, **_line(style, row)
            )
            first = False
            rising = near & (time <= note.rise_s) if math.isfinite(note.rise_s) else near & False
            if row == 0 and np.count_nonzero(rising) > 2:
                at = np.interp((10.0, 90.0), share[rising], time[rising])
                ax.plot(1000 * at, (10, 90), **_marks(style))
    if width == 0:
        _write_reason(ax, next(iter(stages.values()), None))
        return ax
    ax.axhline(0, color=GREY, linewidth=0.5, zorder=0)
    for level in (10, 90):
        ax.axhline(level, color=GREY, linewidth=0.5, linestyle=":", zorder=0)
    ax.set(xlim=(-150 * width, 1000 * width), ylim=(-5, 112))
    ax.set_title("Attack, 10 % and 90 % of the peak marked")
    ax.set_xlabel(_since(stages).replace("(s)", "(ms)"))
    ax.set_ylabel("amplitude re the peak (%)")
    _legend(ax, stages)
    return ax


class _Note:
    """A note's line, and where it begins, peaks and is let go."""

    def __init__(self, result: EnvelopeResult, row: int) -> None:
        trace, told = result.traces[row], result.notes.iloc[row]
        self.time_s, self.gain, self.floor = trace.time_s, trace.gain, trace.floor
        onset = float(told["onset_s"])
        self.onset_s = onset if math.isfinite(onset) else float(trace.time_s[0])
        self.peak_dbfs = float(told["peak_dbfs"])
        self.rise_s = float(told["onset_to_peak_s"])


def _notes(result: EnvelopeResult) -> list[tuple[int, _Note]]:
    every = [_Note(result, row) for row in range(len(result.traces)) if _has_line(result, row)]
    return list(enumerate(every[:MOST_NOTES]))


def _has_line(result: EnvelopeResult, row: int) -> bool:
    alone = not bool(result.notes["retrigger"].iloc[row])
    return alone and result.traces[row].time_s.size > 3


def _level(time: Real, gain: Real, floor: float) -> tuple[Real, Real]:
    """Return a note's level in dBFS; where noise hides it, it rests at the floor."""
    least = max(floor * 10 ** (BELOW_FLOOR_DB / 20), 1e-9)
    return time, 20 * np.log10(np.maximum(gain, least))


def _line(style: Mapping[str, Any], row: int) -> dict[str, Any]:
    line = {key: style[key] for key in ("color", "linestyle", "linewidth")}
    return line if row == 0 else line | {"alpha": 0.35, "linewidth": 0.7 * line["linewidth"]}


def _marks(style: Mapping[str, Any]) -> dict[str, Any]:
    marks = {key: style[key] for key in ("color", "marker", "markerfacecolor", "markersize")}
    return marks | {"linestyle": "none", "zorder": 3}


def _points(ax: Axes, result: EnvelopeResult, style: Mapping[str, Any]) -> None:
    """Mark what is told of the first note that is drawn: peak, release, and levels below it."""
    for row in range(len(result.notes)):
        if not _has_line(result, row):
            continue
        told, trace = result.notes.iloc[row], result.traces[row]
        start = _Note(result, row).onset_s
        at: list[tuple[float, float]] = [(float(told["onset_to_peak_s"]), float(told["peak_dbfs"]))]
        off = float(told["gate_off_s"])
        if math.isfinite(off):
            level = 20 * math.log10(max(float(np.interp(off, trace.time_s, trace.gain)), 1e-9))
            at.append((off - start, level))
            at += [
                (off - start + float(told[name]), level - down) for name, down in POINT_AT_S.items()
            ]
        known = [pair for pair in at if all(map(math.isfinite, pair))]
        if known:
            x, y = zip(*known, strict=True)
            ax.plot(x, y, **_marks(style))
        return


def _since(stages: Mapping[str, EnvelopeResult]) -> str:
    keyed = any((r.notes["times_from"] == "key").any() for r in stages.values())
    return "time since the key went down (s)" if keyed else "time since the onset (s)"


def _legend(ax: Axes, stages: Mapping[str, EnvelopeResult]) -> None:
    if len(stages) > 1:
        ax.legend(loc="best")


def _write_reason(ax: Axes, result: EnvelopeResult | None) -> None:
    reason = result.attack.reason if result is not None else ""
    ax.text(
        0.5,
        0.5,
        textwrap.fill(f"not measurable: {reason}" if reason else "no note", 48),
        transform=ax.transAxes,
        ha="center",
        va="center",
        bbox={"facecolor": "white", "edgecolor": "none"},
    )
