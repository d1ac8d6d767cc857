"""Warm-ups as benches have them: knocks, slipped wedges, heating, two parts, rough switch-on."""

import math

import numpy as np
import pandas as pd
import pytest
from tones import moving_tone, write_sound

import sigkit
from sigkit.captures.parts import join_parts
from sigkit.errors import InputError, SignalError
from sigkit.measures.warmup.shape import find_shape
from sigkit.synth import random_walk_cents, warmup_cents

RATE = 2_000
HZ = 261.63


def tone_of(cents, *, snr_db=45.0, seed=0):
    x = moving_tone("sine", HZ * 2 ** (cents / 1200), RATE)
    return x + 0.2 * 10 ** (-snr_db / 20) * np.random.default_rng(seed).standard_normal(x.size)


def times(minutes):
    return np.arange(round(60 * minutes * RATE)) / RATE


def measure(folder, x, **options):
    return sigkit.measure_warmup(sigkit.open_capture(write_sound(folder, x, RATE)), **options)


def said(result, words):
    return any(words in note for note in result.notes)


@pytest.fixture(scope="module")
def rising(tmp_path_factory):
    """20 min of +30 cents with a time constant of 3 min, knocked by -35 cents within 0.3 s."""
    t = times(20)
    path = warmup_cents(t, total_cents=30.0, time_constant_s=180.0)
    path += random_walk_cents(t, cents_per_root_s=0.005, seed=1)
    knocked = path - 35 * np.clip((t - 441.2) / 0.3 + 0.5, 0, 1)
    result = measure(tmp_path_factory.mktemp("rising"), tone_of(knocked))
    return t, path, result


def test_knocked_knob_is_a_step_apart(rising):
    _, path, r = rising
    assert len(r.jumps) == 1
    assert r.jumps.kind[0] == "move"
    assert r.jumps.time_s[0] == pytest.approx(441.2, abs=0.1)
    assert r.jumps.duration_s[0] == pytest.approx(0.3, abs=0.06)
    assert abs(r.jumps.size_cents[0] + 35) < 3 * r.jumps.u_cents[0] + 0.05
    drift = path[-1] - path[0]
    assert r.total_drift.value == pytest.approx(drift - 35, abs=0.1)
    assert abs(r.drift_without_steps.value - drift) <= 3 * r.drift_without_steps.u
    assert r.time_constant.value == pytest.approx(180, rel=0.05)
    outside = np.flatnonzero(np.abs(path - path[-1]) > 2)
    assert r.settling_time.value == pytest.approx(outside[-1] / RATE, abs=12)
    assert said(r, "-35.0 cents at 7.4 min (in 0.3 s)")
    assert abs(r.largest_step.value + 35) <= 3 * r.largest_step.u + 0.05


def test_until_is_the_shorter_recording(tmp_path, rising):
    """From the stored track: the same as a file that ends there, within its uncertainty."""
    t, path, r = rising
    cut = r.until(400.0)
    assert cut.settings["until_s"] == 400.0
    assert said(cut, "cut at 6.7 min after switch-on")
    assert cut.jumps.empty
    assert cut.curve.dropna().time_s.iloc[-1] == pytest.approx(400, abs=1)
    short = measure(tmp_path, tone_of(path[t < 400]))
    for name in ("total_drift", "time_constant", "residual_drift"):
        a, b = getattr(cut, name), getattr(short, name)
        assert abs(a.value - b.value) <= 2 * math.hypot(a.u, b.u), name
    assert cut.settling_time.reason.startswith("not settled within this recording")
    with pytest.raises(SignalError, match="lie within 5 s"):
        r.until(5.0)


