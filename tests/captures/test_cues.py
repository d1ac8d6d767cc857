"""Cue tracks: what is written, and what is read back through everything that may lie on the way."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import soundfile as sf
from cues import BLEEDS, bleed, capture_of, compared, play, read_track
from scipy import ndimage, signal

import sigkit
from sigkit.captures.cues.code import COUNTER, beep, hashed, signs, tick_noises
from sigkit.captures.cues.decode import read_ticks
from sigkit.captures.cues.find import at_rate, find_ticks, slanted_sums
from sigkit.captures.cues.plan import REACH, TEMPOS, every_plan, plan_of
from sigkit.captures.cues.track import RATES, beeps_of
from sigkit.errors import InputError

MOST_S = 0.005
"""What is asked of every time that is read back."""


# --- the track


def test_mixed_bits_are_those_of_the_published_generator():
    """SplitMix64 started at 0 and 1: its published finalizer, written out here in whole numbers.

    Source: Steele, Lea and Flood, OOPSLA 2014; constants from memory. Python's whole numbers, not
    numpy's.
    """

    def mixed(z):
        z = (z + 0x9E3779B97F4A7C15) % 2**64
        z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) % 2**64
        z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) % 2**64
        return z ^ (z >> 31)

    assert [int(hashed(n)[0]) for n in (0, 1, 2**63)] == [mixed(0), mixed(1), mixed(2**63)]
    assert (
        mixed(0) == 0xE220A8397B1DCDAF
    )  # first output of the generator seeded with 0, from memory


def test_signs_count_and_spell_without_likeness():
    counter = signs(0, np.arange(COUNTER)).astype(float)
    assert abs(counter.mean()) < 0.03
    like = signal.correlate(counter, counter[:128], mode="valid", method="fft")
    assert like[0] == 128
    assert np.max(np.abs(like[1:])) < 64
    numbers = [plan.number for plan in every_plan()]
    assert len(set(numbers)) == len(numbers)
    assert min(numbers) > 0


@pytest.mark.parametrize("rate", RATES)
def test_beeps_lie_where_the_plan_says_to_the_sample(tmp_path, rate):
    """Where scipy's correlation of the file, its ticks taken out, with the beep is largest."""
    plan = sigkit.make_cue("slider", tmp_path / "cue.wav", passes=1, rate=rate)
    read, sound = read_track(tmp_path / "cue.wav")
    assert read == rate
    assert sound.size == round(plan.length_s * rate)
    assert np.max(np.abs(sound)) <= 0.25
    n = np.arange(round(plan.length_s / 0.5))
    noises = tick_noises(rate)
    ticks = (
        noises[0] + np.outer(signs(0, n), noises[1]) + np.outer(signs(plan.number, n), noises[2])
    )
    gain = np.dot(sound, ticks.ravel()) / np.sum(ticks**2)
    rest = sound - gain * ticks.ravel()
    for kind, start_s in beeps_of(plan):
        wave, first, reach = beep(kind, rate), round(start_s * rate), round(0.03 * rate)
        part = rest[first - reach : first + wave.size + reach]
        like = signal.correlate(part, wave, mode="valid", method="fft")
        assert int(np.argmax(like)) == reach


def test_the_four_beeps_differ_in_number_pitch_or_length():
    found = {}
    for kind in ("up", "down", "next", "stop"):
        wave = beep(kind, 48000)
        loud = ndimage.uniform_filter1d(np.abs(wave), 480) > 0.2
        edges = np.flatnonzero(np.diff(loud.astype(int)) == 1).size + int(loud[0])
        found[kind] = (edges, round(loud.sum() / 48000, 1))
    assert [found[k][0] for k in ("up", "down", "next", "stop")] == [1, 2, 3, 1]
    assert found["stop"][1] >= 4 * found["up"][1]


def test_the_sound_is_the_same_at_every_rate():
    slow, fast = tick_noises(48000), tick_noises(96000)
    assert np.allclose(slow, fast[:, ::2], rtol=0, atol=1e-3)
    assert np.sum(np.mean(slow**2, axis=1)) == pytest.approx(1)


