"""Pitch of steady tones against the Cramer-Rao bound, and how far the stated u can be believed."""

import math

import numpy as np
import pytest
from numpy.testing import assert_array_equal
from tones import bound_cents, noisy_tone, window_behind_s, write_sound

import sigkit
from sigkit.errors import InputError, SignalError

WAVES = ("saw", "pulse", "triangle", "sine")
SECONDS = 5.0


def errors_cents(track, frequency_hz):
    return 1200 * np.log2(track.frequency_hz / frequency_hz)


def cases(count_per_wave, seed):
    """Random pitch, width and signal-to-noise ratio for each wave; the lowest and highest too."""
    rng = np.random.default_rng(seed)
    for wave in WAVES:
        for i in range(count_per_wave):
            hz = {0: 30.0, 1: 4200.0}.get(i, math.exp(rng.uniform(math.log(30), math.log(4200))))
            yield wave, hz, rng.uniform(20, 60), rng.uniform(0.05, 0.95), int(rng.integers(2**31))


@pytest.fixture(scope="module")
def steady(tmp_path_factory):
    """Track random steady tones once; every test on them reads the same errors."""
    folder, rows = tmp_path_factory.mktemp("steady"), []
    for wave, hz, snr_db, duty, seed in cases(9, 20260101):
        rng = np.random.default_rng(seed)
        x, _ = noisy_tone(wave, hz, snr_db, SECONDS, rng, duty=duty)
        track = sigkit.track_pitch(sigkit.open_capture(write_sound(folder, x)))
        window_s = window_behind_s(hz)
        bound = bound_cents(wave, hz, snr_db, window_s, duty=duty)
        label = f"{wave} {hz:.1f} Hz, {snr_db:.0f} dB, width {duty:.2f}"
        rows.append((label, hz, window_s, bound, track))
    return rows


def test_error_stays_near_the_cramer_rao_bound(steady):
    """rms error at most twice the exact bound (Rife and Boorstyn 1974) in every case.

    A bound is a limit for the expected error; an rms over n independent windows scatters by
    1/sqrt(2n) about it (chi-square), so the limit gets three times that on top. n is the number
    of windows that share no sound.
    """
    off = []
    for label, hz, window_s, bound, track in steady:
        error = errors_cents(track, hz)[track.voiced]
        independent = error.size * track.hop_s / window_s
        multiple = math.sqrt(np.mean(error**2)) / bound
        if multiple > 2 * (1 + 3 / math.sqrt(2 * independent)):
            off.append(f"{label}: {multiple:.2f}")
    assert not off


def test_typical_error_is_close_to_the_bound(steady):
    """The median over all cases, each within 1/sqrt(2n) = 11 % at n = 40, is known to about 3 %."""
    multiples = [
        math.sqrt(np.mean(errors_cents(track, hz)[track.voiced] ** 2)) / bound
        for _, hz, _, bound, track in steady
    ]
    assert 0.9 < np.median(multiples) < 1.2


def test_no_octave_errors(steady):
    for label, hz, _, _, track in steady:
        assert np.abs(errors_cents(track, hz)[track.voiced]).max() < 20, label


def test_no_holes(steady):
    """A steady tone has a pitch in every frame but at its ends: half a window and some periods."""
    holes = []
    for label, hz, window_s, _, track in steady:
        edge_s = 0.12 + 4.5 / hz + window_s / 2
        inside = (track.time_s > edge_s) & (track.time_s < SECONDS - edge_s)
        missing = track.time_s[inside & ~track.voiced]
        if missing.size:
            holes.append(f"{label}: {missing.round(2).tolist()}")
    assert not holes


def test_twice_u_holds_the_truth_in_95_percent_of_frames(steady):
    """Frames a window apart are independent: about 1500 in all, so 95 % is known to 0.6 %."""
    held = total = 0
    for _, hz, window_s, _, track in steady:
        step = math.ceil(window_s / track.hop_s)
        error, u = errors_cents(track, hz)[::step], track.u_cents()[::step]
        known = np.isfinite(error)
        held += np.count_nonzero(np.abs(error[known]) <= 2 * u[known])
        total += np.count_nonzero(known)
    assert total > 1200
    assert 0.93 <= held / total <= 0.97


def test_stated_u_is_the_scatter_in_every_case(steady):
    """u against the rms error, within three sampling errors 1/sqrt(2n) and a quarter beside."""
    off = []
    for label, hz, window_s, _, track in steady:
        error = errors_cents(track, hz)[track.voiced]
        independent = error.size * track.hop_s / window_s
        ratio = float(np.median(track.u_cents()[track.voiced])) / math.sqrt(np.mean(error**2))
        slack = 3 / math.sqrt(2 * independent) + 0.25
        if not 1 / (1 + slack) < ratio < 1 + slack:
            off.append(f"{label}: u is {ratio:.2f} of the scatter")
    assert not off


