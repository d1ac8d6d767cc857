import matplotlib.pyplot as plt
import numpy as np
import pytest
from matplotlib.figure import Figure
from noises import hum, mains_path, note, white, write

from sigkit.captures.wav import open_capture
from sigkit.charts.noise import beside_noise, compare_noise, draw_noise
from sigkit.charts.style import ACCENT
from sigkit.measures.noise import measure_noise

RATE = 48_000


def made(folder, seed, levels, density, tone=True):
    rng = np.random.default_rng(seed)
    path = mains_path(5 * RATE, RATE, 50.0, rng)
    x = white(path.size, density, RATE, rng) + hum(path, RATE, levels, rng)
    if tone:
        x = np.concatenate([x, note(220.0, 2.0, RATE, -12.0)])
    return measure_noise(open_capture(write(folder, x)))


@pytest.fixture(scope="module")
def stages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("stages")
    return {
        "before": made(folder, 1, {1: -70.0, 2: -50.0, 4: -60.0}, -119.0),
        "after": made(folder, 2, {1: -70.0, 3: -80.0}, -129.0),
    }


def spectra(ax):
    return [line for line in ax.lines if len(line.get_xdata()) > 50]


def marks(ax, shape):
    return [line for line in ax.lines if line.get_marker() == shape and len(line.get_xdata()) < 50]


def test_spectrum_floor_and_families(stages):
    before = plt.get_fignums()
    ax = Figure().subplots()
    assert draw_noise(stages["before"], ax) is ax
    assert plt.get_fignums() == before
    (line,) = spectra(ax)
    quiet = line.get_ydata()[(line.get_xdata() > 2000) & (line.get_xdata() < 20_000)]
    assert np.median(quiet) == pytest.approx(-119, abs=0.1)
    assert np.ptp(quiet) < 3  # no steps where bands of the axis begin to hold more bins
    (odd,), (even,) = marks(ax, "o"), marks(ax, "s")
    assert odd.get_xdata() == pytest.approx([50], abs=0.01)
    assert odd.get_ydata() == pytest.approx([-70], abs=0.05)
    assert even.get_xdata() == pytest.approx([100, 200], abs=0.02)
    assert even.get_ydata() == pytest.approx([-50, -60], abs=0.05)
    assert "noise per hertz" in ax.get_ylabel()
    assert "(dBFS)" in ax.get_ylabel()
    assert ax.get_xlabel() == "frequency (Hz)"
    words = [text.get_text() for text in ax.get_legend().get_texts()]
    assert "floor \N{MINUS SIGN}76.0 dBFS" in words[0]
    assert words[1:] == ["odd multiples of the mains", "even multiples of the mains"]


def test_a_line_stands_in_the_spectrum_at_any_frequency(tmp_path):
    """A whistle at 15.6 kHz lies among hundreds of bins and is not averaged away."""
    rng = np.random.default_rng(3)
    x = white(5 * RATE, -129.0, RATE, rng) + note(15_625.0, 5.0, RATE, -90.0, "sine")
    result = measure_noise(open_capture(write(tmp_path, x)))
    (line,) = spectra(draw_noise(result, Figure().subplots()))
    near = np.abs(line.get_xdata() - 15_625) < 80
    assert line.get_ydata()[near].max() > -95


def test_stages_share_one_picture_before_dashed_and_after_solid(stages):
    ax = compare_noise(stages, Figure().subplots())
    first, second = spectra(ax)
    assert first.get_linestyle() == "--"
    assert (second.get_linestyle(), second.get_color()) == ("-", ACCENT)
    hollow, filled = marks(ax, "o")
    assert hollow.get_markerfacecolor() == "white"
    assert filled.get_markerfacecolor() == ACCENT
    # both floors and all lines inside the picture
    low, high = ax.get_ylim()
    assert low < -130
    assert high > -50


def test_levels_beside_are_relative_to_the_tone(stages):
    ax = beside_noise(stages, Figure().subplots())
    assert "re the full tone" in ax.get_xlabel()
    labels = [label.get_text() for label in ax.get_yticklabels()]
    assert labels == [
        "bleed of the tone",
        "ripple, even family",
        "hum, odd family",
        "floor, A-weighted",
        "floor",
    ]
    shown = sorted(float(x) for line in ax.lines for x in line.get_xdata() if len(line.get_xdata()))
    for result in stages.values():
        assert min(abs(np.array(shown) - result.floor_re_tone.value)) < 1e-9
    assert any("none above" in text.get_text() for text in ax.texts)
    assert {text.get_text() for text in ax.get_legend().get_texts()} == {"before", "after"}


def test_levels_without_a_tone_are_dbfs(tmp_path):
    result = made(tmp_path, 4, {1: -70.0, 2: -50.0}, -129.0, tone=False)
    ax = beside_noise({"only": result}, Figure().subplots())
    assert ax.get_xlabel() == "level (dBFS)"
    assert len(ax.get_yticklabels()) == 4


def test_without_quiet_the_reason_is_written(tmp_path):
    result = measure_noise(open_capture(write(tmp_path, np.zeros(2 * RATE))))
    for ax in (
        draw_noise(result, Figure().subplots()),
        beside_noise({"a": result}, Figure().subplots()),
    ):
        assert "digital silence" in " ".join(ax.texts[0].get_text().split())
