"""Before and after of one test, subject and setting in one picture, on the same scales."""

from __future__ import annotations

import contextlib
import functools
import importlib
import inspect
import io
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from sigkit.charts.setting_order import draw_setting_order
from sigkit.charts.slider_ladder import draw_slider_ladder, height_ladder
from sigkit.charts.stage_marks import stage_legend
from sigkit.charts.style import ACCENT, INK, look
from sigkit.evidence.report.setting_order_section import order_picture
from sigkit.evidence.rows.table import Group
from sigkit.evidence.run.takes import Outcome
from sigkit.measures import Result
from sigkit.measures.result import words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from sigkit.evidence.evidence import Evidence

Overlay = Callable[[Mapping[str, Result | None], "Axes"], object]
Bundle = Mapping[str, Callable[[], bytes]]
"""What draws pictures of the same results, by their names; another process can do it too."""
BESIDE = "-beside"
FRONT = "-front"
LADDER = "ladder-slider"
"""Name of the picture of all sliders over the stages."""
WIDTH_IN = 5.2
"""Narrow enough that its letters stay readable at the width of a phone."""
HEIGHT_IN = 2.5
ORDER_IN = 3.4
STACK_IN = 0.2
FRONT_IN = (2.9, 2.3)
"""A chart of page one, three of which stand side by side on paper."""
DPI, FRONT_DPI = 160, 220
COLOURS = 64
MOST_BYTES = 2_200_000
"""Pictures of the report, as base64; the rest of it stays well below the 3 MB of a mail."""


def drawings_of(evidence: Evidence, groups: Sequence[Group] | None = None) -> list[Bundle]:
    """Return what draws every test, subject and setting that has a measurement.

    Of ``groups`` only, where they are given; what is across all of them is drawn whole.

    What the chart of a test puts beside its main picture has a name that ends in ``-beside``; all
    sliders over the stages are ``ladder-slider``, quantities over the marks of a slider begin with
    ``order-``.
    """
    bundles: list[Bundle] = []
    every = dict.fromkeys(row.group for row in evidence.rows)
    for group in every if groups is None else groups:
        shown = shown_takes(evidence, group)
        if shown:
            limits = limits_of(evidence, group)
            bundle = {picture_name(group): functools.partial(draw_stages, shown, limits)}
            if beside := _of_chart("beside", group[0]):
                draw = functools.partial(_overlaid, _held(beside, limits), shown)
                bundle[picture_name(group) + BESIDE] = draw
            bundles.append(bundle)
    if evidence.ladder:
        ladder = functools.partial(draw_slider_ladder, evidence.ladder)
        height_in = height_ladder(evidence.ladder)
        bundles.append({LADDER: functools.partial(_drawn, ladder, height_in)})
    for order in evidence.setting_orders:
        marks = functools.partial(draw_setting_order, order)
        bundles.append({order_picture(order): functools.partial(_drawn, marks, ORDER_IN)})
    return bundles


def draw_groups(evidence: Evidence, groups: Sequence[Group] | None = None) -> dict[str, bytes]:
    """Draw what `drawings_of` returns, here and now; PNG by picture name."""
    return {n: draw() for bundle in drawings_of(evidence, groups) for n, draw in bundle.items()}


def fitting(pictures: Mapping[str, bytes], kept: Sequence[str]) -> dict[str, bytes]:
    """Return the pictures that a report of 3 MB holds; the others lie in ``charts/`` alone.

    Parameters
    ----------
    pictures : mapping of str to bytes
        Every picture by name.
    kept : sequence of str
        Names that go last: what is outside its limit or became worse.

    Notes
    -----
    What stands beside a main picture goes first, the last test's before the first one's, then main
    pictures of what is within limits, then the rest.
    """
    names = list(pictures)
    front = [name for name in names if name.endswith(FRONT) or name == LADDER]
    bad = [name for name in names if name.removesuffix(BESIDE) in kept]
    main = [name for name in names if not name.endswith(BESIDE)]
    order = dict.fromkeys([*front, *(n for n in main if n in bad), *main, *bad, *names])
    room, held = float(MOST_BYTES), set()
    for name in order:
        room -= len(pictures[name]) * 4 / 3
        if room < 0:
            break
        held.add(name)
    return {name: data for name, data in pictures.items() if name in held}


