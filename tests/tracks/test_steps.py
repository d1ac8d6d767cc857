"""Steps of a slow curve of pitch, planted at random in drift, wander and noise."""

import math

import numpy as np
import pytest

from sigkit.tracks.steps import COLUMNS, find_steps

HOP_S, WINDOW_S, FINE_S = 0.05, 0.2, 0.01


def frames(path, noise, rng):
    """Frames of a path on a fine grid, as a window weighted by a parabola sees it."""
    share = (np.arange(21) - 10) / 10.5
    weight = 1 - share**2
    seen = np.convolve(np.pad(path, 10, mode="edge"), weight / weight.sum(), "valid")
    cents = seen[:: round(HOP_S / FINE_S)]
    return np.arange(cents.size) * HOP_S, cents + noise * rng.standard_normal(cents.size)


@pytest.mark.parametrize("seed", range(20))
def test_every_step_is_found_and_none_invented(seed):
    """Sizes 3 to 60 cents, 0 to 0.8 s long, upon drifts of 1 cent/s and random walks."""
    rng = np.random.default_rng(seed)
    t = np.arange(60_000) * FINE_S
    tau, total = 10 ** rng.uniform(1.3, 3), rng.choice([-1, 1]) * rng.uniform(5, 60)
    walk = np.cumsum(rng.standard_normal(t.size)) * 10 ** rng.uniform(-3, -1.3) * math.sqrt(FINE_S)
    path = -total * np.expm1(-t / tau) + walk
    steps = [
        (at, rng.choice([-1, 1]) * 10 ** rng.uniform(0.5, 1.78), rng.choice([0.0, 0.03, 0.3, 0.8]))
        for at in 10
        + 14 * np.sort(rng.choice(41, rng.integers(0, 4), replace=False))
        + rng.random()
    ]
    for at, size, length in steps:
        path += size * np.clip((t - at) / max(length, FINE_S) + 0.5, 0, 1)
    found = find_steps(*frames(path, 0.003, rng), window_s=WINDOW_S)
    assert list(found.columns) == COLUMNS
    assert len(found) == len(steps)
    for row, (at, size, length) in zip(found.itertuples(), steps, strict=True):
        assert row.time_s == pytest.approx(at, abs=0.1)
        assert abs(row.size_cents - size) <= 4 * row.u_cents + 0.1
        assert row.kind == ("jump" if length < 0.1 else "move")
        assert row.duration_s == pytest.approx(length, abs=0.1)


def test_what_does_not_stay_or_takes_longer_is_no_step():
    rng = np.random.default_rng(1)
    t = np.arange(12_000) * FINE_S
    blip = np.where((t > 40) & (t < 41), 20.0, 0.0)
    slow = 20 * np.clip((t - 80) / 4, 0, 1)
    for path in (blip, slow, 10 * np.sin(2 * np.pi * t / 6)):
        assert find_steps(*frames(path, 0.003, rng), window_s=WINDOW_S).empty


@pytest.mark.parametrize(("gap_s", "count"), [(0.6, 1), (5.0, 0)])
def test_a_step_while_the_tone_is_lost_for_a_moment(gap_s, count):
    """Over a longer gap drift and step cannot be told apart."""
    rng = np.random.default_rng(2)
    t = np.arange(6_000) * FINE_S
    time_s, cents = frames(np.where(t > 30, 25.0, 0.0), 0.003, rng)
    cents[np.abs(time_s - 30) < gap_s / 2] = np.nan
    found = find_steps(time_s, cents, window_s=WINDOW_S)
    assert len(found) == count
    if count:
        assert found.kind[0] == "in a gap"
        assert math.isnan(found.duration_s[0])
        assert found.size_cents[0] == pytest.approx(25, abs=0.1)


def test_too_short_or_silent_is_no_error():
    assert find_steps(np.arange(5) * HOP_S, np.zeros(5), window_s=WINDOW_S).empty
    assert find_steps(np.arange(500) * HOP_S, np.full(500, np.nan), window_s=WINDOW_S).empty
    assert find_steps(np.zeros(1), np.zeros(1), window_s=WINDOW_S).empty