@pytest.mark.parametrize("window_s", [0.05, 0.3, 1.0])
@pytest.mark.parametrize(("wave", "hz"), [("saw", 130.8), ("triangle", 523.3)])
def test_other_windows_stay_near_the_bound(tmp_path, wave, hz, window_s):
    x, _ = noisy_tone(wave, hz, 40, 12.0, np.random.default_rng(7))
    track = sigkit.track_pitch(sigkit.open_capture(write_sound(tmp_path, x)), window_s=window_s)
    behind_s = window_behind_s(hz, window_s)
    error = errors_cents(track, hz)[track.voiced]
    independent = error.size * track.hop_s / behind_s
    multiple = math.sqrt(np.mean(error**2)) / bound_cents(wave, hz, 40, behind_s)
    assert multiple < 2 * (1 + 3 / math.sqrt(2 * independent))


@pytest.mark.parametrize("rate", [8000, 11025, 22050, 44100, 96000, 192000])
def test_any_sample_rate(tmp_path, rate):
    hz = 220.7
    x, _ = noisy_tone("saw", hz, 40, 3.0, np.random.default_rng(rate), rate=rate)
    track = sigkit.track_pitch(sigkit.open_capture(write_sound(tmp_path, x, rate)))
    error = errors_cents(track, hz)[track.voiced]
    bound = bound_cents("saw", hz, 40, window_behind_s(hz), rate=rate)
    assert error.size > 270
    assert math.sqrt(np.mean(error**2)) < 2 * (1 + 3 / math.sqrt(2 * 28)) * bound


def test_samples_of_16_bits_cost_no_more_than_their_rounding(tmp_path):
    """Rounding to 16 bits adds noise of 1/sqrt(12) steps (any handbook of signal processing)."""
    hz, snr_db = 110.3, 20 * math.log10(0.2 * math.sqrt(12) * 2**15)
    x, _ = noisy_tone("saw", hz, 200, 5.0, np.random.default_rng(3))
    track = sigkit.track_pitch(sigkit.open_capture(write_sound(tmp_path, x, subtype="PCM_16")))
    error = errors_cents(track, hz)[track.voiced]
    bound = bound_cents("saw", hz, snr_db, 11 / hz)
    assert math.sqrt(np.mean(error**2)) < 2 * (1 + 3 / math.sqrt(2 * 48)) * bound


@pytest.mark.parametrize("hz", [65.4, 110.3, 440.2])
def test_hum_at_minus_40_db_is_within_what_a_line_can_do(tmp_path, hz):
    """A line of relative amplitude r turns the phase of the harmonic it lies beside by at most r.

    Mains at 50, 100 and 150 Hz, together 40 dB below the tone, so a phase error of at most
    0.01 rad times sqrt(2 * 3) of single lines in line with each other, over a window of 0.1 s:
    a slope of at most 2 * 0.0245 / 0.1 s = 0.49 rad/s. No octave is lost and no frame.
    """
    x, _ = noisy_tone("saw", hz, 60, 4.0, np.random.default_rng(5))
    t = np.arange(x.size) / 48_000
    lines = sum(np.sin(2 * np.pi * f * t + p) for f, p in ((50, 0.3), (100, 1.1), (150, 2.2)))
    x += lines * (0.002 / np.sqrt(np.mean(lines**2)))
    track = sigkit.track_pitch(sigkit.open_capture(write_sound(tmp_path, x)))
    error = errors_cents(track, hz)[track.voiced]
    assert error.size > 360
    assert np.abs(error).max() < 1200 / math.log(2) * 0.49 / (2 * np.pi * hz)


def test_dc_changes_nothing(tmp_path):
    hz = 196.3
    x, _ = noisy_tone("pulse", hz, 40, 3.0, np.random.default_rng(8), duty=0.2)
    plain, shifted = (
        sigkit.track_pitch(sigkit.open_capture(write_sound(tmp_path, y))) for y in (x, x + 0.3)
    )
    assert_array_equal(plain.voiced, shifted.voiced)
    both = plain.voiced
    difference = errors_cents(shifted, hz)[both] - errors_cents(plain, hz)[both]
    assert np.abs(difference).max() < np.median(plain.u_cents()[both])


def test_missing_fundamental_and_weak_one(tmp_path):
    """A tone without its first two harmonics keeps its pitch; the ear hears it so (common fact)."""
    hz, rng = 98.0, np.random.default_rng(9)
    t = np.arange(4 * 48_000) / 48_000
    for first in (2, 3):
        x = sum(np.sin(2 * np.pi * k * hz * t + k) / k for k in range(first, 60))
        x = 0.2 * x / np.std(x) + 0.002 * rng.standard_normal(t.size)
        track = sigkit.track_pitch(sigkit.open_capture(write_sound(tmp_path, x)))
        assert np.count_nonzero(track.voiced) > 370
        assert np.abs(errors_cents(track, hz)[track.voiced]).max() < 0.1


