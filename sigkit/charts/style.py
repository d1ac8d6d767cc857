"""The one look of all charts: plain, works in grey, on paper and on a phone."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MINUS = "\N{MINUS SIGN}"
INK = "#1a1a1a"
GREY = "#6b6b6b"
LIGHT = "#d9d9d9"
ACCENT = "#00639c"
"""The one colour: the last stage, "after". Dark enough for text on white (contrast 6:1)."""

BEFORE: Mapping[str, Any] = {
    "color": "#4a4a4a",
    "linestyle": (0, (4, 2)),
    "linewidth": 1.0,
    "marker": "o",
    "markerfacecolor": "white",
    "markersize": 4,
}
AFTER: Mapping[str, Any] = {
    "color": ACCENT,
    "linestyle": "-",
    "linewidth": 1.4,
    "marker": "o",
    "markerfacecolor": ACCENT,
    "markersize": 4,
}

RC: Any = {
    "font.family": "sans-serif",
    "font.size": 9,
    "axes.titlesize": 10,
    "axes.titlelocation": "left",
    "axes.labelcolor": INK,
    "axes.edgecolor": GREY,
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.color": INK,
    "grid.color": LIGHT,
    "grid.linewidth": 0.5,
    "figure.facecolor": "white",
    "axes.facecolor": "white",
    "savefig.facecolor": "white",
    "legend.frameon": False,
    "svg.hashsalt": "sigkit",
}


def look() -> AbstractContextManager[None]:
    """Return a context in which figures have this look; the global style is left alone."""
    import matplotlib as mpl

    return mpl.rc_context(dict(RC))


def stage_style(index: int, count: int) -> dict[str, Any]:
    """Return the line style of stage ``index`` of ``count``: first dashed, last in the accent.

    Stages between are solid greys of rising weight. A single stage is drawn as the last one.
    """
    if index == count - 1:
        return dict(AFTER)
    if index == 0:
        return dict(BEFORE)
    share = index / (count - 1)
    shade = format(round(150 - 80 * share), "02x")
    return dict(
        AFTER, color=f"#{shade * 3}", markerfacecolor=f"#{shade * 3}", linewidth=0.8 + 0.5 * share
    )


def new_axes(ax: Axes | None) -> Axes:
    """Return ``ax``, or the axes of one new figure; never the current axes."""
    if ax is None:
        import matplotlib.pyplot as plt

        # The first figure may choose the backend; a look around that would undo its settings.
        figure = plt.figure(figsize=(6.4, 3.6), layout="constrained", facecolor="white")
        with look():
            ax = figure.subplots()
    return ax
