"""Harmonics by least squares on a known phase, beside NumPy's solver; the path of a phase."""

import numpy as np
import pytest

from sigkit.tracks.folded import folded, harmonics_of, smooth_path
from sigkit.tracks.phase import PhaseTrack


def test_harmonics_are_those_of_a_general_least_squares_solver():
    """numpy.linalg.lstsq on the same columns, uneven phases and weights."""
    rng = np.random.default_rng(1)
    cycles = np.cumsum(rng.uniform(0.8, 1.2, 700)) / 31.7
    sound, weight = rng.standard_normal(700), rng.uniform(0.2, 1.0, 700)
    k = np.arange(1, 9)
    turn = 2 * np.pi * np.outer(cycles, k)
    columns = np.hstack([np.ones((700, 1)), np.cos(turn), np.sin(turn)])
    root = np.sqrt(weight)[:, None]
    solved = np.linalg.lstsq(root * columns, root[:, 0] * sound, rcond=None)[0]
    found = harmonics_of(sound, cycles, weight, 8)
    assert found[0].real == pytest.approx(solved[0], abs=1e-9)
    np.testing.assert_allclose(2 * found[1:].real, solved[1:9], atol=1e-9)
    np.testing.assert_allclose(-2 * found[1:].imag, solved[9:], atol=1e-9)


def test_stretches_of_a_drifting_tone_all_have_its_harmonics():
    t = np.arange(20_000) / 48_000
    cycles = 200 * t + 3 * t**2 + 0.01 * np.sin(40 * t)
    sound = 0.1 + np.sin(2 * np.pi * cycles) + 0.25 * np.cos(6 * np.pi * cycles)
    rows = folded(sound, cycles, 40, 6)
    assert rows.shape == (6, 41)
    expected = np.zeros(41, complex)
    expected[[0, 1, 3]] = 0.1, -0.5j, 0.125
    np.testing.assert_allclose(rows, np.tile(expected, (6, 1)), atol=1e-7)


@pytest.mark.parametrize("wobble", [0.0, 0.02, 2e-4])
def test_the_path_follows_what_is_more_than_noise(wobble):
    rng = np.random.default_rng(2)
    t = np.arange(400) / 200 + 0.05
    truth = 200 * t + 0.3 * t**2 + wobble * np.sin(2 * np.pi * 3 * t)
    u = 1e-5
    noisy = truth + u * rng.standard_normal(t.size)
    track = PhaseTrack(t, noisy, np.full(t.size, u), np.zeros(t.size, np.int32))
    inner = slice(20, -20)
    off = (smooth_path(track)(t) - truth)[inner]
    assert np.sqrt(np.mean(off**2)) < 1.5 * u
    if not wobble:
        assert np.sqrt(np.mean(off**2)) < 0.5 * u
