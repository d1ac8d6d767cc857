"""The model of a note, its derivatives, and the fitter behind it."""

import math

import numpy as np
import pytest

from sigkit.measures.envelope.blocks import Blocks, edges_about
from sigkit.measures.envelope.knees import _knees_left
from sigkit.measures.envelope.model import NAMES, Shape, fit_curve, level_of, note, rise_share_s
from sigkit.measures.envelope.release import fit_release
from sigkit.measures.envelope.structure import run, with_values

T = np.linspace(0, 3, 700) + 0.00123
SHAPE = Shape(
    0.1,
    0.1,
    math.log(0.1),
    0.8,
    math.log(0.2),
    0.5,
    1.5,
    math.log(0.3),
    -0.05,
    6.9,
    0.02,
    0.03,
    1.4,
)


@pytest.mark.parametrize("law", ["linear", "power", "exponential"])
@pytest.mark.parametrize("gate_off_s", [1.5, 0.15])
@pytest.mark.parametrize("bend", [0.8, 0.0, -2.0])
def test_derivatives_are_those_of_the_curve(law, gate_off_s, bend):
    """Central differences; a difference across a bend in time is left out."""
    shape = SHAPE._replace(gate_off_s=gate_off_s, bend=bend)
    _, slope = note(T, law, shape)
    for i, name in enumerate(NAMES):
        up, down = (shape._replace(**{name: getattr(shape, name) + h}) for h in (1e-6, -1e-6))
        central = (note(T, law, up)[0] - note(T, law, down)[0]) / 2e-6
        same = np.abs(central - slope[i]) < 1e-4 * max(1.0, np.abs(slope[i]).max())
        assert same.mean() > 0.99, name


def test_a_power_is_taken_of_the_linear_control():
    linear, _ = note(T, "linear", SHAPE)
    bent, _ = note(T, "power", SHAPE)
    assert bent / SHAPE.size == pytest.approx((linear / SHAPE.size) ** 1.4, abs=1e-12)


def test_knees_are_searched_as_by_least_squares():
    """Every knee and pair of time constants against numpy's least squares on its own columns."""
    rng = np.random.default_rng(8)
    since, gain, weight = np.sort(rng.uniform(0, 2, 60)), rng.normal(size=60), rng.uniform(1, 9, 60)
    offs, decays, releases = np.array([0.3, 1.1]), np.array([0.1, 0.7]), np.array([0.05, 0.4, 1.0])
    left, found = _knees_left(gain, weight, since, offs, decays, releases)
    for o, off in enumerate(offs):
        for d, decay_s in enumerate(decays):
            for r, release_s in enumerate(releases):
                e = np.where(since < off, 1.0, np.exp(-(since - off) / release_s))
                own = np.where(since < off, np.exp(-since / decay_s), np.exp(-off / decay_s) * e)
                columns = np.stack([e, own, 1 - e], axis=1) * weight[:, None]
                best, *_ = np.linalg.lstsq(columns, gain * weight, rcond=None)
                rest = gain * weight - columns @ best
                assert left[o, d, r] == pytest.approx(rest @ rest, rel=1e-6)
                assert found[o, d, r] == pytest.approx(best, rel=1e-3, abs=1e-3)


@pytest.mark.parametrize("aim", [1.05, 1.3, 1.5, 3.0])
def test_a_bend_is_an_aim_above_the_peak(aim):
    """tau ln((K-0.1)/(K-0.9)) of a capacitor charged toward K and stopped at 1 (closed form)."""
    bend = math.log(aim / (aim - 1))
    share = rise_share_s(0.9, 1.0, bend) - rise_share_s(0.1, 1.0, bend)
    assert share == pytest.approx(math.log((aim - 0.1) / (aim - 0.9)) / bend, rel=1e-12)


def test_a_straight_rise_takes_eight_tenths():
    assert rise_share_s(0.9, 1.0, 0.0) - rise_share_s(0.1, 1.0, 0.0) == pytest.approx(0.8)


def test_an_amplifier_that_closes_stays_closed():
    late = level_of(np.array([2.9]), "linear", SHAPE._replace(last=-0.5))
    assert late[0] == 0.0


BOXBOD = ((1, 2, 3, 5, 7, 10), (109, 149, 149, 191, 213, 224))
MISRA1A = (
    (
        77.6,
        114.9,
        141.1,
        190.8,
        239.9,
        289.0,
        332.8,
        378.4,
        434.8,
        477.3,
        536.8,
        593.1,
        689.1,
        760.0,
    ),
    (
        10.07,
        14.73,
        17.94,
        23.93,
        29.61,
        35.18,
        40.02,
        44.82,
        50.76,
        55.05,
        61.01,
        66.40,
        75.47,
        81.78,
    ),
)


