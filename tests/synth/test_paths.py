"""Paths against their closed forms."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import integrate

from sigkit.errors import InputError
from sigkit.synth import (
    Envelope,
    at_cents,
    caught_hz,
    cents_above,
    fade,
    glide_line_cents,
    glide_rc_cents,
    jump_cents,
    line_cents,
    pulled_hz,
    random_walk_cents,
    settling_time_s,
    vibrato_cents,
    wander_cents,
    warmup_cents,
)


def first_reaching(t, path, level):
    return t[np.argmax(path >= level)]


def test_cents_are_1200_to_the_octave():
    """Equal temperament: A4 = 440 Hz, C4 = 261.6256 Hz, 900 cents below (common practice)."""
    assert at_cents(440.0, -900.0) == pytest.approx(261.6256, abs=1e-4)
    assert cents_above(440.0, 880.0) == pytest.approx(1200.0)


@given(tau=st.floats(0.01, 2.0), interval=st.floats(-4800, 4800).filter(lambda c: abs(c) > 1))
def test_rc_glide_takes_tau_ln_9(tau, interval):
    """10 % to 90 % of a first-order lag takes tau ln 9 = 2.197 tau (any circuits textbook)."""
    t = np.linspace(0, 6 * tau, 6001)
    path = glide_rc_cents(t, start_s=0.3 * tau, interval_cents=interval, time_constant_s=tau)
    share = path / interval
    taken = first_reaching(t, share, 0.9) - first_reaching(t, share, 0.1)
    assert taken == pytest.approx(tau * math.log(9), abs=2 * (t[1] - t[0]))
    assert np.all(path[t < 0.3 * tau] == 0)


def test_constant_rate_glide_takes_four_fifths():
    t = np.arange(3000) / 1000
    path = glide_line_cents(t, start_s=0.5, interval_cents=-2400.0, duration_s=2.0)
    taken = first_reaching(t, -path, 2160) - first_reaching(t, -path, 240)
    assert taken == pytest.approx(1.6, abs=0.0011)
    assert path[-1] == -2400


def test_warmup_settles_when_the_exponential_says_so():
    t = np.arange(4000.0)
    path = warmup_cents(t, total_cents=-40.0, time_constant_s=500.0, power_on_s=5.0)
    settled = settling_time_s(total_cents=-40.0, time_constant_s=500.0, band_cents=2.0)
    assert settled == pytest.approx(500 * math.log(20))
    outside = t[np.abs(path + 40) > 2]
    assert outside[-1] - 5 == pytest.approx(settled, abs=1.0)
    assert settling_time_s(total_cents=1.0, time_constant_s=9.0, band_cents=2.0) == 0


def test_line_jump_and_vibrato():
    t = np.arange(6001) / 100
    assert line_cents(t, cents_per_min=-3.0)[-1] == pytest.approx(-3.0)
    jump = jump_cents(t, at_s=10.0, size_cents=12.0)
    assert (jump[999], jump[1000]) == (0.0, 12.0)
    soft = jump_cents(t, at_s=10.0, size_cents=12.0, rise_s=0.04)
    assert_allclose(soft[[998, 1000, 1002]], [0.0, 6.0, 12.0], atol=1e-9)
    v = vibrato_cents(t, rate_hz=5.0, peak_cents=20.0)
    assert_allclose([v.max(), v.mean(), v.std()], [20.0, 0.0, 20 / math.sqrt(2)], atol=0.01)


def test_wander_has_its_spread_and_memory_over_a_long_time():
    """Ornstein-Uhlenbeck: variance s^2, correlation exp(-lag/tau).

    10 000 time constants: the standard error of the spread is about 1 %. A path straight between
    points a tenth of tau apart has a 1.6 % smaller spread.
    """
    t = np.arange(0, 20_000, 0.2)
    w = wander_cents(t, spread_cents=3.0, time_constant_s=2.0, seed=5)
    assert np.std(w) == pytest.approx(3.0, rel=0.05)
    lag = np.mean(w[10:] * w[:-10]) / np.mean(w**2)
    assert lag == pytest.approx(math.exp(-1), abs=0.05)


def test_random_walk_spreads_with_the_root_of_time():
    t = np.array([0.0, 1.0, 100.0])
    ends = np.array([random_walk_cents(t, cents_per_root_s=0.5, seed=s) for s in range(400)])
    assert np.all(ends[:, 0] == 0)
    assert_allclose(ends.std(axis=0)[1:], [0.5, 5.0], rtol=4 / math.sqrt(800))


@pytest.mark.parametrize("of", ["wander", "walk"])
def test_random_paths_are_the_same_block_by_block(of):
    def path(t):
        if of == "wander":
            return wander_cents(t, spread_cents=3.0, time_constant_s=1.0, seed=5)
        return random_walk_cents(t, cents_per_root_s=3.0, seed=5)

    t = np.arange(0, 50, 0.01)
    assert_allclose(np.concatenate([path(t[:1234]), path(t[1234:])]), path(t))
    with pytest.raises(InputError, match="begins at time zero"):
        path(t - 1)


@given(
    tau=st.floats(0.001, 1.0),
    target=st.floats(1.05, 5.0),
    decay=st.floats(0.01, 1.0),
    sustain=st.floats(0.0, 1.0),
    release=st.floats(0.01, 1.0),
)
def test_envelope_has_the_times_it_states(tau, target, decay, sustain, release):
    e = Envelope(
        attack_time_constant_s=tau,
        attack_target=target,
        decay_time_constant_s=decay,
        sustain=sustain,
        release_time_constant_s=release,
    )
    peak, held = 0.2 + e.time_to_peak_s, 20 * decay
    off = peak + held
    t = np.array([0.0, 0.2, peak, peak + decay, off, off + release, off + e.release_60_db_s])
    a = e(t, on_s=0.2, off_s=off)
    expected = [0, 0, 1, sustain + (1 - sustain) / math.e, sustain, sustain / math.e, sustain / 1e3]
    assert_allclose(a, expected, atol=1e-8)
    rise = np.linspace(0.2, peak, 2001)
    level = e(rise, on_s=0.2, off_s=off)
    taken = first_reaching(rise, level, 0.9) - first_reaching(rise, level, 0.1)
    assert taken == pytest.approx(e.attack_s, abs=2.1 * (rise[1] - rise[0]))


def test_envelope_released_during_its_attack_falls_from_where_it_was():
    e = Envelope(attack_time_constant_s=1.0, attack_target=2.0, release_time_constant_s=0.1)
    a = e(np.array([0.3, 0.4]), on_s=0.0, off_s=0.3)
    assert a[0] == pytest.approx(2 * (1 - math.exp(-0.3)))
    assert a[1] == pytest.approx(a[0] / math.e)
    with pytest.raises(InputError, match="attack_target must be above 1"):
        Envelope(attack_time_constant_s=1.0, attack_target=1.0)


def test_fade_is_smooth_at_both_ends():
    t = np.arange(1001) / 1000
    g = fade(t, start_s=0.1, stop_s=0.9, length_s=0.1)
    assert_allclose(
        g[[0, 100, 150, 200, 800, 850, 900, 1000]], [0, 0, 0.5, 1, 1, 0.5, 0, 0], atol=1e-9
    )


@pytest.mark.parametrize(("apart", "lock"), [(0.5, 0.4), (-1.3, 0.4), (2.0, 1.99), (0.7, 0.0)])
def test_pulled_oscillator_beats_at_the_root_of_the_difference_of_squares(apart, lock):
    """Adler (Proc. IRE 34, 1946): beat rate sqrt(apart^2 - lock^2); from memory."""
    beat = math.copysign(math.sqrt(apart**2 - lock**2), apart)
    t = np.linspace(0, 3 / abs(beat), 6001)
    path = pulled_hz(t, apart_hz=apart, lock_hz=lock, phase_rad=1.0)
    assert np.trapezoid(path, t) == pytest.approx(math.copysign(3, beat), abs=1e-3)
    assert path.min() >= apart - lock - 1e-12
    assert path.max() <= apart + lock + 1e-12


@pytest.mark.parametrize("apart", [0.3, -0.3, 0.39])
def test_pulled_oscillator_comes_to_rest_where_the_sine_of_the_phase_is_their_ratio(apart):
    t = np.arange(40_000) / 1000
    path = pulled_hz(t, apart_hz=apart, lock_hz=0.4)
    assert abs(path[-1]) < 1e-9
    phase = 2 * math.pi * np.trapezoid(path, t)
    assert phase == pytest.approx(math.asin(apart / 0.4), abs=1e-4)


def test_pulled_oscillator_agrees_with_a_solver_along_a_sweep():
    """The same equation by scipy's Runge-Kutta solver of order 8."""
    t = np.arange(0, 20, 1 / 500)

    def apart(time):
        return -1.0 + 0.1 * time

    path = pulled_hz(t, apart_hz=apart(t), lock_hz=0.3, phase_rad=0.2)
    solved = integrate.solve_ivp(
        lambda time, p: 2 * np.pi * (apart(time) - 0.3 * np.sin(p)),
        (0, t[-1]),
        [0.2],
        "DOP853",
        t_eval=t,
        rtol=1e-10,
        atol=1e-10,
    )
    assert_allclose(path, apart(t) - 0.3 * np.sin(solved.y[0]), atol=1e-5)
    assert np.abs(path[(t > 9) & (t < 11)]).max() < 0.08


