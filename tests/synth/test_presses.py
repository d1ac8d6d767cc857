"""Presses through an envelope, held to closed forms."""

import math

import numpy as np
import pytest

from sigkit.errors import InputError
from sigkit.synth import Envelope, Presses, evenly

ENVELOPE = Envelope(
    attack_time_constant_s=0.02,
    attack_target=1.3,
    decay_time_constant_s=0.05,
    sustain=0.5,
    release_time_constant_s=0.2,
    sag_time_constant_s=5.0,
)
GATES = evenly(3, first_s=0.5, held_s=1.0, apart_s=1.8)
T = np.arange(0, 6.0, 1e-4)


def test_gates_are_even():
    assert GATES == ((0.5, 1.5), (2.3, 3.3), (4.1, 5.1))


def test_a_press_begins_where_the_one_before_has_come_to():
    """A capacitor's voltage does not leap, and charges on toward the same aim."""
    amplitude = Presses(ENVELOPE, GATES).amplitude(T)
    assert np.abs(np.diff(amplitude)).max() < 1.3 / 0.02 * 1e-4 * 1.001
    left = amplitude[np.argmin(np.abs(T - 2.2999))]
    assert left == pytest.approx(0.5 * math.exp(-1 / 5) * math.exp(-0.8 / 0.2), rel=0.02)
    since = 0.005
    assert np.interp(2.3 + since, T, amplitude) == pytest.approx(
        1.3 - (1.3 - left) * math.exp(-since / 0.02), abs=1e-3
    )


def test_the_truth_is_what_the_amplitude_does():
    played = Presses(ENVELOPE, GATES[:1])
    amplitude = played.amplitude(T)
    (note,) = played.notes().to_dict("records")
    top = int(np.argmax(amplitude))
    assert T[top] - 0.5 == pytest.approx(note["onset_to_peak_s"], abs=2e-4)
    low, high = (T[np.argmax(amplitude > level)] for level in (0.1, 0.9))
    assert high - low == pytest.approx(note["attack_s"], abs=2e-4)
    at_release = np.interp(1.4999, T, amplitude)
    for db in (20, 40, 60):
        below = T[(T > 1.5) & (amplitude < at_release * 10 ** (-db / 20))][0]
        assert below - 1.5 == pytest.approx(note[f"release_{db}_s"], abs=4e-4)
    held = 20 * np.log10(np.interp([1.2, 1.45], T, amplitude))
    assert (held[0] - held[1]) / 0.25 * 10 == pytest.approx(note["sag_db_per_10s"], rel=0.02)
    assert note["sustain_db"] == pytest.approx(20 * math.log10(0.5))


def test_levels_of_presses():
    played = Presses(Envelope(attack_time_constant_s=0.02), GATES, peak_db=(0.0, -3.0, -1.0))
    amplitude = played.amplitude(T)
    tops = [amplitude[(on <= T) & (off > T)].max() for on, off in GATES]
    assert 20 * np.log10(tops) == pytest.approx([0, -3, -1], abs=1e-3)
    assert played.notes()["decay_time_constant_s"].isna().all()
    assert played.notes()["peak_db"].tolist() == pytest.approx([0, -3, -1])


@pytest.mark.parametrize(
    ("gates", "peak_db", "match"),
    [
        ((), (), "Gates must follow"),
        (((1.0, 0.5),), (), "Gates must follow"),
        (((0.0, 1.0), (0.5, 2.0)), (), "Gates must follow"),
        (((0.0, 1.0),), (0.0, -1.0), "a level for each"),
    ],
)
def test_impossible_presses_are_refused(gates, peak_db, match):
    with pytest.raises(InputError, match=match):
        Presses(ENVELOPE, gates, peak_db)