@pytest.mark.parametrize("after", ["silence", "noise", "another key"])
def test_slipped_wedge_keeps_the_first_part(tmp_path, after):
    """The note ends at 6 of 10 min."""
    t = times(10)
    path = warmup_cents(t, total_cents=-20.0, time_constant_s=60.0)
    x = tone_of(path - np.where(t > 360, 100.0, 0.0))
    if after != "another key":
        x[t > 360] = 1e-4 * np.random.default_rng(1).standard_normal(np.sum(t > 360))
    if after == "noise":
        x[t > 360] *= 300
    r = measure(tmp_path, x)
    assert r.total_drift.value == pytest.approx(path[t < 360][-1], abs=0.1)
    assert r.curve.dropna().time_s.iloc[-1] == pytest.approx(360, abs=1)
    assert said(r, "the note ends 6.0 min into a recording of 10.0 min")
    assert said(r, "another pitch (-100 cents) follows") == (after == "another key")
    assert r.jumps.empty


def test_a_key_touched_for_a_while_is_left_out(tmp_path):
    t = times(6)
    path = warmup_cents(t, total_cents=15.0, time_constant_s=40.0)
    touched = (t > 150) & (t < 158)
    r = measure(tmp_path, tone_of(path + np.where(touched, 200.0, 0.0)))
    assert said(r, "another pitch (+200 cents) from 2 min 30 s to 2 min 38 s is left out")
    assert r.total_drift.value == pytest.approx(path[-1], abs=0.1)
    assert r.jumps.empty
    inside = r.curve[(r.curve.time_s > 151) & (r.curve.time_s < 157)]
    assert inside.cents.isna().all()


@pytest.mark.parametrize("hum_hz", [50.05, 59.97])
def test_hum_before_the_tone_is_not_the_note(tmp_path, hum_hz):
    """40 s of a recorder's hum, well above its noise, before a tone of 3 min."""
    t = times(3)
    path = warmup_cents(t, total_cents=15.0, time_constant_s=20.0)
    x = np.concatenate([np.zeros(40 * RATE), tone_of(path)])
    s = np.arange(x.size) / RATE
    x += 1e-3 * np.sin(2 * np.pi * hum_hz * s)
    x += 1e-5 * np.random.default_rng(1).standard_normal(x.size)
    r = measure(tmp_path, x)
    assert r.total_drift.value == pytest.approx(15.0, abs=0.2)
    assert r.curve.dropna().frequency_hz.min() > 200


def test_a_scale_is_not_one_held_note(tmp_path):
    t = times(0.5)
    with pytest.raises(SignalError, match="not one held note"):
        measure(tmp_path, tone_of(100.0 * np.floor(t / 1.5)))


@pytest.fixture(scope="module")
def heated(tmp_path_factory):
    """30 min with a heating of 5 min and 2.5 cents upon a settling drift, and its thermometer."""
    t = times(30)
    cycle = 2.5 * np.sin(2 * np.pi * t / 300 + 1)
    path = warmup_cents(t, total_cents=20.0, time_constant_s=240.0) + cycle
    path += random_walk_cents(t, cents_per_root_s=0.004, seed=3)
    folder = tmp_path_factory.mktemp("heated")
    read_s = np.arange(0.0, 1800.0, 30.0)
    room = 20 + 1.25 * np.sin(2 * np.pi * read_s / 300 + 1) + 0.05 * (-1) ** np.arange(read_s.size)
    readings = pd.DataFrame({"time_s": read_s, "room_c": room})
    return measure(folder, tone_of(path), readings=readings)


def test_heating_is_named_and_taken_out(heated):
    r = heated
    assert abs(r.cycle_period.value - 300) <= 3 * r.cycle_period.u + 0.5
    assert abs(r.cycle_cents.value - 2.5) <= 3 * r.cycle_cents.u + 0.02
    assert said(r, "cyclic: the pitch goes up and down by ±2.5 cents every 5.0 min")
    assert said(r, "by itself leaves the band")
    late = times(30)[times(30) >= 1350]  # the walk and the approach are small beside it
    plain = np.polyfit(late / 60, 2.5 * np.sin(2 * np.pi * late / 300 + 1), 1)[0]
    note = next(n for n in r.notes if n.startswith("cyclic"))
    told = float(note.split("last quarter goes by ")[1].split()[0])
    assert told == pytest.approx(plain, abs=0.04)
    assert r.time_constant.value == pytest.approx(240, rel=0.05)
    # It goes up and down by more than the band of 2 cents for ever.
    assert "goes up and down by ±2.5 cents every 5.0 min" in r.settling_time.reason


