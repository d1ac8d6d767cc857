"""Notes whose level or wave does more than a capacitor makes it do: refused in words."""

import math

import numpy as np
import pytest
import soundfile as sf
from envelope_cases import KINDS, random_case
from envelopes import Plant, take, write_take
from scipy import signal

from sigkit.captures.wav import open_capture
from sigkit.measures.envelope import measure_envelope

GATES = [(0.8, 1.8), (3.0, 4.0)]


def measured(folder, made, samples):
    path = folder / "notes.wav"
    sf.write(path, samples, made.rate, subtype="FLOAT")
    return measure_envelope(open_capture(path))


@pytest.fixture(scope="module")
def made():
    return take(Plant(), GATES, 5.5, rng=np.random.default_rng(3))


@pytest.mark.parametrize(("depth", "hz"), [(0.1, 5.3), (0.2, 7.0)])
def test_tremolo_makes_no_notes(tmp_path, made, depth, hz):
    t = np.arange(made.samples.size) / made.rate
    found = measured(tmp_path, made, made.samples * (1 + depth * np.sin(2 * math.pi * hz * t)))
    assert len(found.notes) == len(GATES)
    assert not found.release_20.measurable
    assert "tremolo" in found.release_20.reason


def test_a_filter_that_follows_the_note_is_named(tmp_path, made):
    """Dull where it is soft: a release read along the held wave is not the amplifier's."""
    pole = math.exp(-2 * math.pi * 700 / made.rate)
    dull = signal.lfilter([1 - pole], [1, -pole], made.samples)
    found = measured(tmp_path, made, dull + (made.samples - dull) * np.clip(made.gain, 0, 1))
    assert len(found.notes) == len(GATES)
    assert not found.release_20.measurable
    assert "filter" in found.release_20.reason
    assert found.attack.measurable


def test_a_fall_at_the_peak_is_decay_or_release(tmp_path):
    """A decay to silence that fits ill: its knee is no end of a gate."""
    case = random_case(3950015, KINDS[3950015 % len(KINDS)])
    found = measure_envelope(open_capture(write_take(tmp_path, case.made)))
    assert not np.isfinite(found.notes["gate_off_s"]).any()
    assert not np.isfinite(found.notes["release_20_s"]).any()
    assert np.isfinite(found.notes["attack_s"]).all()
