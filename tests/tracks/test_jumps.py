"""Steps of pitch that stay, planted in tracks of known truth."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tones import moving_tone, write_sound

import sigkit
from sigkit.synth import wander_cents
from sigkit.tracks.jumps import find_jumps

HOP_S, WINDOW_S = 0.01, 0.1
TIME_S = np.arange(0, 10, HOP_S)


def smeared(at_s, size):
    """A sharp step as a window weighted by a parabola shows it: its integral."""
    share = np.clip((TIME_S - at_s) / WINDOW_S + 0.5, 0, 1)
    return size * share**2 * (3 - 2 * share)


def noise(sd, seed):
    """Scatter of frames that share their windows: a moving mean over ten frames."""
    white = np.random.default_rng(seed).standard_normal(TIME_S.size + 9)
    return sd * np.convolve(white, np.ones(10), "valid") / np.sqrt(10)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    at_s=st.floats(0.6, 9.4),
    size=st.floats(1.5, 60.0),
    sign=st.sampled_from([-1, 1]),
    slope=st.floats(-0.2, 0.2),
    seed=st.integers(0, 1000),
)
def test_finds_a_step_on_a_drift(at_s, size, sign, slope, seed):
    """Placed within half a window; its size within six of its own u and what the drift moves."""
    cents = smeared(at_s, sign * size) + slope * TIME_S + noise(0.02, seed)
    jumps = find_jumps(TIME_S, cents, window_s=WINDOW_S)
    assert len(jumps) == 1
    found = jumps.iloc[0]
    assert found.time_s == pytest.approx(at_s, abs=WINDOW_S / 2)
    # The medians on both sides lie 0.25 s + 0.12 s apart on the drift.
    allowed = abs(slope) * 0.4 + 6 * found.u_cents + 0.02
    assert found.size_cents == pytest.approx(sign * size, abs=allowed)
    assert 0 < found.u_cents < size / 2


def test_finds_several_in_order():
    cents = smeared(2.0, 4.0) + smeared(5.5, -3.0) + smeared(8.25, 10.0) + noise(0.05, 1)
    jumps = find_jumps(TIME_S, cents, window_s=WINDOW_S)
    assert list(jumps.columns) == ["time_s", "size_cents", "u_cents"]
    assert jumps.time_s.to_numpy() == pytest.approx([2.0, 5.5, 8.25], abs=0.03)
    assert jumps.size_cents.to_numpy() == pytest.approx([4.0, -3.0, 10.0], abs=0.2)


def test_finds_a_step_behind_a_gap():
    """A step too large for one window leaves a gap, and is found across it."""
    cents = smeared(5.0, 200.0)
    cents[np.abs(TIME_S - 5.0) < 0.06] = np.nan
    jumps = find_jumps(TIME_S, cents, window_s=WINDOW_S)
    assert len(jumps) == 1
    assert jumps.time_s[0] == pytest.approx(5.0, abs=0.05)
    assert jumps.size_cents[0] == pytest.approx(200.0, abs=0.1)


@pytest.mark.parametrize(
    "name", ["silence", "noise", "drift", "glide", "vibrato", "spike", "gap", "wander", "too small"]
)
def test_nothing_that_is_no_step(name):
    cents = {
        "silence": np.full(TIME_S.size, np.nan),
        "noise": noise(0.5, 3),
        "drift": 5.0 * TIME_S,
        "glide": 100 * np.clip((TIME_S - 4) / 0.5, 0, 1),
        "vibrato": 20 * np.sin(2 * np.pi * 5 * TIME_S),
        "spike": smeared(5.0, 30.0) - smeared(5.12, 30.0),
        "gap": np.where(np.abs(TIME_S - 5) < 0.3, np.nan, 0.0),
        "wander": wander_cents(TIME_S, spread_cents=3.0, time_constant_s=1.0, seed=2),
        "too small": smeared(5.0, 0.8),
    }[name]
    assert find_jumps(TIME_S, cents, window_s=WINDOW_S).empty


@pytest.mark.parametrize("size", [0, 1, 20])
def test_tracks_too_short_have_none(size):
    jumps = find_jumps(TIME_S[:size], np.zeros(size), window_s=WINDOW_S)
    assert list(jumps.columns) == ["time_s", "size_cents", "u_cents"]
    assert jumps.empty


@pytest.mark.parametrize("size", [-4.0, 25.0, 150.0])
def test_in_sound(tmp_path, size):
    rate, at_s = 48_000, 3.3371
    t = np.arange(6 * rate) / rate
    x = moving_tone("saw", 220 * 2 ** (np.where(t < at_s, 0, size) / 1200), rate)
    x += 0.001 * np.random.default_rng(1).standard_normal(x.size)
    track = sigkit.track_pitch(sigkit.open_capture(write_sound(tmp_path, x)))
    jumps = find_jumps(track.time_s, track.cents(220), window_s=track.window_s)
    assert len(jumps) == 1
    assert jumps.time_s[0] == pytest.approx(at_s, abs=0.05)
    assert jumps.size_cents[0] == pytest.approx(size, abs=max(0.02, 3 * jumps.u_cents[0]))
