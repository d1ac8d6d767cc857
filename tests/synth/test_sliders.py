"""Pitch, timbre and width sliders: the paths they state, and dirt where and as it is said."""

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import signal

from sigkit.errors import InputError
from sigkit.synth import (
    Place,
    cents_above,
    dirty_pitch_slider,
    dirty_timbre_slider,
    dirty_width_slider,
    travel,
)

RATE = 32000
PERIOD = 320  # of 100 Hz
KINDS = (
    Place(position=0.2, width=0.02, level_db=-25.0, probability=1.0),
    Place(position=0.4, width=0.02, kind="dropout", level_db=-30.0, probability=1.0),
    Place(position=0.6, width=0.02, kind="chopped contact", level_db=-20.0, probability=1.0),
    Place(position=0.8, width=0.02, kind="jumping value", jump=-0.3, probability=1.0),
)


def hand(passes=2):
    return travel(RATE, passes=passes, travel_s=1.0, rest_s=0.4)


def timbre(places=(), passes=2, **options):
    options = {"cutoff_hz": (200.0, 6400.0)} | options
    return dirty_timbre_slider(
        hand(passes), frequency_hz=100.0, places=places, rng=np.random.default_rng(5), **options
    )


def width(places=(), passes=2):
    return dirty_width_slider(
        hand(passes), frequency_hz=100.0, places=places, rng=np.random.default_rng(5)
    )


def pitch(places=(), passes=2, **options):
    options = {"lowest_hz": 400.0, "range_cents": 2400.0} | options
    return dirty_pitch_slider(hand(passes), places=places, rng=np.random.default_rng(5), **options)


def harmonics(samples, at_s, periods=1):
    """Amplitudes of the harmonics of 100 Hz over whole periods from an instant on."""
    start = round(at_s * RATE)
    part = samples[start : start + periods * PERIOD]
    return np.abs(np.fft.rfft(part))[periods::periods] * 2 / len(part)


def low_pass(orders, cutoff_hz, q):
    """Response at harmonics of 100 Hz; scipy's analogue transfer function, two stages of 12 dB."""
    w = 2 * math.pi * cutoff_hz
    _, h = signal.freqs([1.0], [1 / w**2, 1 / (q * w), 1.0], worN=2 * math.pi * 100.0 * orders)
    return h**2


def saw_at(sample, h):
    """One sample of a saw of 100 Hz whose harmonics have passed a filter of response h."""
    orders = np.arange(1, len(h) + 1)
    turned = np.exp(2j * np.pi * 100 * orders * sample / RATE)
    return -np.sum(2 / np.pi / orders * (h * turned).imag)


@pytest.mark.parametrize("q", [0.5, 2.0])
def test_cutoff_is_what_is_stated_at_both_ends_and_on_the_way(q):
    """At rest by the spectrum; on the way sample by sample, a saw being 2/(pi k) sin(k phi)."""
    sound = timbre(q=q)
    orders = np.arange(1, 121)  # up to 12 kHz, below where harmonics are faded out
    ideal = 2 / np.pi / orders
    scale = harmonics(sound.samples, 0.1, 20)[0] / np.abs(low_pass(orders, 200.0, q) * ideal)[0]
    for at_s, cutoff in ((0.1, 200.0), (1.5, 6400.0)):
        found = harmonics(sound.samples, at_s, 20)[:120]
        assert_allclose(
            found, scale * np.abs(low_pass(orders, cutoff, q)) * ideal, rtol=1e-6, atol=1e-9
        )
        assert np.interp(at_s, sound.truth["time_s"], sound.truth["cutoff_hz"]) == cutoff
    position = hand().position
    for sample in np.random.default_rng(1).integers(0.5 * RATE, 0.9 * RATE, 50):
        expected = scale * saw_at(sample, low_pass(orders, 200 * 32 ** position[sample], q))
        assert sound.samples[sample] == pytest.approx(expected, abs=2e-4)  # harmonics above 12 kHz
    middle = sound.truth["cutoff_hz"][np.argmin(np.abs(sound.truth["position"] - 0.5))]
    assert middle == pytest.approx(math.sqrt(200 * 6400), rel=0.01)


def test_a_resonance_slider_moves_resonance_alone():
    sound = timbre(cutoff_hz=500.0, q=(0.5, 8.0))
    assert set(sound.truth["cutoff_hz"]) == {500.0}
    assert_allclose(np.interp([0.1, 1.5], sound.truth["time_s"], sound.truth["q"]), [0.5, 8.0])
    orders = np.arange(1, 11)
    closed, open_ = (harmonics(sound.samples, at_s, 20)[:10] for at_s in (0.1, 1.5))
    ratio = np.abs(low_pass(orders, 500.0, 8.0) / low_pass(orders, 500.0, 0.5))
    assert_allclose(open_ / closed, ratio, rtol=1e-9)
    orders, position = np.arange(1, 121), hand().position
    scale = closed[0] / np.abs(low_pass(orders, 500.0, 0.5) * 2 / np.pi)[0]
    for sample in np.random.default_rng(1).integers(0.5 * RATE, 1.3 * RATE, 30):
        expected = scale * saw_at(sample, low_pass(orders, 500.0, 0.5 * 16 ** position[sample]))
        assert sound.samples[sample] == pytest.approx(expected, abs=1e-5)