@pytest.mark.parametrize(
    ("data", "start", "values", "u", "squares"),
    [
        (
            BOXBOD,
            (100, 0.75),
            (2.1380940889e02, 5.4723748542e-01),
            (1.2354515176e01, 1.0455993237e-01),
            1.1680088766e03,
        ),
        (
            MISRA1A,
            (500, 0.0001),
            (2.3894212918e02, 5.5015643181e-04),
            (2.7070075241e00, 7.2668688436e-06),
            1.2455138894e-01,
        ),
        (
            MISRA1A,
            (250, 0.0005),
            (2.3894212918e02, 5.5015643181e-04),
            (2.7070075241e00, 7.2668688436e-06),
            1.2455138894e-01,
        ),
    ],
)
def test_the_fitter_meets_certified_values(data, start, values, u, squares):
    """y = b1 (1 - exp(-b2 x)): NIST StRD, nonlinear regression, BoxBOD and Misra1a.

    Source: NIST/ITL Statistical Reference Datasets, certified values and their standard deviations.
    Certified to 11 digits; 6 are asked of values, 4 of standard deviations.
    """
    x, y = (np.array(v, float) for v in data)

    def curve(p):
        e = np.exp(-p[1] * x)
        return p[0] * (1 - e), np.stack([1 - e, p[0] * x * e])

    fit = fit_curve(curve, y, np.ones(x.size), np.array(start, float))
    assert fit.values == pytest.approx(values, rel=1e-6)
    assert fit.chi2 == pytest.approx(squares, rel=1e-8)
    assert np.sqrt(np.diag(fit.inverse) * fit.scatter) == pytest.approx(u, rel=1e-4)


def test_a_hopeless_start_gives_no_number_but_infinity():
    def curve(p):
        return np.full(5, np.inf), np.full((p.size, 5), np.nan)

    fit = fit_curve(curve, np.zeros(5), np.ones(5), np.zeros(1))
    assert not np.isfinite(fit.chi2)


def test_means_over_blocks_are_made_values_at_their_centres():
    """The mean of exp(-t) over a block of length h is sinh(h / 2) / (h / 2) times its middle."""
    edges = np.linspace(0.0, 3.0, 31)
    t, half = (edges[1:] + edges[:-1]) / 2, np.diff(edges) / 2
    mean = np.exp(-t) * np.sinh(half) / half
    data = Blocks(t, mean, np.ones(t.size)).at_centres(lambda at: np.exp(-at))
    assert mean[0] - math.exp(-t[0]) > 3e-4
    assert data.gain == pytest.approx(np.exp(-t), abs=1e-6)


def test_blocks_have_an_edge_at_each_bend_where_asked():
    bends = [(0.31234, 0.01), (1.7, 0.02)]
    edges = edges_about(0.0, 3.0, bends, 0.3, at_anchors=True)
    assert np.all(np.isin([0.0, 0.31234, 1.7, 3.0], edges))
    assert np.all(np.diff(edges) > 0)
    assert np.diff(edges).max() <= 0.3


def test_a_power_stays_within_what_the_curve_takes():
    """A step of a fit may lead below zero, where its logarithm is none."""
    t = np.linspace(0.0, 1.0, 8)
    data = Blocks(t, np.ones(8), np.ones(8))
    fit = run(data, "power", ("power",), SHAPE._replace(power=-3.0), 1)
    assert with_values(SHAPE, ("power",), fit).power >= 1 / 6


def test_the_end_of_a_short_note_is_found_where_coarse_blocks_put_it_elsewhere():
    """8 periods of 244 Hz: a knee 17 ms early left a thousand times the noise, and was kept."""
    shape = SHAPE._replace(
        onset_s=0.0, log_rise_s=math.log(0.006), log_decay_s=math.log(0.0106), sustain=0.5,
        log_release_s=math.log(0.068), last=0.0, sag=0.0, base=0.0, power=1.0, gate_off_s=0.0354,
    )  # fmt: skip
    t = np.arange(-0.01, 0.4, 2e-4)
    u = np.full(t.size, 1e-3 * shape.size)
    gain = note(t, "linear", shape)[0] + u * np.random.default_rng(3).standard_normal(t.size)
    fit, _, _ = fit_release(Blocks(t, gain, u), shape._replace(gate_off_s=0.0183), "linear")
    assert fit.values[2] == pytest.approx(0.0354, abs=5e-4)
    assert fit.scatter < 2
