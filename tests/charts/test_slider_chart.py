import matplotlib.pyplot as plt
import numpy as np
import pytest
from matplotlib.figure import Figure
from slider_made import event, made, refused, spread
from sweeps import RATE, Sweep, sweep

from sigkit.charts.slider import (
    compare_slider,
    draw_slider,
    height_slider,
    lies_over_slider,
)
from sigkit.charts.slider_time import draw_slider_time
from sigkit.charts.style import ACCENT
from sigkit.measures.slider import measure_slider

FOUND = [
    *[event(n, 30.0, level_db=-20.0) for n in range(1, 9)],
    *[event(n, 60.0, "dropout", 0.0) for n in (1, 5)],
    event(3, 80.0, "pitch jump", np.nan, size_cents=-48.0),
]


def marks(ax):
    """Places of every mark on the axes, by their shape (number of points of its outline)."""
    found = [c for c in ax.collections if len(c.get_offsets()) and len(c.get_sizes())]
    return [(len(c.get_paths()[0].vertices), np.asarray(c.get_offsets())) for c in found]


def words(ax):
    return " ".join(" ".join(text.get_text().split()) for text in ax.texts)


def test_the_strip_has_a_row_a_pass_and_every_event_at_its_place():
    result = made(FOUND, passes=8)
    before = plt.get_fignums()
    ax = Figure().subplots()
    assert result.plot(ax) is ax
    assert plt.get_fignums() == before
    assert [tick.get_text() for tick in ax.get_yticklabels()] == [
        f"{n} {'up' if n % 2 else 'down'}" for n in range(1, 9)
    ]
    rows = dict(zip(range(1, 9), ax.get_yticks(), strict=True))
    assert list(rows.values()) == sorted(rows.values(), reverse=True)
    drawn = sorted((x, y) for _, places in marks(ax) for x, y in places)
    truth = sorted((e["travel_percent"], rows[e["number"]]) for e in FOUND)
    np.testing.assert_allclose(drawn, truth, atol=1e-9)
    assert len(marks(ax)) == 3
    assert ax.get_xlim()[0] <= 0 < 100 <= ax.get_xlim()[1]
    assert "%" in ax.get_xlabel()
    assert "8/8" in words(ax)
    assert "above \N{MINUS SIGN}55.0 ± 1.0 dB re tone" in words(ax)


def test_a_louder_burst_and_a_larger_jump_have_larger_marks():
    found = [event(1, 20.0, level_db=-40.0), event(1, 40.0, level_db=-20.0)]
    found += [event(2, p, "pitch jump", np.nan, size_cents=c) for p, c in ((20, 20.0), (40, -90.0))]
    ax = draw_slider(made(found, passes=2), Figure().subplots())
    sizes = [c.get_sizes() for c in ax.collections if len(c.get_offsets()) and len(c.get_sizes())]
    assert [list(own) == sorted(own) and own[0] < own[1] for own in sizes] == [True, True]


def test_stages_lie_below_each_other_first_hollow_last_in_the_accent():
    stages = {"before": made(FOUND, passes=8), "after": made(FOUND[:4], passes=4)}
    ax = compare_slider(stages, Figure().subplots())
    found = [c for c in ax.collections if len(c.get_offsets()) and len(c.get_sizes())]
    from matplotlib.colors import to_hex

    assert to_hex(found[0].get_facecolor()[0]) == "#ffffff"
    assert to_hex(found[-1].get_facecolor()[0]) == ACCENT
    assert found[-1].get_offsets()[:, 1].max() < min(c.get_offsets()[:, 1].min() for c in found[:3])
    assert len(ax.get_yticks()) == 12
    assert height_slider(stages) > height_slider({"after": stages["after"]})
    assert "before" in words(ax)


def test_a_stage_without_passes_is_a_gap_with_its_reason():
    stages = {"before": refused("not measurable with this tone: close the filter"), "after": made()}
    assert lies_over_slider(stages)
    ax = compare_slider(stages, Figure().subplots())
    assert "not measurable with this tone: close the filter" in words(ax)
    assert "0 events; " not in words(ax)
    assert len(ax.get_yticks()) == 10
    assert not lies_over_slider({"before": stages["before"]})


def test_what_was_not_looked_at_is_shaded():
    ax = draw_slider(made(passes=4, hidden=[(0, 20)]), Figure().subplots())
    edges = [c.get_paths()[0].get_extents() for c in ax.collections]
    assert len(edges) == 4
    for box in edges:
        assert box.x0 == pytest.approx(0, abs=1)
        assert box.x1 == pytest.approx(20, abs=1)
    assert not draw_slider(made(passes=4), Figure().subplots()).collections


def test_an_event_without_a_place_is_counted_in_words():
    result = made([event(1, 30.0), event(2, 40.0)], passes=4)
    result.events.loc[1, "travel_percent"] = np.nan
    ax = draw_slider(result, Figure().subplots())
    assert sum(len(places) for _, places in marks(ax)) == 1
    assert "2 events, 1 without a place" in words(ax)


def test_without_passes_it_is_drawn_over_time():
    ax = draw_slider(made(spread([3]), passes=3, travel=False), Figure().subplots())
    assert "time" in ax.get_xlabel()


def test_over_time_jumps_bear_their_cents_and_every_kind_its_mark():
    ax = draw_slider_time(made(FOUND, passes=8), Figure().subplots())
    assert "\N{MINUS SIGN}48" in [text.get_text() for text in ax.texts]
    assert [len(places) for _, places in marks(ax)] == [8, 2, 1]
    labels = [text.get_text() for text in ax.get_legend().get_texts()]
    assert {"8 bursts", "2 dropouts", "1 pitch jump, cents"} <= set(labels)


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    return measure_slider(sweep(9003, 15.0).capture(tmp_path_factory.mktemp("chart")))


def test_a_measured_capture_over_time(result):
    before = plt.get_fignums()
    ax = Figure().subplots()
    assert draw_slider_time(result, ax) is ax
    assert plt.get_fignums() == before
    assert "s" in ax.get_xlabel()
    assert "dB" in ax.get_ylabel()
    assert any("floor" in text.get_text() for text in ax.texts)
    assert sum(len(places) for _, places in marks(ax)) == len(result.events)


def test_opens_one_figure_of_its_own():
    ax = made(FOUND, passes=8).plot()
    assert ax.figure is not None
    plt.close(ax.figure)


def test_writes_the_reason_where_nothing_was_measured(tmp_path):
    silent = measure_slider(Sweep(np.zeros(2 * RATE), "").capture(tmp_path))
    ax = draw_slider_time(silent, Figure().subplots())
    (text,) = ax.texts
    assert "not measurable: the capture is silent" in " ".join(text.get_text().split())
