"""The rough pitch alone: right to a percent, never an octave off, none where there is no tone."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tones import noisy_tone

from sigkit.synth import pink
from sigkit.tracks.coarse import LEAST_PERIODICITY, CoarsePitch

COARSE = CoarsePitch(48_000, 27.0, 4500.0)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(
    wave=st.sampled_from(["saw", "pulse", "triangle", "sine"]),
    octave=st.floats(math.log2(30), math.log2(4200)),
    snr_db=st.floats(20, 60),
    duty=st.floats(0.05, 0.95),
    seed=st.integers(0, 2**31),
)
def test_right_to_a_percent(wave, octave, snr_db, duty, seed):
    hz = 2**octave
    x, _ = noisy_tone(wave, hz, snr_db, 0.13, np.random.default_rng(seed), duty=duty)
    found, periodicity = COARSE(x[: COARSE.size])
    assert found == pytest.approx(hz, rel=0.01)
    assert periodicity > 0.8


@pytest.mark.parametrize("rate", [8000, 44_100, 192_000])
def test_at_other_sample_rates(rate):
    coarse = CoarsePitch(rate, 27.0, 0.45 * 8000)
    for hz in (31.0, 220.0, 1500.0):
        x, _ = noisy_tone("saw", hz, 40, 0.2, np.random.default_rng(1), rate=rate)
        assert coarse(x[: coarse.size])[0] == pytest.approx(hz, rel=0.01)


def test_none_in_noise_and_silence():
    rng = np.random.default_rng(2)
    noise = rng.standard_normal((500, COARSE.size))
    found = np.array([COARSE(frame) for frame in noise])
    assert np.isnan(found[:, 0]).all()
    assert found[:, 1].max() < LEAST_PERIODICITY / 2 + 0.05
    rumble = pink(500 * COARSE.size, level_dbfs=-20, rate=48_000, rng=rng)
    found = np.array([COARSE(frame) for frame in rumble.reshape(500, -1)])
    assert np.count_nonzero(np.isfinite(found[:, 0])) < 100  # the fine tracker refuses the rest
    for level in (0.0, 0.3):
        hz, periodicity = COARSE(np.full(COARSE.size, level))
        assert math.isnan(hz)
        assert periodicity == 0


def test_hum_under_the_tone_does_not_halve_it():
    """Mains hum of 50 Hz, 26 dB below a tone of 400 Hz: eight periods of the tone fit into one."""
    x, _ = noisy_tone("saw", 400.0, 50, 0.13, np.random.default_rng(3))
    x += 0.01 * math.sqrt(2) * np.sin(2 * np.pi * 50 * np.arange(x.size) / 48_000)
    assert COARSE(x[: COARSE.size])[0] == pytest.approx(400.0, rel=0.01)
