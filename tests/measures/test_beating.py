"""Two oscillators in one capture: every number against exact truth or published beats."""

import json
import math

import numpy as np
import pytest
from tones import moving_tone, noisy_tone, tone, write_sound

import sigkit
from sigkit.measures.beating.measure import BeatingResult, measure_beating
from sigkit.quantity import combine

RATE, LOW_RATE = 48_000, 16_000
MISSING = (
    "frequency_1",
    "frequency_2",
    "beat_rate",
    "detune",
    "beat_wander",
    "drift_1",
    "drift_2",
    "locking_width",
)


def capture_of(folder, sound, rate=RATE, **how):
    return sigkit.open_capture(write_sound(folder, sound, rate, **how))


def two_saws(hz, seconds, rng, *, rate=RATE, snr_db=50.0, level=1.0, waves=("saw", "saw")):
    t = np.arange(round(seconds * rate)) / rate
    sound = np.zeros(t.size)
    for f, wave, size in zip(hz, waves, (1.0, level), strict=True):
        one = tone(wave, f * t + rng.random(), int(0.48 * rate / f), 0.3)
        sound += size * one / np.sqrt(np.mean(one**2))
    sound *= 0.1 / np.sqrt(np.mean(sound**2))
    return sound + 0.1 * 10 ** (-snr_db / 20) * rng.standard_normal(t.size)


def path_of(hz, rate=RATE):
    return moving_tone("saw", hz, rate)


@pytest.mark.parametrize(
    ("hz", "detune", "beat_hz"),
    [(440, 1, 0.254227), (440, 5, 1.272607), (220, 3, 0.381561), (110, 5, 0.318152)],
)
def test_beats_of_a_unison(tmp_path, hz, detune, beat_hz):
    """f (2^(c/1200) - 1): the textbook beat of a mistuned unison, closed form, six digits."""
    rng = np.random.default_rng([hz, detune])
    sound = two_saws((hz, hz * 2 ** (detune / 1200)), 5.0, rng)
    result = measure_beating(capture_of(tmp_path, sound, subtype="PCM_24"))
    assert float(result.beat_rate) == pytest.approx(beat_hz, abs=1e-6 + 2 * result.beat_rate.u)
    assert abs(float(result.detune) - detune) < 3 * result.detune.u + 1e-6
    assert float(result.frequency_1) == pytest.approx(hz, rel=1e-8)
    assert float(result.frequency_2) == pytest.approx(hz * 2 ** (detune / 1200), rel=1e-8)
    assert result.ratio == (1, 1)
    assert not result.sign_known
    assert "not its sign" in " ".join(result.notes)


@pytest.mark.parametrize(
    ("ratio", "fraction", "rate", "subtype"),
    [
        ((3, 2), 1.5, 48_000, "PCM_16"),
        ((2, 1), 2.0, 44_100, "PCM_24"),
        ((3, 2), 1.5, 96_000, "FLOAT"),
        ((1, 1), 1.0, 44_100, "PCM_16"),
    ],
)
@pytest.mark.parametrize("detune", [-2.1, 3.4])
def test_fifths_and_octaves(tmp_path, ratio, fraction, rate, subtype, detune):
    """Beats of intervals are |n f1 - m f2| (any handbook of acoustics)."""
    rng = np.random.default_rng([*ratio, rate])
    low = 123.4
    detune = abs(detune) if ratio == (1, 1) else detune
    high = low * fraction * 2 ** (detune / 1200)
    sound = two_saws((low, high), 5.0, rng, rate=rate, level=0.3, waves=("pulse", "saw"), snr_db=40)
    t = np.arange(sound.size) / rate
    sound = sound + 0.001 * np.sin(2 * np.pi * 50 * t) + 0.02  # hum at -37 dB, and DC
    result = measure_beating(capture_of(tmp_path, sound, rate, subtype=subtype))
    assert result.ratio == ratio
    assert abs(float(result.detune) - detune) < 4 * result.detune.u + 1e-4
    assert float(result.frequency_1) == pytest.approx(low, rel=1e-6)
    assert float(result.frequency_2) == pytest.approx(high, rel=1e-6)
    n, m = ratio
    beat = abs(n * low - m * high)
    assert float(result.beat_rate) == pytest.approx(beat, abs=1e-4)
    assert result.sign_known == (ratio != (1, 1))


