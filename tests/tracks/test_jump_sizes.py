"""Pitch jumps of known size on a slide, rounded off as a phase read over whole periods does."""

import math

import numpy as np
import pytest

from sigkit.tracks.jump_sizes import jump_size
from sigkit.tracks.pitch_jumps import Steps, find_pitch_jumps


def jumped(rng, size, length, period, *, bend=2000.0, noise=0.3):
    """A pitch each millisecond: a bent slide, a jump from bin 300 on, means over three periods."""
    t = np.arange(900) / 1000
    cents = 600 * t + bend * (t - 0.45) ** 2 / 2 + noise * rng.standard_normal(t.size)
    cents[300 : 300 + length] += size
    kernel = np.convolve(np.ones(period), np.ones(2 * period))
    hz = 2 ** (cents / 1200)
    smooth = np.convolve(np.pad(hz, 3 * period, "edge"), kernel / kernel.sum(), "same")
    return 1200 * np.log2(smooth[3 * period : -3 * period])


@pytest.mark.parametrize(("length", "period"), [(120, 5), (60, 8), (25, 3)])
def test_a_jump_longer_than_its_rounding_is_sized_to_two_percent(length, period):
    """A polynomial through a slide that is one leaves nothing but noise of 0.3 cents."""
    rng = np.random.default_rng(4)
    for size in (-400.0, -20.0, 15.0, 60.0, 300.0):
        cents = jumped(rng, size, length, period)
        found, u = jump_size(cents, math.ceil(period / 2) + 1, 300, 300 + length, size)
        assert found == pytest.approx(size, abs=1 + 0.02 * abs(size))
        assert 0 < u < 3 + 0.06 * abs(size)


def test_a_brief_jump_keeps_the_phase_it_adds():
    """6 ms at 100 Hz is less than a period: its top is never reached, its phase is."""
    cents = jumped(np.random.default_rng(5), 200.0, 6, 10)
    assert np.max(cents[280:320] - jumped(np.random.default_rng(5), 0.0, 6, 10)[280:320]) < 100
    found, u = jump_size(cents, 6, 300, 306, 60.0)
    assert found == pytest.approx(200, rel=0.15)
    assert u >= 0.4 * abs(found)  # half a period of 6 ms or more: the time is hardly known


def test_twice_the_stated_uncertainty_holds_the_size():
    """Slides bent at random, steps seen to a millisecond; 95 % less three binomial deviations."""
    rng = np.random.default_rng(6)
    inside = []
    for _ in range(300):
        period, length = int(rng.integers(2, 12)), int(rng.integers(20, 200))
        size = rng.choice([-1, 1]) * math.exp(rng.uniform(math.log(12), math.log(500)))
        cents = jumped(rng, size, length, period, bend=rng.uniform(-4000, 4000))
        a, b = (int(v + rng.integers(-1, 2)) for v in (300, 300 + length))
        found, u = jump_size(cents, math.ceil(period / 2) + 1, a, b, size * rng.normal(1, 0.03))
        inside.append(abs(found - size) <= 2 * u)
    assert np.mean(inside) >= 0.91


def test_the_ringing_beside_a_large_jump_does_not_stand_in_for_it():
    """Steps of 16 cents before and after, of the other sign, made one jump of 16 cents once."""
    step = np.zeros(600)
    step[[280, 300, 340, 360]] = 16.0, -470.0, 468.0, -15.0
    cents = np.where((np.arange(600) >= 300) & (np.arange(600) < 340), -470.0, 0.0)
    steps = Steps(cents=cents, half=np.full(600, 6, np.intp), step=step, limit=np.full(600, 12.0))
    (jump,) = find_pitch_jumps(steps, np.ones(600, bool))
    assert (jump.first, jump.last) == (300, 341)
    assert jump.size_cents == pytest.approx(-470, abs=2 * jump.u_size_cents)


def test_a_jump_at_the_end_of_the_sound_is_sized_by_its_steps():
    size, u = jump_size(np.zeros(50), 6, 10, 40, 25.0)
    assert math.isnan(size)
    assert u == math.inf
