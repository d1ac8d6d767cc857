"""What windows that weigh their ends less miss of the mean of a pitch that walks at random."""

import numpy as np
import pytest

from sigkit.measures.beating.numbers import _weights_of
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