@pytest.mark.parametrize("test", REACH)
def test_steps_follow_each_other_on_whole_samples_of_every_rate(test):
    tempos = TEMPOS if REACH[test].tempo else (100,)
    for tempo in tempos:
        steps = plan_of(test, tempo=tempo / 100).steps
        assert steps[-1].kind == "stop"
        for one, two in itertools.pairwise(steps):
            assert one.start_s < one.stop_s <= two.start_s + 1e-9
        for rate in RATES:
            at = np.array([[s.start_s, s.stop_s] for s in steps]) * rate
            assert np.max(np.abs(at - np.rint(at))) < 1e-3


def test_the_protocols_ask_for_what_they_should():
    slider = plan_of("slider").steps
    assert [s.kind for s in slider] == ["up", "down"] * 5 + ["stop"]
    assert {round(s.stop_s - s.start_s, 6) for s in slider[:-1]} == {4.0}
    keys = plan_of("keyboard", keys=44).steps
    assert [s.item for s in keys if s.kind == "up"] == list(range(1, 45))
    assert [s.item for s in keys if s.kind == "down"] == list(range(44, 0, -1))
    assert {round(b.start_s - a.start_s, 6) for a, b in itertools.pairwise(keys[:44])} == {1.5}
    glide = plan_of("glide", marks=5).steps
    for mark in range(1, 6):
        kinds = [s.kind for s in glide if s.item == mark]
        assert kinds == ["next", "down", *["up", "down"] * 3]
    assert [s.kind for s in plan_of("envelope").steps] == ["up", "down"] * 5 + ["stop"]


@pytest.mark.parametrize(
    ("test", "options", "words"),
    [
        ("slidr", {}, "Did you mean 'slider'"),
        ("slider", {"passes": 0}, "whole number from 1 to 20"),
        ("slider", {"passes": True}, "whole number from 1 to 20"),
        ("slider", {"keys": 3}, "has no keys"),
        ("slider", {"tempo": 1.05}, "steps of 0.1"),
        ("warmup", {"tempo": 2}, "tempo must be 1"),
        ("slider", {"rate": 8000}, "rate must be one of"),
    ],
)
def test_what_cannot_be_written_is_said(tmp_path, test, options, words):
    with pytest.raises(InputError) as error:
        sigkit.make_cue(test, tmp_path / "x.wav", **options)
    assert words in str(error.value)
    assert len(str(error.value).splitlines()) == 3
    assert not (tmp_path / "x.wav").exists()


def test_a_track_is_never_written_over_another_file(tmp_path):
    (tmp_path / "x.wav").write_bytes(b"mine")
    with pytest.raises(InputError, match="there already"):
        sigkit.make_cue("slider", tmp_path / "x.wav")
    assert (tmp_path / "x.wav").read_bytes() == b"mine"
    with pytest.raises(InputError, match="cannot be written"):
        sigkit.make_cue("slider", tmp_path / "no" / "x.wav")


# --- the reader


@pytest.mark.parametrize("under", BLEEDS)
def test_a_cue_is_read_thirty_decibels_under_what_leaks_in(tmp_path, under):
    seed = 100 + BLEEDS.index(under)
    rng = np.random.default_rng(seed)
    played = play(
        tmp_path,
        "slider",
        seed,
        under=under,
        below_db=30.0,
        ppm=rng.choice([-100.0, 100.0]),
        late_s=rng.uniform(0, 3),
        invert=bool(rng.random() < 0.5),
    )
    cue = sigkit.read_cue(capture_of(tmp_path, played))
    assert cue.found, cue.reason
    assert cue.plan == played.plan
    errors, wrong, lost = compared(cue, played)
    assert (wrong, lost) == (0, 0)
    assert np.max(np.abs(errors)) < MOST_S
    assert np.max(np.abs(errors)) < 3 * float(cue.items["u_s"].max())


