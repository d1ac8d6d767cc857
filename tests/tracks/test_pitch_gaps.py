"""No tone, no number: silence, noise, note changes, lost samples and very short files."""

import math

import numpy as np
import pytest
from tones import moving_tone, noisy_tone, write_sound

import sigkit
from sigkit.synth import pink
from sigkit.tracks.bend_or_leap import jumps_of
from sigkit.tracks.changes import find_changes
from sigkit.tracks.pitch import track_tone

RATE = 48_000


def track_of(folder, x, **options):
    return sigkit.track_pitch(sigkit.open_capture(write_sound(folder, x)), **options)


def toneless(name):
    rng = np.random.default_rng(11)
    if name == "white":
        return 0.1 * rng.standard_normal(20 * RATE)
    if name == "pink":
        return pink(20 * RATE, level_dbfs=-20, rate=RATE, rng=rng)
    if name == "last bit":
        return np.round(rng.uniform(-1, 1, 20 * RATE)) / 2**15
    return np.full(20 * RATE, 0.25 if name == "dc" else 0.0)


@pytest.mark.parametrize("name", ["white", "pink", "last bit", "digital silence", "dc"])
def test_no_number_without_a_tone(tmp_path, name):
    track = track_of(tmp_path, toneless(name))
    assert track.time_s.size == 2001
    assert not track.voiced.any()
    assert np.isnan(track.frequency_hz).all()
    assert np.isnan(track.u_hz).all()


@pytest.mark.parametrize("snr_db", range(-20, 65, 5))
@pytest.mark.parametrize(("wave", "hz"), [("saw", 110.3), ("triangle", 440.2), ("sine", 1000.7)])
def test_any_signal_to_noise_ratio_gives_right_numbers_or_none(tmp_path, wave, hz, snr_db):
    x, _ = noisy_tone(wave, hz, snr_db, 3.0, np.random.default_rng(snr_db + 100))
    track = track_of(tmp_path, x / 4)
    error = 1200 * np.log2(track.frequency_hz[track.voiced] / hz)
    assert np.all(np.abs(error) < 5)  # no false lock, no octave
    if snr_db >= 10:
        assert error.size > 0.85 * track.time_s.size
    if snr_db <= -15:
        assert error.size == 0


def test_notes_and_silence_between_them(tmp_path):
    notes = [(0.5, 2.0, 220.0), (2.5, 4.2, 233.082), (4.2, 5.5, 329.628), (5.5, 7.0, 195.998)]
    path, loud = np.full(8 * RATE, 220.0), np.zeros(8 * RATE)
    for begin, end, hz in notes:
        path[round(begin * RATE) : round(end * RATE)] = hz
        loud[round(begin * RATE) : round(end * RATE)] = 1.0
    x = moving_tone("saw", path, RATE) * loud
    x += 0.0004 * np.random.default_rng(4).standard_normal(x.size)
    track = track_of(tmp_path, x)
    should = np.zeros(track.time_s.size, dtype=bool)
    for begin, end, hz in notes:
        inside = (track.time_s >= begin + 0.05) & (track.time_s <= end - 0.05)
        error = track.cents(hz)[inside & track.voiced]
        assert np.abs(error).max() < 0.1
        assert error.size * track.hop_s > end - begin - 0.1 - 0.15
        should |= inside
    assert not track.voiced[~should].any()


@pytest.mark.parametrize(
    ("hz", "ratio", "at_s"),
    [(194.4, 0.5, 1.32), (516.7, 1 / 3, 1.71), (288.7, 2.0, 1.36), (187.4, 3.0, 1.78)],
)
def test_step_of_an_octave_or_a_twelfth_loses_neither_note(tmp_path, hz, ratio, at_s):
    """Where both notes share a period, the rough pitch may hold on to the lower one."""
    path = np.where(np.arange(3 * RATE) < at_s * RATE, hz, hz * ratio)
    x = moving_tone("saw", path, RATE)
    x += 0.0004 * np.random.default_rng(5).standard_normal(x.size)
    track = track_of(tmp_path, x)
    for note_hz, begin, end in ((hz, 0.3, at_s - 0.2), (hz * ratio, at_s + 0.2, 2.7)):
        inside = (track.time_s > begin) & (track.time_s < end)
        assert track.voiced[inside].all()
        assert np.abs(track.cents(note_hz)[inside]).max() < 0.1


@pytest.mark.parametrize("lost", [32, 64, 480])
def test_lost_samples_are_a_gap_and_no_jump(tmp_path, lost):
    """A recorder that drops samples shifts the phase; that is no change of pitch."""
    hz = 220.3
    x, _ = noisy_tone("saw", hz, 50, 6.0, np.random.default_rng(lost))
    cut = 3 * RATE + 17
    path = write_sound(tmp_path, np.concatenate([x[:cut], x[cut + lost :]]))
    track, phase = track_tone(sigkit.open_capture(path))
    cents = track.cents(hz)
    assert not track.voiced[(track.time_s > 2.96) & (track.time_s < 3.04)].any()
    assert np.nanmax(np.abs(cents)) < 0.01
    assert np.count_nonzero(~track.voiced[30:-30]) * track.hop_s < 0.2
    assert jumps_of(find_changes(phase)).empty


@pytest.mark.parametrize("samples", [1, 2, 10, 100, 1000, 5760, 6000, 9600, 12_000, 14_400, 24_000])
def test_short_files_give_few_frames_or_none(tmp_path, samples):
    x, _ = noisy_tone("saw", 220, 40, 1.0, np.random.default_rng(samples))
    track = track_of(tmp_path, x[:samples])
    assert track.time_s.size == math.floor(samples / RATE / 0.01 + 1e-9) + 1
    inside = (track.time_s > 0.05) & (track.time_s < samples / RATE - 0.05)
    assert not track.voiced[~inside].any()
    assert np.all(np.abs(track.cents(220.0)[track.voiced]) < 0.1)
    if samples >= 24_000:
        assert track.voiced.any()


def test_fade_out_ends_the_track_before_the_noise_does_harm(tmp_path):
    hz, t = 130.81, np.arange(8 * RATE) / RATE
    x, _ = noisy_tone("saw", hz, 200, 8.0, np.random.default_rng(6))
    x = x * np.exp(-t / 0.8) + 1e-4 * np.random.default_rng(7).standard_normal(t.size)
    track = track_of(tmp_path, x)
    assert track.voiced[(track.time_s > 0.2) & (track.time_s < 3.0)].all()
    assert not track.voiced[track.time_s > 7.5].any()
    assert np.nanmax(np.abs(track.cents(hz))) < 5


@pytest.mark.parametrize("hz", [110.0, 220.0])
def test_a_note_cut_out_of_silence_is_not_bent_at_its_edges(tmp_path, hz):
    """A sine switched hard on and off: the silence beside it must not reach into the pitch."""
    t = np.arange(6 * RATE) / RATE
    x = 0.3 * np.sin(2 * np.pi * hz * t) * ((2 * t).astype(int) % 2 == 0)
    x += 1e-5 * np.random.default_rng(6).standard_normal(x.size)
    track = track_of(tmp_path, x)
    assert np.count_nonzero(track.voiced) > 100
    assert np.nanmax(np.abs(track.cents(hz))) < 0.01
