import numpy as np
import pytest

from sigkit.tracks.dirty_periods import dirty_periods, fallen, sudden_only
from sigkit.tracks.edges import low_harmonics
from sigkit.tracks.neighbours import (
    REACHES,
    Foretelling,
    _counts,
    _fade,
    bend,
    corner,
    foretell,
    weights_of,
    without,
)


def rows_of(values, points=8):
    """The same value all along each row."""
    return np.repeat(np.asarray(values, np.float32)[:, None], points, axis=1)


@pytest.mark.parametrize("points", [1, 8])
@pytest.mark.parametrize(("reach", "degree"), REACHES)
def test_weights_are_those_of_numpys_least_squares(reach, degree, points):
    """`numpy.polyfit` through the clean neighbours, read at the period itself."""
    rng = np.random.default_rng(reach)
    values = rng.standard_normal(3 * reach + 40)
    ok = rng.random(values.size) > 0.2
    weights, enough = weights_of(ok, reach, degree)
    told = weights.apply(rows_of(values, points))[:, 0]
    for r in np.flatnonzero(enough)[:: max(1, values.size // 15)]:
        k = np.arange(max(0, r - reach), min(values.size, r + reach + 1))
        k = k[ok[k] & (k != r)]
        expected = np.polyval(np.polyfit((k - r) / reach, values[k], degree), 0)
        assert told[r] == pytest.approx(expected, abs=2e-4)  # single precision, sums of 97


def test_a_period_takes_no_part_in_its_own_foretelling():
    values = np.zeros(100)
    values[50] = 1.0
    told = foretell(rows_of(values), np.arange(100) != 50, 9)
    assert np.abs(told).max() < 1e-6


def test_what_moves_as_a_parabola_is_foretold_and_noise_is_not_added():
    """A parabola through n neighbours adds 9/4 over n of the noise's power: n is 32 or 96 here."""
    r = np.arange(400)
    smooth = rows_of(1 + 0.01 * r + 1e-4 * r**2, 64)
    noise = 0.1 * np.random.default_rng(1).standard_normal(smooth.shape).astype(np.float32)
    told = foretell(smooth + noise, np.ones(400, bool), 9)
    left = (told - smooth)[60:-60]
    assert np.sqrt(np.mean(left**2)) < 0.1 * np.sqrt(2.25 / 32)


def test_a_corner_is_the_change_of_slope():
    values = np.concatenate([np.arange(30) * 0.5, 15 + np.arange(30) * 2.0])
    turn = corner(rows_of(values), np.ones(60, bool))[:, 0]
    assert turn[30] == pytest.approx(1.5, abs=0.1)  # the kink lies between two periods
    assert turn[10:20] == pytest.approx(0, abs=1e-5)
    gap = np.ones(60, bool)
    gap[8:30] = False
    assert corner(rows_of(values), gap)[20, 0] == 0  # too few clean ones near


def test_low_harmonics_are_taken_out_and_the_others_stay():
    x = np.arange(64) / 64
    lows = low_harmonics(64, 150.0)  # the mean and the first two: 150 and 300 Hz
    rows = (3 + np.cos(2 * np.pi * x) + np.sin(4 * np.pi * x))[None].astype(np.float32)
    high = 0.5 * np.cos(10 * np.pi * x)[None].astype(np.float32)
    assert without(rows + high, lows) == pytest.approx(high, abs=1e-5)


def test_a_click_and_a_gap_are_dirt_but_not_a_tone_that_stays_away():
    rng = np.random.default_rng(5)
    x = np.arange(240) / 240
    clean = np.tile(np.sin(2 * np.pi * x), (600, 1)).astype(np.float32)
    rows = clean + 1e-3 * rng.standard_normal(clean.shape).astype(np.float32)
    rows[200, 100:130] += 0.02 * rng.standard_normal(30)
    rows[300:310] *= 0.1
    rows[400:480] *= 0.1  # 0.4 s
    bad = dirty_periods(rows, clean, 200.0)
    assert bad[200]
    assert bad[300:310].all()
    assert not bad[405:475].any()
    assert bad[:190].mean() < 0.02


def faded(told, sure, shares):
    out = np.full(told[0].shape, 9.0, np.float32)
    _fade(told, _counts(sure, shares), np.ones(len(out), bool), out)
    return out


def test_the_shares_of_one_period_fade_into_those_of_the_next():
    """Rows of 0 and rows of 1: half way at the seam, and no step larger than one point's share."""
    told = np.stack([rows_of(np.zeros(6), 50), rows_of(np.ones(6), 50)])
    every = np.ones((2, 6), bool)
    first = np.array([1.0, 1, 1, 0, 0, 0])
    out = faded(told, every, np.stack([first, 1 - first])).ravel()
    assert np.abs(np.diff(out)).max() < 1.5 / 50
    assert out[:125] == pytest.approx(0, abs=1e-6)
    assert out[150] == pytest.approx(0.5, abs=0.02)
    assert out[175:] == pytest.approx(1, abs=1e-6)
    unable = every.copy()
    unable[0, 3] = False  # the first cannot tell row 3
    assert faded(told, unable, np.stack([first, 1 - first]))[3] == pytest.approx(1)


def test_what_has_not_changed_is_kept_and_the_rest_is_as_if_anew():
    rng = np.random.default_rng(8)
    rows = rng.standard_normal((700, 30)).astype(np.float32)
    own = rng.integers(0, 2, rows.shape).astype(np.float32)
    first, second = rng.random(700) > 0.02, np.ones(700, bool)
    second[[90, 91, 400]] = False
    again = Foretelling(rows, 9, low_harmonics(30, 200.0), own)
    again.given(first)
    anew = foretell(rows, second, 9, low_harmonics(30, 200.0), own)
    assert again.given(second) == pytest.approx(anew, abs=1e-6)


def test_a_large_offset_is_kept_whole_though_small_shares_are_dropped():
    values = 5000 + 0.01 * np.random.default_rng(3).standard_normal(300)
    told = foretell(rows_of(values), np.ones(300, bool), 9)
    assert told[5:-5] == pytest.approx(5000, abs=0.05)


def test_a_bend_is_the_second_difference():
    r = np.arange(30.0)
    assert bend(rows_of(3 + 2 * r))[1:-1] == pytest.approx(0, abs=1e-4)
    assert bend(rows_of(0.5 * r**2))[1:-1] == pytest.approx(1, abs=1e-3)


def test_what_begins_without_suddenness_is_movement():
    dirty, sudden = np.zeros((2, 40), bool)
    dirty[5:15] = dirty[20:30] = True
    sudden[[22, 25]] = True
    assert np.flatnonzero(sudden_only(dirty, sudden, 50.0)).tolist() == [21, 22, 23, 24, 25, 26]


def test_what_lies_between_two_dirty_periods_near_each_other_is_dirty():
    """At 500 Hz, 10 ms are 5 periods: three clean ones between belong to it, twelve don't."""
    dirty = np.zeros(60, bool)
    dirty[[10, 14, 15, 28]] = True
    found = np.flatnonzero(sudden_only(dirty, dirty, 500.0)).tolist()
    assert found == [10, 11, 12, 13, 14, 15, 28]


def test_what_comes_back_with_the_mains_is_no_dirt():
    """A slow bump every 20 ms at 1 kHz is left alone, the same bump once is dirt."""
    rng = np.random.default_rng(6)
    shape = (1000, 48)
    told = np.tile(np.sin(2 * np.pi * np.arange(48) / 48), (1000, 1)).astype(np.float32)
    rows = told + 1e-3 * rng.standard_normal(shape).astype(np.float32)
    hum = rows.copy()
    hum[::20] += 0.01
    assert dirty_periods(hum, told, 1000.0)[25:-25].mean() < 0.02
    rows[500] += 0.01
    assert dirty_periods(rows, told, 1000.0)[500]


def test_points_that_belong_to_another_edge_do_not_count():
    rng = np.random.default_rng(7)
    told = np.tile(np.sin(2 * np.pi * np.arange(240) / 240), (300, 1)).astype(np.float32)
    rows = told + 1e-3 * rng.standard_normal(told.shape).astype(np.float32)
    rows[150, 20:30] += 0.1
    own = np.zeros_like(rows)
    own[:, 60:180] = 1
    assert dirty_periods(rows, told, 200.0)[150]
    assert not dirty_periods(rows, told, 200.0, own=own)[150]


def test_corners_known_without_dirt_are_kept_and_those_near_dirt_made_anew():
    rng = np.random.default_rng(4)
    rows = rng.standard_normal((600, 64)).astype(np.float32).cumsum(axis=0)
    ok = np.ones(600, bool)
    ok[[130, 131, 132, 420, 599]] = False
    smooth = corner(rows, np.ones(600, bool))
    kept = smooth.copy()
    assert np.array_equal(corner(rows, ok, smooth), corner(rows, ok))
    assert np.array_equal(smooth, kept)


def test_gaps_found_before_are_those_found_here():
    rows = rows_of(1 + 0.01 * np.random.default_rng(5).standard_normal(900), 64)
    rows *= np.sin(2 * np.pi * np.arange(64, dtype=np.float32) / 64)
    rows[300:330] *= 0.1
    gaps = fallen(rows, 200.0)
    assert gaps[300:330].all()
    assert not gaps[:295].any()
    assert not gaps[335:].any()
    told = np.ones((900, 1), np.float32) * rows[:1]
    assert np.array_equal(
        dirty_periods(rows, told, 200.0, gaps=gaps), dirty_periods(rows, told, 200.0)
    )
