"""Jitter, wander and the roots of variances on paths of known truth."""

import math

import numpy as np
import pytest
from scipy import ndimage
from tones import moving_tone, write_sound

import sigkit
from sigkit.measures.stability.extents import without_noise
from sigkit.measures.stability.wander import jitter_of
from sigkit.measures.stability.windows import window_noise, window_ramp
from sigkit.measures.steadiness import noise_lags, pitch_path, root_of, slope_of, variance_terms
from sigkit.quantity import Term
from sigkit.tracks.phase import PhaseTrack
from sigkit.tracks.pitch import track_tone

RATE = 16_000
T = np.arange(12 * RATE) / RATE
NONE = np.empty(0)


def phase_in(folder, hz, cents, snr_db, seed, wave="saw"):
    x = moving_tone(wave, hz * 2 ** (cents / 1200) + 0 * T, RATE, duty=0.3)
    x += 0.2 * 10 ** (-snr_db / 20) * np.random.default_rng(seed).standard_normal(x.size)
    return track_tone(sigkit.open_capture(write_sound(folder, x, RATE)))[1]


def true_jitter(cents, begin_s, end_s):
    """Definition, on the path: means over 0.05 s less their running mean over 21 of them."""
    edges = np.rint(np.arange(begin_s, end_s, 0.05) * RATE).astype(int)
    total = np.concatenate([[0.0], np.cumsum(cents)])
    means = np.diff(total[edges]) / np.diff(edges)
    return np.sqrt(np.mean((means - ndimage.uniform_filter1d(means, 21))[10:-10] ** 2))


def test_jitter_of_planted_size_and_its_interval(tmp_path):
    """24 notes with a new pitch every 0.05 s; three binomial standard deviations below 95 %."""
    rng, held = np.random.default_rng(1), []
    for seed in range(24):
        hz = 100 * 10 ** rng.random()
        knots = 10 ** rng.uniform(-1, 0.3) * rng.standard_normal(260)
        cents = np.interp(T, np.arange(260) * 0.05, knots) + rng.uniform(-5, 5) * T / 60
        phase = phase_in(tmp_path, hz, cents, rng.uniform(25, 50), seed)
        truth = true_jitter(cents, phase.time_s[0], phase.time_s[-1])
        found = jitter_of(phase, hz, steps_s=NONE, lines_hz=())
        assert found.value == pytest.approx(truth, rel=0.02, abs=0.05)
        held.append(abs(found.value - truth) <= found.expanded)
    print(f"jitter: {np.mean(held):.1%} of {len(held)}")
    assert np.mean(held) >= 0.81


@pytest.mark.parametrize("wave", ["saw", "sine"])
@pytest.mark.parametrize("snr_db", [25, 45])
def test_noise_drift_and_slow_wander_are_no_jitter(tmp_path, wave, snr_db):
    held = 0
    for seed, hz in enumerate(np.geomspace(70, 1100, 10)):
        cents = 4 * np.sin(2 * np.pi * 0.05 * T) + T
        found = jitter_of(
            phase_in(tmp_path, hz, cents, snr_db, seed, wave), hz, steps_s=NONE, lines_hz=()
        )
        slow = true_jitter(cents, 0.1, 11.9)
        assert found.value < 0.2
        held += abs(found.value - slow) <= found.expanded
    assert held >= 7  # 95 % of 10 less four binomial standard deviations


def test_steps_and_wobble_are_left_out_of_jitter(tmp_path):
    cents = np.where(T > 6.1, 20.0, 0.0) + 2 * np.sin(2 * np.pi * 50 * T)
    phase = phase_in(tmp_path, 440.7, cents, 50, 1)
    with_step = jitter_of(phase, 442.0, steps_s=NONE, lines_hz=())
    without = jitter_of(phase, 442.0, steps_s=np.array([6.1]), lines_hz=(50.0,))
    assert with_step.value > 1
    assert without.value < 0.03


def test_no_jitter_of_less_than_two_seconds(tmp_path):
    phase = phase_in(tmp_path, 220.0, 0.0, 40, 1)
    early = phase.time_s < 1.5
    short = PhaseTrack(
        *(v[early] for v in (phase.time_s, phase.cycles, phase.u_cycles, phase.tone))
    )
    found = jitter_of(short, 220.0, steps_s=NONE, lines_hz=())
    assert "unbroken for 2 s" in found.reason


@pytest.mark.parametrize("wave", ["sine", "triangle", "saw"])
def test_colour_of_the_phase_noise(tmp_path, wave):
    """The variance and the next covariance of the phase of a steady tone, to 12 %."""
    phase = phase_in(tmp_path, 220.0, 0.0, 40, 2, wave)
    off = phase.cycles - np.polyval(np.polyfit(phase.time_s, phase.cycles, 1), phase.time_s)
    unit = np.mean(phase.u_cycles**2)
    seen = np.mean(off**2) / unit, np.mean(off[1:] * off[:-1]) / unit
    assert noise_lags(phase) == pytest.approx(seen, abs=0.12)


def test_slope_of_a_line_is_exact(tmp_path):
    phase = phase_in(tmp_path, 220.0, 30 * T / 60, 60, 3)
    slope = slope_of(pitch_path(phase, 220.0, 12.0))
    assert slope.value == pytest.approx(30, abs=0.02)
    assert slope.u < 0.02


def test_root_of_a_variance_holds_the_root():
    """Normal estimates of a variance: their roots' intervals hold the root in 93 to 99 %."""
    rng = np.random.default_rng(5)
    for truth in (0.0, 0.5, 1.0, 3.0, 30.0):
        found = [root_of(v, [Term("x", 1.0, "A")]) for v in truth + rng.standard_normal(2000)]
        held = np.mean([abs(q.value - math.sqrt(truth)) <= 2 * q.u for q in found])
        assert 0.93 < held < 0.99, truth


def test_variance_of_correlated_noise_has_the_stated_scatter():
    """Windows that share sound: u of the mean square against 400 draws, with and without a path."""
    noise = window_noise(0.5, window_ramp(0.1, 0.01, orders=0))
    rng, kernel = np.random.default_rng(6), np.arange(-5.0, 6.0) / np.sqrt(110)
    for path in (np.zeros(2000), 0.5 * np.sin(np.arange(2000) * 0.3)):
        squares, stated = [], []
        for _ in range(400):
            x = path + 0.5 * np.convolve(rng.standard_normal(2010), kernel, "valid")
            squares.append(np.mean(x**2))
            terms = variance_terms(x, noise)
            stated.append(math.hypot(*(t.u for t in terms if t.evaluation == "A")))
        assert np.std(squares) == pytest.approx(np.mean(stated), rel=0.15)


def test_smoothing_asks_for_what_the_noise_needs():
    rng, kernel = np.random.default_rng(7), np.arange(-5.0, 6.0) / np.sqrt(110)
    white = np.convolve(rng.standard_normal(2010), kernel, "valid")
    noise = window_noise(1.0, window_ramp(0.1, 0.01, orders=0))
    assert np.ptp(without_noise(white, noise)) == 0
    path = 30 * np.sin(np.arange(2000) * 0.02)
    smooth = without_noise(path + white, noise)
    assert np.std(smooth - path) < 0.5  # noise of 1 before
