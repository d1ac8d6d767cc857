import matplotlib.pyplot as plt
import numpy as np
import pytest
from matplotlib.figure import Figure
from slider_made import evidence_of, made, refused, spread

from sigkit.charts.slider_ladder import beside_slider, draw_slider_ladder, height_ladder
from sigkit.charts.style import ACCENT


@pytest.fixture(scope="module")
def ladder():
    return evidence_of(
        {
            "1_before": {"volume": made(spread([5] * 10)), "bend": refused("silent")},
            "2_after": {"volume": made(), "bend": made(spread([3] * 10))},
            "3_followup": {"volume": made(spread([4] * 10, seed=2))},
        }
    ).ladder


def test_every_stage_of_every_slider_has_a_mark_and_its_limits(ladder):
    """Garwood, 95 %, in 10 passes: 50 events 3.711 to 6.592, none to 0.369.

    Ten passes that differ by 0.5 in ln add 1.96 * 0.5 / sqrt(10), 0.310: with ln(5.05 / 3.711),
    0.308, in squares it is 0.437, so 3.262; above 7.599, and none to 0.378 (by hand).
    """
    before = plt.get_fignums()
    ax = Figure().subplots()
    assert draw_slider_ladder(ladder, ax) is ax
    assert plt.get_fignums() == before
    places = [line for line in ax.lines if line.get_marker() == "o"]
    assert sorted(line.get_xdata()[0] for line in places) == pytest.approx([0, 3, 4, 5])
    whiskers = [s for c in ax.collections for s in c.get_segments()]
    ends = {round(float(s[0][0]), 3): float(s[1][0]) for s in whiskers}
    assert ends[3.262] == pytest.approx(7.599, abs=2e-3)
    assert ends[0.0] == pytest.approx(0.378, abs=5e-4)
    assert [t.get_text() for t in ax.get_yticklabels()] == ["bend", "volume"]
    rows = dict(zip(["bend", "volume"], ax.get_yticks(), strict=True))
    assert all(min(abs(line.get_ydata()[0] - y) for y in rows.values()) < 0.5 for line in places)
    assert ax.get_xlim()[0] == 0


def test_it_says_what_returned_what_to_do_and_what_has_no_answer(ladder):
    ax = draw_slider_ladder(ladder, Figure().subplots())
    said = [text.get_text() for text in ax.texts]
    assert "clean\nreturned" in said
    assert "1 before: not measurable" in said
    assert "left alone up to 1: guide value, common practice, no source" in said
    assert [t.get_text() for t in ax.get_legend().get_texts()] == [
        *("1 before", "2 after", "3 followup")
    ]
    last = [line for line in ax.lines if line.get_color() == ACCENT and line.get_marker() == "o"]
    assert [line.get_xdata()[0] for line in last] == [4]
    assert height_ladder(ladder) > 1.3


def test_beside_the_strip_each_pass_is_a_mark():
    stages = {"before": made(spread([5, 3, 4, 4])), "after": made(passes=4)}
    ax = beside_slider(stages, Figure().subplots())
    passes = [line for line in ax.lines if line.get_marker() == "."]
    assert list(passes[0].get_ydata()[:4]) == [5, 3, 4, 4]
    assert list(passes[1].get_ydata()) == [0, 0, 0, 0]
    means = [line.get_ydata()[0] for line in ax.lines if line.get_marker() == "o"]
    np.testing.assert_allclose(means, [1.6, 0.0])
    assert ax.get_ylim()[0] == 0
    assert [t.get_text() for t in ax.get_xticklabels()] == ["before", "after"]


def test_beside_the_strip_no_answer_is_a_gap_with_its_reason():
    ax = beside_slider({"before": refused("the capture is silent"), "after": made()})
    texts = " ".join(" ".join(text.get_text().split()) for text in ax.texts)
    assert "not measurable: the capture is silent" in texts
    assert len([line for line in ax.lines if line.get_marker() == "o"]) == 1
    plt.close(ax.figure)
    nothing = beside_slider({"before": refused("the capture is silent")}, Figure().subplots())
    assert nothing.get_ylim() == (0, 1)
