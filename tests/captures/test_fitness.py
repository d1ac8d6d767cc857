"""Fitness: no false alarm on random clean signals, every planted defect found."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
import soundfile as sf
from scipy import signal

import sigkit
from sigkit.captures.fitness import ALL_TESTS, LEVEL_TESTS, PITCH_TESTS, Fitness, Problem
from sigkit.errors import InputError

RATE = 48000
SHAPES = ("sine", "saw", "triangle", "pulse", "coupled pulse", "filtered pulse", "filtered saw")
FORMATS = ("PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE", "PCM_U8", "ULAW", "ALAW")


def wave(shape: str, rng: np.random.Generator, rate: int, seconds: float, f: float) -> np.ndarray:
    """Return an oscillator shape, naive and noise-free: the hardest case for flat tops."""
    phase = (f * np.arange(round(rate * seconds)) / rate + rng.uniform()) % 1
    width = rng.uniform(0.1, 0.9)
    if shape == "sine":
        return np.sin(2 * np.pi * phase)
    if "saw" in shape:
        x = 2 * phase - 1
    elif shape == "triangle":
        return 1 - 4 * np.abs(phase - 0.5)
    else:
        x = np.where(phase < width, 1.0, -1.0)
    if "filtered" in shape:
        keep = math.exp(-2 * np.pi * rng.uniform(300, 8000) / rate)
        x = signal.lfilter([1 - keep], [1, -keep], x)
        x -= (x.max() + x.min()) / 2
    elif shape == "coupled pulse":
        x = x - (2 * width - 1)
    return x / np.abs(x).max()


def fitness_of(tmp_path, x: np.ndarray, subtype: str = "PCM_24", rate: int = RATE) -> Fitness:
    sf.write(tmp_path / "x.wav", x, rate, subtype=subtype)
    fitness = sigkit.open_capture(tmp_path / "x.wav").fitness()
    for line in str(fitness).splitlines():
        assert len(line) <= 80
    assert len(str(fitness).splitlines()) == 1 + 3 * len(fitness.problems)
    return fitness


def kinds(fitness: Fitness) -> list[str]:
    return [problem.kind for problem in fitness.problems]


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("subtype", FORMATS)
def test_no_alarm_on_clean_signals(tmp_path, shape, subtype):
    """Random pitch, level, width, cutoff, noise, fade-outs and silences, 8 of each case."""
    rng = np.random.default_rng(SHAPES.index(shape) * 100 + FORMATS.index(subtype))
    few_codes = subtype in ("PCM_U8", "ULAW", "ALAW")
    for _ in range(8):
        rate = int(rng.choice([44100, 48000, 96000]))
        x = wave(shape, rng, rate, rng.uniform(1.1, 2.5), 27.5 * 2 ** rng.uniform(0, 5))
        x *= 10 ** (rng.uniform(-15 if few_codes else -35, -0.5) / 20)
        if rng.random() < 0.3:
            x *= np.linspace(1, 0, len(x))
        if rng.random() < 0.3:
            x[: len(x) // 4] = 0
        if rng.random() < 0.3:
            x += 1e-3 * np.abs(x).max() * rng.standard_normal(len(x))
        if subtype == "FLOAT" and rng.random() < 0.5:
            x = np.round(x * 2**15) / 2**15  # 16-bit sound in a float file
        fitness = fitness_of(tmp_path, x, subtype, rate)
        assert fitness.problems == ()
        assert fitness.verdict == "usable"
        assert {fitness.verdict_for(test) for test in ALL_TESTS} == {"usable"}


@pytest.mark.parametrize("shape", ["sine", "saw", "triangle", "filtered saw"])
@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT", "PCM_U8"])
def test_full_scale_clipping_is_found(tmp_path, shape, subtype):
    rng = np.random.default_rng(len(shape) + len(subtype))
    for over_db in (1.5, 3, 6, 12, 20):
        x = wave(shape, rng, RATE, 2.0, 27.5 * 2 ** rng.uniform(0, 5))
        x = x * 10 ** (over_db / 20) + rng.choice([0, 1e-3]) * rng.standard_normal(len(x))
        fitness = fitness_of(tmp_path, np.clip(x, -1, 1), subtype)
        assert kinds(fitness)[0] == "clipped"
        (problem,) = (p for p in fitness.problems if p.kind == "clipped")
        share = 100 * np.mean(np.abs(x) >= 1)
        told = float(problem.how_much.split(" %")[0])
        assert told == pytest.approx(share, rel=0.15, abs=1.0)
        assert "full scale" in problem.how_much
        assert problem.severity == "record again"
        assert problem.harms == LEVEL_TESTS
        assert fitness.verdict == "record again"
        for test in LEVEL_TESTS:
            assert fitness.verdict_for(test) == "record again"
        for test in PITCH_TESTS:
            assert fitness.verdict_for(test) == "usable with remarks"


def test_many_flat_tops_are_told_by_their_stretch_and_a_level_below_full_scale(tmp_path):
    """Tops cut at 0.999, 0.009 dB below full scale, from 1 s on: the first half period, 5 ms."""
    x = np.sin(2 * np.pi * 100 * np.arange(3 * RATE) / RATE)
    x[:RATE] *= 0.3
    x[RATE:] *= 1.5
    (problem,) = fitness_of(tmp_path, np.clip(x, -0.999, 0.999)).problems
    assert problem.where == "400 flat tops, from 1.00 to 3.00 s"
    assert problem.how_much.endswith("cut off at -0.01 dBFS, below full scale")


def test_times_of_a_single_clipped_stretch(tmp_path):
    x = 0.3 * np.sin(2 * np.pi * 100 * np.arange(3 * RATE) / RATE)
    x[2 * RATE : 2 * RATE + 480] *= 5
    fitness = fitness_of(tmp_path, np.clip(x, -1, 1))
    (problem,) = fitness.problems
    assert problem.where == "2 flat tops, at 2.00, 2.01 s"
    assert problem.how_much.startswith("0.18 % of samples")  # 53.5 % of 480 samples of 144000


@pytest.mark.parametrize("shape", ["sine", "saw", "triangle"])
@pytest.mark.parametrize("noise", [0, 1e-3])
def test_clipping_below_full_scale_is_found(tmp_path, shape, noise):
    rng = np.random.default_rng(7)
    for over_db in (1.5, 3, 6):
        for top in (0.1, 0.5, 0.9):
            x = wave(shape, rng, RATE, 2.0, rng.uniform(30, 500)) * 10 ** (over_db / 20)
            x += noise * rng.standard_normal(len(x))
            fitness = fitness_of(tmp_path, top * np.clip(x, -1, 1))
            assert kinds(fitness) == ["clipped"]
            at = f"{20 * math.log10(top):.1f} dBFS, below full scale"
            assert at in fitness.problems[0].how_much


def test_a_pulse_at_full_scale_counts_as_clipped_and_below_does_not(tmp_path):
    x = wave("pulse", np.random.default_rng(0), RATE, 2.0, 110.0)
    assert kinds(fitness_of(tmp_path, x)) == ["clipped"]
    assert kinds(fitness_of(tmp_path, 0.99 * x)) == []


def test_a_sine_that_just_reaches_full_scale_is_not_clipped(tmp_path):
    for f in (30.0, 440.0, 1000.0):
        x = np.sin(2 * np.pi * f * np.arange(2 * RATE) / RATE)
        for subtype in ("PCM_16", "PCM_24", "FLOAT", "PCM_U8"):
            assert kinds(fitness_of(tmp_path, x, subtype)) == []


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE"])
def test_float_samples_above_full_scale_are_a_remark_for_levels(tmp_path, subtype, sign):
    x = 0.3 * np.sin(2 * np.pi * 220 * np.arange(2 * RATE) / RATE)
    x[RATE] = 1.5 * sign
    fitness = fitness_of(tmp_path, x, subtype)
    (problem,) = fitness.problems
    assert (problem.kind, problem.severity) == ("above full scale", "remark")
    assert problem.how_much == "peak of 1.5, where full scale is 1 (+3.5 dB)"
    assert problem.harms == LEVEL_TESTS
    assert fitness.verdict_for("slider") == "usable with remarks"
    assert kinds(fitness_of(tmp_path, np.clip(x, -1, 1), subtype)) == []


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "FLOAT"])
def test_silence_and_levels(tmp_path, subtype):
    """Levels as AES17 has them: a full-scale sine reads 0 dBFS."""
    x = np.sin(2 * np.pi * 220 * np.arange(2 * RATE) / RATE)
    silent = fitness_of(tmp_path, 0 * x, subtype)
    assert kinds(silent) == ["silent"]
    assert silent.problems[0].how_much == "every sample is the same"
    assert {silent.verdict_for(t) for t in ALL_TESTS} == {"record again"}
    assert kinds(fitness_of(tmp_path, 0 * x + 0.25, subtype)) == ["silent", "DC offset"]
    hiss = 10 ** (-100 / 20) * np.random.default_rng(0).standard_normal(len(x))
    if subtype != "PCM_16":
        quiet = fitness_of(tmp_path, hiss, subtype)
        assert kinds(quiet) == ["silent"]
        assert quiet.verdict_for("noise") == "usable with remarks"
    low = fitness_of(tmp_path, 10 ** (-75 / 20) * x, subtype)
    assert kinds(low) == ["level far too low"]
    assert low.problems[0].how_much == "-75 dBFS where it is loudest"
    assert low.verdict_for("warmup") == "record again"
    remark = fitness_of(tmp_path, 10 ** (-60 / 20) * x, subtype)
    assert kinds(remark) == ["level low"]
    assert remark.verdict == "usable with remarks"
    assert kinds(fitness_of(tmp_path, 10 ** (-45 / 20) * x, subtype)) == []


@pytest.mark.parametrize("shape", ["sine", "saw", "triangle"])
@pytest.mark.parametrize("offset", [0.04, -0.2])
def test_dc_is_found(tmp_path, shape, offset):
    x = 0.3 * wave(shape, np.random.default_rng(1), RATE, 2.0, 110.0)
    fitness = fitness_of(tmp_path, x + offset)
    assert kinds(fitness) == ["DC offset"]
    told = float(fitness.problems[0].how_much.removeprefix("at least ").split(" %")[0])
    assert told == pytest.approx(100 * offset, abs=0.2)  # 110 Hz in blocks of 1 s, and one decimal
    assert fitness.verdict == fitness.verdict_for("slider") == "usable with remarks"
    assert fitness.verdict_for("warmup") == "usable with remarks"


def test_dc_of_a_pulse_is_never_overstated(tmp_path):
    """Where the mean and the middle differ, the smaller of the two is told."""
    rng = np.random.default_rng(5)
    found = 0
    for _ in range(20):
        x = 0.3 * wave("filtered pulse", rng, RATE, 2.0, 110.0)
        x -= x.mean()
        offset = rng.choice([-1, 1]) * rng.uniform(0.05, 0.3)
        fitness = fitness_of(tmp_path, x + offset)
        for problem in fitness.problems:
            assert problem.kind == "DC offset"
            told = float(problem.how_much.removeprefix("at least ").split(" %")[0])
            assert 0 < told / (100 * offset) <= 1.01
            found += 1
    assert found >= 5


def test_too_short(tmp_path):
    x = 0.3 * np.sin(2 * np.pi * 220 * np.arange(RATE // 2) / RATE)
    fitness = fitness_of(tmp_path, x)
    assert kinds(fitness) == ["too short"]
    assert fitness.verdict_for("stability") == "record again"
    assert set(kinds(fitness_of(tmp_path, x[:1]))) == {"too short", "silent"}


def test_salvaged_header_is_a_harmless_remark(tmp_path):
    x = 0.3 * np.sin(2 * np.pi * 220 * np.arange(2 * RATE) / RATE)
    path = tmp_path / "x.wav"
    sf.write(path, x, RATE, subtype="PCM_24")
    path.write_bytes(path.read_bytes()[: -RATE * 3 // 2])
    fitness = sigkit.open_capture(path).fitness()
    assert kinds(fitness) == ["header repaired"]
    assert fitness.problems[0].how_much == "1.5 s recovered"
    assert fitness.problems[0].harms == ()
    assert fitness.verdict == fitness.verdict_for("warmup") == "usable with remarks"


def test_lossy_samples_in_a_wav_file(tmp_path):
    x = 0.3 * np.sin(2 * np.pi * 220 * np.arange(2 * RATE) / RATE)
    for subtype in ("IMA_ADPCM", "MS_ADPCM"):
        fitness = fitness_of(tmp_path, x, subtype)
        assert "lossy codec" in kinds(fitness)
        assert fitness.verdict_for("slider") == "record again"
        assert fitness.verdict_for("stability") == "usable with remarks"


def test_other_channel(tmp_path):
    x = 0.3 * np.sin(2 * np.pi * 220 * np.arange(2 * RATE) / RATE)
    sf.write(tmp_path / "x.wav", np.stack([0 * x, x], axis=1), RATE, subtype="PCM_24")
    fitness = sigkit.open_capture(tmp_path / "x.wav").fitness()
    assert kinds(fitness) == ["other channel empty"]
    assert fitness.problems[0].where == "channel 0 (counted from 0)"
    assert fitness.verdict == "usable with remarks"
    wrong = sigkit.open_capture(tmp_path / "x.wav", 0).fitness()
    assert kinds(wrong) == ["silent"]
    assert wrong.problems[0].remedy.endswith("open the file with channel=1.")
    sf.write(tmp_path / "x.wav", np.stack([x, 0.5 * x], axis=1), RATE, subtype="PCM_24")
    assert kinds(sigkit.open_capture(tmp_path / "x.wav").fitness()) == ["mono in stereo"]


def test_how_fitness_shows_itself():
    problem = Problem("clipped <b>", "here", "much & more", ("slider",), "x" * 99, "record again")
    fitness = Fitness("a&b.wav", (problem,))
    shown = fitness._repr_html_()
    assert "clipped &lt;b&gt;" in shown
    assert "much &amp; more" in shown
    assert "a&amp;b.wav: record again" in shown
    first, *lines = str(fitness).splitlines()
    assert first == "a&b.wav: record again"
    assert lines[:2] == ["clipped <b> (record again): much & more", "  here; harms slider"]
    assert len(lines[2]) == 80
    assert lines[2].endswith("...")
    as_dict = json.loads(json.dumps(fitness.to_dict(), allow_nan=False))
    assert as_dict["verdict"] == "record again"
    assert as_dict["verdict_for"]["warmup"] == "usable with remarks"
    assert as_dict["problems"] == [
        {
            "kind": "clipped <b>",
            "where": "here",
            "how_much": "much & more",
            "harms": ["slider"],
            "remedy": "x" * 99,
            "severity": "record again",
        }
    ]
    with pytest.raises(InputError, match="no bench test named 'sliders'"):
        fitness.verdict_for("sliders")


@pytest.mark.parametrize("keep", [0.05, 0.1, 0.2, 0.35, 0.5, 0.8])
def test_no_alarm_on_a_pulse_behind_a_fast_filter_or_beside_a_quiet_tone(tmp_path, keep):
    """Flat tops with steep flanks among small steps: what tells them is how the flanks bend."""
    for f in (30.0, 110.0, 440.0):
        phase = (f * np.arange(2 * RATE) / RATE + 0.1) % 1
        pulse = 0.7 * np.where(phase < 0.4, 1.0, -1.0)
        filtered = signal.lfilter([1 - keep], [1, -keep], pulse)
        assert kinds(fitness_of(tmp_path, filtered)) == []
        quiet = 0.2 * np.sin(2 * np.pi * f * np.arange(RATE) / RATE)
        assert kinds(fitness_of(tmp_path, np.concatenate((quiet, pulse)))) == []


def test_no_alarm_on_a_steep_edge_with_few_samples_a_period(tmp_path):
    for f in (1000.0, 1066.0, 1200.0):  # 40 to 48 samples a period: the top sample moves the middle
        phase = f * np.arange(2 * RATE) / RATE % 1
        assert kinds(fitness_of(tmp_path, 0.8 * (2 * phase - 1))) == []
