"""Dirty sliders: faults where and as loud as stated, and nothing else."""

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sigkit.errors import InputError
from sigkit.synth import (
    LowPass,
    Place,
    audio_taper,
    dirty_level_slider,
    travel,
)
from sigkit.synth.dirt import crossings

RATE = 32000
PLACES = (
    Place(position=0.35, width=0.004, level_db=-25.0),
    Place(position=0.6, width=0.02, level_db=-40.0),
    Place(position=0.8, width=0.01, kind="dropout", level_db=-30.0),
)


def play(places=PLACES, seed=1, **options):
    return dirty_level_slider(
        travel(RATE, passes=6, travel_s=1.0, rest_s=0.3),
        frequency_hz=100.0,
        places=places,
        rng=np.random.default_rng(seed),
        response=LowPass(150.0),
        **options,
    )


def test_travel_goes_up_and_down_with_rests():
    t = travel(RATE, passes=3, travel_s=1.0, rest_s=0.3, low=0.1, high=0.9)
    at = (np.array([0.1, 0.8, 1.45, 2.1, 2.7]) * RATE).astype(int)
    assert_allclose(t.position[at], [0.1, 0.5, 0.9, 0.5, 0.1], atol=1e-12)
    assert t.passes["direction"].tolist() == ["up", "down", "up"]
    assert_allclose(t.passes["start_s"], [0.3, 1.6, 2.9])
    assert_allclose(t.passes["stop_s"], [1.3, 2.6, 3.9])
    resting = (np.arange(len(t.position)) / RATE > 1.301) & (
        np.arange(len(t.position)) / RATE < 1.6
    )
    assert not t.moving[resting].any()


def test_audio_taper_ends_at_nothing_and_everything():
    assert_allclose(audio_taper(np.array([0.0, 0.5, 1.0])), [0.0, 1 / 11, 1.0])


def test_dirt_is_where_the_table_says_and_nowhere_else():
    sound = play()
    difference = sound.samples - sound.truth["clean"]
    events = sound.truth["events"]
    assert 10 <= len(events) <= 18
    outside = np.ones(len(difference), bool)
    for event in events.itertuples():
        part = slice(round(event.start_s * RATE), round(event.stop_s * RATE))
        assert np.all(outside[part])
        outside[part] = False
        place = PLACES[event.place]
        assert (event.kind, event.position) == (place.kind, place.position)
        where = sound.truth["gain"][round(event.start_s * 1000) + 1]
        there = audio_taper(np.array([place.position - place.width, place.position + place.width]))
        assert there[0] < where < there[1]
        begun = sound.truth["passes"]["start_s"][event.number - 1]
        assert begun < event.start_s < event.stop_s < begun + 1.0
        assert math.isnan(event.size_cents)
    assert np.all(difference[outside] == 0)
    assert sorted(events["start_s"]) == events["start_s"].tolist()


