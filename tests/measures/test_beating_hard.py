"""What misleads: oscillators that pull each other, and single ones whose filter or level moves."""

import math

import numpy as np
import pytest
from tones import moving_tone, tone, write_sound

import sigkit
from sigkit.synth.paths import pulled_hz

RATE = 16_000


def pulled(folder, apart_cents, lock_cents, seconds, *, hz=440.0):
    """Capture of two saws of which the second one is pulled, and its distance in Hz.

    R. Adler, "A study of locking phenomena in oscillators", Proc. IRE 34 (1946), 351-357.
    """
    t = np.arange(round(seconds * RATE)) / RATE
    apart = np.interp(t, [0, seconds], np.broadcast_to(apart_cents, 2))
    apart_hz = hz * (2 ** (apart / 1200) - 1)
    lock_hz = hz * (2 ** (lock_cents / 1200) - 1)
    path = pulled_hz(t, apart_hz=apart_hz, lock_hz=lock_hz, phase_rad=0.3)
    sound = moving_tone("saw", np.full(t.size, hz), RATE) + moving_tone("saw", hz + path, RATE)
    sound = 0.3 * sound + 3e-4 * np.random.default_rng(1).standard_normal(t.size)
    capture = sigkit.open_capture(write_sound(folder, sound, RATE))
    return sigkit.measure_beating(capture), math.sqrt(abs(apart_hz[0] ** 2 - lock_hz**2))


@pytest.mark.parametrize(("apart", "lock"), [(5.0, 1.6), (3.0, 1.2), (-4.0, 1.6), (2.0, 1.6)])
def test_oscillators_that_pull_each_other(tmp_path, apart, lock):
    """They beat at sqrt(apart^2 - lock^2) on average, by Adler's equation in closed form."""
    result, beat_hz = pulled(tmp_path, apart, lock, 10.0)
    assert abs(float(result.beat_rate) - beat_hz) < 3 * result.beat_rate.u
    assert result.beat_rate.u < 0.2 * beat_hz
    assert "two oscillators" in set(result.parts["kind"])
    assert "one oscillator or locked" not in set(result.parts["kind"])
    strong = beat_hz * 2 > 1.5 or lock > 0.7 * apart
    assert ("pull each other" in " ".join(result.notes)) or not strong


@pytest.mark.parametrize("apart", [0.0, 1.0, -1.5])
def test_oscillators_that_are_held(tmp_path, apart):
    result, _ = pulled(tmp_path, apart, 1.6, 10.0)
    held = result.parts[result.parts["kind"] == "one oscillator or locked"]
    # At first they slide into place.
    assert float(held["stop_s"].max() - held["start_s"].min()) > 6


def test_sweep_through_a_pulling_lock(tmp_path):
    result, _ = pulled(tmp_path, (-6.0, 6.0), 1.6, 48.0)
    assert abs(float(result.locking_width) - 3.2) < 2 * result.locking_width.u
    assert result.locking_width.u < 0.8
    assert "hold it still" in result.detune.reason
    # Held from 17.6 to 30.4 s: nothing is told apart in there.
    inside = result.curve["time_s"].between(19, 29)
    assert result.curve.loc[inside, "detune_cents"].isna().all()


def single(rng, kind, seconds=6.0):
    """One oscillator with a part that moves as a technician's hand or a modulator moves it."""
    t = np.arange(round(seconds * RATE)) / RATE
    hz = 2 ** rng.uniform(math.log2(100), math.log2(700))
    top = int(0.45 * RATE / hz)
    knots = np.linspace(0, seconds, 7)
    if kind == "filter sweep":
        corner = np.exp(np.interp(t, knots, np.log(rng.uniform(0.8, 12, 7)))) * hz
        phase, out = hz * t + rng.random(), np.zeros(t.size)
        for k in range(1, top + 1):
            passed = 1 / (1 + 1j * k * hz / corner) ** 4
            out += (np.exp(2j * np.pi * k * phase) * passed / k).imag
        return out
    if kind == "closing filter":
        corner = rng.uniform(4, 10) * hz * np.exp(-t / rng.uniform(1, 4))
        phase, out = hz * t + rng.random(), np.zeros(t.size)
        for k in range(1, top + 1):
            passed = 1 / (1 + 1j * k * hz / corner) ** rng.choice([2, 4])
            out += (np.exp(2j * np.pi * k * phase) * passed / k).imag
        return out
    if kind == "level fades":
        return tone("saw", hz * t, top) * np.interp(t, knots, rng.uniform(0.1, 1, 7))
    if kind == "pulse width":
        speed = rng.uniform(0.05, 6)
        width = 0.5 + rng.uniform(0.05, 0.4) * np.sin(2 * np.pi * speed * t + rng.uniform(0, 6))
        return tone("saw", hz * t, top) - tone("saw", hz * t - width, top)
    depth, speed = rng.uniform(1, 30), rng.uniform(0.1, 7)
    wobble = np.sin(2 * np.pi * speed * t + rng.uniform(0, 6))
    sound = moving_tone("saw", hz * 2 ** (depth * wobble / 1200), RATE)
    return sound * (1 + rng.uniform(0, 0.5) * wobble)


@pytest.mark.parametrize(
    "kind", ["filter sweep", "closing filter", "level fades", "pulse width", "vibrato"]
)
def test_one_oscillator_that_moves_is_not_two(tmp_path, kind):
    rng = np.random.default_rng(len(kind))
    for case in range(3):
        sound = single(rng, kind)
        noise = 10 ** (-rng.uniform(20, 60) / 20)
        sound = 0.1 * (sound / np.std(sound) + noise * rng.standard_normal(sound.size))
        capture = sigkit.open_capture(write_sound(tmp_path, sound, RATE, subtype="PCM_16"))
        result = sigkit.measure_beating(capture)
        assert not result.detune.measurable, case
        assert "two oscillators" not in set(result.parts["kind"]), case
