"""The second opinion is silent about right tracks and speaks up about wrong octaves."""

import dataclasses

import numpy as np
import pytest
from tones import noisy_tone, write_sound

import sigkit
from sigkit.tracks.second_opinion import second_opinion


@pytest.mark.parametrize(
    ("wave", "hz"),
    [("saw", 32.7), ("saw", 110.3), ("triangle", 440.2), ("sine", 1046.5), ("saw", 2093.0)],
)
def test_agrees_with_right_tracks_and_not_with_wrong_octaves(tmp_path, wave, hz):
    x, _ = noisy_tone(wave, hz, 50, 5.0, np.random.default_rng(1))
    capture = sigkit.open_capture(write_sound(tmp_path, x))
    track = sigkit.track_pitch(capture)
    assert second_opinion(capture, track) == ()
    for factor in (2.0, 0.5):
        wrong = dataclasses.replace(track, frequency_hz=track.frequency_hz * factor)
        remarks = second_opinion(capture, wrong)
        assert len(remarks) == 3
        assert all("second opinion differs at" in remark for remark in remarks)
        assert all("librosa yin" in remark for remark in remarks)


def test_nothing_to_say_about_silence_and_very_short_tones(tmp_path):
    capture = sigkit.open_capture(write_sound(tmp_path, np.zeros(48_000)))
    assert second_opinion(capture, sigkit.track_pitch(capture)) == ()
    x, _ = noisy_tone("saw", 220, 40, 0.25, np.random.default_rng(2))
    capture = sigkit.open_capture(write_sound(tmp_path, x))
    track = sigkit.track_pitch(capture)
    assert track.voiced.any()
    assert second_opinion(capture, track) == ()


def test_the_track_is_left_as_it_was(tmp_path):
    x, _ = noisy_tone("saw", 220, 40, 2.0, np.random.default_rng(3))
    capture = sigkit.open_capture(write_sound(tmp_path, x))
    track = sigkit.track_pitch(capture)
    before = track.frequency_hz.copy()
    second_opinion(capture, track)
    np.testing.assert_array_equal(before, track.frequency_hz)
