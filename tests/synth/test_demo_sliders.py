"""The sliders of the demo: what the README says of them is what is planted."""

import math
import re

import numpy as np
import pytest
from sample import README, SAMPLE, demo_sound, numbers, row, rows
from scipy import signal
from scipy.io import wavfile

from sigkit.synth.planted import (
    CUTOFF_HZ,
    DARK_HZ,
    SLIDER_HZ,
    STAGES,
    SWEEP_HZ,
    SWEEP_Q,
    TUNE_CENTS,
    WIDTH_CUTOFF_HZ,
    WIDTHS,
)
from sigkit.synth.scenario import SCENARIO

SLIDER = [n for n in SCENARIO if "slider" in n]


@pytest.mark.parametrize("name", SLIDER)
def test_readme_on_sliders(name):
    planted, events = SCENARIO[name], demo_sound(name).truth["events"]
    told = rows(name)
    assert len(told) == len(planted.places)
    for index, (position, width, kind, size, fired, starts, lasts) in enumerate(told):
        place, mine = planted.places[index], events[events["place"] == index]
        assert (float(position), float(width)) == (place.position, place.width)
        first_only = ", first pass only" if place.passes else ""
        thrown = f" by {place.jump:+.2f}" if place.kind == "jumping value" else ""
        assert kind == place.kind + thrown + first_only
        column = "size_cents" if planted.controls == "pitch" else "level_db"
        assert size.split()[1] == ("cents" if planted.controls == "pitch" else "dB")
        assert float(size.split()[0]) == pytest.approx(mine[column].mean(), abs=0.06)
        assert fired == f"{len(mine)} of {place.passes or planted.passes}"
        assert numbers(starts) == pytest.approx(mine["start_s"].tolist(), abs=6e-4)
        length = 1000 * (mine["stop_s"] - mine["start_s"]).mean()
        assert float(lasts) == pytest.approx(length, abs=0.06)


@pytest.mark.parametrize("subject", sorted({n.split("/")[1] for n in SLIDER}))
def test_readme_on_events_of_each_pass(subject):
    for told, stage in zip(row(f"`{subject}`"), STAGES, strict=True):
        total, *passes = numbers(told)
        name = f"{stage}/{subject}"
        events = demo_sound(name).truth["events"]
        assert total == len(events)
        if total:
            counted = np.bincount(events["number"], minlength=SCENARIO[name].passes + 1)
            assert passes == counted[1:].tolist()


def test_readme_on_tones_and_passes_of_sliders():
    text = " ".join(README.split())
    assert (
        f"saw at {DARK_HZ:.1f} Hz (about G2) through a closed low-pass ({CUTOFF_HZ:.0f} Hz)" in text
    )
    assert f"from {SWEEP_HZ[0]:.0f} Hz to {SWEEP_HZ[1]:.0f} Hz, even in octaves" in text
    assert f"quality factor of {SWEEP_Q};" in text
    assert f"from {SLIDER_HZ['pitch']:.0f} Hz (A4) up {TUNE_CENTS:.0f} cents, even in cents" in text
    assert "high for {:.2f} to {:.2f} of its period".format(*WIDTHS) in text
    assert (
        f"pulse at {SLIDER_HZ['width']:.0f} Hz through a low-pass ({WIDTH_CUTOFF_HZ:.0f} Hz)"
        in text
    )
    for subjects, controls in (
        ("`volume`, `oscillator_2_level`", "level"),
        ("`oscillator_1_level`", "level"),
        ("`filter_cutoff`", "timbre"),
        ("`oscillator_2_tune`", "pitch"),
        ("`pulse_width`", "width"),
    ):
        said, _, passes, travel_s, rest_s, share = row(subjects)
        assert said == controls
        for subject in re.findall(r"`(\w+)`", subjects):
            names = [f"{stage}/slider-{subject}.wav" for stage in STAGES]
            planted = [SCENARIO[name] for name in names]
            assert {p.controls for p in planted} == {controls}
            assert {p.passes for p in planted} == {float(passes)}
            assert {p.rest_s for p in planted} == {float(rest_s)}
            assert {100 * p.low for p in planted} == {numbers(share)[0]}
            assert {p.travel_s for p in planted} == {n for n in numbers(travel_s) if 1 < n < 2}
            assert {p.rate for p in planted} == {24000}


