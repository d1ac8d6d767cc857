import matplotlib.pyplot as plt
import numpy as np
import pytest
from matplotlib.figure import Figure
from sweeps import RATE, Sweep, sweep

from sigkit.measures.slider import measure_slider


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    return measure_slider(sweep(9003, 15.0).capture(tmp_path_factory.mktemp("chart")))


def test_draws_on_the_given_axes_and_opens_no_figure(result):
    before = plt.get_fignums()
    ax = Figure().subplots()
    assert result.plot(ax) is ax
    assert plt.get_fignums() == before
    assert "s" in ax.get_xlabel()
    assert "dB" in ax.get_ylabel()
    assert any("floor" in text.get_text() for text in ax.texts)
    marks = sum(len(c.get_offsets()) for c in ax.collections if c.get_label() != "not assessed")
    assert marks == len(result.events)


def test_opens_one_figure_of_its_own(result):
    ax = result.plot()
    assert ax.figure is not None
    plt.close(ax.figure)


def test_writes_the_reason_where_nothing_was_measured(tmp_path):
    silent = measure_slider(Sweep(np.zeros(2 * RATE), "").capture(tmp_path))
    ax = silent.plot(Figure().subplots())
    (text,) = ax.texts
    assert "not measurable: the capture is silent" in " ".join(text.get_text().split())
