"""A release whose pitch wanders slowly: its tail keeps its level along its own phase."""

import math

import numpy as np
import pytest
import soundfile as sf

from sigkit.captures.wav import open_capture
from sigkit.measures.envelope import measure_envelope
from sigkit.measures.envelope.tail import followed_tail
from sigkit.tracks.envelope.carrier import find_carrier

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


def test_what_an_unknown_phase_takes_is_given_back():
    """A phase is known beyond 60 dB down, but not to the end, and its mean loss is made up for."""
    sound = note(np.random.default_rng(6), 0.5, 1.0)
    t = np.arange(sound.size) / RATE
    carrier = find_carrier(sound, RATE, 0.0, (t < 0.7) | (t > 5.5), 716.0)
    tail = followed_tail(carrier, 1.2, (OFF_S, 1.0, TAU_S), 6.0)
    assert OFF_S + TAU_S * math.log(1000) < tail.known_s < OFF_S + 9 * TAU_S
    known = (tail.time_s > OFF_S) & (tail.time_s < tail.known_s)
    at = float(tail.time_s[known][np.argmax(tail.lost[known])])
    lost = float(np.interp(at, tail.time_s, tail.lost))
    assert 0.003 < lost < 0.05
    assert tail.u_log_level(at) == pytest.approx(math.sqrt(2) * lost)
    edges = np.array([at - 0.003, at + 0.003])
    whole, heard = (float(track.blocks(edges)[1][0]) for track in (tail.carrier, tail.along))
    # Within half a group the loss differs by less than a tenth of its most.
    assert whole / heard == pytest.approx(1 / (1 - lost), abs=0.005)
