"""Charts of glides: each from its own start, stages told apart, reasons in words."""

import glides
import matplotlib
import numpy as np
import pytest
from glides import Slew, play
from matplotlib.figure import Figure

import sigkit
from sigkit.charts.glide import compare_glide, draw_glide

matplotlib.use("Agg")


@pytest.fixture(scope="module")
def stages(tmp_path_factory):
    """Four glides before, two slow ones after, and two that are too fast for their carrier."""
    folder, out = tmp_path_factory.mktemp("glides"), {}
    for name, number, seconds, low_hz in (
        ("before", 4, 0.1, 262.0),
        ("after", 2, 1.0, 262.0),
        ("too low", 2, 0.01, 65.4),
    ):
        hold_s = max(0.9, 2.5 * seconds)
        slews = [Slew("exponential", seconds)] * number
        played = play(np.random.default_rng(number), slews, low_hz=low_hz, octaves=1, hold_s=hold_s)
        out[name] = sigkit.measure_glide(sigkit.open_capture(played.write(folder / f"{name}.wav")))
    return out


def curves(ax):
    return [line for line in ax.get_lines() if len(line.get_xdata()) > 20]


def test_one_curve_a_glide_from_its_own_start(stages):
    ax = Figure().add_subplot()
    assert draw_glide(stages["before"], ax) is ax
    assert len(curves(ax)) == 4
    for line in curves(ax):
        at_start = np.interp(0.0, line.get_xdata(), line.get_ydata())
        assert at_start == pytest.approx(0.0, abs=40)
    ends = sorted(line.get_ydata()[-1] for line in curves(ax))
    assert ends == pytest.approx([-1200, -1200, 1200, 1200], abs=20)
    assert ax.get_xlabel().endswith("(ms)")


def test_markers_stand_at_ten_and_ninety_percent(stages):
    ax = draw_glide(stages["before"], Figure().add_subplot())
    points = [
        (float(line.get_xdata()[0]), float(line.get_ydata()[0]))
        for line in ax.get_lines()
        if len(line.get_xdata()) == 1
    ]
    assert len(points) == 8
    up = sorted(point for point in points if point[1] > 0)
    tau_ms = 100 / glides.LN9
    for at_ms, cents in up:
        share = cents / 1200
        assert at_ms == pytest.approx(-tau_ms * np.log1p(-share), abs=3)


def test_stages_are_told_apart_by_line_and_word(stages):
    ax = compare_glide({n: stages[n] for n in ("before", "after")}, Figure().add_subplot())
    said = [text.get_text() for text in ax.get_legend().get_texts()]
    for text, (name, seconds) in zip(said, (("before", 0.1), ("after", 1.0)), strict=True):
        head, value = text.split(" in ")
        assert head == f"{name}: 10 to 90 %"
        assert float(value.split(" ")[0]) == pytest.approx(seconds, rel=1e-3)
    styles = {line.get_linestyle() for line in curves(ax)}
    assert len(styles) == 2
    assert ax.get_xlabel().endswith("(s)")


def test_a_bound_is_written_not_drawn(stages):
    ax = draw_glide(stages["too low"], Figure().add_subplot())
    assert not curves(ax)
    assert any("at most" in text.get_text() for text in ax.texts)
    assert ax.get_legend() is None


def test_without_axes_there_is_one_new_figure(stages):
    import matplotlib.pyplot as plt

    before = plt.get_fignums()
    ax = draw_glide(stages["before"])
    assert len(plt.get_fignums()) == len(before) + 1
    plt.close(ax.figure)
