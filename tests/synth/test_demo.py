"""The demo: the committed files are what is made, and the README tells the truth about them."""

import math
import tomllib
from dataclasses import replace

import numpy as np
import pytest
from sample import SAMPLE, demo_sound, numbers, row, rows
from scipy import signal
from scipy.io import wavfile

from sigkit.errors import InputError
from sigkit.synth import dbfs, quantise
from sigkit.synth.demo import make_demo
from sigkit.synth.planted import (
    HISS_DBFS,
    HUM_DBFS,
    MAINS_HZ,
    STAGES,
    Pitch,
)
from sigkit.synth.scenario import SCENARIO

STABILITY = [n for n in SCENARIO if "stability" in n]
WARMUP = [n for n in SCENARIO if "warmup" in n]
BEATING = [n for n in SCENARIO if "beating" in n]


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    return folder, make_demo(folder)


def test_committed_files_are_what_is_made(made):
    """Byte for byte; no capture in the sample that is not made."""
    folder, files = made
    for file in files:
        name = file.relative_to(folder)
        assert (SAMPLE / name).read_bytes() == file.read_bytes(), name
    committed = {p.relative_to(SAMPLE) for p in SAMPLE.glob("*_*/*.wav")}
    assert committed == {f.relative_to(folder) for f in files if f.suffix == ".wav"}
    assert sum(f.stat().st_size for f in files) < 30e6
    assert {f.parent.name for f in files if f.suffix == ".wav"} == set(STAGES)


def test_last_digits_of_another_machine_make_no_difference():
    """A difference of 1e-13 of full scale, a thousand roundings, changes no sample of 16 bits."""
    sound = demo_sound("1_before/stability-oscillator_1-t2.wav")
    seed = SCENARIO["1_before/stability-oscillator_1-t2.wav"].seed + 1000

    def whole(samples):
        return quantise(samples, bits=16, rng=np.random.default_rng(seed))

    other = np.random.default_rng(1).choice([-1e-13, 1e-13], len(sound.samples))
    assert np.array_equal(whole(sound.samples), whole(sound.samples + other))
    f = demo_sound("3_after/warmup-oscillator_1.wav").truth["frequency_hz"]
    assert np.all(f * 2**24 == np.rint(f * 2**24))  # exact binary fractions
    pulled = demo_sound("1_before/beating-oscillators.wav").truth["frequency_2_hz"]
    assert np.all(pulled * 2**24 == np.rint(pulled * 2**24))


def test_nothing_is_overwritten_unless_remade(tmp_path, made, monkeypatch):
    _, files = made
    few = {n: c for n, c in SCENARIO.items() if "slider-volume" in n}  # for speed
    monkeypatch.setattr("sigkit.synth.demo.SCENARIO", few)
    folder = tmp_path / "job"
    strange = folder / "1_before" / "slider-volume.wav"
    strange.parent.mkdir(parents=True)
    strange.write_bytes(b"mine")
    note = folder / "notes.txt"
    note.write_text("keep")
    with pytest.raises(InputError, match="nothing was written"):
        make_demo(folder)
    assert strange.read_bytes() == b"mine"
    assert sorted(p.name for p in folder.rglob("*.*")) == ["notes.txt", "slider-volume.wav"]
    make_demo(folder, remake=True)
    original = next(f for f in files if f.match("1_before/slider-volume.wav"))
    assert strange.read_bytes() == original.read_bytes()
    assert note.read_text() == "keep"
    stamp = strange.stat().st_mtime_ns
    assert make_demo(folder)[0] == folder / "job.toml"
    assert strange.stat().st_mtime_ns == stamp


def test_job_settings():
    job = tomllib.loads((SAMPLE / "job.toml").read_text())
    assert (job["unit"], job["mains_hz"], job["lowest_key"], job["keys"]) == ("K14", 50, "F2", 44)
    assert tuple(job["stages"]) == STAGES
    rooms = [stage["room_c"] for stage in job["stages"].values()]
    assert max(rooms) - min(rooms) < 3
    said = {name: c["controls"] for name, c in job["captures"].items() if "controls" in c}
    assert said == {
        f"{stage}/slider-{subject}": controls
        for stage in STAGES
        for subject, controls in (
            ("filter_cutoff", "timbre"),
            ("oscillator_2_tune", "pitch"),
            ("pulse_width", "width"),
        )
    }
    with pytest.raises(InputError, match="no capture named"):
        demo_sound("1_before/nothing.wav")