def test_budget_and_table(tmp_path):
    """The clock is in what scales with it, and cancels in the detune (JCGM 100:2008, 5.2.2)."""
    sound = two_saws((220.0, 220.8), 6.0, np.random.default_rng(1))
    result = measure_beating(capture_of(tmp_path, sound))
    clock = {t.source: t.u for t in result.frequency_1.budget}["sound-card clock"]
    assert clock == pytest.approx(220.0 * 50e-6 / math.sqrt(3), rel=1e-6)
    assert "sound-card clock" in {t.source for t in result.beat_rate.budget}
    assert {t.source for t in result.detune.budget} == {"noise", "wander between the windows"}
    curve = result.curve
    assert list(curve.columns) == [
        "time_s",
        "frequency_1_hz",
        "u_1_hz",
        "frequency_2_hz",
        "u_2_hz",
        "detune_cents",
        "u_detune_cents",
        "beat_hz",
    ]
    assert np.allclose(curve["beat_hz"], 0.8, atol=1e-4)
    assert np.allclose(curve["frequency_2_hz"] - curve["frequency_1_hz"], curve["beat_hz"])
    assert (curve[["u_1_hz", "u_2_hz", "u_detune_cents"]] > 0).all(axis=None)
    assert result.parts.values.tolist() == [[0.0, 6.0, "two oscillators"]]
    assert result.drift_1.reason.startswith("only")
    assert float(result.beat_wander) < 0.001
    saved = json.loads(json.dumps(result.to_dict(), allow_nan=False))
    assert saved["ratio"] == [1, 1]
    assert saved["sign_known"] is False
    assert "largest_locking" not in saved["quantities"]
    assert result.settings == {}


def test_drift_of_each(tmp_path):
    """Each oscillator's own straight drift, exact by construction."""
    rng = np.random.default_rng(2)
    t = np.arange(30 * LOW_RATE) / LOW_RATE
    paths = (330 * 2 ** (2.4 * t / 60 / 1200), 331 * 2 ** (-1.1 * t / 60 / 1200))
    sound = sum(path_of(hz, LOW_RATE) for hz in paths)
    sound = sound + 1e-3 * rng.standard_normal(t.size)
    result = measure_beating(capture_of(tmp_path, sound, LOW_RATE))
    assert float(result.drift_1) == pytest.approx(2.4, abs=0.02)
    assert float(result.drift_2) == pytest.approx(-1.1, abs=0.02)
    # 3.5 cents a minute apart, over what the windows see of 30 s.
    assert float(result.beat_wander) == pytest.approx(3.5 / 60 * 28.1, abs=0.03)
    middle = 1200 * math.log2(331 / 330) - 3.5 / 60 * 15
    assert float(result.detune) == pytest.approx(middle, abs=0.002)


def test_slow_beats_take_longer_windows(tmp_path):
    """Two triangles of 110 Hz that beat once in 20 s."""
    rng = np.random.default_rng(3)
    sound = two_saws((110.0, 110.05), 20.0, rng, waves=("triangle", "triangle"), snr_db=30)
    result = measure_beating(capture_of(tmp_path, sound))
    assert float(result.beat_rate) == pytest.approx(0.05, abs=0.001)


def test_locking_width_and_sign(tmp_path):
    """A sweep with a locked stretch by Adler's equation, and each oscillator alone after it.

    R. Adler, "A study of locking phenomena in oscillators", Proc. IRE 34 (1946), 351-357: inside
    the locking range the beat is zero, outside it is sqrt(x^2 - x_0^2).
    """
    rng = np.random.default_rng(4)
    lock, slope, hz = 1.5, 0.5, 330.0
    t = np.arange(62 * LOW_RATE) / LOW_RATE
    tuned = np.clip(-10 + slope * (t - 1), -10, 10)
    free = np.sign(tuned) * np.sqrt(np.maximum(tuned**2 - lock**2, 0))
    second = hz * 2 ** (free / 1200)
    first = np.full(t.size, hz)
    alone_1, alone_2 = (t > 42) & (t < 51), t > 52
    together = t < 41
    sound = path_of(first, LOW_RATE) * (together | alone_1)
    sound += 0.8 * path_of(second, LOW_RATE) * (together | alone_2)
    sound += 1e-4 * rng.standard_normal(t.size)
    result = measure_beating(capture_of(tmp_path, 0.3 * sound, LOW_RATE, subtype="PCM_24"))
    assert abs(float(result.locking_width) - 2 * lock) < 2 * result.locking_width.u
    assert result.locking_width.u < 0.4
    assert result.sign_known
    curve = result.curve.dropna()
    at_s = curve["time_s"].to_numpy()
    expected = np.interp(at_s, t, free)
    clear = np.abs(expected) > 3
    assert np.allclose(curve["detune_cents"][clear], expected[clear], atol=0.1)
    assert "swept" in " ".join(result.notes)
    for name in ("frequency_1", "frequency_2", "beat_rate", "detune", "beat_wander", "drift_1"):
        assert "hold it still for 10 s" in result.quantities()[name].reason
    kinds = set(result.parts["kind"])
    assert kinds >= {"two oscillators", "one oscillator or locked"}
    assert np.all(result.parts["start_s"][1:].to_numpy() == result.parts["stop_s"][:-1].to_numpy())