def shown_takes(evidence: Evidence, group: Group) -> list[Outcome]:
    """Return the first measured take of each stage: the rule by which takes are drawn."""
    shown: dict[str, Outcome] = {}
    for outcome in evidence.outcomes:
        name = outcome.take.name
        if outcome.used and (name.test, name.subject, name.setting) == group:
            shown.setdefault(outcome.take.stage, outcome)
    return list(shown.values())


def picture_name(group: Group) -> str:
    """Return the name of a group's picture, without suffix."""
    return "-".join(part for part in group if part)


def limits_of(evidence: Evidence, group: Group) -> dict[str, tuple[float, str]]:
    """Return the limits of a test, subject and setting with their sources, by quantity."""
    return {
        row.judged.quantity: (row.limit.value, row.limit.source)
        for row in evidence.rows
        if row.group == group and row.limit is not None
    }


def _held(draw: Overlay, limits: Mapping[str, tuple[float, str]] | None) -> Overlay:
    """Return what draws with the job's own limits, where it draws limits at all."""
    if limits is None or "limits" not in inspect.signature(draw).parameters:
        return draw
    with_limits: Callable[..., object] = draw
    return functools.partial(with_limits, limits=limits)


def draw_stages(
    shown: Sequence[Outcome], limits: Mapping[str, tuple[float, str]] | None = None
) -> bytes:
    """Draw the stages on shared scales, as PNG without date or version.

    In one picture where the chart of the test can lay stages over each other, else one below the
    other.
    """
    overlay = _overlay_of(shown)
    if overlay is not None:
        height = _of_chart("height", shown[0].take.name.test)
        return _overlaid(_held(overlay, limits), shown, height)
    from matplotlib.figure import Figure

    with look():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN * len(shown) + STACK_IN), layout="constrained")
        _stack(figure, shown)
        return _png(figure)


def draw_small(
    shown: Sequence[Outcome], limits: Mapping[str, tuple[float, str]] | None = None
) -> bytes:
    """Draw stages small: over each other, else what the chart of the test puts beside them."""
    test = shown[0].take.name.test
    overlay = _overlay_of(shown)
    if overlay is None or _of_chart("lies_over", test) is not None:
        overlay = _of_chart("beside", test) or overlay
    if overlay is None:
        return draw_stages(shown)
    from matplotlib.figure import Figure

    with look():
        figure = Figure(figsize=FRONT_IN, layout="constrained")
        ax = figure.add_subplot()
        _held(overlay, limits)(_by_stage(shown), ax)
        _simplify(ax, [words(outcome.take.stage) for outcome in shown])
        return _png(figure, FRONT_DPI)


def _simplify(ax: Axes, stages: Sequence[str]) -> None:
    """Leave a small chart its axes, its marks and the names of the stages."""
    from matplotlib.text import Annotation

    ax.set_title("")
    legend = ax.get_legend()
    if legend is not None:
        named: dict[str, Any] = {
            text.get_text().partition(":")[0]: handle
            for handle, text in zip(legend.legend_handles, legend.get_texts(), strict=True)
            if handle is not None
        }
        kept = {name: handle for name, handle in named.items() if name in stages}
        legend.remove()
        place: dict[str, Any] = {
            "loc": "lower left",
            "bbox_to_anchor": (0.0, 1.0),
            "borderaxespad": 0.2,
        }
        if kept:
            ax.legend(list(kept.values()), list(kept), ncols=2, fontsize=8, **place)
        elif len(stages) > 1:
            stage_legend(ax, stages)
    for label in (ax.xaxis.label, ax.yaxis.label):
        label.set_fontsize(8)
    for text in ax.texts:
        above = isinstance(text, Annotation) and text.xyann[1] > 0 and text.xy[1] >= 1
        if above or (text.get_transform() == ax.transAxes and text.get_position()[1] >= 1):
            text.set_visible(False)


