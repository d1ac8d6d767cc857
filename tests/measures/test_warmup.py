"""Warm-up of known path: every answer, every interval, and every reason for no answer."""

import json
import math

import matplotlib
import numpy as np
import pytest
from tones import moving_tone, write_sound

import sigkit
from sigkit.errors import InputError, SignalError
from sigkit.synth import thump, wander_cents, warmup_cents

matplotlib.use("Agg")

RATE = 8_000
BAND = 2.0


def times(seconds):
    return np.arange(round(seconds * RATE)) / RATE


def capture_of(folder, cents, hz=261.63, *, snr_db=45.0, seed=0, wave="triangle", before_s=0.0):
    """Tone of the given path behind ``before_s`` of the recorder's own noise."""
    tone = moving_tone(wave, hz * 2 ** (cents / 1200), RATE)
    x = np.concatenate([np.zeros(round(before_s * RATE)), tone])
    x += 0.2 * 10 ** (-snr_db / 20) * np.random.default_rng(seed).standard_normal(x.size)
    return sigkit.open_capture(write_sound(folder, x, RATE))


def settling_of(time_s, cents, band=BAND):
    """From when on the path stays within the band around its last value."""
    outside = np.flatnonzero(np.abs(cents - cents[-1]) > band)
    return float(time_s[outside[-1] + 1]) if outside.size else 0.0


def slope_of_last_quarter(time_s, cents):
    late = time_s >= 0.75 * time_s[-1]
    return float(np.polyfit(time_s[late] / 60, cents[late], 1)[0])


@pytest.fixture(scope="module", params=[0.0, 0.1], ids=["smooth", "wandering"])
def settled(request, tmp_path_factory):
    """Warm-ups that settle, of random size, time constant, wave and noise; with wander or not."""
    folder, rng, rows = tmp_path_factory.mktemp("warmups"), np.random.default_rng(20260303), []
    t = times(80)
    for seed in range(11):
        tau, total = rng.uniform(5, 14), rng.choice([-1, 1]) * 10 ** rng.uniform(0.9, 1.8)
        wander = wander_cents(t, spread_cents=request.param, time_constant_s=1.0, seed=seed)
        cents = warmup_cents(t, total_cents=total, time_constant_s=tau) + wander
        capture = capture_of(
            folder,
            cents,
            math.exp(rng.uniform(math.log(110), math.log(880))),
            snr_db=rng.uniform(30, 60),
            seed=seed,
            wave=rng.choice(["triangle", "sine", "saw"]),
        )
        truth = {
            "total_drift": cents[-1] - cents[0],
            "time_constant": tau,
            "settling_time": settling_of(t, cents),
            "residual_drift": slope_of_last_quarter(t, cents),
        }
        rows.append((truth, sigkit.measure_warmup(capture)))
        capture.path.unlink()
    return rows


@pytest.mark.parametrize(
    "name", ["total_drift", "time_constant", "settling_time", "residual_drift"]
)
def test_stated_interval_holds_the_truth(settled, name):
    """95 % stated; three binomial standard deviations of the count below are allowed."""
    pairs = [(truth[name], getattr(r, name)) for truth, r in settled]
    known = [(truth, q) for truth, q in pairs if q.measurable]
    held = np.mean([abs(q.value - truth) <= q.expanded for truth, q in known])
    off = [abs(q.value - truth) / q.u for truth, q in known]
    print(f"{name}: {held:.1%} of {len(known)}, {len(pairs) - len(known)} not measurable,")
    print(f"error / u: median {np.median(off):.2f}, worst {np.max(off):.1f}")
    assert len(known) >= 0.8 * len(pairs)
    assert held >= 0.95 - 3 * math.sqrt(0.95 * 0.05 / len(known))


def test_values_are_close_whatever_the_interval(settled):
    """Half a second of lost start is 8 % of the shortest time constant at most."""
    for truth, r in settled:
        size = abs(truth["total_drift"])
        assert r.total_drift.value == pytest.approx(truth["total_drift"], rel=0.03, abs=0.3)
        if r.time_constant.measurable:
            assert r.time_constant.value == pytest.approx(truth["time_constant"], rel=0.25), size
        if r.settling_time.measurable:
            assert r.settling_time.value == pytest.approx(truth["settling_time"], abs=6.0), size


def test_closed_form_of_a_pure_exponential(tmp_path):
    """Into a band b of an approach over D cents: tau ln(D / b), here 12 ln(30/2) = 32.5 s.

    Against the last value, which lies e^(-10) of the interval before the final one.
    """
    t = times(120)
    r = sigkit.measure_warmup(
        capture_of(tmp_path, warmup_cents(t, total_cents=-30.0, time_constant_s=12.0), snr_db=60)
    )
    assert r.settling_time.value == pytest.approx(12 * math.log(15), abs=0.25)
    assert r.time_constant.value == pytest.approx(12.0, rel=0.01)
    assert r.total_drift.value == pytest.approx(-30.0, abs=0.1)
    assert r.residual_drift.value == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize("band", [0.5, 2.0, 10.0])
