from types import SimpleNamespace

import numpy as np
import pytest
from scipy import ndimage, signal
from voice import RATE, decimate, oscillate

from sigkit.tracks.clean_tone import clean_tone
from sigkit.tracks.moving_phase import CLEAR, follow_phase
from sigkit.tracks.pitch_jumps import find_pitch_jumps, pitch_steps
from sigkit.tracks.residual import residual_of_block, track_residual


def voice(shape, octaves, width=0.5, jitter=0.0, seed=1):
    """A tone of the independent oscillator, rms about 0.5, with hiss at -60 dB re full scale."""
    rng = np.random.default_rng(seed)
    cycles = int(np.sum(2.0**octaves) / RATE) + 100
    wide = np.broadcast_to(np.asarray(width, float), octaves.shape).copy()
    sound = decimate(oscillate(shape, octaves, wide, jitter * rng.standard_normal(cycles)))
    return 0.5 * sound + 1e-3 * rng.standard_normal(sound.size)


@pytest.mark.parametrize("shape", ["saw", "pulse", "triangle", "sine"])
@pytest.mark.parametrize(("low_hz", "octaves_per_s"), [(60.0, 1.0), (110.0, 3.0), (900.0, -1.5)])
def test_a_slide_is_followed_to_a_few_cents(shape, low_hz, octaves_per_s):
    """Smoothed over three periods; a slide of s octaves a second moves within one by s / f."""
    octaves = np.log2(low_hz) + octaves_per_s * np.arange(int(1.2 * RATE)) / RATE
    found = follow_phase(voice(shape, octaves), RATE)
    inside = slice(RATE // 5, -RATE // 5)
    smooth = np.gradient(signal.savgol_filter(found.cycles, 2 * round(RATE / low_hz) + 1, 2)) * RATE
    cents = 1200 * (np.log2(smooth[inside]) - octaves[inside])
    assert np.abs(np.median(cents)) < 2
    assert np.quantile(np.abs(cents), 0.95) < 3 + 1200 * abs(octaves_per_s) / low_hz
    assert found.heard[5:-5].all()
    assert np.median(found.clarity) > CLEAR  # a steep slide is less like itself a period on
    assert found.frame_hz[found.heard].min() > 0.9 * 2 ** octaves.min()


def test_the_pitch_of_a_frame_is_finer_than_its_samples():
    """A triangle that slides by 0.5 octaves a second: its lag of 9 ms is told to 0.1 %.

    A path in steps of whole samples of the coarse sound (1 % here) would throw the periods.
    """
    octaves = np.log2(110) + 0.5 * np.arange(RATE) / RATE
    found = follow_phase(voice("triangle", octaves), RATE)
    at = np.round(found.frame_s * RATE).astype(int)
    ratio = found.frame_hz / 2 ** octaves[at]
    assert np.abs(ratio[3:-3] / np.median(ratio[3:-3]) - 1).max() < 1e-3


def test_noise_and_what_is_too_short_have_no_phase():
    rng = np.random.default_rng(2)
    assert follow_phase(rng.standard_normal(RATE // 5), RATE) is None
    assert follow_phase(np.zeros(RATE), RATE) is None


def left_db(shape, octaves, **more):
    """What is left of a clean tone above 500 Hz re the hiss, in the worst and the usual 10 ms."""
    x = voice(shape, octaves, **more)
    tone = clean_tone(x - x.mean(), RATE)
    high = signal.butter(4, 500, "high", fs=RATE, output="sos")
    rest = signal.sosfilt(high, x - x.mean() - tone.sound)[RATE // 5 : -RATE // 5]
    power = (rest[: rest.size // 480 * 480].reshape(-1, 480) ** 2).mean(axis=1) / 1e-6
    return 10 * np.log10(power.max()), 10 * np.log10(np.median(power))


def test_an_edge_that_moves_and_jitters_leaves_little_more_than_hiss():
    """A pulse of 70 Hz, 0.5 to 0.15 wide in 3 s, with jitter of 5e-5: 0.03 samples an edge.

    Its edges are 2000 times the hiss; laid on each other by the whole period they leave 30 dB.
    """
    count = 4 * RATE
    width = 0.5 - 0.35 * np.clip((np.arange(count) / RATE - 0.5) / 3, 0, 1)
    octaves = np.full(count, np.log2(70.0))
    worst, usual = left_db("pulse", octaves, width=width, jitter=5e-5)
    assert usual < 3
    assert worst < 15


def test_a_saw_that_slides_leaves_little_more_than_hiss():
    octaves = np.log2(80.0) + 1.0 * np.clip(np.arange(4 * RATE) / RATE - 1, 0, 2)
    worst, usual = left_db("saw", octaves, jitter=2e-5)
    assert usual < 2
    assert worst < 12


def test_a_jump_of_pitch_is_found_with_its_size_and_a_bend_is_not(tmp_path):
    """60 cents for 50 ms in a slow slide; and a vibrato of 40 cents at 3 Hz, which is no jump."""
    import soundfile as sf

    from sigkit.captures.wav import open_capture

    t = np.arange(4 * RATE) / RATE
    octaves = np.log2(150.0) + 0.2 * t
    octaves += np.where((t > 2.0) & (t < 2.05), 60 / 1200, 0)
    vibrato = np.log2(150.0) + 40 / 1200 * np.sin(2 * np.pi * 3 * t)
    for name, path, sizes in (("jump", octaves, [60.0]), ("bend", vibrato, [])):
        sf.write(tmp_path / f"{name}.wav", voice("saw", path), RATE, subtype="FLOAT")
        track = track_residual(open_capture(tmp_path / f"{name}.wav"))
        steps = pitch_steps(track)
        assessed = np.zeros(track.power.size, bool)
        assessed[300:-300] = True
        found = find_pitch_jumps(steps, assessed)
        assert [f.size_cents for f in found] == pytest.approx(sizes, abs=3)
        for f in found:
            assert (f.first, f.last) == pytest.approx((2000, 2050), abs=8)
            assert f.u_size_cents >= 1
        assert steps.limit[500] >= 9
        assert steps.cents.shape == steps.half.shape == steps.step.shape == track.hz.shape


def test_a_pitch_that_scatters_from_period_to_period_has_no_jumps():
    """Jitter of 4e-3 of a period is 7 cents: many steps above 12 cents, none a jump."""
    bins, _ = residual_of_block(voice("saw", np.full(6 * RATE, np.log2(150.0)), jitter=4e-3), RATE)
    steps = pitch_steps(SimpleNamespace(hz=bins["hz"], tone=bins["tone"]))
    assessed = np.zeros(bins["hz"].size, bool)
    assessed[300:-300] = True
    assert np.abs(steps.step[assessed]).max() > 12
    assert find_pitch_jumps(steps, assessed) == []


@pytest.mark.parametrize(("shape", "hz"), [("saw", 65.0), ("pulse", 80.0)])
def test_a_corner_of_the_level_is_allowed_for_in_the_floor(shape, hz):
    """Steady, then down by 60 dB a second: foretold from both sides the first period errs."""
    t = np.arange(4 * RATE) / RATE
    sound = voice(shape, np.full(t.size, np.log2(hz))) * 10 ** (-np.clip(t - 2, 0, 0.5) * 60 / 20)
    bins, _ = residual_of_block(sound, RATE)
    for band in ("mid", "high"):
        ratio = ndimage.uniform_filter1d(bins[band], 3) / ndimage.uniform_filter1d(
            bins[f"{band}_floor"], 3
        )
        corner, still = ratio[1950:2050].max(), ratio[500:1900].max()
        assert corner < 2 * still  # the largest of 100 bins, no more than of 1400 clean ones
