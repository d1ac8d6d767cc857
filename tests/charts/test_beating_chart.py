"""Chart of two oscillators: what is not told apart is a gap with words, never a zero."""

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from sigkit.charts.beating import beside_beating, compare_beating, draw_beating
from sigkit.measures import Source
from sigkit.measures.beating.measure import BeatingResult
from sigkit.quantity import Quantity, not_measurable

mpl.use("Agg")

TWO, ONE, NONE = "two oscillators", "one oscillator or locked", "no tone"
U_CENTS = 0.05
PER_CENT = np.log(2) / 1200
REASON = "one oscillator or locked: no two pitches to tell apart; detune one of them"


def result_of(cents_1, cents_2, parts, *, ratio=(1, 1), seconds=30.0, locking_cents=None):
    """A result made by hand: windows of 2 s, pitches as functions of time, cents re 440 Hz."""
    t = np.arange(1, seconds, 2.0)
    parts = pd.DataFrame(parts, columns=["start_s", "stop_s", "kind"])
    apart = np.zeros(t.size, dtype=bool)
    for start, stop, kind in parts.itertuples(index=False):
        apart |= (t > start) & (t < stop) & (kind == TWO)
    scale = ratio[0] / ratio[1]
    one = np.where(apart, 440 * 2 ** (cents_1(t) / 1200), np.nan)
    two = np.where(apart, 440 * scale * 2 ** (cents_2(t) / 1200), np.nan)
    detune = 1200 * np.log2(two / one / scale)
    curve = pd.DataFrame(
        {
            "time_s": t,
            "frequency_1_hz": one,
            "u_1_hz": one * U_CENTS * PER_CENT,
            "frequency_2_hz": two,
            "u_2_hz": two * U_CENTS * PER_CENT,
            "detune_cents": detune,
            "u_detune_cents": np.where(apart, U_CENTS * np.sqrt(2), np.nan),
            "beat_hz": np.abs(ratio[1] * two - ratio[0] * one),
        }
    )

    def quantity(values, unit, u):
        if apart.any():
            return Quantity(float(np.nanmean(values)), u, unit)
        return not_measurable(unit, REASON)

    return BeatingResult(
        source=Source(name="beating-oscillators.wav", rate=16000, channel=0, duration_s=seconds),
        settings={},
        frequency_1=quantity(one, "Hz", 0.01) if apart.any() else not_measurable("Hz", REASON),
        frequency_2=quantity(two, "Hz", 0.01),
        beat_rate=quantity(curve["beat_hz"], "Hz", 0.01),
        detune=quantity(detune, "cents", 0.02),
        beat_wander=quantity([0.5], "cents", 0.1),
        drift_1=quantity([0.3], "cents/min", 0.1),
        drift_2=quantity([0.2], "cents/min", 0.1),
        locking_width=not_measurable("cents", "no slow sweep through zero beat")
        if locking_cents is None
        else Quantity(locking_cents, 0.2, "cents"),
        curve=curve,
        parts=parts,
        ratio=ratio,
        sign_known=True,
    )


def still(cents):
    return lambda t: np.full(t.size, float(cents))


@pytest.fixture(scope="module")
def results():
    def tuned(t):
        return -6 + np.clip(t - 2, 0, 36) / 3

    return {
        "static": result_of(still(0), still(3), [(0, 30, TWO)]),
        "drifting": result_of(
            lambda t: t / 5, lambda t: 9 - t / 4, [(0, 2, NONE), (2, 28, TWO), (28, 30, NONE)]
        ),
        "swept": result_of(
            still(0),
            tuned,
            [(0, 15, TWO), (15, 25, ONE), (25, 40, TWO)],
            seconds=40.0,
            locking_cents=3.2,
        ),
        "locked": result_of(still(0), still(0), [(0, 30, ONE)]),
        "octave": result_of(still(0), still(0.4), [(0, 30, TWO)], ratio=(2, 1)),
    }


def texts(ax):
    return [text.get_text() for text in ax.texts]


def legend(ax):
    return [text.get_text() for text in ax.get_legend().get_texts()]


def lines(ax):
    """Every line over time, as x and y."""
    drawn = [np.asarray([line.get_xdata(), line.get_ydata()], float) for line in ax.lines]
    return [xy for xy in drawn if xy.shape[1] > 4]