def test_temperature_coefficient_beside_the_warmup(heated):
    """Planted: 2 cents/°C; read every 30 s by a thermometer that is 0.05 °C off and on."""
    q = heated.temperature_coefficient
    assert abs(q.value - 2.0) <= 2 * q.u
    assert q.u < 0.5
    assert {term.source for term in q.budget} == {"wander, and drift alike", "thermometer"}
    assert len(heated.readings) == 60


@pytest.mark.parametrize(
    ("times_s", "room", "why"),
    [
        ([0, 600], [20, 25], "only 2 reading(s)"),
        ([0, 600, 1200], [20, 20.5, 21.5], "changed by 1.5 °C only"),
        ([5000, 6000, 7000], [20, 22, 25], "no reading"),
    ],
)
def test_too_little_temperature_gives_no_coefficient(heated, times_s, room, why):
    from dataclasses import replace

    from sigkit.measures.warmup.evaluate import evaluate

    readings = pd.DataFrame({"time_s": np.array(times_s, float), "room_c": np.array(room, float)})
    assert why in evaluate(replace(heated.take, readings=readings)).temperature_coefficient.reason


def test_two_exponentials_and_a_reversal(tmp_path):
    t = times(20)
    path = warmup_cents(t, total_cents=24.0, time_constant_s=40.0)
    path += warmup_cents(t, total_cents=-15.0, time_constant_s=400.0)
    path += random_walk_cents(t, cents_per_root_s=0.001, seed=2)
    r = measure(tmp_path, tone_of(path))
    assert len(r.shape) == 2
    for row, cents, tau in zip(r.shape.itertuples(), (24, -15), (40, 400), strict=True):
        assert abs(row.cents - cents) <= 3 * row.u_cents
        assert abs(row.time_constant_s - tau) <= 3 * row.u_time_constant_s
    assert list(r.shape.part) == [1, 2]
    assert r.time_constant.value == r.shape.time_constant_s[0]
    assert said(r, "two exponential approaches fit clearly better than one")
    turn = np.argmax(path)
    assert said(r, f"the drift reverses: {path[turn]:+.1f} cents until {turn / RATE / 60:.1f} min")


def test_rough_switch_on_gives_ranges(tmp_path):
    """Five to fifteen minutes before the recording: settling time is a rectangle of 10 min."""
    t = times(10)
    path = warmup_cents(t + 600, total_cents=60.0, time_constant_s=240.0)
    x = tone_of(path)
    r = measure(tmp_path, x, power_on_s=-900.0, power_on_latest_s=-300.0)
    sharp = measure(tmp_path, x, power_on_s=-600.0)
    assert r.power_on_range_s == (-900.0, -300.0)
    assert r.power_on_s == -600.0
    q, known = r.settling_time, sharp.settling_time
    assert q.value == pytest.approx(known.value)
    assert q.u == pytest.approx(math.hypot(known.u, 600 / math.sqrt(12)))
    assert "instant of switch-on" in {term.source for term in q.budget}
    assert r.time_constant == sharp.time_constant
    assert r.total_drift == sharp.total_drift
    assert said(r, "settled between ")
    assert said(r, "between -15.0 and -5.0 min from the start of the recording")
    assert said(r, "since the start of the recording only, 5.0 to 15.0 min after switch-on")
    assert said(sharp, "since the start of the recording only, 10.0 min after switch-on")


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"power_on_s": 5.0, "power_on_latest_s": 4.0}, "before power_on_s at 5 s"),
        ({"power_on_latest_s": 99.0}, "power_on_latest_s is 99 s, after the end"),
        ({"readings": pd.DataFrame({"time_s": [1.0]})}, "no column room_c"),
    ],
)
def test_refuses_what_makes_no_sense(tmp_path, options, message):
    with pytest.raises(InputError, match=message):
        measure(tmp_path, tone_of(np.zeros(12 * RATE)), **options)