@pytest.mark.parametrize("orders", [1, 4, 12])
def test_low_passed_tone_is_held_to_the_bound_of_what_is_left(tmp_path, orders):
    """Only the first harmonics of a saw, in noise: sum of k^2 A_k^2 over what is left.

    var(w) = 24 s^2 / (N (N^2 - 1) sum k^2 A_k^2), Rife and Boorstyn 1974 for harmonics apart.
    """
    hz, sd = 164.9, 0.002
    t = np.arange(6 * 48_000) / 48_000
    amplitude = 0.2 / np.arange(1, orders + 1)
    x = sum(a * np.sin(2 * np.pi * k * hz * t) for k, a in enumerate(amplitude, 1))
    x = x + sd * np.random.default_rng(orders).standard_normal(t.size)
    track = sigkit.track_pitch(sigkit.open_capture(write_sound(tmp_path, x)))
    error = errors_cents(track, hz)[track.voiced]
    n = round(48_000 * window_behind_s(hz))
    energy = np.sum((np.arange(1, orders + 1) * amplitude) ** 2)
    bound_rad_s = math.sqrt(24 * sd**2 / (n * (n**2 - 1) * energy)) * 48_000
    bound = 1200 / math.log(2) * bound_rad_s / (2 * np.pi * hz)
    assert math.sqrt(np.mean(error**2)) < 2 * (1 + 3 / math.sqrt(2 * 58)) * bound


def test_frames_lie_on_the_grid_up_to_the_end(tmp_path):
    x, _ = noisy_tone("saw", 220, 40, 2.345, np.random.default_rng(1))
    track = sigkit.track_pitch(sigkit.open_capture(write_sound(tmp_path, x)), hop_s=0.02)
    assert_array_equal(track.time_s, np.arange(118) * 0.02)
    assert track.frequency_hz.shape == track.u_hz.shape == track.voiced.shape == (118,)
    assert (track.window_s, track.hop_s) == (0.1, 0.02)
    assert not track.voiced[:3].any()
    assert not track.voiced[-3:].any()
    assert_array_equal(track.voiced, np.isfinite(track.frequency_hz))
    assert_array_equal(track.voiced, np.isfinite(track.u_hz))
    frame = track.to_frame()
    assert list(frame.columns) == ["time_s", "frequency_hz", "u_hz", "voiced"]
    assert track.cents(110.0)[track.voiced] == pytest.approx(1200, abs=0.1)
    assert track.u_cents()[60] == pytest.approx(1200 / math.log(2) * track.u_hz[60] / 220, rel=1e-3)


def test_same_sound_same_answer_wherever_the_blocks_fall(tmp_path):
    x, _ = noisy_tone("saw", 220.4, 40, 9.0, np.random.default_rng(2))
    capture = sigkit.open_capture(write_sound(tmp_path, x))
    first, second = sigkit.track_pitch(capture), sigkit.track_pitch(capture)
    assert_array_equal(first.frequency_hz, second.frequency_hz)
    late = sigkit.track_pitch(sigkit.open_capture(write_sound(tmp_path, x[48_000:])))
    n = late.time_s.size
    both = first.voiced[100 : 100 + n] & late.voiced
    shift = errors_cents(first, 220.4)[100 : 100 + n] - errors_cents(late, 220.4)
    assert np.count_nonzero(both) > 780
    assert np.abs(shift[both]).max() < np.median(first.u_cents()[first.voiced])


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"window_s": 0.0}, "window_s and hop_s must be above 0"),
        ({"hop_s": -0.01}, "window_s and hop_s must be above 0"),
        ({"hop_s": math.nan}, "window_s and hop_s must be above 0"),
        ({"least_periods": 2}, "least_periods at least 3"),
        ({"low_hz": 0.0}, "low_hz must be above 0"),
        ({"low_hz": 500.0, "high_hz": 400.0}, "low_hz must be above 0 and below high_hz"),
    ],
)
def test_refuses_what_makes_no_sense(tmp_path, options, message):
    x, _ = noisy_tone("saw", 220, 40, 1.0, np.random.default_rng(1))
    with pytest.raises(InputError, match=message):
        sigkit.track_pitch(sigkit.open_capture(write_sound(tmp_path, x)), **options)


def test_samples_that_are_not_numbers_are_named(tmp_path):
    x, _ = noisy_tone("saw", 220, 40, 1.0, np.random.default_rng(1))
    x[20_000] = np.nan
    with pytest.raises(SignalError, match="not a number"):
        sigkit.track_pitch(sigkit.open_capture(write_sound(tmp_path, x)))
