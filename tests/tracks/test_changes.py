"""Steps of pitch and leaps of phase, planted in sound of known truth."""

import math

import numpy as np
import pytest
from tones import moving_tone, write_sound

import sigkit
from sigkit.synth import wander_cents
from sigkit.tracks.bend_or_leap import as_step, jumps_of
from sigkit.tracks.changes import changes_and_limit, find_changes
from sigkit.tracks.phase import PhaseTrack
from sigkit.tracks.pitch import track_tone

RATE = 16_000
T = np.arange(10 * RATE) / RATE


def changes_in(folder, cents, *, hz=110.0, snr_db=50.0, wave="saw", seed=0, edit=None):
    x = moving_tone(wave, hz * 2 ** (cents / 1200), RATE, duty=0.3)
    x = x if edit is None else edit(x)
    x += 0.2 * 10 ** (-snr_db / 20) * np.random.default_rng(seed).standard_normal(x.size)
    _, phase = track_tone(sigkit.open_capture(write_sound(folder, x, RATE)))
    return find_changes(phase)


def steps_in(folder, cents, **how):
    return jumps_of(changes_in(folder, cents, **how))


@pytest.mark.parametrize("size", [-5.0, 5.0, 20.0, -45.0, 150.0, -250.0])
@pytest.mark.parametrize(("wave", "hz"), [("triangle", 62.0), ("saw", 110.0), ("sine", 700.0)])
def test_one_step_with_its_size_and_place(tmp_path, wave, hz, size):
    found = steps_in(tmp_path, np.where(T > 3.337, size, 0.0), wave=wave, hz=hz, snr_db=30)
    assert list(found.columns) == ["time_s", "size_cents", "u_cents"]
    assert len(found) == 1
    assert found.time_s[0] == pytest.approx(3.337, abs=0.03)
    assert found.size_cents[0] == pytest.approx(
        size, abs=max(0.03 * abs(size), 5 * found.u_cents[0])
    )
    assert 0 < found.u_cents[0] < abs(size) / 5


@pytest.mark.parametrize("seed", range(12))
def test_random_steps_in_noise_of_25_db_and_wander(tmp_path, seed):
    """5 to 50 cents, 0.25 s or more from the ends and 0.3 s or more apart: all, and no other."""
    rng = np.random.default_rng(seed)
    hz, wave = math.exp(rng.uniform(math.log(60), math.log(1200))), rng.choice(["saw", "triangle"])
    at_s = np.sort(rng.uniform(0.25, 9.75, 3))
    at_s = at_s[np.diff(at_s, prepend=-1) > 0.3]
    sizes = rng.choice([-1, 1], at_s.size) * np.exp(
        rng.uniform(math.log(5), math.log(50), at_s.size)
    )
    cents = wander_cents(T, spread_cents=rng.uniform(0, 0.5), time_constant_s=2.0, seed=seed)
    cents = cents + sum(np.where(at < T, size, 0.0) for at, size in zip(at_s, sizes, strict=True))
    found = steps_in(tmp_path, cents, hz=hz, wave=wave, snr_db=25, seed=seed)
    assert found.time_s.to_numpy() == pytest.approx(at_s, abs=0.05)
    assert found.size_cents.to_numpy() == pytest.approx(sizes, rel=0.1, abs=1.0)


def test_steps_close_together_and_close_to_the_ends(tmp_path):
    """Two steps 0.3 s apart, and steps 0.2 s from either end, at 25 dB."""
    at_s, sizes = [0.2, 3.3, 3.6, 9.8], [5.0, 5.0, 5.0, -5.0]
    cents = sum(np.where(at < T, size, 0.0) for at, size in zip(at_s, sizes, strict=True))
    found = steps_in(tmp_path, cents, snr_db=25)
    assert found.time_s.to_numpy() == pytest.approx(at_s, abs=0.03)
    assert found.size_cents.to_numpy() == pytest.approx(sizes, abs=0.5)


@pytest.mark.parametrize(
    "name",
    ["still", "drift", "glide", "slow step", "vibrato", "burst", "fast vibrato", "wander", "blip"],
)
def test_nothing_that_is_no_step(tmp_path, name):
    cents = {
        "still": 0 * T,
        "drift": 5.0 * T,
        "glide": 100 * np.clip((T - 4) / 0.5, 0, 1),
        "slow step": 8 * np.clip((T - 5) / 0.1, 0, 1),
        "vibrato": 20 * np.sin(2 * np.pi * 5 * T),
        "burst": np.where(T > 6, 20 * np.sin(2 * np.pi * 2 * T), 0.0),
        "fast vibrato": 8 * np.sin(2 * np.pi * 8 * T),
        "wander": wander_cents(T, spread_cents=3.0, time_constant_s=1.0, seed=2),
        "blip": np.where((T > 5) & (T < 5.12), 30.0, 0.0),
    }[name]
    assert changes_in(tmp_path, cents) == []


@pytest.mark.parametrize(("mains_hz", "size"), [(49.9, 5.0), (60.1, -5.0), (100.0, 5.0)])
def test_a_mains_wobble_hides_no_step(tmp_path, mains_hz, size):
    cents = 2.0 * np.sin(2 * np.pi * mains_hz * T) + np.where(T > 6.3, size, 0.0)
    found = steps_in(tmp_path, cents, hz=330.0, snr_db=40)
    assert found.time_s.to_numpy() == pytest.approx([6.3], abs=0.02)
    assert found.size_cents.to_numpy() == pytest.approx([size], abs=0.5)


