"""Notes whose level or wave does more than a capacitor makes it do: refused in words."""

import math

import numpy as np
import pytest
import soundfile as sf
from envelope_cases import KINDS, random_case
from envelopes import Plant, carrier, take, write_take
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


def test_two_oscillators_that_beat_are_named(tmp_path, made):
    """By its power alone a beat is an envelope: releases came 10 to 14 % off, at 15 to 27 u."""
    t = np.arange(made.samples.size) / made.rate
    pair = sum(carrier("saw", hz * t, 50) for hz in (440.0, 440.7)) / 2
    rng = np.random.default_rng(8)
    found = measured(tmp_path, made, 0.2 * made.gain * pair + 2e-4 * rng.standard_normal(t.size))
    assert len(found.notes) == len(GATES)
    for name in ("attack", "peak", "release_20", "decay_time_constant"):
        quantity = getattr(found, name)
        assert not quantity.measurable, name
        assert "two oscillators" in quantity.reason, name


@pytest.mark.parametrize(("cents", "hz"), [(20, 5.0), (150, 6.0)])
def test_vibrato_is_followed_or_named(tmp_path, made, cents, hz):
    t = np.arange(made.samples.size) / made.rate
    phase = np.cumsum(440 * 2 ** (cents / 1200 * np.sin(2 * np.pi * hz * t))) / made.rate
    rng = np.random.default_rng(8)
    sound = 0.2 * made.gain * carrier("saw", phase, 50) + 2e-4 * rng.standard_normal(t.size)
    found = measured(tmp_path, made, sound)
    note = made.notes[0]
    truths = {"attack_s": note.attack_s, "release_20_s": note.crossings_s[20]}
    for name, truth in truths.items():
        value, u = (found.notes[n].to_numpy() for n in (name, f"u_{name}"))
        assert (np.isnan(value) | (np.abs(value - truth) <= 3 * u)).all(), name
    refused = found.notes[found.notes["release_20_s"].isna()]
    assert refused["reason"].str.contains("vibrato").all()


def played(folder, times_s, levels, rng, seconds=3.5, **then):
    """A saw of 440 Hz, 60 dB over its noise, at levels joined by straight lines or as given."""
    t = np.arange(round(seconds * 48_000)) / 48_000
    gain = np.interp(t, times_s, levels)
    for after, curve in then.items():
        begin = float(after.removeprefix("from_").replace("_", "."))
        gain = np.where(t >= begin, curve(t - begin), gain)
    sound = 0.2 * gain * carrier("saw", 440 * t + 0.3, 50) + 2e-4 * rng.standard_normal(t.size)
    path = folder / "notes.wav"
    sf.write(path, sound, 48_000, subtype="FLOAT")
    return measure_envelope(open_capture(path))


def test_straight_lines_mislead_nobody(tmp_path):
    """Lines down to 1/2 in 0.2 s and, from 2.0 s on, to zero in 0.3 s: -20 dB after 0.27 s."""
    found = played(
        tmp_path, [0.8, 0.85, 1.05, 2.0, 2.3], [0, 1, 0.5, 0.5, 0], np.random.default_rng(5)
    )
    for name, truth in (("attack", 0.04), ("release_20", 0.27), ("release_40", 0.297)):
        quantity = getattr(found, name)
        assert not quantity.measurable or abs(quantity.value - truth) <= quantity.expanded, name
    assert found.release_time_constant.reason


def test_a_release_in_two_stages_is_no_law_of_the_amplifier(tmp_path):
    """80 % fall in 50 ms, the rest in 0.4 s; crossings from the sum of both."""

    def two(since):
        return 0.5 * (0.8 * np.exp(-since / 0.05) + 0.2 * np.exp(-since / 0.4))

    since = np.linspace(0, 3, 300_001)
    truth = [float(since[np.argmax(two(since) < 0.5 * 10 ** (-d / 20))]) for d in (20, 40)]
    found = played(
        tmp_path, [0.8, 0.82, 0.821], [0, 1, 0.5], np.random.default_rng(5), 5.5, from_2_0=two
    )
    assert set(found.notes["law"]) == {"linear"}
    for name, value in zip(("release_20", "release_40"), truth, strict=True):
        assert getattr(found, name).value == pytest.approx(value, rel=0.01), name


def test_a_note_cut_short_by_the_next_keeps_its_release(tmp_path):
    """0.6 of a time constant is left of it; the next attack is no part of it."""
    plant = Plant(to_peak_s=0.02, decay_s=0.1, sustain=0.6, release_s=0.5)
    made = take(plant, [(0.8, 1.6), (1.9, 2.7), (3.0, 3.8)], 7.5, rng=np.random.default_rng(2))
    found = measured(tmp_path, made, made.samples)
    assert found.notes["release_time_constant_s"].to_numpy() == pytest.approx(0.5, rel=0.01)
