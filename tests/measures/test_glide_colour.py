"""What the notes beside a glide tell of filters and couplings, and where a glide ends."""

import math

import numpy as np
import pytest
from glides import LN9, RATE, Slew, play
from scipy import special
from voice import couple

import sigkit
from sigkit.measures.glide.colour import CORNERS_HZ, corners_of
from sigkit.tracks.marks import find_marks

NOTES = ((0.1, 0.5, 200.0), (0.7, 1.1, 800.0))


def two_notes(wave_at):
    """Two held notes of a wave given by its phase in radians, 200 and 800 Hz."""
    t = np.arange(round(1.2 * RATE)) / RATE
    hz = np.where(t < 0.6, NOTES[0][2], NOTES[1][2])
    return wave_at(2 * math.pi * np.cumsum(hz) / RATE, hz)


def filtered_saw(corner_hz, poles):
    """A saw whose harmonics a filter of single poles takes from: exact in amplitude and phase."""

    def wave(phase, hz):
        orders = range(1, int(0.45 * RATE / hz.max()) + 1)
        parts = []
        for k in orders:
            x = k * hz / corner_hz
            parts.append(np.sin(k * phase - poles * np.arctan(x)) / k / (1 + x**2) ** (poles / 2))
        return np.sum(parts, axis=0)

    return wave


@pytest.mark.parametrize(("corner_hz", "poles"), [(2500.0, 4), (6000.0, 4), (4000.0, 1)])
def test_harmonics_tell_the_corner_of_a_filter(corner_hz, poles):
    """Against the closed form of single poles; to within an octave."""
    sound = two_notes(filtered_saw(corner_hz, poles))
    sound += 1e-3 * np.random.default_rng(1).standard_normal(sound.size)
    marks = find_marks(sound, RATE, *NOTES)[0]
    share = special.softmax(corners_of(sound, RATE, marks, *NOTES))
    near = np.abs(np.log2(CORNERS_HZ / corner_hz)) <= 1
    assert share[near].sum() > 0.9


def test_a_wave_that_keeps_its_harmonics_has_no_low_filter():
    sound = two_notes(filtered_saw(1e9, 1))
    sound += 1e-3 * np.random.default_rng(1).standard_normal(sound.size)
    marks = find_marks(sound, RATE, *NOTES)[0]
    share = special.softmax(corners_of(sound, RATE, marks, *NOTES))
    assert share[CORNERS_HZ < 20_000].sum() < 0.05


def test_a_sine_that_keeps_its_level_has_rather_no_low_filter():
    """A pole of 2 kHz takes 6 % of 800 Hz, the kinds of it more.

    Of five sizes of what a wave may change by itself two at most could make up for that.
    """
    sound = two_notes(lambda phase, _: np.sin(phase))
    sound += 1e-3 * np.random.default_rng(1).standard_normal(sound.size)
    marks = find_marks(sound, RATE, *NOTES)[0]
    share = special.softmax(corners_of(sound, RATE, marks, *NOTES))
    assert share[-1] > 5 / 2 * share[0]


@pytest.mark.parametrize("snr_db", [35.0, 80.0])
def test_couplings_move_the_marks_of_a_sine_by_their_phase(snr_db):
    """One pole: its phase is arctan(corner/f), in turns 1/(2 pi f) for each hertz (closed form)."""
    sound = two_notes(lambda phase, _: np.sin(phase))
    rng = np.random.default_rng(2)
    sound += 0.707 * 10 ** (-snr_db / 20) * rng.standard_normal(sound.size)
    for marks in find_marks(couple(sound, 5.0), RATE, *NOTES):
        for begin, end, hz in NOTES:
            inside = (marks.time_s > begin) & (marks.time_s < end)
            found = float(np.median(marks.shift[inside]))
            assert found == pytest.approx(-1 / (2 * math.pi * hz), rel=0.1)


def test_noise_does_not_steepen_the_slope_that_a_coupling_moves_marks_by():
    """A triangle of height 2: pi/16 of a period at 1 Hz, its integral over its slope (geometry)."""
    notes = ((0.1, 1.95, 67.3), (2.05, 3.0, 538.4))
    hz = np.where(np.arange(3 * RATE) < 2 * RATE, notes[0][2], notes[1][2])
    wave = 4 * np.abs(np.cumsum(hz) / RATE % 1 - 0.5) - 1
    rng = np.random.default_rng(3)
    for _ in range(4):
        noisy = wave + 10 ** (-35 / 20) * wave.std() * rng.standard_normal(wave.size)
        for marks in find_marks(noisy, RATE, *notes):
            found = float(np.median(marks.shift[marks.time_s < 1.9]))
            assert found == pytest.approx(-math.pi / 16 / notes[0][2], rel=0.05)


@pytest.mark.parametrize(("share", "slow_s"), [(0.03, 0.6), (0.1, 0.3)])
def test_a_second_slow_time_constant_is_seen(tmp_path, share, slow_s):
    """What a pole of 0.1 s leaves to a slower one: times of the pitch itself, by bisection."""

    class Two(Slew):
        def progress(self, t):
            t = np.maximum(t, 0.0)
            quick = (1 - share) * np.exp(-t * LN9 / self.seconds)
            return 1 - quick - share * np.exp(-t / slow_s)

    slew = Two("exponential", 0.1 * LN9)
    t = np.linspace(0, 10 * slow_s, 1_000_001)
    y = slew.progress(t)
    truth = t[np.argmax(y > 0.9)] - t[np.argmax(y > 0.1)]
    settled = t[np.argmax(2400 * (1 - y) < 5)]
    rng = np.random.default_rng(5)
    played = play(rng, [slew] * 2, low_hz=131.0, octaves=2, hold_s=9 * slow_s, snr_db=50.0)
    found = sigkit.measure_glide(sigkit.open_capture(played.write(tmp_path / "two.wav"))).glides
    assert (abs(found["glide_time_s"] - truth) <= 2 * found["u_glide_time_s"]).all()
    assert (abs(found["glide_time_s"] - truth) <= 0.02 * truth).all()
    late = abs(found["time_to_5_cents_s"] - settled)
    assert (late <= 2.5 * found["u_time_to_5_cents_s"]).all()
    np.testing.assert_allclose(abs(found["interval_cents"]), 2400, atol=3)


def test_vibrato_is_no_landing(tmp_path):
    """15 cents of it never stay within 5; the time holds within what the notes waver by."""
    rng = np.random.default_rng(6)

    class Wavering(Slew):
        def progress(self, t):
            return super().progress(t) + 15 / 2400 * np.sin(2 * math.pi * 6.1 * t)

    played = play(rng, [Wavering("exponential", 0.33)] * 3, low_hz=131.0, octaves=2, hold_s=1.5)
    found = sigkit.measure_glide(sigkit.open_capture(played.write(tmp_path / "vibrato.wav")))
    assert not found.time_to_5_cents.measurable
    assert "vibrato" in found.time_to_5_cents.reason
    whole = found.glides[found.glides["whole"]]
    assert (abs(whole["glide_time_s"] - 0.33) <= 2.5 * whole["u_glide_time_s"]).all()
    assert "come to rest" in found.glides["reason"].iloc[-1]  # the wobble goes on to its end
