"""Charts of stability and warm-up: drawn where they are told to, labelled, honest about gaps."""

import matplotlib
import numpy as np
import pytest
from matplotlib.figure import Figure
from tones import moving_tone, write_sound

import sigkit
from sigkit.charts.stability import beside_stability, compare_stability, draw_stability
from sigkit.charts.warmup import compare_warmup, draw_warmup
from sigkit.synth import warmup_cents

matplotlib.use("Agg")

RATE = 8_000


@pytest.fixture(scope="module")
def notes(tmp_path_factory):
    """Three held notes; the first jumps, the last has a silence in it."""
    folder, t = tmp_path_factory.mktemp("notes"), np.arange(12 * RATE) / RATE
    results = {}
    for name, cents in (
        ("before", np.where(t > 5, 8.0, 0.0) + t),
        ("cleaned", 3 * np.sin(2 * np.pi * 0.5 * t)),
        ("after", 0.2 * np.sin(2 * np.pi * 0.5 * t)),
    ):
        x = moving_tone("triangle", 220 * 2 ** (cents / 1200), RATE)
        if name == "after":
            x[4 * RATE : 6 * RATE] = 0
        x += 1e-4 * np.random.default_rng(1).standard_normal(x.size)
        results[name] = sigkit.measure_stability(
            sigkit.open_capture(write_sound(folder, x, RATE)), nominal_hz=220
        )
    return results


@pytest.fixture(scope="module")
def warmups(tmp_path_factory):
    """One that does not settle, one that does."""
    folder, t = tmp_path_factory.mktemp("warmups"), np.arange(60 * RATE) / RATE
    results = {}
    for name, tau in (("before", 60.0), ("after", 6.0)):
        path = warmup_cents(t, total_cents=30.0, time_constant_s=tau)
        x = moving_tone("triangle", 220 * 2 ** (path / 1200), RATE)
        x += 1e-4 * np.random.default_rng(1).standard_normal(x.size)
        results[name] = sigkit.measure_warmup(sigkit.open_capture(write_sound(folder, x, RATE)))
    return results


def texts(ax):
    legend = ax.get_legend()
    return [text.get_text() for text in [*ax.texts, *(legend.get_texts() if legend else [])]]


@pytest.mark.parametrize(
    ("draw", "kind", "count"),
    [
        (draw_stability, "notes", 1),
        (compare_stability, "notes", 3),
        (beside_stability, "notes", 3),
        (draw_warmup, "warmups", 1),
        (compare_warmup, "warmups", 2),
    ],
)
def test_draws_on_the_given_axes_and_opens_no_figure(request, draw, kind, count):
    import matplotlib.pyplot as plt

    stages = request.getfixturevalue(kind)
    figure, before = Figure(), dict(matplotlib.rcParams)
    ax = figure.add_subplot()
    given = next(iter(stages.values())) if draw in (draw_stability, draw_warmup) else stages
    assert draw(given, ax) is ax
    assert plt.get_fignums() == []
    assert dict(matplotlib.rcParams) == before
    assert len(figure.axes) == 1
    assert "(" in ax.get_xlabel()
    assert "(cents)" in ax.get_ylabel()
    if draw is draw_stability:
        assert ax.get_legend() is None
    else:
        assert len(ax.get_legend().get_texts()) == count
    figure.canvas.draw()


def test_makes_one_new_figure_without_axes(notes):
    import matplotlib.pyplot as plt

    try:
        ax = draw_stability(notes["after"])
        assert len(plt.get_fignums()) == 1
        assert ax.figure is plt.figure(plt.get_fignums()[0])
    finally:
        plt.close("all")


def named(ax):
    """Names of stages, in the legend or beside their lines."""
    legend = ax.get_legend()
    return [t.get_text() for t in legend.get_texts()] if legend is not None else texts(ax)


def test_stability_shows_every_stage_its_jump_and_its_gap(notes):
    ax = compare_stability(notes, Figure().add_subplot())
    for name in notes:
        assert any(name in text for text in named(ax))
    assert any("+8" in text and "cents" in text for text in texts(ax))
    data = [line.get_ydata() for line in ax.lines if np.size(line.get_ydata()) > 100]
    assert len(data) == 3
    assert np.isnan(np.asarray(data[2], dtype=float)[450:550]).all()
    low, high = ax.get_ylim()
    assert low < 0 < high


def test_stages_differ_in_line_style_as_well_as_colour(notes):
    ax = compare_stability(notes, Figure().add_subplot())
    lines = [line for line in ax.lines if np.size(line.get_ydata()) > 100]
    assert lines[0].get_linestyle() != lines[-1].get_linestyle()
    assert len({line.get_color() for line in lines}) == 3


def test_allan_has_intervals_and_log_axes(notes):
    ax = beside_stability(notes, Figure().add_subplot())
    assert (ax.get_xscale(), ax.get_yscale()) == ("log", "log")
    assert len(ax.containers) == 3
    assert all(container.has_yerr for container in ax.containers)


def test_warmup_marks_the_settling_time_or_says_why_not(warmups):
    ax = draw_warmup(warmups["after"], Figure().add_subplot())
    assert any("settled" in text and "min" in text for text in texts(ax))
    ax = draw_warmup(warmups["before"], Figure().add_subplot())
    assert any("not settled within this recording" in text for text in texts(ax))
    ax = compare_warmup(warmups, Figure().add_subplot())
    assert any("±2 cents" in text for text in texts(ax))
    for name in warmups:
        assert any(name in text for text in named(ax))


def test_warmup_counts_minutes_from_zero_and_draws_the_measured_curve(warmups):
    result = warmups["after"]
    ax = draw_warmup(result, Figure().add_subplot())
    line = max(ax.lines, key=lambda line: np.size(line.get_xdata()))
    np.testing.assert_allclose(line.get_xdata(), result.curve.time_s / 60)
    np.testing.assert_allclose(line.get_ydata(), result.curve.cents)
    assert ax.get_xlim()[0] <= 0
    assert "min" in ax.get_xlabel()


def test_uncertainty_is_drawn_as_a_band(notes, warmups):
    for ax in (
        draw_stability(notes["after"], Figure().add_subplot()),
        draw_warmup(warmups["after"], Figure().add_subplot()),
    ):
        assert ax.collections
