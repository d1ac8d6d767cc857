"""Fitness on captures with one planted defect each, and on clean ones that look suspicious."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile as sf
from defects import CLEAN, hiss, make_clean
from defects_planted import PLANTED, make_planted
from scipy import signal

import sigkit
from sigkit.captures.fitness import ALL_TESTS, LEVEL_TESTS, PITCH_TESTS
from sigkit.errors import InputError

AGAIN = {"clipped", "silent", "wrong channel", "too low", "gain pumping", "lossy", "telephone"}
AGAIN |= {"clipped below full scale", "holes of zeros", "samples repeated", "samples lost"}
AGAIN |= {"noise for a tone", "tone for noise", "no notes", "no movement", "no glide"}
AGAIN |= {"no presses", "many notes", "too short"}


def fitness_of(made, folder):
    return sigkit.open_capture(made.write(folder / "x.wav")).fitness(made.test)


@pytest.mark.parametrize("seed", range(2000001, 2000006))
def test_lost_samples_are_found_whatever_the_broken_frame_reads(tmp_path, seed):
    """Losses in tones whose pitch a spectrum knows to 0.2 Hz only, or takes an octave too low."""
    made = make_planted("samples lost", seed)
    assert [p.kind for p in fitness_of(made, tmp_path).problems] == ["samples lost"]


@pytest.mark.parametrize("name", PLANTED)
def test_a_planted_defect_is_named(tmp_path, name):
    """One random capture of each kind; the benchmark runs many."""
    made = make_planted(name, 0)
    fitness = fitness_of(made, tmp_path)
    (problem, *_) = (p for p in fitness.problems if p.kind in made.kinds)
    assert fitness.problems[0].kind in made.kinds
    assert (problem.severity == "record again") == (name in AGAIN)
    assert set(problem.harms) <= set(ALL_TESTS)
    for words in (problem.where, problem.how_much, problem.remedy):
        assert words.strip()
    if np.isfinite(made.at_s):
        first = float(problem.where.removeprefix("at ").split(",")[0].split(" ")[0])
        assert first == pytest.approx(made.at_s, abs=0.01)
    for line in str(problem).splitlines():
        assert len(line) <= 80


@pytest.mark.parametrize("name", CLEAN)
def test_nothing_is_said_about_a_clean_capture(tmp_path, name):
    """Narrow pulses, flat tops, dark tones, tremolo, sweeps to true zero, idle hiss and others."""
    assert fitness_of(make_clean(name, 0), tmp_path).problems == ()


def test_how_long_a_repeated_stretch_is(tmp_path):
    made = make_planted("samples repeated", 1)
    (problem,) = (p for p in fitness_of(made, tmp_path).problems if p.kind == "samples repeated")
    assert problem.how_much == f"1 stretch of {made.size:.0f} samples sent twice"


def test_a_peak_between_samples_by_its_closed_form(tmp_path):
    """A sine at a quarter of the rate, sampled 45 degrees off its peaks: they lie 3.01 dB higher.

    Recommendation ITU-R BS.1770, Annex 2: 3.01 dB is its own example of what samples can miss;
    cited from memory. Four times oversampling meets the peak itself here.
    """
    made = make_planted("inter-sample overs", 3)
    (problem,) = fitness_of(made, tmp_path).problems
    told = float(problem.how_much.split(" dB")[0])
    assert told == pytest.approx(20 * np.log10(0.985 * np.sqrt(2)), abs=0.15)
    assert problem.harms == LEVEL_TESTS


@pytest.mark.parametrize("below_db", [36.0, 31.0])
def test_hum_is_given_re_the_loudest_sound(tmp_path, below_db):
    rate, seconds = 48000, 6
    t = np.arange(seconds * rate) / rate
    tone = np.sin(2 * np.pi * 523.25 * t) * (t > 3)
    hum = np.sin(2 * np.pi * 50 * t) + 0.3 * np.sin(2 * np.pi * 100 * t + 1)
    hum *= 10 ** (-below_db / 20) / np.sqrt(1.09)
    x = 0.2 * (tone + hum) + hiss(t.size, -90, np.random.default_rng(1))
    sf.write(tmp_path / "x.wav", x, rate, subtype="PCM_24")
    (problem,) = sigkit.open_capture(tmp_path / "x.wav").fitness("envelope").problems
    assert problem.kind == "hum"
    assert float(problem.how_much.split(" dB")[0]) == pytest.approx(-below_db, abs=1.0)
    assert "mains of 50 Hz" in problem.how_much
    assert problem.severity == "remark"
    assert sigkit.open_capture(tmp_path / "x.wav").fitness("noise").problems == ()


def test_a_wrong_rate_asks_and_names_the_one_that_fits(tmp_path):
    made = make_planted("sample rate", 0)
    (problem,) = (p for p in fitness_of(made, tmp_path).problems if p.kind == "sample rate")
    assert f"{made.size:.0f} Hz would fit" in problem.remedy
    assert problem.harms == PITCH_TESTS


@pytest.mark.parametrize("rate", [8000, 16000, 32000])
def test_where_the_spectrum_ends(tmp_path, rate):
    """White noise brought up from a lower rate by scipy.signal.resample: it ends at half of it."""
    x = hiss(6 * rate, -20, np.random.default_rng(rate))
    sf.write(tmp_path / "x.wav", signal.resample(x, 6 * 48000), 48000, subtype="PCM_24")
    fitness = sigkit.open_capture(tmp_path / "x.wav").fitness()
    (problem,) = fitness.problems
    told = float(problem.how_much.split("ends at ")[1].split(" kHz")[0])
    assert told == pytest.approx(rate / 2000, rel=0.08)
    assert fitness.verdict_for("slider") == "record again"
    assert fitness.verdict_for("stability") == "usable with remarks"


def test_both_channels_alike_with_gain_and_sign(tmp_path):
    made = make_clean("envelope", 5)
    for gain, words in ((1.0, "sample for sample"), (-0.5, "-6.0 dB, turned over")):
        both = np.stack([made.frames, gain * made.frames], axis=1)
        sf.write(tmp_path / "x.wav", both, made.rate, subtype="PCM_24")
        (problem,) = sigkit.open_capture(tmp_path / "x.wav", 0).fitness("envelope").problems
        assert problem.how_much == f"the same sound, {words}"
        assert problem.severity == "remark"


def test_the_test_is_asked_for_by_name(tmp_path):
    capture = sigkit.open_capture(make_clean("keyboard", 3).write(tmp_path / "x.wav"))
    with pytest.raises(InputError, match="no bench test named 'sliders'"):
        capture.fitness("sliders")
    assert capture.fitness(test="keyboard").verdict == "usable"
    assert capture.fitness("stability").problems[0].harms == ("stability",)


@pytest.mark.parametrize("test", sorted(ALL_TESTS))
def test_too_short_for_the_named_test(tmp_path, test):
    x = 0.3 * np.sin(2 * np.pi * 440 * np.arange(round(0.99 * 48000)) / 48000)
    sf.write(tmp_path / "x.wav", x, 48000)
    fitness = sigkit.open_capture(tmp_path / "x.wav").fitness(test)
    assert fitness.verdict_for(test) == "record again"
    assert "too short" in [problem.kind for problem in fitness.problems]


def test_fingerprints_tell_copies_from_takes(tmp_path):
    first, second = make_clean("glide", 1), make_clean("glide", 2)
    prints = {}
    for name, x, subtype in (
        ("one", first.frames, "PCM_24"),
        ("gain", 0.5 * first.frames, "PCM_24"),
        ("other", second.frames[: len(first.frames)], "PCM_24"),
    ):
        sf.write(tmp_path / "x.wav", x, first.rate, subtype=subtype)
        capture = sigkit.open_capture(tmp_path / "x.wav")
        prints[name] = capture.fitness().fingerprint
        if name == "one":
            sf.write(tmp_path / "y.wav", capture.read(), 2 * first.rate, subtype="DOUBLE")
            prints["header"] = sigkit.open_capture(tmp_path / "y.wav").fitness().fingerprint
    assert prints["one"].likeness(prints["header"]) == ("samples", 0.0)
    assert prints["one"].words(prints["header"]) == "the same samples"
    how, gain_db = prints["one"].likeness(prints["gain"])
    assert how == "gain"
    assert gain_db == pytest.approx(-6.02, abs=0.01)
    assert prints["one"].words(prints["other"]) == ""
