"""A flick is too quick to tell dirt from movement: told by where the control goes and stays."""

import numpy as np
import pytest
from sliders import sweep

from sigkit.measures.slider import measure_slider
from sigkit.measures.slider.tone import flicked

TIME_S = np.arange(0, 6, 0.01)
KNOWN = np.ones(TIME_S.size, bool)


def moved(seconds):
    """Rest to rest with the least jerk (T. Flash, N. Hogan, J. Neuroscience 5 (1985), 1688)."""
    x = np.clip((TIME_S - 2) / seconds, 0, 1)
    return x**3 * (10 - 15 * x + 6 * x**2)


@pytest.mark.parametrize("seconds", [0.1, 0.17, 0.25])
@pytest.mark.parametrize("span", [3.0, -0.4])
def test_a_flick_is_seen_whole(seconds, span):
    found = np.flatnonzero(flicked(span * moved(seconds), KNOWN))
    first_s, last_s = TIME_S[found[[0, -1]]]
    assert 1.7 < first_s <= 2.0
    assert 2 + seconds <= last_s < 2.3 + seconds


@pytest.mark.parametrize("seconds", [0.9, 1.5, 3.0])
def test_a_pass_is_none(seconds):
    assert not flicked(moved(seconds), KNOWN).any()


@pytest.mark.parametrize("length_s", [0.02, 0.06, 0.12])
def test_dirt_that_throws_the_control_is_none(length_s):
    thrown = np.zeros(TIME_S.size)
    thrown[400 : 400 + round(100 * length_s)] = 1
    assert not flicked(moved(2) + thrown, KNOWN).any()


def test_nothing_moves_and_nothing_heard():
    assert not flicked(np.ones(TIME_S.size), KNOWN).any()
    assert not flicked(moved(0.1), ~KNOWN).any()


@pytest.mark.parametrize("seed", [8300007, 8300204])
def test_a_flick_of_a_clean_slider_is_no_dirt(tmp_path, seed):
    """Of a cutoff and of a width, which were heard as bursts; common practice, no source."""
    result = measure_slider(sweep(seed, dirty=False, snr_db=None).capture(tmp_path))
    assert result.events.empty
    assert result.not_assessed.value < 15
