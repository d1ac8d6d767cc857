"""Demodulation and the phase of all harmonics, on sounds whose amplitudes and phases are known."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sigkit.tracks.harmonics import EDGE, demodulate, follow_phase

PERIODS, PER_PERIOD = 60, 128
AMPLITUDES = np.array([0.3 * np.exp(0.4j), 0.1 * np.exp(-2j), 0.0, 0.05j, 0.02])


def sound(turn=None):
    """Sum of a_k e^{jk(phase + turn)}, real part; turn is given per sample in radians."""
    phase = 2 * np.pi * np.arange(PERIODS * PER_PERIOD) / PER_PERIOD
    if turn is not None:
        phase = phase + turn
    return sum((a * np.exp(1j * k * phase)).real for k, a in enumerate(AMPLITUDES, 1))


def test_demodulate_returns_the_amplitudes_that_were_put_in():
    found = demodulate(sound(), PERIODS)
    assert found.shape == (int(0.49 * PER_PERIOD), PERIODS)
    assert_allclose(found[: AMPLITUDES.size], AMPLITUDES[:, None] * np.ones(PERIODS), atol=1e-12)
    assert_allclose(found[AMPLITUDES.size :], 0, atol=1e-12)


def test_neighbouring_harmonics_do_not_leak_and_dc_is_rejected():
    """The band of a harmonic is zero at the next ones and at zero frequency."""
    found = demodulate(sound() + 0.5, PERIODS)
    assert_allclose(found[2], 0, atol=1e-12)
    assert_allclose(found[0], AMPLITUDES[0] * np.ones(PERIODS), atol=1e-12)


def test_phase_of_a_slow_turn_comes_back():
    """A turn that is periodic over the stretch and slow passes the bands by cos^2, 1 - 2e-3."""
    every = np.arange(PERIODS * PER_PERIOD) / (PERIODS * PER_PERIOD)
    turn = 0.05 * np.sin(2 * np.pi * every)
    rng = np.random.default_rng(1)
    x = sound(turn) + 1e-5 * rng.standard_normal(turn.size)
    path = follow_phase(demodulate(x, PERIODS), 12)
    inner = slice(EDGE, -EDGE)
    found = path.radians - path.radians.mean()
    assert_allclose(found[inner], turn[::PER_PERIOD][inner], atol=0.05 * 2e-3)
    assert path.share.min() > 0.999
    present = np.flatnonzero(path.power[: path.highest]) + 1
    assert set(present) >= {1, 2, 4, 5}
    assert_allclose(path.power[[0, 1, 3, 4]], np.abs(AMPLITUDES[[0, 1, 3, 4]]) ** 2, rtol=5e-3)


def test_stated_noise_of_the_phase_is_that_of_maximum_likelihood():
    """sd^2 = s^2 / sum k^2 |a_k|^2, with s the noise of one quadrature in a band (Rife, Boorstyn).

    White noise of variance v gives 2 v / n per bin and quadrature; the folded band of n_periods
    bins of weight cos^4 + sin^4 = 3/4 on average has s^2 = 2 v / (samples per period) per period
    at low frequencies, where the weights add up to 1.
    """
    v, ratios = 0.003**2, []
    expected = np.sqrt(2 * v / PER_PERIOD / np.sum((np.arange(1, 6) * np.abs(AMPLITUDES)) ** 2))
    for seed in range(40):
        x = sound() + np.sqrt(v) * np.random.default_rng(seed).standard_normal(60 * PER_PERIOD)
        path = follow_phase(demodulate(x, PERIODS), 12)
        ratios.append(float(np.median(path.sd)) / expected)
    assert np.mean(ratios) == pytest.approx(1, abs=0.06)


def test_no_phase_in_noise_alone_or_not_believed():
    """Noise has no tone: either there is no path, or it explains little of the energy."""
    for seed in range(20):
        x = np.random.default_rng(seed).standard_normal(PERIODS * PER_PERIOD)
        path = follow_phase(demodulate(x, PERIODS), 12)
        assert path is None or np.median(path.share) < 0.2
