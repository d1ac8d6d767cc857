"""Pictures for a listing: one chart each, large letters, everything in the middle."""

from __future__ import annotations

import functools
import io
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sigkit.charts.slider_ladder import draw_slider_ladder
from sigkit.charts.style import GREY, INK, look
from sigkit.evidence.listing.texts import ASKED
from sigkit.evidence.report.pictures import (
    LADDER,
    Bundle,
    draw_on,
    limits_of,
    picture_name,
    shown_takes,
)
from sigkit.evidence.report.wording import group_title, weight
from sigkit.evidence.rows.table import Group

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from sigkit.evidence.evidence import Evidence
    from sigkit.evidence.rows.ladder import Ladder

Draw = Callable[["Figure"], object]
SIZES: Mapping[str, tuple[int, int]] = {"square": (1600, 1600), "landscape": (2000, 1500)}
"""Width and height in pixels."""
MIDDLE = 0.75
"""Share of width and height that holds everything: the rest may be cut off as a thumbnail."""
LETTERS = 1 / 40
"""Least height of letters re the picture's, readable on a phone."""
CHART_IN = 4.6
"""Width of a chart in inches, at which its letters and lines have their proportions."""
MOST = 6
HEAD, UNDER, LAST = 0.13, 0.055, 0.092
"""Share of the height that words above a chart take, and where their second and third line begin.
"""
BAND = "grey: within my limits"
SLIDER = "slider"
LONGEST = 0.6
"""Share of a chart's width that words inside it may take."""
POINTS_PER_INCH = 72.0
FEW = 2
"""So many lines of a legend may stand inside a chart."""


def listing_drawings(evidence: Evidence) -> list[Bundle]:
    """Return what draws that which tells most in both sizes; PNG by file name, without metadata.

    Parameters
    ----------
    evidence : Evidence
        A job's evidence. Of each bench test the subject is drawn that is worse or outside limits,
        else the one whose change exceeds its uncertainty most; at most six pictures, all sliders in
        one. Only the first and the last stage are drawn.
    """
    under = _under(evidence)
    return [
        {
            f"{name}_{shape}.png": functools.partial(_picture, title, under, draw, size, mute=mute)
            for shape, size in SIZES.items()
        }
        for name, title, draw, mute in _chosen(evidence)[:MOST]
    ]


def _under(evidence: Evidence) -> str:
    """Return the line below each title: unit, first and last date, by whom."""
    dates = evidence.job.recorded_on
    ends = " to ".join(dict.fromkeys([dates[0], dates[-1]])) if dates else ""
    parts = (evidence.job.settings.unit, ends, "measured by the seller")
    return ", ".join(part for part in parts if part)


def _chosen(evidence: Evidence) -> list[tuple[str, str, Draw, bool]]:
    """Return name, title and drawing of each picture, and whether its band has no words.

    One a test, in the order buyers ask.
    """
    order = [test for _, test, _ in ASKED]
    groups = dict.fromkeys(row.group for row in evidence.rows)
    weights = {g: max(weight(r) for r in evidence.rows if r.group == g) for g in groups}
    best: dict[str, Group] = {}
    for group in sorted(groups, key=lambda g: weights[g], reverse=True):
        if shown_takes(evidence, group):
            best.setdefault(group[0], group)
    chosen: list[tuple[str, str, Draw, bool]] = []
    for test in [*order, *(name for name in best if name not in order)]:
        if test == SLIDER and evidence.ladder:
            ladder = functools.partial(_draw_ladder, evidence.ladder)
            chosen.append((LADDER, "Sliders: events per pass", ladder, True))
        elif test in best:
            shown = shown_takes(evidence, best[test])
            draw = functools.partial(
                draw_on,
                shown=[shown[0], shown[-1]][: len(shown)],
                limits=limits_of(evidence, best[test]),
            )
            name, title = picture_name(best[test]), group_title(best[test])
            chosen.append((name, title, draw, False))
    return chosen


def _draw_ladder(ladder: Ladder, figure: Figure) -> None:
    ax = draw_slider_ladder(ladder, figure.add_subplot(), ends_only=True)
    ax.set_xlabel("events per pass\n(even up to 1, then logarithmic)")


def _picture(title: str, under: str, draw: Draw, size: tuple[int, int], *, mute: bool) -> bytes:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    width, height = size
    dpi = width * MIDDLE / CHART_IN
    edge = (1 - MIDDLE) / 2
    least = LETTERS * height / dpi * POINTS_PER_INCH
    with look():
        figure = Figure(figsize=(width / dpi, height / dpi), dpi=dpi)
        figure.text(edge, 1 - edge, title, fontsize=1.25 * least, color=INK, va="top")
        figure.text(edge, 1 - edge - UNDER, under, fontsize=least, color=GREY, va="top")
        chart, cut = _chart(draw, (width * MIDDLE, height * (MIDDLE - HEAD)), dpi, least)
        if mute or cut:
            figure.text(edge, 1 - edge - LAST, BAND, fontsize=least, color=GREY, va="top")
        canvas: Any = FigureCanvasAgg(figure)
        canvas.draw()
    picture = np.array(canvas.buffer_rgba())[..., :3]
    left, below = round(width * edge), picture.shape[0] - round(height * edge)
    picture[below - chart.shape[0] : below, left : left + chart.shape[1]] = chart[..., :3]
    return _png(picture, dpi)


def _chart(
    draw: Draw, pixels: tuple[float, float], dpi: float, least: float
) -> tuple[NDArray[np.uint8], bool]:
    """Draw a chart, no letter smaller than readable, as an RGBA picture.

    And whether words of it that were too long were left out, such as the source of a limit.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from matplotlib.text import Text

    figure = Figure(figsize=(pixels[0] / dpi, pixels[1] / dpi), dpi=dpi, layout="constrained")
    canvas: Any = FigureCanvasAgg(figure)
    draw(figure)
    renderer = canvas.get_renderer()
    for text in figure.findobj(Text):
        text.set_fontsize(max(float(text.get_fontsize()), least))
    cut = False
    for ax in figure.axes:
        for text in ax.texts:  # a limit's source that would not fit stands in the texts and report
            if text.get_window_extent(renderer).width > LONGEST * pixels[0]:
                text.set_visible(False)
                cut = True
        if (legend := ax.get_legend()) is not None:
            if len(legend.get_texts()) > FEW:  # else it would lie on what it explains
                legend.set_loc("lower left")
                legend.set_bbox_to_anchor((0.0, 1.0), transform=ax.transAxes)
            legend.set_frame_on(True)
            legend.get_frame().set(facecolor="white", edgecolor="none", alpha=0.85)
    canvas.draw()
    made_room = [_made_room(ax, renderer) for ax in figure.axes]
    if any(made_room):
        canvas.draw()
    return np.asarray(canvas.buffer_rgba()), cut


def _made_room(ax: Axes, renderer: Any) -> bool:
    """Raise the top of an axis until words that stand at values end below it; say if it had to."""
    box = ax.get_window_extent(renderer)
    ends = [
        text.get_window_extent(renderer).y1
        for text in ax.texts
        if text.get_transform() == ax.transData
    ]
    over = float(max(ends, default=box.y1) - box.y1)
    if over > 0 and ax.get_yscale() == "linear":
        low, high = ax.get_ylim()
        ax.set_ylim(low, high + (high - low) * over / (box.height - over))
    return over > 0


def _png(picture: NDArray[np.uint8], dpi: float) -> bytes:
    from PIL import Image

    file = io.BytesIO()
    Image.fromarray(picture).save(file, "PNG", dpi=(dpi, dpi))
    return file.getvalue()
