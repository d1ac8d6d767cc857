"""What windows that weigh their ends less miss of the mean of a pitch that walks at random."""

import numpy as np
import pandas as pd
import pytest

from sigkit.judging.compare import difference
from sigkit.measures.beating.numbers import _shared_noise, _weights_of, another_capture_of
from sigkit.quantity import Quantity, Term, combine, not_measurable
from sigkit.tracks.beats import BeatWindow

RATE = 100


def parabola_means(walk, windows):
    """Each window's mean of a walk, shape (n_walks, n_samples), with a parabola as its weights."""
    means = []
    for window in windows:
        first, last = round(window.start_s * RATE), round(window.stop_s * RATE)
        weight = 1 - np.linspace(-1, 1, last - first) ** 2
        means.append(walk[:, first:last] @ weight / weight.sum())
    return np.stack(means, axis=1)


@pytest.mark.parametrize("seconds", [6, 12, 30])
def test_the_variance_is_that_of_random_walks(seconds):
    """400 random walks; a variance from so many is known to 7 %."""
    walk = np.cumsum(np.random.default_rng(seconds).standard_normal((400, seconds * RATE)), axis=1)
    windows = [BeatWindow(t, t + 2.0, "two") for t in np.arange(seconds - 1.0)]
    weights, unseen = _weights_of(windows)
    means = parabola_means(walk, windows)
    missed = means @ weights - walk.mean(axis=1)
    assert np.var(missed) == pytest.approx(unseen * np.mean(np.diff(means) ** 2), rel=0.3)
    assert np.var(missed) < np.var(means.mean(axis=1) - walk.mean(axis=1))


def test_weights_are_shares_of_the_time():
    gap = [BeatWindow(0.0, 2.0, "two"), BeatWindow(1.0, 3.0, "two"), BeatWindow(9.0, 11.0, "two")]
    weights, _ = _weights_of(gap)
    assert weights == pytest.approx([0.3, 0.3, 0.4], abs=0.01)
    assert _weights_of(gap[:1]) == (pytest.approx([1.0]), 0.0)


@pytest.mark.parametrize("seconds", [6, 12, 30])
def test_a_slope_is_that_of_the_walk_itself(seconds):
    """Exact of a straight path; of 400 random walks it misses by what is stated."""
    rng = np.random.default_rng(seconds)
    walk = np.cumsum(rng.standard_normal((400, seconds * RATE)), axis=1)
    windows = [BeatWindow(t, t + 2.0, "two") for t in np.arange(seconds - 1.0)]
    weights, unseen = _weights_of(windows, slope=True)
    assert weights @ [3.0 + 0.5 * w.centre_s for w in windows] == pytest.approx(0.5)
    means = parabola_means(walk, windows)
    away = np.arange(walk.shape[1]) / RATE
    away -= away.mean()
    missed = means @ weights - walk @ away / (away @ away)
    assert np.var(missed) == pytest.approx(unseen * np.mean(np.diff(means) ** 2), rel=0.3)


def test_noise_of_windows_that_share_sound():
    """White noise of phase, weighed by ramps of 2 s, as lines are fitted; 4000 draws."""
    rng, centres = np.random.default_rng(1), np.arange(0.0, 4.0, 0.5)
    noise = rng.standard_normal((4000, 6 * RATE))
    ramp = np.linspace(-1, 1, 2 * RATE)
    hz = np.stack([noise[:, round(c * RATE) :][:, : 2 * RATE] @ ramp for c in centres])
    windows = [BeatWindow(c, c + 2.0, "two") for c in centres]
    assert _shared_noise(windows) == pytest.approx(np.corrcoef(hz), abs=0.08)


def wandering(rng, memory_s):
    """A capture of 16 s in windows, whose detune forgets itself within so long."""
    keep, path = np.exp(-1 / memory_s), np.empty(15)
    path[0] = rng.standard_normal()
    for i in range(1, 15):
        path[i] = keep * path[i - 1] + np.sqrt(1 - keep**2) * rng.standard_normal()
    curve = pd.DataFrame({"time_s": 1.0 + np.arange(15)})
    curve["frequency_1_hz"] = 440 + 1e-4 * rng.standard_normal(15)
    curve["frequency_2_hz"] = 440 * 2 ** (path / 1200)
    curve["detune_cents"] = path
    curve["beat_hz"] = curve["frequency_2_hz"] - curve["frequency_1_hz"]
    return curve


@pytest.mark.parametrize(("memory_s", "least"), [(0.3, 0.93), (1.0, 0.9), (3.0, 0.8)])
def test_another_capture_of_two_that_wander(memory_s, least):
    """Captures of one state, some time apart: the interval of their difference holds zero.

    A wander whose memory is a fifth of the capture shows too little of itself for 95 %. With the
    0.01 cents that each one's own detune is known to, nearly all pairs would be a change.
    """
    rng, held, alone, count = np.random.default_rng(4), 0, 0, 300
    for _ in range(count):
        pair = []
        for curve in (wandering(rng, memory_s), wandering(rng, memory_s)):
            term = another_capture_of(curve, not_measurable("cents", "none"))["detune"]
            mean = float(curve["detune_cents"].mean())
            pair.append(combine(mean, "cents", [Term("noise", 0.01, "A"), term]))
        change = difference(*pair)
        held += abs(change.value) <= change.expanded
        alone += abs(change.value) <= 2 * np.hypot(0.01, 0.01)
    print(f"memory {memory_s} s: {100 * held / count:.1f} % hold zero, {100 * alone / count:.1f} %")
    assert least <= held / count <= 0.99
    assert alone / count < 0.1


def test_another_capture_speaks_of_every_number():
    curve = wandering(np.random.default_rng(5), 3.0)
    wander = Quantity(float(np.ptp(curve["detune_cents"])), 0.01, "cents")
    terms = another_capture_of(curve, wander)
    names = ("frequency_1", "frequency_2", "detune", "beat_rate", "drift_1", "drift_2")
    assert set(terms) == {*names, "beat_wander"}
    assert terms["beat_rate"].u == pytest.approx(
        terms["detune"].u * 440 * np.log(2) / 1200, rel=0.1
    )
    assert another_capture_of(curve[:3], wander) == {}
