"""The instant of switch-on, from thumps planted at random times in the recorder's own noise."""

import numpy as np
import pytest
from tones import noisy_tone, write_sound

import sigkit
from sigkit.synth import thump
from sigkit.tracks.power_on import find_power_on

RATE = 48_000


def capture_of(folder, *, thump_s=None, tone_s=4.0, peak=0.2, clicks=(), hiss=1e-5, seconds=8.0):
    rng = np.random.default_rng(round(1000 * tone_s))
    t = np.arange(round(seconds * RATE)) / RATE
    x = hiss * rng.standard_normal(t.size)
    if thump_s is not None:
        x += thump(t, at_s=thump_s, peak=peak)
    begin = round(tone_s * RATE)
    x[begin:] += noisy_tone("saw", 110.0, 60, seconds, rng)[0][: t.size - begin]
    for at_s, height in clicks:
        at = round(at_s * RATE)
        x[at : at + 48] += height * rng.standard_normal(48)
    return sigkit.open_capture(write_sound(folder, x))


@pytest.mark.parametrize("seed", range(8))
def test_found_within_20_ms(tmp_path, seed):
    """A thump some time before the tone begins, of either sign, 30 to 80 dB above the noise."""
    rng = np.random.default_rng(seed)
    thump_s, wait_s = rng.uniform(0.5, 3), rng.uniform(0.3, 4)
    peak = rng.choice([-1, 1]) * 10 ** rng.uniform(-2.5, -0.3)
    capture = capture_of(tmp_path, thump_s=thump_s, tone_s=thump_s + wait_s, peak=peak)
    found = find_power_on(capture, thump_s + wait_s)
    assert found.time_s == pytest.approx(thump_s, abs=0.020)
    assert found.kind == "thump"


def test_clicks_before_it_are_not_taken(tmp_path):
    """The switch of another unit, a plug, a finger: shorter than a thump and as loud."""
    capture = capture_of(tmp_path, thump_s=2.5, clicks=[(0.8, 0.3), (1.7, 0.4)])
    assert find_power_on(capture, 4.0).time_s == pytest.approx(2.5, abs=0.020)


def test_tone_that_begins_with_the_thump(tmp_path):
    capture = capture_of(tmp_path, thump_s=2.0, tone_s=2.0)
    assert find_power_on(capture, 2.0).time_s == pytest.approx(2.0, abs=0.020)


def test_tone_alone_after_silence_counts_from_its_onset(tmp_path):
    capture = capture_of(tmp_path, tone_s=3.0)
    found = find_power_on(capture, 3.0)
    assert found.time_s == pytest.approx(3.0, abs=0.020)
    assert found.kind == "tone"


def test_digital_silence_before_it(tmp_path):
    capture = capture_of(tmp_path, thump_s=1.5, tone_s=3.0, hiss=0.0)
    assert find_power_on(capture, 3.0).time_s == pytest.approx(1.5, abs=0.020)


def test_none_where_nothing_stands_out(tmp_path):
    """No thump, and the tone fades in slowly: there is no instant to be seen."""
    t = np.arange(10 * RATE) / RATE
    x, _ = noisy_tone("saw", 110.0, 90, 10.0, np.random.default_rng(1))
    swell = np.clip((t - 1) / 8, 0, 1) ** 2
    x = 0.02 * swell * x + 1e-3 * np.random.default_rng(2).standard_normal(t.size)
    assert find_power_on(sigkit.open_capture(write_sound(tmp_path, x)), 9.0) is None


def test_none_where_the_capture_begins_with_the_tone(tmp_path):
    assert find_power_on(capture_of(tmp_path, tone_s=0.1), 0.1) is None


def test_a_tone_long_after_the_thump(tmp_path):
    capture = capture_of(tmp_path, thump_s=1.2, tone_s=61.0, seconds=64.0)
    assert find_power_on(capture, 61.0).time_s == pytest.approx(1.2, abs=0.020)


def swell(t, at_s, rng):
    """Direct voltage that rises and leaks away through a coupling capacitor."""
    since = np.maximum(t - at_s, 0)
    return (np.exp(-since / 0.3) - np.exp(-since / 0.05)) * rng.uniform(0.05, 0.5)


def ring(t, at_s, rng):
    """A relay or loudspeaker that rings."""
    since = np.maximum(t - at_s, 0)
    return (
        (t >= at_s) * np.exp(-since / 0.05) * np.sin(2 * np.pi * rng.uniform(40, 300) * since) * 0.2
    )


def twice(t, at_s, rng):
    """The mains switch, then the thump a moment later as the rails come up."""
    later_s = at_s + rng.uniform(0.1, 0.6)
    return thump(t, at_s=at_s, peak=0.05, fall_s=0.02) + thump(t, at_s=later_s, peak=0.4)


def plain(t, at_s, rng):
    return thump(t, at_s=at_s, peak=rng.choice([-1, 1]) * 10 ** rng.uniform(-1.7, -0.2))


@pytest.mark.parametrize("kind", [plain, swell, ring, twice])
@pytest.mark.parametrize("seed", range(6))
def test_found_within_a_second_in_hum_and_handling(tmp_path, kind, seed):
    """Hum and hiss before it, clicks and a knock on the table; hiss of the instrument after it."""
    rng = np.random.default_rng([seed, len(kind.__name__)])
    rate = 8000
    thump_s = rng.uniform(3, 8)
    tone_s = thump_s + rng.uniform(1.5, 6)
    t = np.arange(round((tone_s + 3) * rate)) / rate
    x = 10 ** rng.uniform(-4.5, -3.5) * rng.standard_normal(t.size)
    hum = 10 ** rng.uniform(-4, -2.7)
    x += hum * np.sin(2 * np.pi * rng.choice([50, 60]) * t + rng.uniform(0, 6))
    x += kind(t, thump_s, rng)
    x += (t > thump_s) * 10 ** rng.uniform(-2.9, -2.5) * rng.standard_normal(t.size)
    for _ in range(rng.integers(0, 4)):
        at = round(rng.uniform(0.5, thump_s - 0.6) * rate)
        x[at : at + 8] += rng.uniform(0.05, 0.5) * rng.standard_normal(8)
    if seed % 2:
        knock_s = rng.uniform(0.8, thump_s - 1)
        x += (t >= knock_s) * np.exp(-np.maximum(t - knock_s, 0) / 0.02) * 0.5 * np.sin(900 * t)
    x += (t > tone_s) * 0.2 * np.sin(2 * np.pi * 261.63 * t)
    found = find_power_on(sigkit.open_capture(write_sound(tmp_path, x, rate)), tone_s)
    assert found.time_s == pytest.approx(thump_s, abs=1.0)
    assert found.kind != "tone"
