"""Stretches of sound, hum taken out of them, and the edges of a key."""

import numpy as np
import pytest
import soundfile as sf
from envelopes import Plant, take, write_take

from sigkit.captures.wav import open_capture
from sigkit.tracks.envelope.hum import cleaned, without_hum
from sigkit.tracks.envelope.key import KeyWatch, nearest_before
from sigkit.tracks.envelope.stretches import stretches


def stretches_of(folder, made):
    return list(stretches(open_capture(write_take(folder, made))))


def test_every_note_lies_in_a_stretch_with_quiet_around_it(tmp_path):
    gates = [(1.0 + 2 * i, 1.5 + 2 * i) for i in range(4)]
    made = take(Plant(), gates, 9.0, rng=np.random.default_rng(1))
    found = stretches_of(tmp_path, made)
    assert len(found) == 4
    for stretch, (on, off) in zip(found, gates, strict=True):
        begin, end = stretch.sounds_s
        assert on - 0.05 < begin <= on + 0.005
        assert off + 0.3 < end < off + 1.0
        assert stretch.start_s <= on - 0.4
        assert stretch.quiet.sum() > 0.4 * stretch.rate
        first = round(stretch.start_s * made.rate)
        np.testing.assert_allclose(
            stretch.sound, made.samples[first : first + stretch.sound.size], atol=1e-3
        )
        assert not stretch.began_before
        assert not stretch.goes_on


def test_notes_that_run_into_each_other_come_together(tmp_path):
    made = take(Plant(release_s=0.5), [(1.0, 1.5), (1.8, 2.4)], 6.0)
    assert len(stretches_of(tmp_path, made)) == 1


def test_sound_at_the_ends_of_the_capture_is_told(tmp_path):
    made = take(Plant(attack_release=True), [(0.0, 1.0), (3.0, 4.0)], 3.5)
    first, last = stretches_of(tmp_path, made)
    assert first.began_before
    assert not first.goes_on
    assert last.goes_on
    assert not last.began_before


def test_silence_and_hiss_hold_no_stretch(tmp_path):
    for name, sound in (
        ("a", np.zeros(96_000)),
        ("b", np.random.default_rng(0).normal(0, 0.01, 96_000)),
    ):
        sf.write(tmp_path / f"{name}.wav", sound, 48_000, subtype="FLOAT")
        assert not list(stretches(open_capture(tmp_path / f"{name}.wav")))


@pytest.mark.parametrize("mains_hz", [49.93, 60.06])
@pytest.mark.parametrize("hum_db", [-30.0, -60.0])
def test_hum_is_taken_out_down_to_the_noise(tmp_path, mains_hz, hum_db):
    made = take(
        Plant(), [(1.0, 1.7)], 4.0, hum_db=hum_db, mains_hz=mains_hz, rng=np.random.default_rng(3)
    )
    (stretch,) = stretches_of(tmp_path, made)
    sound, quiet, hz = cleaned(stretch.sound, stretch.rate, stretch.quiet)
    assert hz == pytest.approx(mains_hz, abs=0.02)
    assert np.std(sound[quiet]) == pytest.approx(0.2e-3, rel=0.1)


def test_without_hum_nothing_is_taken_out():
    rng = np.random.default_rng(4)
    sound = rng.normal(0, 0.001, 96_000)
    out, hz = without_hum(sound, 48_000, np.ones(96_000, bool))
    assert np.isnan(hz)
    np.testing.assert_array_equal(out, sound)


@pytest.mark.parametrize("coupled", [False, True])
def test_edges_of_a_gate_also_behind_a_capacitor(coupled):
    rate = 48_000
    t = np.arange(4 * rate) / rate
    gate = ((t > 0.5) & (t < 1.2)) | ((t > 2.0) & (t < 2.05))
    sound = 0.5 * gate.astype(float)
    if coupled:
        from scipy import signal

        sound = signal.lfilter(*signal.butter(1, 5, "high", fs=rate), sound)
    sound += np.random.default_rng(5).normal(0, 1e-4, t.size)
    watch = KeyWatch(rate)
    for part in np.split(sound, 4):
        watch.add(part)
    at, sign, kind = watch.edges()
    assert kind == "gate"
    assert at == pytest.approx([0.5, 1.2, 2.0, 2.05], abs=1e-4)
    assert sign.tolist() == [1, -1, 1, -1]


def test_knocks_at_a_microphone():
    rate = 48_000
    rng = np.random.default_rng(6)
    sound = rng.normal(0, 1e-3, 3 * rate)
    for at in (0.7, 1.4, 2.1):
        n = int(at * rate)
        s = np.arange(rate // 20) / rate
        sound[n : n + s.size] += 0.3 * np.exp(-s / 0.004) * np.sin(2 * np.pi * 900 * s)
    watch = KeyWatch(rate)
    for part in np.split(sound, 6):
        watch.add(part)
    at, _, kind = watch.edges()
    assert kind == "microphone"
    assert at == pytest.approx([0.7, 1.4, 2.1], abs=1e-3)
    assert nearest_before(at, 1.45, 0.1) == pytest.approx(1.4, abs=1e-3)
    assert np.isnan(nearest_before(at, 1.2, 0.1))


def test_a_quiet_channel_has_no_edges():
    watch = KeyWatch(48_000)
    watch.add(np.zeros(48_000))
    assert watch.edges()[0].size == 0
