"""What a recorder does wrong, planted at known samples and seen in passing."""

import numpy as np
import pytest
import soundfile as sf
from tones import moving_tone

import sigkit
from sigkit.captures.watch import watched

RATE = 48_000


def passed(folder, frames, channel=0, seconds=4.0):
    path = folder / "sound.wav"
    sf.write(path, frames, RATE, subtype="PCM_24")
    capture = watched(sigkit.open_capture(path, channel=channel))
    sound = np.concatenate(list(capture.blocks(seconds)))
    np.testing.assert_array_equal(sound, sigkit.open_capture(path, channel=channel).read())
    return capture.watch


def stereo(wave="saw", hz=110.0, seconds=10):
    count = seconds * RATE
    x = moving_tone(wave, np.full(count, hz), RATE, duty=0.3)
    x += 1e-4 * np.random.default_rng(1).standard_normal(count)
    return np.stack([x, 0.1 * np.roll(x, 7), np.zeros(count)], axis=1)


@pytest.mark.parametrize("at", [200_000, 4 * RATE - 30, 4 * RATE])
@pytest.mark.parametrize("length", [8, 64, 5000])
def test_runs_of_zeros_wherever_the_blocks_end(tmp_path, at, length):
    x = stereo()
    x[at : at + length, 0] = 0
    x[:100, 0] = 0
    watch = passed(tmp_path, x)
    assert [(s.first, s.samples, s.channels) for s in watch.silences[1:]] == [(at, length, (0, 2))]
    assert watch.silences[0].samples == 100
    assert watch.silences[1].beside > 0.01
    assert watch.alive == (0, 1)
    assert not watch.glitches


@pytest.mark.parametrize(("wave", "hz"), [("saw", 31.0), ("pulse", 440.0), ("sine", 2000.0)])
def test_single_samples_in_one_and_in_all_channels(tmp_path, wave, hz):
    x = stereo(wave, hz)
    x[123_456, 0] += 0.5
    x[300_000, :2] -= 0.5
    watch = passed(tmp_path, x)
    assert [(g.at, g.channels) for g in watch.glitches] == [(123_456, (0,)), (300_000, (0, 1))]
    assert not watch.silences


def test_clean_sound_clicks_and_quiet_ends_show_nothing(tmp_path):
    """A click of the instrument lasts for more than one sample, and a fade may end in zeros."""
    x = stereo()
    x[200_000:200_300, 0] += 0.4 * np.hanning(300)
    x[:, 0] *= np.linspace(1, 0, len(x)) ** 2
    watch = passed(tmp_path, x)
    assert not watch.glitches
    assert all(s.beside < 1e-5 for s in watch.silences)


def test_excerpts_are_the_sound_and_each_pass_starts_anew(tmp_path):
    x = stereo(seconds=20)
    path = tmp_path / "long.wav"
    sf.write(path, x, RATE, subtype="FLOAT")
    capture = watched(sigkit.open_capture(path, channel=1))
    for _ in range(2):
        assert sum(block.size for block in capture.blocks(4.0)) == len(x)
    assert [start for start, _ in capture.watch.excerpts] == [4.0, 8.0, 12.0]
    for start, sound in capture.watch.excerpts:
        first = round(start * RATE)
        np.testing.assert_allclose(sound, x[first : first + sound.size, 1], atol=1e-7)
    np.testing.assert_array_equal(capture.read(1.0, 1.5), sigkit.open_capture(path, 1).read(1, 1.5))