def test_band_sets_the_settling_time(tmp_path, band):
    t = times(120)
    capture = capture_of(tmp_path, warmup_cents(t, total_cents=25.0, time_constant_s=10.0))
    r = sigkit.measure_warmup(capture, band_cents=band)
    assert r.band_cents == band
    assert r.settings["band_cents"] == band
    assert r.settling_time.value == pytest.approx(10 * math.log(25 / band), abs=0.6)


@pytest.mark.parametrize("ratio", [0.4, 0.8, 1.5, 2.5])
@pytest.mark.parametrize("total", [-30.0, 60.0])
def test_not_settled_while_it_still_moves(tmp_path, total, ratio):
    """A record of less than tau ln(D / b): the final value is further than the band away."""
    t = times(60)
    path = warmup_cents(t, total_cents=total, time_constant_s=60 / ratio)
    assert abs(total) * math.exp(-ratio) > BAND
    r = sigkit.measure_warmup(capture_of(tmp_path, path))
    assert not r.settling_time.measurable
    assert r.settling_time.reason.startswith("not settled within this recording")
    assert "not measurable" in str(r)
    truth = slope_of_last_quarter(t, path)
    assert r.residual_drift.value == pytest.approx(truth, rel=0.05)


def test_not_settled_on_a_straight_line(tmp_path):
    t = times(60)
    r = sigkit.measure_warmup(capture_of(tmp_path, 12.0 * t / 60))
    assert "not settled" in r.settling_time.reason
    assert not r.time_constant.measurable
    assert r.residual_drift.value == pytest.approx(12.0, abs=0.1)
    assert r.total_drift.value == pytest.approx(12.0, abs=0.1)


def test_steady_from_the_start(tmp_path):
    r = sigkit.measure_warmup(capture_of(tmp_path, np.zeros(60 * RATE)))
    assert r.settling_time.value < 1.0
    assert abs(r.total_drift.value) <= 3 * r.total_drift.u
    assert not r.time_constant.measurable
    assert r.time_constant.reason
    assert r.jumps.empty


def test_residual_drift_covers_a_planted_slope(tmp_path):
    """A slow straight line after settling, under wander short of a batch: a repeat's truth."""
    rng, held = np.random.default_rng(9), []
    t = times(60)
    for seed in range(14):
        slope = rng.uniform(-1.5, 1.5)
        path = slope * t / 60 + wander_cents(t, spread_cents=0.2, time_constant_s=0.3, seed=seed)
        q = sigkit.measure_warmup(capture_of(tmp_path, path, seed=seed)).residual_drift
        held.append(abs(q.value - slope) <= q.half_width(0.95))
    print(f"residual drift against the planted slope: {np.mean(held):.1%} of {len(held)}")
    assert np.mean(held) >= 0.95 - 3 * math.sqrt(0.95 * 0.05 / len(held))


def test_jumps_are_named_and_do_not_bend_the_time_constant(tmp_path):
    t = times(120)
    path = warmup_cents(t, total_cents=20.0, time_constant_s=12.0) + np.where(t > 60.3, 5.0, 0.0)
    r = sigkit.measure_warmup(capture_of(tmp_path, path, snr_db=60))
    assert list(r.jumps.columns) == ["time_s", "size_cents", "u_cents", "duration_s", "kind"]
    assert r.jumps.kind[0] == "jump"
    assert r.jumps.duration_s[0] < 0.1
    assert len(r.jumps) == 1
    assert r.jumps.time_s[0] == pytest.approx(60.3, abs=0.15)
    assert r.jumps.size_cents[0] == pytest.approx(5.0, abs=0.2)
    assert any("step(s) of pitch" in remark for remark in r.notes)
    assert r.time_constant.value == pytest.approx(12.0, rel=0.03)
    assert r.total_drift.value == pytest.approx(25.0, abs=0.2)
    assert r.drift_without_steps.value == pytest.approx(20.0, abs=0.2)


@pytest.mark.parametrize("thump_s", [1.3, 4.2])
def test_thump_before_the_tone_is_switch_on(tmp_path, thump_s):
    """Times count from the thump; the tone begins some seconds after it."""
    before_s = thump_s + 2.5
    t = times(80)
    path = warmup_cents(t + 2.5, total_cents=30.0, time_constant_s=8.0)
    tone = moving_tone("triangle", 261.63 * 2 ** (path / 1200), RATE)
    x = np.concatenate([np.zeros(round(before_s * RATE)), tone])
    x += thump(np.arange(x.size) / RATE, at_s=thump_s, peak=0.3)
    x += 1e-4 * np.random.default_rng(1).standard_normal(x.size)
    r = sigkit.measure_warmup(sigkit.open_capture(write_sound(tmp_path, x, RATE)))
    assert r.power_on_s == pytest.approx(thump_s, abs=0.02)
    assert any("thump found at" in remark for remark in r.notes)
    assert r.settling_time.value == pytest.approx(8 * math.log(15), abs=0.5)
    assert r.time_constant.value == pytest.approx(8.0, rel=0.02)
    assert r.curve.time_s[0] == pytest.approx(-thump_s, abs=0.02)


