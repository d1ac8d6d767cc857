"""Fits against certified data sets and the worked example of the GUM."""

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sigkit.errors import InputError, SignalError
from sigkit.measures.fits import batch_means, correlation_factor, fit_approach, fit_line

MISRA1A_X = [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1]
MISRA1A_Y = [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40]
MISRA1A = np.array([[*MISRA1A_X, 689.1, 760.0], [*MISRA1A_Y, 75.47, 81.78]])
BOXBOD = np.array([[1.0, 2, 3, 5, 7, 10], [109, 149, 149, 191, 213, 224]])


@pytest.mark.parametrize(
    ("data", "b1", "u_b1", "b2", "u_b2"),
    [
        (MISRA1A, 2.3894212918e02, 2.7070075241e00, 5.5015643181e-04, 7.2668688436e-06),
        (BOXBOD, 2.1380940889e02, 1.2354515176e01, 5.4723748542e-01, 1.0455993237e-01),
    ],
    ids=["Misra1a", "BoxBOD"],
)
def test_approach_matches_certified_values(data, b1, u_b1, b2, u_b2):
    """NIST StRD, nonlinear regression, Misra1a and BoxBOD: y = b1 (1 - exp(-b2 x)).

    Source: NIST/ITL Statistical Reference Datasets, certified to 11 digits. We fit tau = 1/b2, so
    u(tau) = u(b2) / b2^2. Asked to 6 digits, the fit's own stopping tolerance.
    """
    fit = fit_approach(*data, start=0.0)
    tau, end = fit.values
    # A correlation of the residuals, where there is one, widens u; the certified u has none.
    u = fit.u / math.sqrt(correlation_factor(fit.residuals))
    assert end == pytest.approx(b1, rel=1e-6)
    assert tau == pytest.approx(1 / b2, rel=1e-6)
    assert u[1] == pytest.approx(u_b1, rel=1e-5)
    assert u[0] == pytest.approx(u_b2 / b2**2, rel=1e-5)


def test_boxbod_residuals_and_degrees_of_freedom():
    """Certified residual sum of squares 1.1680088766e3, 4 degrees of freedom (NIST StRD)."""
    fit = fit_approach(*BOXBOD, start=0.0)
    assert fit.residuals @ fit.residuals == pytest.approx(1.1680088766e03, rel=1e-8)
    assert fit.dof == 4


NORRIS = """
0.2 0.1 337.4 338.8 118.2 118.1 884.6 888.0 10.1 9.2 226.5 228.1 666.3 668.5 996.3 998.5 448.6 449.1
777.0 778.9 558.2 559.2 0.4 0.3 0.6 0.1 775.5 778.1 666.9 668.8 338.0 339.3 447.5 448.9 11.6 10.8
556.0 557.7 228.1 228.3 995.8 998.0 887.6 888.8 120.2 119.6 0.3 0.3 0.3 0.6 556.8 557.6 339.1 339.3
887.2 888.0 999.0 998.5 779.0 778.9 11.1 10.2 118.3 117.6 229.2 228.9 669.1 668.4 448.9 449.2
0.5 0.2
"""


def test_line_matches_certified_values():
    """NIST StRD, linear regression, Norris: 36 points, here as pairs x y.

    Certified to 15 digits; a well-conditioned fit keeps 10 of them.
    """
    x, y = np.array(NORRIS.split(), dtype=float).reshape(-1, 2).T
    fit = fit_line(x, y)
    assert_allclose(fit.values, [-0.262323073774029, 1.00211681802045], rtol=1e-10)
    assert_allclose(fit.u, [0.232818234301152, 0.000429796848199937], rtol=1e-10)
    assert fit.residuals @ fit.residuals == pytest.approx(26.6173985294224, rel=1e-10)
    assert fit.dof == 34


