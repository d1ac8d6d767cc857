"""The carrier's pitch, its drift, its wave, and the envelope on it."""

import numpy as np
import pytest
from envelopes import Plant, take

from sigkit.tracks.envelope.carrier import find_carrier
from sigkit.tracks.envelope.power import power_track

GATES, SECONDS = [(0.5, 1.5)], 2.5


def found(made):
    t = np.arange(made.samples.size) / made.rate
    return find_carrier(made.samples, made.rate, 0.0, (t < 0.45) | (t > 2.3)), t


@pytest.mark.parametrize("wave", ["saw", "pulse", "triangle", "sine"])
@pytest.mark.parametrize("hz", [41.2, 223.4, 1975.5])
def test_the_pitch_is_found_to_a_millionth(wave, hz):
    """40 periods or more at 60 dB; twenty millionths below 100 Hz, where there are as few."""
    made = take(Plant(), GATES, SECONDS, wave=wave, hz=hz, rng=np.random.default_rng(1))
    carrier, _ = found(made)
    assert carrier.hz / hz - 1 == pytest.approx(0, abs=2e-6 if hz > 100 else 2e-5)
    assert carrier.points >= made.rate / hz
    assert carrier.period_s == pytest.approx(1 / hz, rel=1e-4)
    assert carrier.misfit < 1e-3
    assert carrier.noise == pytest.approx(0.2e-3, rel=0.1)
    assert carrier.drift_cents < 0.2
    assert carrier.held == pytest.approx(np.sum(made.gain > 0.1) / made.rate * hz, rel=0.2)
    assert carrier.wave_rms == pytest.approx(0.2, rel=0.1)


@pytest.mark.parametrize("wave", ["saw", "pulse"])
@pytest.mark.parametrize(("rate", "hz"), [(96_000, 1625.05), (96_000, 1600.0), (44_100, 1811.3)])
def test_its_level_is_that_of_all_its_harmonics(wave, rate, hz):
    """Rms 0.2 by Parseval's theorem, whether it is read at the samples or anywhere between them.

    At 60 dB its own noise is below 1e-5; without what reading loses it was 2e-3 too low.
    """
    made = take(Plant(), GATES, SECONDS, wave=wave, hz=hz, rate=rate, rng=np.random.default_rng(4))
    carrier, t = found(made)
    _, gain, _ = carrier.blocks(np.array([1.0, 1.5]))
    truth = made.gain[(t >= 1.0) & (t < 1.5)].mean()
    assert gain[0] * carrier.wave_rms == pytest.approx(0.2 * truth, rel=1e-4)


@pytest.mark.parametrize("cents", [5.0, -20.0])
def test_a_drifting_pitch_is_followed(cents):
    made = take(Plant(), GATES, SECONDS, hz=330.0, drift_cents=cents, rng=np.random.default_rng(2))
    carrier, t = found(made)
    time, gain, u = carrier.blocks(np.arange(0.55, 1.5, 0.01))
    truth = np.interp(time, t, made.gain)
    scale = gain @ truth / (truth @ truth)
    assert carrier.misfit < 1e-4
    assert carrier.drift_cents == pytest.approx(abs(cents) * 1.0 / SECONDS, rel=0.3)
    assert np.sqrt(np.mean((gain / scale - truth) ** 2)) < 1e-3
    assert np.all(u < 1e-3)


def test_the_envelope_is_signed_and_linear_within_its_noise():
    """In rest it is as often below zero as above; a rectifier would show a floor."""
    made = take(Plant(), GATES, SECONDS, hz=440.0, snr_db=40, rng=np.random.default_rng(3))
    carrier, t = found(made)
    time, gain, u = carrier.blocks(np.arange(0.0, 0.49, 0.005))
    assert 0.25 < np.mean(gain > 0) < 0.75
    assert 0.7 < np.std(gain / u) < 1.4
    time, gain, _ = carrier.blocks(np.arange(0.6, 1.45, 0.005))
    truth = np.interp(time, t, made.gain)
    ratio = gain / truth
    assert np.ptp(ratio) / ratio.mean() < 0.02