@pytest.mark.parametrize("direction", [1, -1])
def test_caught_oscillator_is_held_from_where_they_meet_until_it_is_too_far(direction):
    """The phase apart, summed beside it, is a whole number of cycles where the hold begins."""
    t = np.arange(0, 40, 1 / 500)
    free = direction * (-1.5 + 0.075 * t)
    path = caught_hz(t, apart_hz=free, lock_hz=0.4, phase_cycles=0.3)
    held = path == 0
    assert np.array_equal(path[~held], free[~held])
    first, last = t[held][[0, -1]]
    assert np.all(held[(t >= first) & (t <= last)])
    assert last == pytest.approx((1.5 + 0.4) / 0.075, abs=0.004)
    begin = (1.5 - 0.4) / 0.075
    assert begin <= first < begin + 1 / 0.3
    phase = 0.3 + integrate.cumulative_trapezoid(free, t, initial=0)
    meets = np.floor(phase)[1:] != np.floor(phase)[:-1]
    assert first == pytest.approx(t[1:][meets & (t[1:] >= begin)][0], abs=0.006)


def test_caught_oscillator_runs_free_where_it_is_far():
    t = np.arange(0, 20, 1 / 500)
    assert np.all(caught_hz(t, apart_hz=0.41, lock_hz=0.4) == 0.41)
