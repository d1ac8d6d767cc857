"""Keyboard: the error of every key over a drawn keyboard, with the scale's line and words."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from sigkit.charts.style import GREY, INK, LIGHT, MINUS, new_axes, stage_style

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from sigkit.measures.keyboard.result import KeyboardResult

GUIDE_CENTS = 2.0
"""How far a key may lie from the scale: the shipped guide value."""
GUIDE_SOURCE = "guide value, common practice, no source"
KEYBOARD = (-0.13, -0.015)
"""Where the keyboard is drawn, in heights of the axes."""
BLACK_LENGTH = 0.62
SMALL = 6.5
WORDS = {
    "missing": "dead",
    "double trigger": "double",
    "stuck": "stuck",
    "unsteady": "unsteady",
}
BESIDE = 0.14
"""Keys by which the marks of stages stand apart."""
LEAST_SPAN = 6.0
MOST_LISTED = 12
"""Keys that the list of those to be seen to holds."""


def draw_keyboard(result: KeyboardResult, ax: Axes | None = None) -> Axes:
    """Draw the error of every key of one sweep.

    Parameters
    ----------
    result : KeyboardResult
        What `measure_keyboard` found.
    ax : Axes, optional
        Where to draw; one new figure if None.

    Returns
    -------
    Axes
        Errors re equal temperament with whiskers (k = 2), the line of the scale with the guide
        value about it, and a word where a key is dead, double, stuck or unsteady.
    """
    return compare_keyboard({result.source.name: result}, ax)


def compare_keyboard(
    stages: Mapping[str, KeyboardResult],
    ax: Axes | None = None,
    *,
    limits: Mapping[str, tuple[float, str]] | None = None,
) -> Axes:
    """Draw the keys of several stages over each other, on the same scales.

    Parameters
    ----------
    stages : mapping of str to KeyboardResult
        Results by the name of their stage, in order.
    ax : Axes, optional
        Where to draw; one new figure if None.
    limits : mapping of str to (float, str), optional
        Limits with their sources by quantity, of which ``worst_key`` is drawn; by default the guide
        value.
    """
    ax = new_axes(ax)
    shown = [r for r in stages.values() if len(r.keys)]
    if not shown:
        return ax
    count = max(len(r.keys) for r in shown)
    last = shown[-1]
    _band(ax, last, *(limits or {}).get("worst_key", (GUIDE_CENTS, GUIDE_SOURCE)))
    for index, (name, result) in enumerate(stages.items()):
        style = stage_style(index, len(stages))
        apart = BESIDE * (2 * index - (len(stages) - 1))
        _errors(ax, result, style, apart, _said(name, result))
    low, high = _range(shown)
    words_at = high + 0.04 * (high - low)
    rows = 0
    for index, (name, result) in enumerate(stages.items()):
        where = words_at + 0.21 * rows * (high - low)
        style = stage_style(index, len(stages))
        rows += _words(ax, result, style, where, name if len(stages) > 1 else "", count)
    ax.set_ylim(low, high + (0.02 + 0.21 * rows) * (high - low))
    ax.set_xlim(0.2, count + 0.8)
    ax.axhline(0, color=GREY, linewidth=0.6, zorder=0)
    _draw_keys(ax, last, count)
    ax.set_ylabel("error re equal temperament (cents)")
    ax.grid(axis="y")
    ax.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), borderaxespad=0.2, fontsize=8)
    return ax


def _said(name: str, result: KeyboardResult) -> str:
    scale = result.scale_error
    if scale.measurable:
        return f"{name}: scale error {scale}".replace(" -", f" {MINUS}")
    return textwrap.shorten(f"{name}: {scale.reason}", 60)


def _errors(
    ax: Axes, result: KeyboardResult, style: Mapping[str, Any], apart: float, label: str
) -> None:
    """Draw marks with whiskers, and the line of the scale."""
    table = result.keys
    x = table["key"].to_numpy(float)
    y, u = table["error_cents"].to_numpy(float), table["u_cents"].to_numpy(float)
    bars = ax.errorbar(
        x + apart,
        y,
        yerr=2 * np.nan_to_num(u),
        color=style["color"],
        marker=style["marker"],
        markersize=3.2,
        markerfacecolor=style["markerfacecolor"],
        linestyle="none",
        elinewidth=0.8,
        capsize=1.5,
        label=label,
        zorder=3,
    )
    for bar in bars[2]:
        bar.set_linestyle(style["linestyle"])
    line = {key: style[key] for key in ("color", "linestyle", "linewidth")}
    if np.isfinite(result.line_cents).any() and result.line_cents.size == x.size:
        ax.plot(x, result.line_cents, **line, zorder=2)


def _band(ax: Axes, result: KeyboardResult, limit_cents: float, source: str) -> None:
    """Draw a limit about the line of the last stage, with its source."""
    line = result.line_cents
    if not result.scale_error.measurable or not np.isfinite(line).all():
        return
    x = result.keys["key"].to_numpy(float)
    ax.fill_between(x, line - limit_cents, line + limit_cents, color=LIGHT, zorder=0, linewidth=0)
    ax.annotate(
        f"±{limit_cents:g} cents about the scale: {source}",
        (1.0, 0.0),
        xycoords="axes fraction",
        xytext=(-2, 2),
        textcoords="offset points",
        ha="right",
        va="bottom",
        fontsize=5.5,
        color=GREY,
    )


def _range(shown: list[KeyboardResult]) -> tuple[float, float]:
    """Lowest and highest cents that are drawn, with some room."""
    every = []
    for result in shown:
        y = result.keys["error_cents"].to_numpy(float)
        u = 2 * np.nan_to_num(result.keys["u_cents"].to_numpy(float))
        every += [y - u, y + u, result.line_cents - GUIDE_CENTS, result.line_cents + GUIDE_CENTS]
    values = np.concatenate([*every, [0.0]])
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    spare = max(0.12 * (high - low), (LEAST_SPAN - (high - low)) / 2)
    return low - spare, high + 0.3 * spare


def _words(
    ax: Axes, result: KeyboardResult, style: Mapping[str, Any], at: float, stage: str, count: int
) -> int:
    """Write upright what is the matter with a key, and in which stage; return the rows it took."""
    marked = [
        (float(x), WORDS[str(status)])
        for x, status in zip(result.keys["key"], result.keys["status"], strict=True)
        if status in WORDS
    ]
    if not marked:
        return 0
    look = {"va": "bottom", "fontsize": SMALL, "color": style["color"]}
    for x, word in marked:
        ax.text(x, at, word, rotation=90, ha="center", **look)
    if stage:
        left = max(x for x, _ in marked) > 0.75 * count
        ax.text(0.6 if left else count + 0.4, at, stage, ha="left" if left else "right", **look)
    return 1


def _draw_keys(ax: Axes, result: KeyboardResult, count: int) -> None:
    """Draw the keyboard below the axes, with the names of the Cs and of the end keys."""
    from matplotlib.patches import Rectangle

    transform = ax.get_xaxis_transform()
    bottom, top = KEYBOARD
    table = result.keys
    names = dict(zip(table["key"].astype(int), table["note"], strict=True))
    white = [n for n in range(1, count + 1) if "#" not in names.get(n, "#")]
    for left, right in _edges(white, count):
        ax.add_patch(
            Rectangle(
                (left, bottom),
                right - left,
                top - bottom,
                transform=transform,
                facecolor="white",
                edgecolor=GREY,
                linewidth=0.5,
                clip_on=False,
                zorder=4,
            )
        )
    for n in range(1, count + 1):
        if n not in names or n in white:
            continue
        ax.add_patch(
            Rectangle(
                (n - 0.36, top - BLACK_LENGTH * (top - bottom)),
                0.72,
                BLACK_LENGTH * (top - bottom),
                transform=transform,
                facecolor=INK,
                edgecolor=INK,
                linewidth=0.3,
                clip_on=False,
                zorder=5,
            )
        )
    named = [n for n in names if names[n].startswith("C") and "#" not in names[n]]
    for end in (min(names), max(names)):
        if all(abs(end - n) > 3 for n in named):
            named.append(end)
    named.sort()
    ax.set_xticks(named, [names[n] for n in named])
    height = ax.get_window_extent().height * 72 / ax.figure.dpi
    ax.tick_params(axis="x", length=0, pad=max(4.0, -bottom * height + 3.0))
    ax.set_xlabel("key")


def _edges(white: list[int], count: int) -> list[tuple[float, float]]:
    """Left and right edge of every white key: they meet in the middle of a black one."""
    out = []
    for n in white:
        left = n - 1.0 if n - 1 not in white and n > 1 else n - 0.5
        right = n + 1.0 if n + 1 not in white and n < count else n + 0.5
        out.append((left, right))
    return out


def height_keyboard(stages: Mapping[str, KeyboardResult]) -> float:
    """Return how many inches high the picture has to be."""
    marked = sum(bool((r.keys["status"].isin(list(WORDS))).any()) for r in stages.values())
    return 3.4 + 0.3 * marked


def beside_keyboard(stages: Mapping[str, KeyboardResult], ax: Axes | None = None) -> Axes:
    """List the keys that something is said of, stage by stage, to be worked down at the bench.

    Parameters
    ----------
    stages : mapping of str to KeyboardResult
        Results by the name of their stage, in order.
    ax : Axes, optional
        Where to write; one new figure if None.
    """
    ax = new_axes(ax)
    ax.set_axis_off()
    ax.set_title("Keys to be seen to")
    tables = {name: r.keys.set_index("key") for name, r in stages.items()}
    marked = sorted({int(k) for t in tables.values() for k in t.index[t["reason"] != ""]})
    lines = [
        (key, name, _state(table, key), index)
        for key in marked[:MOST_LISTED]
        for index, (name, table) in enumerate(tables.items())
        if key in table.index
    ]
    step = 1 / max(len(lines), 8)
    seen: set[int] = set()
    for row, (key, name, words, index) in enumerate(lines):
        y = 1 - (row + 0.5) * step
        style = stage_style(index, len(stages))
        if key not in seen:
            note = next(str(t.loc[key, "note"]) for t in tables.values() if key in t.index)
            ax.text(0.0, y, f"{key}, {note}", fontsize=7.5, va="center", color=INK)
            seen.add(key)
        ax.text(0.13, y, name, fontsize=7.5, va="center", color=style["color"])
        ax.text(0.3, y, words, fontsize=7.5, va="center", color=style["color"])
    if not lines:
        ax.text(0.0, 0.9, "nothing to be seen to", fontsize=8)
    elif len(marked) > MOST_LISTED:
        ax.text(0.0, -0.03, f"and {len(marked) - MOST_LISTED} more in the results", fontsize=7)
    return ax


def _state(table: pd.DataFrame, key: int) -> str:
    """Return what is said of one key, with its error."""
    at = table.index.get_loc(key)
    error, said = float(table["error_cents"].to_numpy(float)[at]), str(table["reason"].tolist()[at])
    words = f"{error:+.1f} cents" if np.isfinite(error) else ""
    status = str(table["status"].tolist()[at])
    status = ("" if said else status) if status == "ok" else WORDS.get(status, status)
    parts = [part for part in (status, words, said) if part and part != "no sound"]
    return textwrap.shorten(", ".join(parts), 76, placeholder=" ...")
