"""The whole course of a capture: the lowest and the highest sample over time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sigkit.charts.style import GREY, INK, LIGHT, new_axes

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
    """Draw a capture as a grey band in percent of full scale, with full scale at its edges.

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
    ax.fill_between(time_s, 100 * low, 100 * high, facecolor=LIGHT, edgecolor=INK, linewidth=0.5)
    for edge in (-100.0, 100.0):
        ax.axhline(edge, color=GREY, linewidth=0.6, linestyle=(0, (4, 2)))
    full = np.mean((high >= FULL) | (low <= -FULL)) if len(high) else 0.0
    words = f"full scale, reached in {100 * full:.0f} % of stretches" if full else "full scale"
    ax.annotate(
        words,
        (1, 100),
        xycoords=("axes fraction", "data"),
        xytext=(0, 3),
        ha="right",
        textcoords="offset points",
        fontsize=8,
        color=GREY,
    )
    ax.set(xlabel="time (s)", ylabel="sample (% of full scale)", ylim=(-120, 130))
    ax.set_yticks([-100, -50, 0, 50, 100])
    return ax