@pytest.mark.parametrize(
    ("test", "how"),
    [
        ("keyboard", {"keys": 13, "late_s": -9.3, "rate": 44100, "ppm": 100.0}),
        ("keyboard", {"keys": 13, "cut_s": 12.2, "rate": 96000, "lowpass_hz": 8000.0}),
        ("glide", {"passes": 2, "couple_hz": 20.0, "invert": True, "level": 0.003}),
        ("envelope", {"tempo": 1.5, "late_s": 7.7, "ppm": -100.0}),
        ("noise", {}),
        ("stability", {"passes": 2, "late_s": -40.0, "ppm": 100.0, "rate": 44100}),  # two stretches
    ],
)
def test_a_cue_is_read_late_cut_off_filtered_and_at_other_rates(tmp_path, test, how):
    played = play(tmp_path, test, 7, under="saw", below_db=20.0, **how)
    cue = sigkit.read_cue(capture_of(tmp_path, played))
    assert cue.found, cue.reason
    assert cue.plan == played.plan
    errors, wrong, lost = compared(cue, played)
    assert (wrong, lost) == (0, 0)
    assert np.max(np.abs(errors)) < 0.001
    assert cue.clock_ppm == pytest.approx(-how.get("ppm", 0.0), abs=2.0)
    assert cue.channel == 1
    missing = len(played.plan.steps) - len(cue.items)
    assert bool(cue.notes) == bool(missing)


def test_a_beep_that_was_cut_off_is_known_from_the_others(tmp_path):
    played = play(tmp_path, "slider", 3, late_s=-4.0)  # one second into the first pass
    cue = sigkit.read_cue(capture_of(tmp_path, played))
    first = cue.items.iloc[0]
    assert (first["item"], first["kind"], bool(first["heard"])) == (1, "up", False)
    assert first["start_s"] == pytest.approx(-1.0, abs=0.001)
    assert cue.position(0.0) == pytest.approx(25.0, abs=0.5)


@pytest.mark.parametrize("channel", [0, 1])
def test_a_capture_without_a_cue_says_so(tmp_path, channel):
    t = np.arange(20 * 48000) / 48000
    rng = np.random.default_rng(5)
    both = 0.1 * np.stack([np.sin(2 * np.pi * 220 * t), bleed("chords", t.size, 48000, rng)], 1)
    sf.write(tmp_path / "a.wav", both, 48000)
    cue = sigkit.read_cue(sigkit.open_capture(tmp_path / "a.wav", channel))
    assert not cue.found
    assert "no ticks of a cue track" in cue.reason
    assert cue.items.empty
    assert (cue.channel, cue.plan) == (-1, None)
    assert "no cue found" in str(cue)
    assert np.isnan(cue.position(np.arange(3.0))).all()


def test_noise_with_the_ticks_rhythm_is_no_cue():
    rng = np.random.default_rng(11)
    for repeat in (True, False):
        part = rng.standard_normal(8000)
        parts = [part if repeat else rng.standard_normal(8000) for _ in range(120)]
        found = find_ticks(np.concatenate(parts))
        assert found is None or read_ticks([(0.0, found)]) is None


def test_position_is_that_of_the_beeps_with_a_hands_uncertainty(tmp_path):
    played = play(tmp_path, "slider", 9, under="saw", below_db=30.0, passes=2, ppm=60.0)
    cue = sigkit.read_cue(capture_of(tmp_path, played))
    start, stop = played.start_s[1], played.stop_s[1]  # the first way down
    time = np.linspace(start, stop, 9)
    assert cue.position(time) == pytest.approx(np.linspace(100, 0, 9), abs=100 * MOST_S / 4)
    assert cue.position(stop + 0.5) == 0.0
    assert np.isnan(cue.position([played.start_s[0] - 0.2, played.stop_s[-1] + 9])).all()
    u = cue.u_position(time)
    assert u == pytest.approx(np.hypot(2.0, 100 / 4 * 0.15), rel=0.01)
    assert float(cue.u_position(stop + 0.5)) == 2.0


def test_the_instruments_channel_is_taken_though_the_cue_is_louder(tmp_path):
    played = play(tmp_path, "slider", 4, passes=2, level=0.8)
    quiet = 0.01 * np.sin(2 * np.pi * 110 * np.arange(played.sound.size) / 48000)
    capture = capture_of(tmp_path, played, quiet)
    assert capture.channel == 0
    assert "channel 1 holds a cue track" in " ".join(capture.notes)
    loud = capture_of(tmp_path, played, 60 * quiet, "loud.wav")
    assert loud.channel == 0