def test_no_switch_on_in_the_recording_is_said(rising):
    _, _, r = rising
    assert r.switch_on == "start"
    assert said(r, "switch-on is not in it; times count from the start")


def test_a_thump_long_before_the_tone_is_found(tmp_path):
    """5 s into the recording, 4 min before the first note."""
    t = times(8)
    x = tone_of(warmup_cents(t, total_cents=12.0, time_constant_s=60.0, power_on_s=5.0))
    noise = 1e-4 * np.random.default_rng(2).standard_normal(t.size)
    x = np.where(t < 245, noise, x)
    since = np.clip(t - 5.0, 0, None)
    x += np.where(t > 5, 0.4 * np.exp(-since / 0.06) * np.sin(2 * np.pi * 18 * since), 0.0)
    r = measure(tmp_path, x)
    assert r.switch_on == "thump"
    assert r.power_on_s == pytest.approx(5.0, abs=0.1)


def test_a_given_switch_on_against_the_thump_is_remarked(tmp_path):
    t = times(3)
    x = tone_of(warmup_cents(t, total_cents=12.0, time_constant_s=20.0, power_on_s=5.0))
    x = np.where(t < 8, 1e-4 * np.random.default_rng(3).standard_normal(t.size), x)
    since = np.clip(t - 5.0, 0, None)
    x += np.where(t > 5, 0.4 * np.exp(-since / 0.06) * np.sin(2 * np.pi * 18 * since), 0.0)
    r = measure(tmp_path, x, power_on_s=-300.0)
    assert r.switch_on == "given"
    assert said(r, "a thump at 5.0")
    assert not said(measure(tmp_path, x, power_on_s=5.2), "looks like switch-on")


def test_times_carry_the_clock(rising):
    """50 ppm, rectangular: 29 ppm of every time (JCGM 100:2008, 4.3.7)."""
    _, _, r = rising
    for time in (r.time_constant, r.settling_time):
        (clock,) = (term.u for term in time.budget if term.source == "sound-card clock")
        assert clock == pytest.approx(50e-6 / math.sqrt(3) * time.value, rel=1e-6)


def test_times_after_an_unknown_gap_are_not_stated(tmp_path):
    t = times(6)
    x = tone_of(warmup_cents(t, total_cents=20.0, time_constant_s=60.0))
    cut = round(70 * RATE)
    parts = [write_sound(tmp_path, part, RATE) for part in (x[:cut], x[cut + 40 * RATE :])]
    r = sigkit.measure_warmup(join_parts(parts))
    assert "not known; give gap_s" in r.settling_time.reason
    assert "not known; give gap_s" in r.time_constant.reason
    assert r.total_drift.measurable
    known = sigkit.measure_warmup(join_parts(parts, gap_s=40.0))
    assert known.settling_time.value == pytest.approx(60 * math.log(10), abs=2)


@pytest.mark.parametrize("period_s", [150.0, 300.0])
def test_a_cycle_is_seen_in_full_through_means(period_s):
    """Means over 8 s of a sinusoid lose sin(x) / x of it, x = pi 8 s / period: 0.5 % of 150 s."""
    t = np.arange(0.0, 1200.0, 0.25)
    cents = -20 * np.expm1(-t / 150) + 3 * np.sin(2 * np.pi * t / period_s + 1)
    cents += 0.01 * np.random.default_rng(7).standard_normal(t.size)
    cycle = find_shape(t, cents, np.empty(0)).cycle
    assert cycle.cents == pytest.approx(3.0, rel=1e-3)
    assert cycle.period_s == pytest.approx(period_s, rel=1e-3)