@pytest.mark.parametrize("name", STABILITY)
def test_readme_on_stability(name):
    truth = demo_sound(name).truth
    cents, time = truth["cents"], truth["time_s"]
    ((hz, offset, spread, without, peak_to_peak, drift),) = rows(name)
    assert float(hz) == pytest.approx(220 * 2 ** (cents.mean() / 1200), abs=1e-4)
    assert float(offset) == pytest.approx(cents.mean(), abs=0.006)
    assert float(spread) == pytest.approx(cents.std(), abs=0.006)
    quiet = replace(SCENARIO[name], wobble_cents=0.0).sound().truth["cents"]
    assert float(without) == pytest.approx(quiet.std(), abs=0.006)
    assert float(peak_to_peak) == pytest.approx(np.ptp(cents), abs=0.006)
    assert float(drift) == pytest.approx(60 * np.polyfit(time, cents, 1)[0], abs=0.006)


def test_stability_tells_its_story():
    spread = {n: demo_sound(n).truth["cents"].std() for n in STABILITY}
    one_before, one_after = (
        [s for n, s in spread.items() if n.startswith(f"{stage}/stability-oscillator_1")]
        for stage in ("1_before", "3_after")
    )
    assert len(one_before) == len(one_after) == 3
    assert min(one_before) > 10 * max(one_after)
    two = "stability-oscillator_2.wav"
    assert spread[f"3_after/{two}"] == pytest.approx(spread[f"1_before/{two}"], rel=0.05)
    truth = demo_sound("1_before/stability-oscillator_1-t2.wav").truth
    planted = SCENARIO["1_before/stability-oscillator_1-t2.wav"]
    step = truth["cents"] - replace(planted, jump_cents=0.0).sound().truth["cents"]
    assert step[truth["time_s"] < 3.19] == pytest.approx(0.0, abs=0.01)
    assert step[truth["time_s"] > 3.21] == pytest.approx(12.0, abs=0.01)


@pytest.mark.parametrize(("name", "column"), [(WARMUP[0], 0), (WARMUP[1], 1)])
def test_readme_on_warmup(name, column):
    planted = SCENARIO[name]
    truth = demo_sound(name).truth
    cents, since = truth["cents"], truth["time_s"] - 5.0
    assert float(row("start, cents")[column]) == planted.offset_cents
    assert float(row("approach, cents")[column]) == planted.warmup_cents
    assert float(row("time constant, s")[column]) == planted.warmup_s
    assert float(row("wander, standard deviation, cents")[column]) == planted.wander_cents
    end = float(row("pitch at the end less pitch at the switch, cents")[column])
    assert end == pytest.approx(cents[-1] - np.interp(0.0, since, cents), abs=0.06)
    last = since > 175 * 0.75
    slope = float(row("slope over the last quarter, cents/min")[column])
    assert slope == pytest.approx(60 * np.polyfit(since[last], cents[last], 1)[0], abs=0.06)
    settled = row("settles to within ±2 cents of its end, by the formula")[column]
    if planted.warmup_cents == 18.0:
        assert float(settled) == pytest.approx(32 * math.log(9), abs=0.06)
        away = since[np.abs(cents - cents[-5000:].mean()) > 2]
        assert away[-1] == pytest.approx(32 * math.log(9), abs=2.0)  # the wander moves it a little
    else:
        assert settled == "not within the recording"
        assert numbers(row("jump that stays, cents")[0]) == [planted.jump_cents]
        assert 72 * math.exp(-175 / 260) > 30
        assert (
            planted.jump_s - 5.0
            == numbers(row("instant of the jump, s after the switch (s in the file)")[0])[0]
        )