def test_line_matches_the_worked_example_of_the_gum():
    """JCGM 100:2008, annex H.3, Table H.6: a thermometer's correction against temperature."""
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    fit = fit_line(np.array(t) - 20, np.array(b))
    y, u = fit.values, fit.u
    assert y == pytest.approx([-0.1712, 0.00218], abs=6e-5)
    assert y[1] == pytest.approx(0.00218, abs=5e-6)
    assert u == pytest.approx([0.0029, 0.00067], abs=5e-5)
    assert fit.covariance[0, 1] / u[0] / u[1] == pytest.approx(-0.930, abs=5e-4)
    assert math.sqrt(fit.residuals @ fit.residuals / fit.dof) == pytest.approx(0.0035, abs=5e-5)
    # Extrapolated to 30 degrees: without the covariance u would be 0.0073.
    at = np.array([1.0, 10.0])
    assert at @ y == pytest.approx(-0.1494, abs=5e-5)
    assert math.sqrt(at @ fit.covariance @ at) == pytest.approx(0.0041, abs=5e-5)


@pytest.mark.parametrize("seed", range(5))
def test_approach_returns_what_was_put_in(seed):
    """Free start, two steps: noiseless curves give back their parameters."""
    rng = np.random.default_rng(seed)
    x = np.linspace(0, 100, 200)
    tau, end, start = rng.uniform(5, 60), rng.uniform(-20, 20), rng.uniform(-20, 20)
    heights, at = rng.uniform(-5, 5, 2), np.array([23.3, 71.9])
    y = end + (start - end) * np.exp(-x / tau) + heights @ (x >= at[:, None])
    y += 1e-9 * rng.standard_normal(x.size)
    fit = fit_approach(x, y, steps=at)
    assert_allclose(fit.values, [tau, end, start, *heights], rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("memory", [0.0, 0.6])
@pytest.mark.parametrize("tau", [8.0, 30.0, 90.0])
def test_stated_u_of_the_approach_covers_the_truth(tau, memory):
    """White noise, and noise with a memory from point to point, as of a wandering oscillator.

    400 draws, so 95 % is known to 1.1 %; 91 % is three and a half of these below.
    """
    x, hits = np.linspace(0, 100, 200), np.zeros(3)
    truth = np.array([tau, 0.0, -12.0])
    for seed in range(400):
        white = np.random.default_rng(seed).standard_normal(x.size)
        noise = np.empty(x.size)
        noise[0] = white[0]
        for i in range(1, x.size):
            noise[i] = memory * noise[i - 1] + math.sqrt(1 - memory**2) * white[i]
        fit = fit_approach(x, -12 * np.exp(-x / tau) + 0.2 * noise)
        hits += np.abs(fit.values - truth) <= 2 * fit.u
    assert (hits / 400 >= 0.91).all(), hits / 400


def test_no_approach_in_a_straight_line_or_a_constant():
    x = np.linspace(0, 10, 100)
    with pytest.raises(SignalError, match="No exponential approach fits"):
        fit_approach(x, 3.0 * x)


def test_correlation_factor_of_known_processes():
    """(1 + r) / (1 - r) of a first-order autoregression; 1 for independent data."""
    rng = np.random.default_rng(1)
    white = rng.standard_normal(20_000)
    assert correlation_factor(white) == 1.0
    walk = np.empty(white.size)
    walk[0] = white[0]
    for i in range(1, white.size):
        walk[i] = 0.5 * walk[i - 1] + white[i]
    assert correlation_factor(walk) == pytest.approx(3.0, rel=0.08)
    assert correlation_factor(np.zeros(100)) == 1.0
    assert correlation_factor(walk[:5]) == 1.0


def test_batch_means():
    x, y = np.arange(12.0), np.arange(12.0) ** 2
    bx, by = batch_means(x, y, 3)
    assert_allclose(bx, [1.5, 5.5, 9.5])
    assert_allclose(by, [3.5, 31.5, 91.5])
    assert batch_means(x, y, 100)[0].size == 6


@pytest.mark.parametrize(
    ("fit", "x", "y", "message"),
    [
        (fit_line, [1, 2], [1, 2], "at least 3 long"),
        (fit_line, [1, 2, 3], [1, 2], "of equal length"),
        (fit_approach, range(5), range(5), "at least 6 long"),
        (fit_approach, np.ones((6, 2)), np.ones((6, 2)), "must be 1-D"),
    ],
)
def test_refusals(fit, x, y, message):
    with pytest.raises(InputError, match=message):
        fit(np.array(x), np.array(y))
