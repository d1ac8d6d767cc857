"""The whole course of a capture: the lowest and the highest sample over time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sigkit.charts.style import ACCENT, GREY, new_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FULL = 0.999
"""From here on a sample is at full scale."""


def draw_take(
    time_s: NDArray[np.float64],
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    ax: Axes | None = None,
) -> Axes:
    """Draw a capture as a band, with full scale at its edges.

    Parameters
    ----------
    time_s : ndarray, shape (n_stretches,)
        Middle of each stretch in seconds.
    low, high : ndarray, shape (n_stretches,)
        Lowest and highest sample in it; full scale is 1.
    ax : Axes, optional
        Where to draw; None: a new figure.

    Returns
    -------
    Axes
        With the drawing.
    """
    ax = new_axes(ax)
    ax.fill_between(time_s, low, high, color=ACCENT, linewidth=0)
    for edge in (-1.0, 1.0):
        ax.axhline(edge, color=GREY, linewidth=0.6, linestyle=(0, (4, 2)))
    full = np.mean((high >= FULL) | (low <= -FULL)) if len(high) else 0.0
    words = f"full scale, reached in {full:.0%} of stretches" if full else "full scale"
    ax.annotate(
        words,
        (1, 1),
        xycoords=("axes fraction", "data"),
        xytext=(0, 3),
        ha="right",
        textcoords="offset points",
        fontsize=8,
        color=GREY,
    )
    ax.set(xlabel="time (s)", ylabel="sample (full scale = 1)", ylim=(-1.2, 1.3))
    return ax
