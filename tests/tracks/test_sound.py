import numpy as np
import pytest
from scipy import ndimage

from sigkit.tracks.sound import CHUNK, Sound, Spline, laid_on, read_periods, straight


def test_a_spline_is_that_of_scipy():
    """`scipy.ndimage.map_coordinates`, third order, whose ends are mirrored too."""
    rng = np.random.default_rng(1)
    values, at = rng.standard_normal(4000), rng.uniform(0, 3999, CHUNK + 500)
    expected = ndimage.map_coordinates(values, [at], order=3, mode="mirror")
    assert Spline(values).at(at) == pytest.approx(expected, abs=3e-6)  # single precision
    assert Spline(values).at(np.arange(4000.0)) == pytest.approx(values, abs=3e-6)


def test_four_positions_from_each_node_to_the_next():
    rng = np.random.default_rng(2)
    values, node = rng.standard_normal(9000), np.sort(rng.uniform(0, 8999, CHUNK // 4 + 300))
    at = np.interp(np.arange(4 * node.size - 4) / 4, np.arange(node.size), node)
    spline = Spline(values)
    assert spline.between(node) == pytest.approx(spline.at(at), abs=3e-6)


def test_straight_lines_are_those_of_numpy():
    rng = np.random.default_rng(3)
    values, at = rng.standard_normal(300).astype(np.float32), rng.uniform(0, 299, CHUNK + 7)
    expected = np.interp(at, np.arange(300), values)
    assert straight(values, at) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_a_sine_is_read_between_its_samples(rate):
    """A cubic spline weighs f, in cycles a sample, as its images n - f and n + f by the ratios of
    their frequencies to the fourth power, and loses as much; below 80 kHz the rate is doubled."""
    t = np.arange(rate // 5) / rate
    sound = Sound(np.sin(2 * np.pi * 10_000 * t), rate)
    at = np.random.default_rng(4).uniform(2000, t.size - 2000, 500)
    f, n = 10_000 / (rate if rate > 80_000 else 2 * rate), np.arange(1, 9)
    most = 2 * np.sum((f / (n - f)) ** 4 + (f / (n + f)) ** 4)
    expected = np.sin(2 * np.pi * 10_000 * at / rate)
    assert sound.at(at) == pytest.approx(expected, abs=most + 1e-6)
    assert sound.since(1000).at(at - 1000) == pytest.approx(sound.at(at), abs=1e-6)


@pytest.mark.parametrize("points", [94, 96])
def test_periods_laid_on_their_edges_are_read_as_on_the_phase_moved_so(points):
    """A tone that slides by an octave a second, its edges jittering by half a point each way.

    Drawn straight over four points, a change of pace by 2 % comes a point late at most:
    2 pi 0.02 / 94 is 0.0013.
    """
    rng, rate = np.random.default_rng(5), 48_000
    t = np.arange(rate) / rate
    cycles = 400 * (2**t - 1) / np.log(2)
    sound, phase = Sound(np.sin(2 * np.pi * cycles), rate), cycles - 10
    edge = np.arange(300) + 0.5 + rng.uniform(-0.005, 0.005, 300)
    grid = np.arange(300 * points) / points
    for rows, laid in (
        (read_periods(sound, phase, 300, points), phase),
        (read_periods(sound, phase, 300, points, edge), laid_on(phase, edge)),
    ):
        there = np.interp(grid, laid, cycles)
        expected = np.sin(2 * np.pi * there).reshape(300, points)
        assert rows[1:-1] == pytest.approx(expected[1:-1], abs=1.3e-3)