def test_sliders_tell_their_story():
    count = {n: len(demo_sound(n).truth["events"]) for n in SLIDER}
    story = {
        subject: [count[f"{stage}/slider-{subject}.wav"] for stage in STAGES]
        for subject in (
            "volume", "oscillator_2_level", "filter_cutoff", "oscillator_2_tune", "pulse_width"
        )
    }  # fmt: skip
    assert story == {
        "volume": [24, 7, 0],
        "oscillator_2_level": [18, 15, 6],
        "filter_cutoff": [28, 9, 0],
        "oscillator_2_tune": [23, 6, 0],
        "pulse_width": [15, 0, 0],
    }
    for subject in ("volume", "filter_cutoff", "oscillator_2_tune", "pulse_width"):
        number = demo_sound(f"1_before/slider-{subject}.wav").truth["events"]["number"]
        passes = np.bincount(number)[1:]
        assert np.argmax(passes) == 0
        assert passes[0] > passes[1:].max()  # the first pass is the dirtiest
    _, clipped = wavfile.read(SAMPLE / "2_cleaned/slider-oscillator_1_level.wav")
    assert np.mean((clipped == 32767) | (clipped == -32768)) > 0.1


def test_noise_covers_what_is_planted_in_a_capture_that_cannot_answer():
    """In the file: noise while at rest at the top, above 9 kHz, far above the same after."""
    planted = SCENARIO["1_before/slider-oscillator_1_level.wav"]
    told = " ".join(README.split())
    assert f"white noise {-planted.noise_db:.0f} dB below the tone" in told
    assert max(place.level_db for place in planted.places) <= planted.noise_db - 15
    at_rest = slice(round(2.5 * 24000), round(2.8 * 24000))
    level = {}
    for stage in ("1_before", "3_after"):
        rate, samples = wavfile.read(SAMPLE / f"{stage}/slider-oscillator_1_level.wav")
        assert rate == 24000
        part = samples[at_rest] / 2**15
        power = np.abs(np.fft.rfft(part * np.hanning(len(part)))) ** 2
        hz = np.fft.rfftfreq(len(part), 1 / rate)
        # between the harmonics of 98 Hz
        between = (hz > 9000) & (np.abs((hz / 98) % 1 - 0.5) < 0.2)
        density = power[between].mean() / np.mean(np.hanning(len(part)) ** 2) / len(part)
        level[stage] = 10 * math.log10(2 * density)  # dBFS of white noise of that density
    assert level["1_before"] == pytest.approx(-14 - 9, abs=0.5)
    assert level["3_after"] < -85


@pytest.mark.parametrize("stage", STAGES)
def test_committed_pitch_slider_goes_as_stated(stage):
    """Zero crossings of the file's fundamental, counted at rest at both ends of the travel."""
    name = f"{stage}/slider-oscillator_2_tune.wav"
    rate, samples = wavfile.read(SAMPLE / name)
    low = signal.butter(4, 700, fs=rate, output="sos")
    x = signal.sosfiltfilt(low, samples / 2**15)
    travel_s, top_hz = SCENARIO[name].travel_s, 440 * 2 ** (700 / 1200)
    for start_s, hz in ((0.05, 440.0), (0.4 + travel_s + 0.05, top_hz)):
        part = x[round(start_s * rate) : round((start_s + 0.3) * rate)]
        up = np.flatnonzero((part[:-1] < 0) & (part[1:] >= 0))
        at = up + part[up] / (part[up] - part[up + 1])
        found = rate * (len(at) - 1) / (at[-1] - at[0])
        assert 1200 * math.log2(found / hz) == pytest.approx(0.0, abs=1.0)
