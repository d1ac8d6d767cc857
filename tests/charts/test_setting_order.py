import matplotlib.pyplot as plt
import numpy as np
import pytest
from marks_made import evidence_of, glided
from matplotlib.figure import Figure

from sigkit.charts.setting_order import draw_setting_order
from sigkit.charts.style import ACCENT, BEFORE


@pytest.fixture(scope="module")
def order():
    return evidence_of(
        {
            "1_before": {"0": glided(0.085), "50": glided(0.62, relative=0.05), "100": glided(1.4)},
            "2_after": {"0": glided(at_most_s=0.012), "50": glided(), "100": glided(1.3)},
        }
    ).setting_orders[0]


def lines_of(ax):
    return [line for line in ax.lines if line.get_marker() == "None" and len(line.get_xdata()) > 2]


def test_it_draws_on_the_axes_given_one_line_a_stage(order):
    before = plt.get_fignums()
    ax = Figure().subplots()
    assert draw_setting_order(order, ax) is ax
    assert plt.get_fignums() == before
    first, last = lines_of(ax)
    np.testing.assert_allclose(first.get_xdata(), [0, 50, 100])
    np.testing.assert_allclose(first.get_ydata(), [0.085, 0.62, 1.4])
    np.testing.assert_allclose(last.get_ydata(), [0.012, np.nan, 1.3])
    assert (first.get_color(), last.get_color()) == (BEFORE["color"], ACCENT)
    assert first.get_linestyle() == "--"
    assert ax.get_yscale() == "log"
    assert "log scale" in ax.get_ylabel()
    assert [t.get_text() for t in ax.get_xticklabels()] == ["0", "50", "100"]
    assert [t.get_text() for t in ax.get_legend().get_texts()] == ["1 before", "2 after"]


def test_whiskers_are_expanded_uncertainties(order):
    """0.62 s with u = 5 %, k = 2: 0.558 to 0.682 s."""
    ax = draw_setting_order(order, Figure().subplots())
    whiskers = [
        segment
        for bars in ax.containers
        for collection in bars[2]
        for segment in collection.get_segments()
    ]
    assert any(
        segment[:, 0] == pytest.approx([50, 50]) and segment[:, 1] == pytest.approx([0.558, 0.682])
        for segment in whiskers
    )
    hollow = [line for line in ax.lines if line.get_markerfacecolor() == "white"]
    assert len(hollow) == 3


def test_a_bound_is_an_arrow_down_from_it_and_a_gap_says_so(order):
    ax = draw_setting_order(order, Figure().subplots())
    (arrow,) = [text for text in ax.texts if text.arrow_patch is not None]
    (_, tip), (_, start) = arrow.xy, arrow.xyann
    assert tip < start == pytest.approx(0.012)
    said = [text.get_text() for text in ax.texts]
    assert "2 after:\nnot measurable" in said
    assert "at 0: at most 0.02 s (guide value)" in said
    low, high = ax.get_ylim()
    assert low < tip
    assert high > 1.4


def test_it_opens_one_figure_where_none_is_given_and_draws_without_any_value():
    empty = evidence_of({"before": {"0": glided(), "100": glided()}}).setting_orders[0]
    ax = draw_setting_order(empty)
    assert [text.get_text() for text in ax.texts].count("before:\nnot measurable") == 2
    plt.close(ax.figure)


def test_a_value_that_may_be_zero_is_drawn_as_a_bound():
    """0.01 s with u = 60 %: the whisker of 1.2 times the value stays on the axis."""
    wide = evidence_of({"before": {"0": glided(0.01, relative=0.6), "100": glided(1.0)}})
    ax = draw_setting_order(wide.setting_orders[0], Figure().subplots())
    ax.figure.canvas.draw()
    assert ax.get_ylim()[0] > 0.001


def test_a_bracket_spans_the_stretch_that_falls_and_crosses_no_line():
    """1.2 s at 50 % and 0.7 s at 75 %: the one fall of the stage before, none after."""
    times = {"1_before": (0.02, 1.2, 0.7, 1.4), "2_after": (0.02, 0.5, 0.7, 1.4)}
    marks = ("0", "50", "75", "100")
    order = evidence_of(
        {
            stage: {mark: glided(time_s) for mark, time_s in zip(marks, own, strict=True)}
            for stage, own in times.items()
        }
    ).setting_orders[0]
    ax = draw_setting_order(order, Figure().subplots())
    (bracket,) = [line for line in ax.lines if line.get_label() == "_reversal"]
    np.testing.assert_allclose(bracket.get_xdata(), [50, 50, 75, 75])
    assert bracket.get_color() == BEFORE["color"]
    (said,) = [text for text in ax.texts if "falls back" in text.get_text()]
    assert said.get_text().startswith("1 before")
    low, high = np.log(ax.get_ylim())
    assert (np.log(1.4) - low) / (high - low) <= 0.88  # below the bracket and its words
