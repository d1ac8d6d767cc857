"""Dirt that moves the tone for several periods: the part that is taken for the tone counts."""

import math

import numpy as np
import pytest
import soundfile as sf

import sigkit

RATE, HZ, ORDERS = 48_000, 545.0, 12


def turned(seconds, at, length_s, by_rad, rng):
    """A saw whose harmonics turn together, as by a shift in time, and come back; and the change."""
    t = np.arange(round(seconds * RATE)) / RATE
    inside = (np.clip((t - at) / 3e-4, 0, 1) - np.clip((t - at - length_s) / 3e-4, 0, 1)) * by_rad
    moved, still = (
        0.1 * sum(np.sin(k * (2 * np.pi * HZ * t + turn)) / k for k in range(1, ORDERS + 1))
        for turn in (inside, 0.0)
    )
    here = (t >= at) & (t < at + length_s)
    change = float(np.mean((moved - still)[here] ** 2) / np.mean(still[here] ** 2))
    return moved + 2e-5 * rng.standard_normal(t.size), 10 * math.log10(change)


@pytest.mark.parametrize("seed", range(3))
def test_a_tone_that_is_turned_for_a_while_is_as_strong_as_it_is(tmp_path, seed):
    rng = np.random.default_rng(seed)
    length_s, by_rad = rng.uniform(0.03, 0.08), rng.uniform(0.03, 0.1)
    x, level_db = turned(3.0, 1.5, length_s, by_rad, rng)
    path = tmp_path / "slider.wav"
    sf.write(path, x, RATE, subtype="FLOAT")
    events = sigkit.measure_slider(sigkit.open_capture(path), controls="timbre").events
    assert len(events) == 1
    assert abs(events["level_db"][0] - level_db) < 2 * events["u_level_db"][0]
    assert events["u_level_db"][0] < 4