def test_sweep_without_a_locked_stretch_gives_a_bound(tmp_path):
    """At 0.53 cents a second and 0.254 Hz a cent the slowest beat takes half a cycle for 1.45
    cents: sqrt(0.53 / 0.254)."""
    rng = np.random.default_rng(5)
    t = np.arange(30 * LOW_RATE) / LOW_RATE
    second = 440 * 2 ** ((-8 + 16 * t / 30) / 1200)
    sound = sum(path_of(hz, LOW_RATE) for hz in (np.full(t.size, 440.0), second))
    sound += 1e-3 * rng.standard_normal(t.size)
    result = measure_beating(capture_of(tmp_path, 0.3 * sound, LOW_RATE))
    assert "at most" in result.locking_width.reason
    assert 0 < float(result.at_most()["locking_width"]) < 1.45


def single_oscillators():
    rng = np.random.default_rng(6)
    t = np.arange(10 * RATE) / RATE
    hz = 196.0
    yield "saw", noisy_tone("saw", hz, 50, 10, rng)[0]
    yield "vibrato", path_of(hz * 2 ** (12 * np.sin(2 * np.pi * 5 * t) / 1200))
    walk = 0.3 * np.cumsum(rng.standard_normal(t.size)) / math.sqrt(RATE)
    yield "wander", path_of(hz * 2 ** (walk / 1200))
    saw = path_of(np.full(t.size, hz))
    yield "tremolo", saw * (1 + 0.5 * np.sin(2 * np.pi * 0.8 * t))
    width = 0.5 + 0.3 * np.sin(2 * np.pi * 0.1 * t)
    yield "pulse of moving width", tone("saw", hz * t, 110) - tone("saw", hz * t - width, 110)


@pytest.mark.parametrize(
    ("name", "sound"), [pytest.param(*s, id=s[0]) for s in single_oscillators()]
)
def test_one_oscillator_gives_no_second(tmp_path, name, sound):
    sound = sound + 1e-3 * np.random.default_rng(7).standard_normal(sound.size)
    result = measure_beating(capture_of(tmp_path, 0.2 * sound))
    quantities = result.quantities()
    assert tuple(quantities) == MISSING, name
    assert all("one oscillator or locked" in q.reason for q in quantities.values())
    assert set(result.parts["kind"]) == {"one oscillator or locked"}
    assert result.curve["detune_cents"].isna().all()
    assert result.at_most() == {}


def test_noise_and_silence_are_refused(tmp_path):
    rng = np.random.default_rng(8)
    for sound in (0.1 * rng.standard_normal(4 * RATE), np.zeros(4 * RATE), np.zeros(100)):
        with pytest.raises(sigkit.SignalError, match="no tone") as error:
            measure_beating(capture_of(tmp_path, sound))
        assert "Hold one note" in str(error.value)


def test_stated_uncertainty_covers_the_truth(tmp_path):
    """95 % of 30 values less three binomial standard deviations; two thirds of them moving."""
    rng = np.random.default_rng(9)
    hits, total = 0, 0
    for trial in range(10):
        hz, beat = rng.uniform(100, 400), rng.uniform(0.4, 2)
        count = 4 * LOW_RATE
        paths = [np.full(count, hz), np.full(count, hz + beat)]
        if trial % 3:
            walks = 0.05 * np.cumsum(rng.standard_normal((2, count)), axis=1)
            walks /= math.sqrt(LOW_RATE)
            paths = [p * 2 ** (w / 1200) for p, w in zip(paths, walks, strict=True)]
        sound = sum(path_of(p, LOW_RATE) for p in paths)
        sound = sound + 10 ** -rng.uniform(2, 4) * rng.standard_normal(count)
        result = measure_beating(capture_of(tmp_path, 0.2 * sound, LOW_RATE))
        means = [float(np.mean(np.log2(p))) * 1200 for p in paths]
        for true, found in zip(means, (result.frequency_1, result.frequency_2), strict=True):
            own = [t for t in found.budget if t.source != "sound-card clock"]
            half = combine(float(found), "Hz", own).expanded
            hits += abs(float(found) - 2 ** (true / 1200)) <= half
            total += 1
        hits += abs(float(result.detune) - (means[1] - means[0])) <= result.detune.expanded
        total += 1
    assert hits / total >= 0.95 - 3 * math.sqrt(0.95 * 0.05 / total)


def test_public_name():
    assert sigkit.measure_beating is measure_beating
    assert BeatingResult.test == "beating"
