import matplotlib.pyplot as plt
import numpy as np
import pytest
from keyboards import Instrument, render, steady_presses
from matplotlib.figure import Figure
from scipy.io import wavfile

from sigkit.captures.wav import open_capture
from sigkit.charts.keyboard import (
    GUIDE_CENTS,
    beside_keyboard,
    compare_keyboard,
    draw_keyboard,
    height_keyboard,
)
from sigkit.charts.style import ACCENT
from sigkit.judging.limits import guide_limits
from sigkit.measures.keyboard import measure_keyboard

HOW = Instrument(rate=16_000)


@pytest.fixture(scope="module")
def stages(tmp_path_factory):
    folder, out = tmp_path_factory.mktemp("stages"), {}
    for name, slope, dead in (("before", 6.0, 5), ("after", 0.5, -1)):
        own = slope * np.arange(13) / 12
        presses = [p for p in steady_presses(60, own, hold_s=0.35) if p.key != 60 + dead]
        sound = render(presses, HOW, presses[-1].off_s + 0.5, np.random.default_rng(1))
        path = folder / f"keyboard-{name}.wav"
        wavfile.write(path, HOW.rate, sound.astype(np.float32))
        out[name] = measure_keyboard(open_capture(path), lowest_key="C4", keys=13)
    return out


def test_errors_line_and_keys_are_drawn_on_the_given_axes(stages):
    before = plt.get_fignums()
    result, ax = stages["after"], Figure().subplots()
    assert result.plot(ax) is ax
    assert plt.get_fignums() == before
    marks = ax.lines[0]
    np.testing.assert_allclose(marks.get_xdata(), np.arange(1, 14))
    np.testing.assert_allclose(marks.get_ydata(), result.keys["error_cents"])
    assert any(np.array_equal(line.get_ydata(), result.line_cents) for line in ax.lines)
    assert ax.get_ylabel() == "error re equal temperament (cents)"
    assert [t.get_text() for t in ax.get_xticklabels()] == ["C4", "C5"]
    assert len(ax.patches) == 13  # eight white keys, five black ones
    low, high = ax.get_ylim()
    assert low < 0 < high


def test_stages_lie_on_each_other_and_a_dead_key_is_written(stages):
    ax = Figure().subplots()
    assert compare_keyboard(stages, ax) is ax
    words = [t for t in ax.texts if t.get_text() == "dead"]
    assert [t.get_position()[0] for t in words] == [6.0]
    stage = [t for t in ax.texts if t.get_text() == "before"]  # not as if it still were
    assert [t.get_position()[1] for t in stage] == [words[0].get_position()[1]]
    first, last = ax.lines[0], next(line for line in ax.lines if line.get_color() == ACCENT)
    assert np.isnan(first.get_ydata()[5])
    assert first.get_markerfacecolor() == "white"
    assert last.get_markerfacecolor() == ACCENT
    labels = [t.get_text() for t in ax.get_legend().get_texts()]
    assert labels[0].startswith("before: scale error")
    assert height_keyboard(stages) > height_keyboard({"after": stages["after"]})


def test_the_band_is_the_guide_value(stages):
    assert guide_limits()["keyboard", "worst_key"].value == GUIDE_CENTS
    ax = draw_keyboard(stages["after"], Figure().subplots())
    assert any("guide value, common practice, no source" in t.get_text() for t in ax.texts)


def test_a_figure_of_its_own(stages):
    ax = draw_keyboard(stages["before"])
    assert ax.figure is plt.figure(plt.get_fignums()[-1])
    plt.close(ax.figure)


def test_keys_to_be_seen_to_are_listed_stage_by_stage(stages):
    before = plt.get_fignums()
    ax = beside_keyboard(stages, Figure().subplots())
    said = [t.get_text() for t in ax.texts]
    assert said == ["6, F4", "before", "dead", "after", said[4]]
    assert said[4].startswith("ok, +0.2 cents")
    assert plt.get_fignums() == before
    nothing = beside_keyboard({"after": stages["after"]}, Figure().subplots())
    assert [t.get_text() for t in nothing.texts] == ["nothing to be seen to"]


def test_a_limit_of_the_job_takes_the_place_of_the_guide_value(stages):
    ax = compare_keyboard(stages, Figure().subplots(), limits={"worst_key": (5.0, "set here")})
    band = ax.collections[0].get_paths()[0].vertices[:, 1]
    assert np.ptp(band) >= 2 * 5.0
    assert [t.get_text() for t in ax.texts if "about the scale" in t.get_text()] == [
        "±5 cents about the scale: set here"
    ]