@pytest.mark.parametrize("name", ["static", "drifting", "swept", "locked", "octave"])
def test_draws_on_the_given_axes_and_opens_no_figure(results, name):
    import matplotlib.pyplot as plt

    ax, before = Figure().add_subplot(), dict(mpl.rcParams)
    assert draw_beating(results[name], ax) is ax
    assert results[name].plot(Figure().add_subplot()).get_ylabel() == ax.get_ylabel()
    assert plt.get_fignums() == []
    assert dict(mpl.rcParams) == before
    assert ax.get_xlabel() == "time (s)"
    assert "(cents)" in ax.get_ylabel()
    ax.figure.canvas.draw()


def test_one_capture_shows_both_pitches_and_their_difference(results):
    result = results["drifting"]
    ax = draw_beating(result, Figure().add_subplot())
    one, two, difference = lines(ax)
    time_s = result.curve["time_s"].to_numpy()
    good = np.isfinite(result.curve["detune_cents"].to_numpy())
    for xy in (one, two, difference):
        assert np.isin(time_s[good], xy[0]).all()
    at = np.isin(difference[0], time_s[good])
    np.testing.assert_allclose(two[1][at] - one[1][at], difference[1][at], atol=1e-9)
    np.testing.assert_allclose(difference[1][at], result.curve["detune_cents"][good])
    assert abs(np.nanmean(one[1])) < 1e-9
    assert [text.split(":")[0] for text in legend(ax)] == [
        "oscillator 1",
        "oscillator 2",
        "difference",
    ]


def test_octave_is_drawn_against_its_ratio(results):
    ax = draw_beating(results["octave"], Figure().add_subplot())
    _, two, _ = lines(ax)
    np.testing.assert_allclose(two[1], 0.4, atol=1e-9)


def test_uncertainty_is_a_band_of_95_percent(results):
    ax = draw_beating(results["static"], Figure().add_subplot())
    one, _, difference = ax.collections
    low, high = (one.get_paths()[0].get_extents().y0, one.get_paths()[0].get_extents().y1)
    assert high - low == pytest.approx(4 * U_CENTS)
    box = difference.get_paths()[0].get_extents()
    assert box.y1 - box.y0 == pytest.approx(4 * U_CENTS * np.sqrt(2))


def test_a_locked_stretch_is_a_gap_with_words_and_no_zero(results):
    ax = draw_beating(results["swept"], Figure().add_subplot())
    for x, y in lines(ax):
        inside = (x > 15) & (x < 25)
        assert inside.any()
        assert np.isnan(y[inside]).all()
    assert ONE in texts(ax)
    assert any("no beats over 3.20 ± 0.40 cents" in text for text in legend(ax))


def test_gap_is_kept_where_the_curve_has_no_rows_in_it(results):
    from dataclasses import replace

    swept = results["swept"]
    ax = draw_beating(replace(swept, curve=swept.curve.dropna()), Figure().add_subplot())
    for x, y in lines(ax):
        assert np.isnan(y[(x > 15) & (x < 25)]).all()
        assert ((x > 15) & (x < 25)).any()


def test_says_why_where_nothing_is_told_apart(results):
    ax = draw_beating(results["locked"], Figure().add_subplot())
    written = " ".join(" ".join(texts(ax)).split())
    assert REASON in written
    assert ax.get_legend() is None
    assert all(np.isnan(y).all() for _, y in lines(ax))
    np.testing.assert_array_equal(ax.get_yticks(), [0])


def test_stages_share_scales_and_name_what_was_found(results):
    stages = {"before": results["swept"], "cleaned": results["locked"], "after": results["static"]}
    ax = compare_beating(stages, Figure().add_subplot())
    assert [text.split(":")[0] for text in legend(ax)] == list(stages)
    assert "not measurable" in legend(ax)[1]
    assert "3.000 ± 0.040 cents" in legend(ax)[2]
    assert len({line.get_color() for line in ax.lines}) >= 3
    assert texts(ax).count(ONE) == 2
    assert ax.get_xlim() == (0, 40)
    low, high = ax.get_ylim()
    assert low < 0 < high


def test_beat_rate_is_never_drawn_below_zero(results):
    stages = {"before": results["swept"], "after": results["static"]}
    ax = beside_beating(stages, Figure().add_subplot())
    assert (ax.get_yticks() >= 0).all()
    assert "1/s" in ax.get_ylabel()
    before, after = lines(ax)
    np.testing.assert_allclose(after[1], results["static"].curve["beat_hz"])
    assert (before[1][np.isfinite(before[1])] > 0).all()
    assert ONE in texts(ax)