def test_the_track_itself_is_read_from_its_only_channel(tmp_path):
    plan = sigkit.make_cue("waveform", tmp_path / "cue.wav", rate=44100)
    cue = sigkit.read_cue(sigkit.open_capture(tmp_path / "cue.wav"))
    assert cue.plan == plan
    assert list(cue.items["start_s"]) == pytest.approx([s.start_s for s in plan.steps], abs=2e-4)
    assert list(cue.items["kind"]) == ["next", "up", "stop"]


def test_slanted_sums_are_those_of_a_loop():
    rng = np.random.default_rng(2)
    rows = rng.standard_normal((6, 40)).astype(np.float32)
    sums = slanted_sums(rows)
    assert sums.shape == (8, 40)
    for slant in (0, 7):
        shifts = [0] * 6 if slant == 0 else list(range(6))
        direct = sum(np.roll(row, -by) for row, by in zip(rows, shifts, strict=True))
        assert np.allclose(sums[slant], direct, atol=1e-5)


def test_the_time_of_the_ticks_is_as_sure_as_it_says():
    """White noise, 30 dB over the cue: the time's error against its stated uncertainty.

    Outside check: the least error of a time by correlation in white noise is
    1 / (2 pi B sqrt(2E/N0)) with B the rms bandwidth (radar theory; P. M. Woodward, Probability and
    Information Theory, 1953, from memory). No stated uncertainty may be below it.
    """
    rate, ticks, cases = 16000, 64, 16
    noises = tick_noises(rate)
    n = np.arange(ticks)
    ratios, off, bounds = [], [], []
    for seed in range(cases):
        rng = np.random.default_rng(seed)
        wave = noises[0] + np.outer(signs(0, n), noises[1]) + np.outer(signs(77, n), noises[2])
        spectrum = np.fft.rfft(np.concatenate([np.zeros(8000), wave.ravel(), np.zeros(24000)]))
        shift = rng.uniform(0, 0.4)
        hz = np.fft.rfftfreq(2 * (spectrum.size - 1), 1 / rate)
        sound = np.fft.irfft(spectrum * np.exp(-2j * np.pi * hz * shift))
        found = find_ticks(sound + 10**1.2 * rng.standard_normal(sound.size))
        assert found is not None
        middle = len(found.time_s) // 2
        error = (found.time_s[middle] - shift) % 0.5
        off.append(min(error, 0.5 - error, key=abs) if error < 0.25 else error - 0.5)
        ratios.append(off[-1] / found.u_s)
        power = np.abs(np.fft.rfft(noises[0])) ** 2
        band = np.sqrt(np.sum(np.fft.rfftfreq(8000, 1 / rate) ** 2 * power) / np.sum(power))
        energy = ticks * np.sum(noises[0] ** 2) / 10**2.4
        bounds.append(1 / (2 * np.pi * band * np.sqrt(energy)))
        assert 0.8 * bounds[-1] < found.u_s < 1.5 * bounds[-1]
    rms = float(np.sqrt(np.mean(np.square(ratios))))
    wide, least = 1e6 * np.std(off), 1e6 * np.mean(bounds)
    print(f"rms error {wide:.1f} us, bound {least:.1f} us, error re u {rms:.2f}")
    assert rms < 1.5  # 16 cases: a sampling error of 18 %, and the grid of a tick's middle


def test_rates_are_brought_together():
    t = np.arange(44100) / 44100
    assert at_rate(np.sin(2 * np.pi * 440 * t), 44100).size == 16000


@pytest.mark.parametrize("pause_s", [3.37, 4.0])
def test_a_player_that_was_stopped_and_started_again_puts_no_beep_wrong(tmp_path, pause_s):
    """Beyond the pause nothing is read, and that is said; a whole number of ticks included."""
    played = play(tmp_path, "slider", 8, passes=4, late_s=0.5)
    at = round(31.2 * played.rate)
    halt = np.zeros(round(pause_s * played.rate))
    played.sound = np.concatenate([played.sound[:at], halt, played.sound[at:]])
    cue = sigkit.read_cue(capture_of(tmp_path, played))
    errors, wrong, _ = compared(cue, played)
    assert cue.plan == played.plan
    assert np.max(np.abs(errors)) < 0.001
    assert wrong == 0
    assert cue.to_s == pytest.approx(31.2, abs=1.0)
    assert "beeps are not heard" in " ".join(cue.notes)
