"""A release whose pitch wanders slowly: its tail keeps its level along its own phase."""

import math

import numpy as np
import pytest
import soundfile as sf

from sigkit.captures.wav import open_capture
from sigkit.measures.envelope import measure_envelope

RATE, OFF_S, TAU_S = 44_100, 2.0, 0.4


def note(rng, wander_cents, turn):
    """A saw of 716 Hz that falls exponentially from 2 s on, 45 dB over its noise."""
    t = np.arange(6 * RATE) / RATE
    cents = wander_cents * np.sin(2 * math.pi * 0.5 * t + turn)
    phase = 2 * math.pi * np.cumsum(716 * 2 ** (cents / 1200)) / RATE
    rise = np.minimum(1, 1.3 * (1 - np.exp(-np.maximum(t - 0.8, 0) / 0.05)))
    level = np.where(t < OFF_S, rise, np.exp(-(t - OFF_S) / TAU_S))
    tone = 0.25 * sum(np.sin(k * phase) / k for k in range(1, 20))
    noise = np.std(tone) * 10 ** (-45 / 20)
    return tone * level + noise * rng.standard_normal(t.size)


@pytest.mark.parametrize("wander_cents", [0.0, 0.5])
def test_a_wandering_pitch_shortens_no_release(tmp_path, wander_cents):
    """Six notes: the mean of their z lies within 3 of its deviations, no one beyond 4.

    At half a cent a phase that is gone on evenly from 45 dB down is off by more than a sixth of a
    period of the fundamental at 60 dB.
    """
    rng = np.random.default_rng(5)
    z = {20: [], 40: [], 60: []}
    for turn in (0.0, 1.0, 2.0, 3.0, 4.0, 5.0):
        path = tmp_path / "note.wav"
        sf.write(path, note(rng, wander_cents, turn), RATE, "FLOAT")
        row = measure_envelope(open_capture(path)).notes.iloc[0]
        for down, found in z.items():
            name = "release_s" if down == 60 else f"release_{down}_s"
            truth = TAU_S * math.log(10) * down / 20
            found.append((row[name] - truth) / row[f"u_{name}"])
            assert row[f"u_{name}"] < 0.03 * truth
    for found in z.values():
        assert abs(np.mean(found)) < 3 / math.sqrt(6)
        assert np.max(np.abs(found)) < 4
