"""The pitch at the end of a tone, predicted through wander and noise."""

import math

import numpy as np
import pytest

from sigkit.measures.edges import noise_of_mean, pace_of_walk, value_at_edge

HOP_S, WINDOW_S, FINE_S = 0.05, 0.2, 0.01


def frames(path):
    share = (np.arange(21) - 10) / 10.5
    weight = 1 - share**2
    seen = np.convolve(path, weight / weight.sum(), "valid")[:: round(HOP_S / FINE_S)]
    return WINDOW_S / 2 + np.arange(seen.size) * HOP_S, seen


def slope_noise(count, rng):
    """Unit noise of slopes fitted to a phase in white noise, windows of four hops."""
    fine = 8
    taps = np.arange(4 * fine) - (4 * fine - 1) / 2
    noise = np.convolve(rng.standard_normal((count + 4) * fine), taps, "valid")[::fine][:count]
    return noise / math.sqrt(taps @ taps)


@pytest.mark.parametrize("pace", [0.0, 1e-5, 1e-3])
@pytest.mark.parametrize("noise", [0.001, 0.03])
def test_two_u_hold_the_true_end(pace, noise):
    """200 ends of a bending drift; 95 % is known to 1.5 %, three of these are allowed."""
    hits, t = 0, np.arange(20_000) * FINE_S
    for seed in range(200):
        rng = np.random.default_rng(seed)
        walk = np.cumsum(rng.standard_normal(t.size)) * math.sqrt(pace * FINE_S)
        path = 20 * np.exp(-t / 60) + walk
        at, cents = frames(path)
        cents = cents + noise * slope_noise(cents.size, rng)
        value, u = value_at_edge(at[::-1], cents[::-1], t[-1], noise=noise, window_s=WINDOW_S)
        hits += abs(value - path[-1]) <= 2 * u
    print(f"pace {pace:g}, noise {noise:g}: 2u holds the end in {hits / 2:.1f} %")
    assert hits / 200 >= 0.95 - 3 * math.sqrt(0.95 * 0.05 / 200)


@pytest.mark.parametrize("pace", [1e-5, 1e-3])
def test_pace_of_a_planted_random_walk(pace):
    rng = np.random.default_rng(3)
    walk = np.cumsum(rng.standard_normal(400_000)) * math.sqrt(pace * FINE_S)
    _, cents = frames(walk)
    cents = cents + 0.002 * slope_noise(cents.size, rng)
    assert pace_of_walk(cents, 0.002, 4, HOP_S) == pytest.approx(pace, rel=0.1)


def test_noise_of_a_mean_of_overlapping_windows():
    rng = np.random.default_rng(4)
    noise = slope_noise(100_000, rng)
    for frames_in_mean in (2, 5, 20):
        means = noise.reshape(-1, frames_in_mean).mean(axis=1)
        assert noise_of_mean(1.0, frames_in_mean, 4) == pytest.approx(means.std(), rel=0.15)