@pytest.mark.parametrize("power_on_s", [-45.0, -5.0])
def test_given_switch_on(tmp_path, power_on_s):
    """Negative: the recorder was started later. All times count from the switch-on."""
    t = times(90)
    path = warmup_cents(t - power_on_s, total_cents=40.0, time_constant_s=20.0)
    r = sigkit.measure_warmup(capture_of(tmp_path, path), power_on_s=power_on_s)
    assert r.power_on_s == power_on_s
    assert r.settings["power_on_s"] == power_on_s
    left = abs(path - path[-1]) > BAND
    truth = float(t[np.flatnonzero(left)[-1]]) - power_on_s
    assert r.settling_time.value == pytest.approx(truth, abs=1.0)
    assert r.time_constant.value == pytest.approx(20.0, rel=0.05)
    assert r.curve.time_s[0] == pytest.approx(-power_on_s)


def test_settled_before_the_recorder_ran(tmp_path):
    r = sigkit.measure_warmup(capture_of(tmp_path, np.zeros(40 * RATE)), power_on_s=-1800.0)
    assert not r.settling_time.measurable
    assert "already settled when the tone began" in r.settling_time.reason


def test_every_part_of_the_result(tmp_path):
    t = times(60)
    capture = capture_of(tmp_path, warmup_cents(t, total_cents=15.0, time_constant_s=6.0))
    r = sigkit.measure_warmup(capture)
    assert r.test == "warmup"
    assert (r.source.name, r.source.rate, r.source.channel) == (capture.path.name, RATE, 0)
    assert r.settings == {"power_on_s": 0.0, "power_on_latest_s": None, "band_cents": 2.0}
    assert (r.power_on_s, r.power_on_range_s, r.band_cents) == (0.0, (0.0, 0.0), 2.0)
    units = {name: q.unit for name, q in r.quantities().items()}
    assert units == {
        "total_drift": "cents",
        "drift_without_steps": "cents",
        "time_constant": "s",
        "settling_time": "s",
        "residual_drift": "cents/min",
        "cycle_period": "s",
        "cycle_cents": "cents",
        "temperature_coefficient": "cents/°C",
        "largest_step": "cents",
    }
    found = [q for q in r.quantities().values() if q.measurable]
    assert len(found) == 5
    assert all(q.u > 0 and q.budget for q in found)
    assert "too short for a cycle" in r.cycle_period.reason
    assert "no reading of the room temperature" in r.temperature_coefficient.reason
    assert list(r.tables()) == ["curve", "jumps", "shape", "readings"]
    assert list(r.shape.columns) == [
        "part",
        "cents",
        "u_cents",
        "time_constant_s",
        "u_time_constant_s",
    ]
    assert r.shape.cents[0] == pytest.approx(15.0, abs=0.1)
    assert r.shape.time_constant_s[0] == r.time_constant.value
    assert np.nanmax(np.abs(r.fitted_cents - r.curve.cents)) < 0.3
    assert r.readings.empty
    assert r.take.track.hop_s == 0.05
    assert list(r.curve.columns) == ["time_s", "frequency_hz", "cents", "u_cents"]
    known = r.curve.dropna()
    assert len(known) > 580
    assert known.cents.iloc[-1] == pytest.approx(0, abs=0.1)
    assert known.frequency_hz.iloc[-1] == pytest.approx(261.63 * 2 ** (15 / 1200), rel=1e-4)
    plain = json.loads(json.dumps(r.to_dict(), allow_nan=False))
    assert plain["quantities"]["total_drift"]["value"] == pytest.approx(15, abs=0.2)
    assert "warmup of sound" in str(r)
    assert "<table>" in r._repr_html_()
    assert json.dumps(sigkit.measure_warmup(capture).to_dict()) == json.dumps(r.to_dict())


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"band_cents": 0.0}, "band_cents must be above 0"),
        ({"band_cents": math.nan}, "band_cents must be above 0"),
        ({"power_on_s": 1000.0}, "after the end at"),
        ({"power_on_s": math.nan}, "after the end at"),
    ],
)
def test_refuses_what_makes_no_sense(tmp_path, options, message):
    with pytest.raises(InputError, match=message):
        sigkit.measure_warmup(capture_of(tmp_path, np.zeros(12 * RATE)), **options)


def test_refuses_less_than_ten_seconds_of_tone(tmp_path):
    with pytest.raises(SignalError, match="10 s are needed") as caught:
        sigkit.measure_warmup(capture_of(tmp_path, np.zeros(8 * RATE), before_s=20.0))
    assert str(caught.value).count("\n") == 2


def test_plot_draws_on_the_given_axes(tmp_path):
    from matplotlib.figure import Figure

    r = sigkit.measure_warmup(capture_of(tmp_path, np.zeros(20 * RATE)))
    ax = Figure().add_subplot()
    assert r.plot(ax) is ax
    assert ax.lines
