"""Before and after of one test, subject and setting in one picture, on the same scales."""

from __future__ import annotations

import contextlib
import functools
import importlib
import io
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from sigkit.charts.setting_order import draw_setting_order
from sigkit.charts.slider_ladder import draw_slider_ladder, height_ladder
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
BESIDE = "-beside"
LADDER = "ladder-slider"
"""Name of the picture of all sliders over the stages."""
WIDTH_IN = 5.2
"""Narrow enough that its letters stay readable at the width of a phone."""
HEIGHT_IN = 2.5
ORDER_IN = 3.4
STACK_IN = 0.2
DPI = 160


def draw_groups(
    evidence: Evidence, drawn_one: Callable[[], object] = lambda: None
) -> dict[str, bytes]:
    """Draw every test, subject and setting that has a measurement; PNG by picture name.

    What the chart of a test puts beside its main picture has a name that ends in ``-beside``; all
    sliders over the stages are ``ladder-slider``, quantities over the marks of a slider begin with
    ``order-``. ``drawn_one`` is called after each test, subject and setting.
    """
    drawn: dict[str, bytes] = {}
    for group in dict.fromkeys(row.group for row in evidence.rows):
        shown = shown_takes(evidence, group)
        if shown:
            drawn[picture_name(group)] = draw_stages(shown)
            if beside := _of_chart("beside", group[0]):
                drawn[picture_name(group) + BESIDE] = _overlaid(beside, shown)
        drawn_one()
    if evidence.ladder:
        height_in = height_ladder(evidence.ladder)
        drawn[LADDER] = _drawn(lambda ax: draw_slider_ladder(evidence.ladder, ax), height_in)
    for order in evidence.setting_orders:
        draw = functools.partial(draw_setting_order, order)
        drawn[order_picture(order)] = _drawn(draw, ORDER_IN)
    return drawn


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


def draw_stages(shown: Sequence[Outcome]) -> bytes:
    """Draw the stages on shared scales, as PNG without date or version.

    In one picture where the chart of the test can lay stages over each other, else one below the
    other.
    """
    overlay = _overlay_of(shown)
    if overlay is not None:
        return _overlaid(overlay, shown, _of_chart("height", shown[0].take.name.test))
    from matplotlib.figure import Figure

    with look():
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN * len(shown) + STACK_IN), layout="constrained")
        _stack(figure, shown)
        return _png(figure)


def draw_on(figure: Figure, shown: Sequence[Outcome]) -> None:
    """Draw the stages on shared scales on an empty figure, whatever its size."""
    overlay = _overlay_of(shown)
    if overlay is not None:
        overlay(_by_stage(shown), figure.add_subplot())
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


def _drawn(draw: Callable[[Axes], object], height_in: float) -> bytes:
    from matplotlib.figure import Figure

    with look():
        figure = Figure(figsize=(WIDTH_IN, height_in), layout="constrained")
        draw(figure.add_subplot())
        return _png(figure)


def _by_stage(shown: Sequence[Outcome]) -> dict[str, Result | None]:
    return {words(outcome.take.stage): outcome.result for outcome in shown}


def _png(figure: Figure) -> bytes:
    picture = io.BytesIO()
    figure.savefig(picture, format="png", dpi=DPI, metadata={"Software": None})
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