def test_levels_are_re_the_tone_around():
    """Measured again from the sound alone: residual over event, re whole periods around it."""
    sound = play(tuple(p for p in PLACES if p.width < 0.02))
    x, clean = sound.samples, sound.truth["clean"]
    for event in sound.truth["events"].itertuples():
        a, b = round(event.start_s * RATE), round(event.stop_s * RATE)
        around = clean[a - 320 : a + 320]
        tone = math.sqrt(np.mean(around**2))
        level = 20 * math.log10(math.sqrt(np.mean((x - clean)[a:b] ** 2)) / tone)
        # the level of the moving tone changes within two periods by up to 2 dB
        assert level == pytest.approx(event.level_db, abs=2.5)
        if event.kind == "burst":
            assert event.level_db == pytest.approx(-25.0, abs=1e-9)
        else:
            middle = slice((a + b) // 2 - 40, (a + b) // 2 + 40)
            assert_allclose(x[middle], clean[middle] * 10 ** (-30 / 20), rtol=1e-12)


def test_every_crossing_fires_or_none_as_the_probability_says():
    always = tuple(Place(position=p, probability=1.0) for p in (0.3, 0.7))
    never = tuple(Place(position=p, probability=0.0) for p in (0.3, 0.7))
    assert len(play(always).truth["events"]) == 12
    clean = play(never)
    assert len(clean.truth["events"]) == 0
    assert np.array_equal(clean.samples, clean.truth["clean"])
    path, place = travel(RATE, passes=6, travel_s=1.0), (Place(position=0.4, probability=0.5),)
    half = [len(crossings(path, place, rng=np.random.default_rng(s))) for s in range(40)]
    assert sum(half) == pytest.approx(120, abs=4 * math.sqrt(240 * 0.25))  # binomial, 4 sd


def test_loose_dirt_fires_in_the_first_passes_only():
    path = travel(RATE, passes=6, travel_s=1.0)
    loose = Place(position=0.4, probability=1.0, passes=2)
    stuck = Place(position=0.6, probability=0.5)
    both, alone = (
        crossings(path, places, rng=np.random.default_rng(4))
        for places in ((loose, stuck), (replace(loose, passes=None), stuck))
    )
    number = path.passes["number"].to_numpy()
    begun = (path.passes["start_s"] * RATE).to_numpy()
    of = {
        index: [
            int(number[np.searchsorted(begun, first) - 1]) for i, first, _ in both if i == index
        ]
        for index in (0, 1)
    }
    assert of[0] == [1, 2]
    assert [c for c in both if c[0] == 1] == [c for c in alone if c[0] == 1]  # same chances
    assert len([c for c in alone if c[0] == 0]) == 6


def test_a_chopped_contact_lets_all_or_little_through():
    """What is left of the sound, sample by sample: all or -20 dB, for as long as is said."""
    place = Place(
        position=0.6, width=0.2, kind="chopped contact", level_db=-20.0, dwell_s=0.004,
        probability=1.0,
    )  # fmt: skip
    sound = play((place,))
    clean = sound.truth["clean"]
    dwells = []
    for event in sound.truth["events"].itertuples():
        part = slice(round(event.start_s * RATE), round(event.stop_s * RATE))
        good = np.abs(clean[part]) > 1e-6
        left = (sound.samples[part] / np.where(good, clean[part], 1.0))[good]
        assert left.min() == pytest.approx(0.1)
        assert left.max() <= 1 + 1e-12
        between = (left > 0.11) & (left < 0.99)
        assert np.mean(between) < 0.1  # a contact opens and closes within 0.2 ms of 4 ms
        changes = np.count_nonzero(np.diff(left > 0.55))
        assert changes % 2 == 0  # it is bad at both ends, but for the last 0.5 ms
        dwells.append((event.stop_s - event.start_s) / (changes - 1))
        error = np.sqrt(np.mean((sound.samples - clean)[part] ** 2))
        tone = np.sqrt(np.mean(clean[part] ** 2))
        assert event.level_db == pytest.approx(20 * math.log10(error / tone), abs=1.0)
    assert len(dwells) == 6
    assert np.mean(dwells) == pytest.approx(0.004, rel=0.25)


def test_a_jumping_value_is_the_slider_s_own_or_that_of_another_place():
    place = Place(
        position=0.5, width=0.1, kind="jumping value", jump=0.2, dwell_s=0.003, probability=1.0
    )
    sound = play((place,))
    clean, events = sound.truth["clean"], sound.truth["events"]
    position = np.interp(
        np.arange(len(clean)) / RATE, sound.truth["time_s"], sound.truth["position"]
    )
    outside = np.ones(len(clean), bool)
    for event in events.itertuples():
        part = slice(round(event.start_s * RATE), round(event.stop_s * RATE))
        outside[part] = False
        good = np.abs(clean[part]) > 1e-4
        gain = (sound.samples[part] / clean[part])[good] * audio_taper(position[part][good])
        thrown = np.log1p(99 * gain) / math.log(100) - position[part][good]
        assert np.mean(np.abs(thrown) < 0.002) > 0.1
        assert np.mean(np.abs(thrown - 0.2) < 0.002) > 0.2
        assert np.mean((thrown > 0.002) & (thrown < 0.198)) < 0.12
        assert event.level_db > 0  # 0.2 of this taper is 8 dB
        assert (event.kind, math.isnan(event.size_cents)) == ("jumping value", True)
    assert np.array_equal(sound.samples[outside], clean[outside])
    assert len(events) == 6


def test_a_slider_at_rest_on_a_dirty_place_is_quiet():
    path = travel(RATE, passes=2, travel_s=1.0, rest_s=1.0, high=0.6)
    sound = dirty_level_slider(
        path,
        frequency_hz=100.0,
        places=(Place(position=0.6, width=0.05, probability=1.0),),
        rng=np.random.default_rng(2),
    )
    events = sound.truth["events"]
    assert events["number"].tolist() == [1, 2]
    assert events["stop_s"][0] <= 2.0 + 1 / RATE < 3.0 <= events["start_s"][1]


def test_clean_pass_has_no_click():
    """Period-synchronous: with a period of 320 samples each sample is near the mean of its
    neighbours one period before and after; an edge out of place would stand out.

    The audio taper's curvature leaves (ln 100 v T)^2 of the tone, v the speed (1.9/s at most).
    """
    sound = play(())
    x = sound.samples[: len(sound.samples) // 320 * 320].reshape(-1, 320)
    residual = x[1:-1] - (x[:-2] + x[2:]) / 2
    tone = np.abs(sound.samples).max()
    assert np.abs(residual).max() < (math.log(100) * 1.9 * 0.01) ** 2 * tone
    spectra = [np.abs(np.fft.rfft(s * np.hanning(len(s)))) for s in (sound.samples, play().samples)]
    clean, dirty = (s[len(s) * 6 // 16 :].max() / s.max() for s in spectra)  # above 6 kHz
    assert clean < 1e-7 < 1e-6 < dirty


def test_dark_tone_is_dark():
    """A saw through a closed 24 dB filter leaves nothing above 4 kHz above -57 dB re the tone."""
    x = play(()).samples
    power = np.abs(np.fft.rfft(x * np.hanning(len(x)))) ** 2
    f = np.fft.rfftfreq(len(x), 1 / RATE)
    assert 10 * math.log10(power[f > 4000].sum() / power.sum()) < -90


def test_same_seed_same_sound():
    assert np.array_equal(play().samples, play().samples)
    assert not np.array_equal(play().samples, play(seed=2).samples)


def test_wrong_places_are_refused():
    with pytest.raises(InputError, match="not within 0 to 1"):
        Place(position=0.0)
    with pytest.raises(InputError, match="cannot have a place of kind 'pitch jump'"):
        play((Place(position=0.5, kind="pitch jump"),))
    with pytest.raises(InputError, match="leaves the travel"):
        Place(position=0.95, kind="jumping value", jump=0.1)
    with pytest.raises(InputError, match="dwell_s must be above zero"):
        Place(position=0.5, dwell_s=0.0)