def test_what_the_wave_does_not_explain_is_told():
    made = take(Plant(), GATES, SECONDS, hz=440.0, rng=np.random.default_rng(4))
    t = np.arange(made.samples.size) / made.rate
    rng = np.random.default_rng(5)
    made.samples += 0.05 * made.gain * rng.standard_normal(t.size)
    carrier, _ = found(made)
    assert carrier.misfit == pytest.approx(0.05**2 / 0.2**2, rel=0.2)
    rms, noise = carrier.rest(0.8, 1.2, lambda s: np.interp(s, t, made.gain) / made.gain.max())
    assert rms > 20 * noise


def test_noise_and_silence_have_no_carrier():
    rng = np.random.default_rng(6)
    for sound in (rng.standard_normal(96_000), np.zeros(96_000)):
        assert find_carrier(sound, 48_000, 0.0, np.zeros(96_000, bool)) is None


def test_power_of_noise_scatters_as_stated():
    rng = np.random.default_rng(7)
    sound = rng.standard_normal(96_000)
    sound[:24_000] *= 0.01
    quiet = np.arange(96_000) < 24_000
    track = power_track(sound, 48_000, 0.0, quiet, None)
    assert not track.blocks(np.zeros(0))[0].size
    _, gain, u = track.blocks(np.arange(0.6, 2.0, 0.004))
    assert track.is_noise
    assert track.wave_rms == pytest.approx(1.0, rel=0.1)
    assert np.std(gain) == pytest.approx(np.mean(u), rel=0.15)
    assert np.mean(gain) * track.size == pytest.approx(1.0, rel=0.01)
    _, rest, _ = track.blocks(np.arange(0.0, 0.5, 0.1))
    assert np.all(np.abs(rest) < 0.01)


def test_the_phase_is_followed_down_to_the_noise():
    """Half a second after a release that ends 60 dB down, at a pitch that drifts by 6 cents.

    An envelope read along a phase that is only guessed there is too low by its cosine.
    """
    plant = Plant(range_db=60.0, sustain=0.7, release_s=0.35)
    made = take(plant, [(0.6, 1.1)], 2.6, hz=1100.0, snr_db=70.0, drift_cents=6.0)
    t = np.arange(made.samples.size) / made.rate
    carrier = find_carrier(made.samples, made.rate, 0.0, t < 0.55)
    at, gain, _ = carrier.blocks(np.arange(1.5, 2.5, 0.05))
    true = np.interp(at, t, made.gain)
    size = np.interp(1.0, t, made.gain) / carrier.blocks(np.array([0.98, 1.02]))[1][0]
    assert 20 * np.log10(gain * size / true) == pytest.approx(0, abs=0.2)


def test_a_carrier_is_read_anew_along_a_phase_that_runs_ahead():
    """By a tenth of a period at the end, which is then read a tenth of a period sooner."""
    carrier, _ = found(take(Plant(), GATES, SECONDS, hz=100.3, rng=np.random.default_rng(2)))
    moved = carrier.ahead(np.array([0.0, carrier.gain.size]), np.array([0.0, 0.1]))
    share = np.arange(carrier.time_s.size) / carrier.time_s.size
    sooner = (moved.time_s - carrier.time_s) * 100.3
    assert sooner[: -carrier.points] == pytest.approx(-0.1 * share[: -carrier.points], abs=1e-3)
    loud = slice(*np.searchsorted(carrier.time_s, [0.7, 1.4]).tolist())
    read = np.interp(moved.time_s[loud], carrier.time_s, carrier.sound)
    assert np.std(moved.sound[loud] - read) < 0.05 * np.std(carrier.sound[loud])
    assert moved.on_wave(2 * carrier.wave).wave_rms == pytest.approx(2 * carrier.wave_rms)