def draw_on(
    figure: Figure,
    shown: Sequence[Outcome],
    limits: Mapping[str, tuple[float, str]] | None = None,
) -> None:
    """Draw the stages on shared scales on an empty figure, whatever its size."""
    overlay = _overlay_of(shown)
    if overlay is not None:
        _held(overlay, limits)(_by_stage(shown), figure.add_subplot())
    else:
        _stack(figure, shown)


def _overlay_of(shown: Sequence[Outcome]) -> Overlay | None:
    """Return what lays these stages over each other, None where they lie one below the other."""
    test = shown[0].take.name.test
    overlay = _of_chart("compare", test)
    lies_over = _of_chart("lies_over", test)
    return overlay if lies_over is None or lies_over(_by_stage(shown)) else None


def _overlaid(
    draw: Overlay, shown: Sequence[Outcome], height: Callable[..., Any] | None = None
) -> bytes:
    stages = _by_stage(shown)
    usual = 0.65 * WIDTH_IN
    height_in = usual if height is None else max(usual, float(height(stages)))
    return _drawn(lambda ax: draw(stages, ax), height_in)


def _drawn(draw: Callable[[Axes], object], height_in: float, width_in: float = WIDTH_IN) -> bytes:
    from matplotlib.figure import Figure

    with look():
        figure = Figure(figsize=(width_in, height_in), layout="constrained")
        draw(figure.add_subplot())
        return _png(figure)


def _by_stage(shown: Sequence[Outcome]) -> dict[str, Result | None]:
    return {words(outcome.take.stage): outcome.result for outcome in shown}


def _png(figure: Figure, dpi: int = DPI) -> bytes:
    """Return a figure as PNG with a palette: a third of the size, and nothing to be seen of it."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from PIL import Image

    figure.set_dpi(dpi)
    canvas: Any = FigureCanvasAgg(figure)
    canvas.draw()
    drawn = Image.fromarray(np.asarray(canvas.buffer_rgba())).convert("RGB")
    few = drawn.quantize(COLOURS, Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE)
    picture = io.BytesIO()
    few.save(picture, "PNG", optimize=True, dpi=(dpi, dpi))
    return picture.getvalue()


def _of_chart(kind: str, test: str) -> Callable[..., Any] | None:
    """Return a function of the test's chart that takes the results by stage, if there is one.

    ``compare_TEST`` and ``beside_TEST`` take axes too and draw on them; ``height_TEST`` says how
    many inches high the first has to be, ``lies_over_TEST`` whether it can show these stages, else
    they are drawn one below the other.
    """
    with contextlib.suppress(ModuleNotFoundError):
        chart = importlib.import_module(f"sigkit.charts.{test}")
        found: Callable[..., Any] | None = getattr(chart, f"{kind}_{test}", None)
        return found
    return None


def _stack(figure: Figure, shown: Sequence[Outcome]) -> None:
    every = []
    for index, outcome in enumerate(shown):
        ax = figure.add_subplot(len(shown), 1, index + 1)
        if outcome.result is not None:
            outcome.result.plot(ax)
        every.append(ax)
        last = index == len(shown) - 1 > 0
        ax.set_title(words(outcome.take.stage), color=ACCENT if last else INK, fontweight="bold")
    _share(every)


def _share(axes: Sequence[Axes]) -> None:
    x = [limit for ax in axes for limit in ax.get_xlim()]
    y = [limit for ax in axes for limit in ax.get_ylim()]
    for ax in axes:
        ax.set_xlim(min(x), max(x))
        ax.set_ylim(min(y), max(y))
    for ax in axes[:-1]:
        ax.set_xlabel("")