@pytest.mark.parametrize("name", BEATING)
def test_readme_on_two_oscillators(name):
    truth = demo_sound(name).truth
    both = truth["time_s"] < 20
    time, one, two = (truth[key][both] for key in ("time_s", "cents_1", "cents_2"))
    ((hz_1, hz_2, detune, beats, wander, drift_1, drift_2),) = rows(name)
    assert float(hz_1) == pytest.approx(440 * 2 ** (one.mean() / 1200), abs=1e-4)
    assert float(hz_2) == pytest.approx(440 * 2 ** (two.mean() / 1200), abs=1e-4)
    assert float(detune) == pytest.approx((two - one).mean(), abs=6e-4)
    apart = np.abs(truth["frequency_2_hz"] - truth["frequency_1_hz"])[both]
    assert float(beats) == pytest.approx(apart.mean(), abs=6e-4)
    means = (two - one).reshape(10, -1).mean(axis=1)
    assert float(wander) == pytest.approx(np.ptp(means), abs=6e-3)
    for told, cents in ((drift_1, one), (drift_2, two)):
        assert float(told) == pytest.approx(60 * np.polyfit(time, cents, 1)[0], abs=6e-3)


def test_readme_on_what_is_in_the_captures_of_two_oscillators():
    planted = [SCENARIO[n] for n in BEATING]
    locks = row("locking width, cents of fine tune")
    assert [float(v) for v in locks] == [2 * p.lock_cents for p in planted]
    drift = row("steady drift of oscillators 1 and 2, cents/min")
    assert [numbers(v) for v in drift] == [[p.drift_1, p.drift_2] for p in planted]
    wander = row("random wander of each, time constant 4 s, cents")
    assert [float(v) for v in wander] == [p.wander_cents for p in planted]
    assert {p.tune for p in planted} == {((0.0, -4.0), (20.0, -4.0), (21.0, -7.0), (57.0, 5.0))}


def test_two_oscillators_lock_before_and_beat_after():
    before, after = (demo_sound(name).truth for name in BEATING)
    held = before["held"] & (before["time_s"] < 58)
    time, free = before["time_s"][held], before["fine_tune_cents"][held]
    told = numbers(row("caught in the sweep, from and to, s")[0])
    assert told == pytest.approx(time[[0, -1]], abs=0.06)
    assert len(time) == pytest.approx(1000 * (time[-1] - time[0]), abs=2)  # in one piece
    told = numbers(row("free distance where they were caught and released, cents")[0])
    assert told == pytest.approx(free[[0, -1]], abs=0.006)
    apart = np.abs(before["detune_cents"] - before["fine_tune_cents"])
    assert np.count_nonzero(apart[~held] > 0.01) <= 4  # within 2 ms of both ends
    assert np.all(before["detune_cents"][held] == 0)
    assert not after["held"].any()


@pytest.mark.parametrize("name", BEATING)
def test_each_oscillator_is_alone_where_it_is_said_to_be(name):
    rate, samples = wavfile.read(SAMPLE / name)
    x = samples / 2**15
    assert len(x) == 72 * rate
    low = signal.butter(4, 20, fs=rate, output="sos")
    turn = np.exp(-2j * np.pi * 440 * np.arange(6 * rate) / rate)
    for start, key in ((58.5, "frequency_1_hz"), (65.5, "frequency_2_hz")):
        part = x[round(start * rate) :][: 6 * rate]
        assert dbfs(part) == pytest.approx(-18.0, abs=0.1)
        phase = np.unwrap(np.angle(signal.sosfiltfilt(low, turn * part)))[rate:-rate]
        hz = 440 + (phase[-1] - phase[0]) / (2 * np.pi) / (4 - 1 / rate)
        truth = demo_sound(name).window_mean(key, start + 1, start + 5)
        assert hz == pytest.approx(truth, abs=0.002)