@pytest.mark.parametrize(
    ("peak", "rate_hz", "shape"), [(2.0, 3.3, "sine"), (5.0, 5.0, "triangle"), (10.0, 7.0, "sine")]
)
def test_a_steady_vibrato_hides_no_step_of_15_cents(tmp_path, peak, rate_hz, shape):
    turn = 2 * np.pi * rate_hz * T + 1
    swing = np.sin(turn) if shape == "sine" else 2 / np.pi * np.arcsin(np.sin(turn))
    cents = peak * swing + np.where(T > 6.3, 15.0, 0.0) - np.where(T > 2.9, 15.0, 0.0)
    found = steps_in(tmp_path, cents, hz=330.0, snr_db=40)
    assert found.time_s.to_numpy() == pytest.approx([2.9, 6.3], abs=0.03)
    assert found.size_cents.to_numpy() == pytest.approx([-15.0, 15.0], abs=2.0)


def test_limit_is_where_steps_begin_to_be_found(tmp_path):
    """Wander of 2.4 cents and 0.4 s: steps of twice the limit are found, of half of it none."""
    counts = {0.5: 0, 2.0: 0}
    for seed in range(3):
        wander = wander_cents(T, spread_cents=2.4, time_constant_s=0.4, seed=seed)
        x = moving_tone("saw", 220 * 2 ** (wander / 1200), RATE)
        _, phase = track_tone(sigkit.open_capture(write_sound(tmp_path, x, RATE)))
        found, limit = changes_and_limit(phase)
        assert found == []
        # Random-walk steps over half of the sides and what is left out between: 1.4 cents rms.
        assert limit == pytest.approx(5.5 * 1.4, rel=0.25)
        for share in counts:
            with_step = wander + np.where(T > 4.4, share * limit, 0.0)
            counts[share] += len(steps_in(tmp_path, with_step, hz=220.0))
    assert counts == {0.5: 0, 2.0: 3}


@pytest.mark.parametrize("snr_db", [25, 40])
def test_noise_and_level_make_no_step(tmp_path, snr_db):
    def softer(x):
        x[5 * RATE :] *= 0.4
        return x

    for seed in range(4):
        found = changes_in(tmp_path, 0 * T, snr_db=snr_db, seed=seed, edit=softer, hz=150 * 2**seed)
        assert [as_step(change) for change in found if as_step(change)] == []


@pytest.mark.parametrize("ms", [0, 25, 50])
def test_steps_up_to_50_ms_count(tmp_path, ms):
    cents = 8 * np.clip((T - 5) / max(ms / 1000, 1e-9), 0, 1)
    found = steps_in(tmp_path, cents)
    assert found.size_cents.to_numpy() == pytest.approx([8.0], abs=0.05)
    assert found.time_s[0] == pytest.approx(5 + ms / 2000, abs=0.005)


@pytest.mark.parametrize("lost", [1, 2, 4])
def test_a_few_lost_samples_are_a_leap(tmp_path, lost):
    """The phase moves by lost samples over samples a period; before and after have one pitch."""
    at = 5 * RATE
    found = changes_in(tmp_path, 0 * T, edit=lambda x: np.delete(x, slice(at, at + lost)))
    assert [change.kind for change in found] == ["slip"]
    assert found[0].size == pytest.approx(lost * 110 / RATE, abs=0.0005)
    assert found[0].time_s == pytest.approx(5.0, abs=0.01)
    assert found[0].before_hz == pytest.approx(found[0].after_hz, rel=1e-4)
    assert as_step(found[0]) is None


def test_more_lost_samples_break_the_tone(tmp_path):
    at = 5 * RATE
    found = changes_in(tmp_path, 0 * T, edit=lambda x: np.delete(x, slice(at, at + 64)))
    assert [change.kind for change in found] == ["break"]
    assert found[0].time_s == pytest.approx(5.0, abs=0.02)
    assert found[0].gap_s < 0.1
    assert abs(found[0].size) < 1
    assert as_step(found[0]) is None


@pytest.mark.parametrize("count", [0, 1, 3, 30])
def test_phases_too_few_have_none(count):
    t = np.arange(count) / 100
    phase = PhaseTrack(t, 100 * t, np.full(count, 1e-4), np.zeros(count, np.int32))
    assert find_changes(phase) == []
    assert jumps_of([]).empty


@pytest.mark.parametrize("size", [1.5, -4.0, 25.0, 150.0])
def test_a_step_on_a_drift(tmp_path, size):
    cents = np.where(T > 3.3371, size, 0.0) + 0.2 * T
    found = steps_in(tmp_path, cents, hz=220.0, snr_db=46)
    assert found.time_s.to_numpy() == pytest.approx([3.3371], abs=0.02)
    assert found.size_cents[0] == pytest.approx(size, abs=max(0.05, 3 * found.u_cents[0]))


def test_several_in_order_and_none_below_one_cent(tmp_path):
    at_s, sizes = [2.0, 4.0, 5.5, 8.25], [4.0, 0.8, -3.0, 10.0]
    cents = sum(np.where(at < T, size, 0.0) for at, size in zip(at_s, sizes, strict=True))
    found = steps_in(tmp_path, cents, hz=220.0)
    assert found.time_s.to_numpy() == pytest.approx([2.0, 5.5, 8.25], abs=0.02)
    assert found.size_cents.to_numpy() == pytest.approx([4.0, -3.0, 10.0], abs=0.1)