def test_width_is_what_is_stated_on_the_way():
    """Counted again from the sound: the share of samples above the middle of both levels."""
    sound = width()
    for at_s in np.arange(0.45, 1.4, 0.05):
        period = sound.samples[round(at_s * RATE) :][:PERIOD]
        share = np.mean(period > (np.quantile(period, 0.05) + np.quantile(period, 0.95)) / 2)
        if share > 0.94 or share < 0.06:
            continue
        told = np.interp(at_s + 0.005, sound.truth["time_s"], sound.truth["width"])
        assert share == pytest.approx(told, abs=0.012)  # it moves by up to 0.75 %; 1 of 320 samples
    assert_allclose(np.interp([0.1, 1.5], sound.truth["time_s"], sound.truth["width"]), [0.5, 0.9])
    position = sound.truth["position"]
    assert_allclose(sound.truth["width"], 0.5 + 0.4 * position, atol=1e-12)  # even between


@pytest.mark.parametrize("slider", [timbre, width])
def test_a_clean_slider_is_clean_and_as_loud_as_asked(slider):
    sound = slider()
    assert sound.truth["events"].empty
    assert np.array_equal(sound.samples, sound.truth["clean"])
    assert math.sqrt(np.mean(sound.samples**2) * 2) == pytest.approx(10 ** (-12 / 20))


@pytest.mark.parametrize("slider", [timbre, width, pitch])
def test_every_kind_of_dirt_is_where_and_as_loud_as_the_table_says(slider):
    sound = slider(KINDS, passes=4)
    events = sound.truth["events"]
    assert len(events) == 16
    assert events["number"].tolist() == [1] * 4 + [2] * 4 + [3] * 4 + [4] * 4
    difference = sound.samples - sound.truth["clean"]
    clean = sound.truth["clean"]
    outside = np.ones(len(difference), bool)
    for event in events.itertuples():
        part = slice(round(event.start_s * RATE), round(event.stop_s * RATE))
        outside[part] = False
        assert event.position == KINDS[event.place].position
        assert event.kind == KINDS[event.place].kind
        if slider is pitch and event.kind == "jumping value":
            assert (math.isnan(event.level_db), event.size_cents) == (True, -720.0)
            continue
        middle = (part.start + part.stop) // 2
        tone = math.sqrt(np.mean(clean[middle - 1600 : middle + 1600] ** 2))
        level = 20 * math.log10(math.sqrt(np.mean(difference[part] ** 2)) / tone)
        assert event.level_db == pytest.approx(level, abs=1.5)  # 100 ms of a moving tone
        if event.kind == "burst":
            assert event.level_db == pytest.approx(-25.0, abs=1e-9)
        assert math.isnan(event.size_cents)
    assert np.all(difference[outside] == 0)


def test_a_jumping_cutoff_is_that_of_the_other_place():
    """In its bad state a harmonic is as strong as at the place 0.4 higher; the fundamental too."""
    place = Place(position=0.45, width=0.2, kind="jumping value", jump=0.4, dwell_s=0.08,
                  probability=1.0)  # fmt: skip
    sound = timbre((place,))
    event = sound.truth["events"].iloc[0]
    at_s = event["start_s"] + 0.001
    position = np.interp(at_s + 0.005, sound.truth["time_s"], sound.truth["position"]) + 0.4
    orders = np.arange(1, 21)
    expected = np.abs(low_pass(orders, 200 * 32**position, 0.5)) / orders
    found = harmonics(sound.samples, at_s)[:20]
    assert_allclose(found / found[0], expected / expected[0], rtol=0.15)


def test_pitch_jumps_are_where_and_as_wide_as_stated():
    places = (
        Place(position=0.3, width=0.02, kind="pitch jump", size_cents=40.0, probability=1.0),
        Place(position=0.7, width=0.02, kind="pitch jump", size_cents=-90.0, probability=1.0),
    )
    sound = pitch(places, level_dbfs=-15.0)
    truth = sound.truth
    offset = cents_above(1.0, truth["frequency_hz"]) - cents_above(1.0, truth["clean_hz"])
    inside = np.zeros(len(offset), bool)
    for event in truth["events"].itertuples():
        middle = (event.start_s + event.stop_s) / 2
        at = np.argmin(np.abs(truth["time_s"] - middle))
        assert offset[at] == pytest.approx(event.size_cents, abs=1e-3)
        assert truth["position"][at] == pytest.approx(event.position, abs=0.01)
        assert math.isnan(event.level_db)
        inside |= (truth["time_s"] >= event.start_s) & (truth["time_s"] < event.stop_s)
    assert truth["events"]["size_cents"].tolist() == [40.0, -90.0, -90.0, 40.0]
    assert_allclose(offset[~inside], 0, atol=1e-9)
    assert np.array_equal(sound.samples, truth["clean"])  # nothing is added to the tone itself


def test_pitch_of_the_sound_is_the_path():
    """Zero crossings of the sound, counted: 2 octaves up, an even path in cents."""
    sound = pitch(shape="sine", lowest_hz=200.0)
    x, rate = sound.samples, sound.rate
    up = np.flatnonzero((x[:-1] < 0) & (x[1:] >= 0))
    at = up + x[up] / (x[up] - x[up + 1])
    hz = rate / np.diff(at)
    told = np.interp(
        (at[:-1] + at[1:]) / 2 / rate, sound.truth["time_s"], sound.truth["frequency_hz"]
    )
    assert_allclose(1200 * np.log2(hz / told), 0, atol=1.0)


def test_frequencies_are_exact_in_binary():
    hz = pitch(KINDS).truth["frequency_hz"]
    assert np.all(hz * 2**24 == np.rint(hz * 2**24))


def test_wrong_places_and_filters_are_refused():
    jump = (Place(position=0.5, kind="pitch jump", size_cents=30.0),)
    for slider in (timbre, width):
        with pytest.raises(InputError, match="cannot have a place of kind 'pitch jump'"):
            slider(jump)
    with pytest.raises(InputError, match="above zero at both ends"):
        timbre(cutoff_hz=(0.0, 400.0))
