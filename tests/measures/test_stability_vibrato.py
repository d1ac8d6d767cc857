"""A vibrato left on: spread and extent of the pitch itself, though windows of 0.1 s smooth it."""

import math

import numpy as np
import pytest
from held_pitch import forgetful
from tones import moving_tone, window_mean_hz, write_sound

import sigkit
from sigkit.measures.stability.extents import spread_of
from sigkit.measures.stability.windows import windows_of
from sigkit.tracks.pitch import PitchTrack

RATE, SECONDS = 16_000, 6.0
T = np.arange(round(SECONDS * RATE)) / RATE


def measured(folder, hz, cents):
    x = moving_tone("saw", hz * 2 ** (cents / 1200), RATE)
    x += 0.2 * 10 ** (-50 / 20) * np.random.default_rng(3).standard_normal(x.size)
    return sigkit.measure_stability(sigkit.open_capture(write_sound(folder, x, RATE)))


@pytest.mark.parametrize(
    ("hz", "peak", "rate_hz", "left"),
    [(220, 8.0, 5.5, 0.90), (440, 2.0, 9.12, 0.54), (50, 10.0, 4.0, 0.94)],
)
def test_spread_is_that_of_the_pitch_itself(tmp_path, hz, peak, rate_hz, left):
    """A sine's deviation is peak / sqrt 2, its extent 2 peak, whatever windows leave of it.

    Windows weighed by a parabola leave 3 (sin x - x cos x) / x^3 (integral tables), x being pi
    times the periods in a window of 0.1 s, or of 0.12 s for 50 Hz: 0.73, 0.39, 0.79; and the bend
    over half a window on both sides, of which 1/10 is given back, is 2 (1 - cos x) of that.
    """
    r = measured(tmp_path, hz, peak * np.sin(2 * np.pi * rate_hz * T + 0.4))
    assert r.spread.value == pytest.approx(peak / math.sqrt(2), rel=0.02)
    assert abs(r.spread.value - peak / math.sqrt(2)) <= r.spread.expanded
    assert r.peak_to_peak.value == pytest.approx(2 * peak, rel=0.05)
    said = next(note for note in r.notes if "swings steadily" in note)
    assert f"±{peak:.2g} cents at {rate_hz:.1f} Hz" in said
    assert f"leave {left:.2f} of that" in said
    assert any("vibrato" in term.source for term in r.spread.budget)


@pytest.mark.parametrize(
    ("cents", "near"),
    [
        (0.9 * np.sin(2 * np.pi * 0.3 * T), 0.02),
        (0.9 * np.sin(2 * np.pi * 2.0 * T), 0.02),
        (25.0 * (T > 2.5), 0.0005),
    ],
    ids=["slow", "2 Hz", "step"],
)
def test_windows_take_nothing_of_slow_swings_and_steps(tmp_path, cents, near):
    """Unsharpened they leave 0.96 of 2 Hz, and of a step that lasts 3.5 of 6 s 0.998.

    The ends that cannot be seen, 0.07 s of 6 s on either side, hold the pitch beside them: 2 %, but
    nothing where that is even.
    """
    r = measured(tmp_path, 220, cents)
    assert r.spread.value == pytest.approx(float(cents.std()), rel=near)
    assert abs(r.spread.value - cents.std()) <= r.spread.expanded
    assert r.spread.u < 0.02 * cents.std()


def test_what_is_faster_than_the_windows_is_made_up_for():
    """Wander that forgets itself within 0.2 s: a ninth of its variance is lost in windows of 0.1 s.

    By the spectrum of an Ornstein-Uhlenbeck path and the windows' response, integrated. The mean
    over 30 paths, each known by 6 s, is known to 0.3 %.
    """
    rng, off, held = np.random.default_rng(11), [], 0
    for _ in range(30):
        path = forgetful(rng, 6600, 0.001, 1.0, 0.2)
        seen = window_mean_hz(path, 1000, 0.3 + np.arange(0, 6.001, 0.01), 0.1)
        hz = 220 * 2 ** (seen / 1200)
        track = PitchTrack(hz, np.full(hz.size, 1e-6), 0.1, 0.01)
        found = spread_of(windows_of(track, 220.0, 6.0))
        truth = float(path[300:6300].std())
        off.append(found.value / truth - 1)
        held += abs(found.value - truth) <= found.expanded
    assert abs(np.mean(off)) < 0.015  # -0.037 without
    assert held >= 24


def test_wander_is_no_vibrato(tmp_path):
    rng = np.random.default_rng(8)
    knots_s = np.arange(0, SECONDS + 1, 0.01)
    cents = np.interp(T, knots_s, forgetful(rng, knots_s.size, 0.01, 1.0, 0.3))
    assert not any("swings steadily" in note for note in measured(tmp_path, 220, cents).notes)


def test_mains_on_a_low_note_is_no_vibrato(tmp_path):
    """Once a period of 55 Hz, a wobble at 60 Hz looks like one at 5 Hz (sampling theorem)."""
    r = measured(tmp_path, 55, 3 * np.sin(2 * np.pi * 60 * T))
    assert not any("swings steadily" in note for note in r.notes)
