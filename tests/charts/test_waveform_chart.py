import matplotlib.pyplot as plt
import numpy as np
import pytest
from matplotlib.figure import Figure
from waveform_cases import measured
from waves import Wave

from sigkit.charts.style import ACCENT
from sigkit.charts.waveform import beside_waveform, compare_waveform, draw_waveform


@pytest.fixture(scope="module")
def stages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("stages")
    waves = {"before": (0.44, 1), "after": (0.503, 2)}
    return {
        name: measured(folder, Wave("pulse", 220.0, duty, coupling_hz=(8.0,), seed=seed))
        for name, (duty, seed) in waves.items()
    }


@pytest.fixture(scope="module")
def beating(tmp_path_factory):
    two = Wave("ramp", 110.0, 1e-6, (("ramp", 1e-6, 0.5, 0.3, 1.012),), seed=4)
    return measured(tmp_path_factory.mktemp("beating"), two)


def test_two_periods_with_the_ideal_laid_under(stages):
    before = plt.get_fignums()
    result, ax = stages["after"], Figure().subplots()
    assert result.plot(ax) is ax
    assert plt.get_fignums() == before
    ideal, wave = ax.lines[:2]
    assert ideal.get_label() == "ideal pulse of 50.3 %"
    assert ideal.get_zorder() < wave.get_zorder()
    x, y = wave.get_xdata(), wave.get_ydata()
    assert x[0] == 0
    assert 1.99 < x[-1] < 2
    half = x.size // 2
    np.testing.assert_array_equal(y[:half], y[half:])
    np.testing.assert_array_equal(y[:half], result.period.value)
    near = np.interp(0.25, x, y), np.interp(0.75, x, y)
    assert near[0] == pytest.approx(1, abs=0.1)
    assert near[1] == pytest.approx(-1, abs=0.1)
    assert ax.get_xlabel() == "time (periods)"
    assert ax.get_ylabel() == "level re the wave's rms"


def test_stages_share_one_picture_before_dashed_and_after_solid(stages):
    ax = Figure().subplots()
    assert compare_waveform(stages, ax) is ax
    lines = {line.get_label(): line for line in ax.lines}
    assert lines["after"].get_color() == ACCENT
    assert lines["after"].get_linestyle() == "-"
    assert lines["before"].get_linestyle() == "--"
    changed = stages["after"].difference(stages["before"])
    told = f"difference of the waves: {changed.value:.2f} dB"
    assert 2 * changed.u < 0.005
    assert ax.get_title(loc="left") + ax.get_title() == told


def test_harmonics_stand_before_their_closed_form(stages):
    ax = Figure().subplots()
    assert beside_waveform(stages, ax) is ax
    names = [text.get_text() for text in ax.get_legend().get_texts()]
    assert set(names) == {"before", "after", "closed form, pulse"}
    table = stages["after"].harmonics
    marks = next(c for c in ax.containers if c.get_label() == "after")
    x, y = (np.asarray(v, np.float64) for v in marks.lines[0].get_data())
    np.testing.assert_allclose(y, table["level_db"].to_numpy()[:40])
    np.testing.assert_allclose(x - table["order"][:40], 0.15)
    bars = {round(b.get_x() + b.get_width() / 2): b.get_y() + b.get_height() for b in ax.patches}
    for order, top in bars.items():
        assert top == pytest.approx(table["closed_form_db"][order - 1])
    assert {1, 3, 5, 7} <= set(bars)
    assert "THD" in ax.get_title(loc="left") + ax.get_title()


def test_a_wave_that_cannot_be_told_says_why(stages, beating):
    for draw in (draw_waveform, lambda r, ax: beside_waveform({"x": r}, ax)):
        ax = Figure().subplots()
        draw(beating, ax)
        assert "two oscillators" in " ".join(ax.texts[0].get_text().split())
    ax = Figure().subplots()
    compare_waveform({"before": beating, "after": stages["after"]}, ax)
    assert [line.get_label() for line in ax.lines[:2]] == ["ideal pulse of 50.3 %", "after"]