@pytest.mark.parametrize("name", WARMUP)
def test_switch_and_tone_are_where_they_are_said_to_be(name):
    rate, samples = wavfile.read(SAMPLE / name)
    x = samples / 2**15
    assert dbfs(x[: 5 * rate]) == pytest.approx(-86.9, abs=0.2)  # hiss and the noise of rounding
    assert np.argmax(np.abs(x) > 0.01) / rate == pytest.approx(5.0, abs=0.001)
    assert np.abs(x[: 6 * rate]).max() == pytest.approx(0.4, abs=0.01)
    assert dbfs(x[6 * rate :]) == pytest.approx(-15.0, abs=0.2)


def test_readme_on_hum_and_hiss():
    assert [float(v) for v in row("mains frequency, Hz")] == [MAINS_HZ[s] for s in STAGES]
    for order in range(1, 5):
        told = row(f"hum at {order} times mains, dBFS")
        planted = [HUM_DBFS[s].get(order) for s in STAGES]
        assert [None if v == "none" else float(v) for v in told] == planted
    assert {float(v) for v in row("white hiss up to half the sample rate, dBFS")} == {HISS_DBFS}
    # rounding with triangular dither: half a step RMS, measured on silence
    noise = quantise(np.zeros(200_000), bits=16, rng=np.random.default_rng(1)) / 2**15
    assert dbfs(noise) == pytest.approx(-93.3, abs=0.05)


def test_readme_on_what_is_in_the_stability_captures():
    names = (
        "1_before/stability-oscillator_1-t2.wav",
        "3_after/stability-oscillator_1-t2.wav",
        "1_before/stability-oscillator_2.wav",
        "3_after/stability-oscillator_2.wav",
    )
    planted = [SCENARIO[n] for n in names]
    assert all(isinstance(p, Pitch) for p in planted)
    wander = row("random wander, standard deviation in the long run, cents")
    assert [float(v) for v in wander] == [p.wander_cents for p in planted]
    drift = row("steady drift, cents/min")
    assert [float(v) for v in drift] == [p.drift_cents_per_min for p in planted]
    wobble = row("mains wobble of the pitch, peak, cents")
    assert numbers(wobble[0]) == [planted[0].wobble_cents, MAINS_HZ["1_before"]]
    assert wobble[1:] == ["none"] * 3
    assert not any(p.wobble_cents for p in planted[1:])
    jump = row("jump of the pitch that stays, cents")
    takes = [SCENARIO[f"1_before/stability-oscillator_1-t{n}.wav"] for n in (1, 2, 3)]
    said = [number for part in jump[0].split(",") for number in numbers(part)[:2]]
    assert said == [v for take in takes for v in (take.jump_cents, take.jump_s)]
    assert jump[1:] == ["none"] * 3


GLIDES = [name for name in SCENARIO if "/glide-" in name]


@pytest.mark.parametrize("name", GLIDES)
def test_readme_on_glides(name):
    """Times are read off the planted path itself, by the crossings of 10 and 90 %."""
    sound = demo_sound(name)
    ((up, down, plateau, hold),) = rows(name)
    said = {1: numbers(up), -1: numbers(down)}
    cents = 1200 * np.log2(sound.truth["frequency_hz"] / sound.truth["frequency_hz"][0])
    time = sound.truth["time_s"]
    step = float(time[1] - time[0])  # the path is kept at some points only
    for number, glide in enumerate(sound.truth["glides"].itertuples()):
        assert glide.start_s == pytest.approx(0.2 + (number + 1) * float(hold), abs=1e-9)
        own = (time >= glide.start_s) & (time < glide.start_s + float(hold))
        progress = (cents[own] - cents[np.argmax(own) - 1]) / glide.interval_cents
        t10, t90 = (time[own][np.argmax(progress > level)] for level in (0.1, 0.9))
        assert t90 - t10 == pytest.approx(glide.glide_time_s, abs=1.1 * step)
        direction = 1 if glide.interval_cents > 0 else -1
        assert 1000 * glide.glide_time_s == pytest.approx(said[direction][number // 2], abs=0.06)
        still = np.abs(cents[own] - 1000) < 0.01
        held_s = step * np.count_nonzero(still)
        planted_s = 0 if plateau == "none" else float(plateau) / 1000
        assert held_s == pytest.approx(planted_s, abs=2.1 * step)
