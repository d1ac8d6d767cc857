import matplotlib.pyplot as plt
import numpy as np
import pytest
import soundfile as sf
from envelopes import Plant, take, write_take
from matplotlib.figure import Figure

from sigkit.captures.wav import open_capture
from sigkit.charts.envelope import beside_envelope, compare_envelope, draw_envelope
from sigkit.charts.style import ACCENT
from sigkit.measures.envelope import measure_envelope

GATES = [(0.6 + 1.2 * i, 1.0 + 1.2 * i) for i in range(3)]


@pytest.fixture(scope="module")
def stages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("stages")
    out = {}
    for name, plant in (("before", Plant(release_s=0.1)), ("after", Plant(release_s=0.05))):
        made = take(plant, GATES, 4.2, rng=np.random.default_rng(1))
        out[name] = measure_envelope(open_capture(write_take(folder, made)))
    return out


def lines(ax):
    return [
        line for line in ax.lines if line.get_linestyle() != "None" and len(line.get_xdata()) > 9
    ]


def marks(ax):
    return [line for line in ax.lines if line.get_linestyle() == "None"]


def test_notes_lie_on_their_onsets_with_their_points_marked(stages):
    before = plt.get_fignums()
    result, ax = stages["after"], Figure().subplots()
    assert result.plot(ax) is ax
    assert plt.get_fignums() == before
    assert len(lines(ax)) == 3
    top = result.peak.value
    for line in lines(ax):
        x, y = line.get_xdata(), line.get_ydata()
        assert x[np.argmax(y)] == pytest.approx(0.02, abs=3e-3)
        assert np.max(y) == pytest.approx(top, abs=0.2)
    (points,) = marks(ax)
    told = result.notes.iloc[0]
    off = told["gate_off_s"] - told["onset_s"]
    at = [told["onset_to_peak_s"], off, off + told["release_20_s"], off + told["release_40_s"]]
    np.testing.assert_allclose(points.get_xdata(), at, atol=1e-9)
    level = points.get_ydata()
    assert level[0] == pytest.approx(top, abs=0.05)
    assert level[1] == pytest.approx(top - 6.02 + 0.2, abs=0.5)
    np.testing.assert_allclose(level[2:] - level[1], [-20, -40], atol=1e-9)
    assert "dBFS" in ax.get_ylabel()
    assert ax.get_xlabel() == "time since the onset (s)"


def test_stages_share_one_picture_before_dashed_and_after_solid(stages):
    ax = compare_envelope(stages, Figure().subplots())
    named = {line.get_label(): line for line in ax.lines if not line.get_label().startswith("_")}
    assert set(named) == {"before", "after"}
    assert named["before"].get_linestyle() == "--"
    assert named["after"].get_color() == ACCENT
    hollow, filled = marks(ax)
    assert hollow.get_markerfacecolor() == "white"
    assert filled.get_markerfacecolor() == ACCENT
    assert {text.get_text() for text in ax.get_legend().get_texts()} == {"before", "after"}


def test_attacks_beside_are_linear_with_ten_and_ninety_marked(stages):
    ax = beside_envelope(stages, Figure().subplots())
    for points, result in zip(marks(ax), stages.values(), strict=True):
        np.testing.assert_allclose(points.get_ydata(), [10, 90])
        attack_ms = 1000 * result.attack.value
        assert np.ptp(points.get_xdata()) == pytest.approx(attack_ms, rel=0.05)
    assert "%" in ax.get_ylabel()
    assert "(ms)" in ax.get_xlabel()


def test_without_a_note_the_reason_is_written(tmp_path):
    sf.write(tmp_path / "none.wav", np.zeros(48_000), 48_000)
    result = measure_envelope(open_capture(tmp_path / "none.wav"))
    for ax in (
        draw_envelope(result, Figure().subplots()),
        beside_envelope({"a": result}, Figure().subplots()),
    ):
        assert "no note stands out" in " ".join(ax.texts[0].get_text().split())


def test_times_from_a_key_are_named(tmp_path):
    made = take(Plant(), GATES[:1], 2.0)
    path = write_take(tmp_path, made, with_key=True)
    result = measure_envelope(open_capture(path, channel=0), key_channel=1)
    assert "key" in result.plot(Figure().subplots()).get_xlabel()
