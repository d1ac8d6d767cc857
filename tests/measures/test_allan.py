"""Allan deviation against NIST SP 1065, closed forms and an independent library."""

import allantools
import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from sigkit.errors import InputError
from sigkit.measures.allan import allan_deviation


def thousand_points():
    """The 1000-point set of NIST SP 1065, 12.4: a linear congruential generator, eq. (73)."""
    n = [1234567890]
    while len(n) < 1000:
        n.append(16807 * n[-1] % 2147483647)
    return np.array(n) / 2147483647


def test_nine_points_of_nist():
    """NIST SP 1065 (W. Riley, 2008), 12.4, Tables 29 and 30; data of NBS Monograph 140, 8.E."""
    y = [892.0, 809, 823, 798, 671, 644, 883, 903, 677]
    table = allan_deviation(y, 1.0, np.array([1.0, 2.0]))
    assert_allclose(table.tau_s, [1, 2])
    assert_allclose(table.adev, [91.22945, 85.95287], rtol=1e-6)


def test_thousand_points_of_nist():
    """NIST SP 1065, 12.4, Tables 31 and 32, overlapping Allan deviation."""
    y = thousand_points()
    assert round(y[1] * 2147483647) == 395529916
    table = allan_deviation(y, 1.0, np.array([1.0, 10.0, 100.0]))
    assert_allclose(table.adev, [0.2922319, 0.09159953, 0.03241343], rtol=1e-6)


def test_interval_of_the_thousand_points():
    """Degrees of freedom of white frequency noise, SP 1065 5.4: 146.177 at tau = 10.

    Printed there; the interval follows from the chi-square distribution (scipy).
    """
    row = allan_deviation(thousand_points(), 1.0, np.array([10.0])).iloc[0]
    edf = 146.1768
    expected = 0.09159953 * np.sqrt(edf / stats.chi2.ppf([0.975, 0.025], edf))
    assert_allclose([row.adev_low, row.adev_high], expected, rtol=1e-5)
    assert_allclose(expected, [0.0821949, 0.1034536], rtol=1e-5)


def test_interval_of_few_points():
    """Same formula with 10 phase points: 5.28889 at m = 1, 3.92381 at m = 2 (by hand)."""
    y = [892.0, 809, 823, 798, 671, 644, 883, 903, 677]
    table = allan_deviation(y, 1.0, np.array([1.0, 2.0]))
    for row, edf in zip(
        table.itertuples(), ((13.5 - 1.6) * 4 / 9, (6.75 - 1.6) * 16 / 21), strict=True
    ):
        expected = row.adev * np.sqrt(edf / stats.chi2.ppf([0.975, 0.025], edf))
        assert_allclose([row.adev_low, row.adev_high], expected, rtol=1e-10)


@pytest.mark.parametrize("tau0", [1.0, 0.01])
@pytest.mark.parametrize("seed", range(3))
def test_agrees_with_an_independent_library(seed, tau0):
    """allantools (LGPL-3), overlapping Allan deviation of random-walk and white frequency noise."""
    rng = np.random.default_rng(seed)
    y = rng.standard_normal(3000) + 0.05 * np.cumsum(rng.standard_normal(3000))
    table = allan_deviation(y, tau0)
    tau, adev, _, _ = allantools.oadev(
        y, rate=1 / tau0, data_type="freq", taus=table.tau_s.to_numpy()
    )
    assert_allclose(table.tau_s, tau)
    assert_allclose(table.adev, adev, rtol=1e-9)
    assert table.tau_s.max() <= 3000 * tau0 / 4 + 1e-9


def test_drift_has_its_closed_form():
    """y = D t: sigma(tau) = D tau / sqrt(2), exactly (SP 1065)."""
    table = allan_deviation(0.001 * np.arange(1000.0), 1.0, np.array([1.0, 10.0, 100.0]))
    assert_allclose(table.adev, np.array([1, 10, 100]) * 0.001 / np.sqrt(2), rtol=1e-10)


def test_vibrato_has_its_closed_form():
    """y0 sin(2 pi f t): sigma(tau) = y0 sin^2(pi f tau) / (pi f tau) over a long record."""
    f, tau0 = 0.05, 0.1
    t = np.arange(200_000) * tau0
    # Means over tau0 of the sine, whole record of whole periods.
    y = 1e-3 * np.sin(2 * np.pi * f * (t + tau0 / 2)) * np.sinc(f * tau0)
    table = allan_deviation(y, tau0, np.array([1.0, 5.0, 10.0]))
    assert_allclose(table.adev, [1.557919e-4, 6.366198e-4, 6.366198e-4], rtol=1e-3)


def test_interval_holds_the_truth_in_95_percent():
    """White frequency noise of sd 1: sigma(tau) = 1/sqrt(tau). 600 draws: 95 % known to 0.9 %."""
    hits = np.zeros(4)
    for seed in range(600):
        table = allan_deviation(
            np.random.default_rng(seed).standard_normal(400), 1.0, np.array([1.0, 4.0, 16.0, 64.0])
        )
        truth = 1 / np.sqrt(table.tau_s)
        hits += (table.adev_low <= truth) & (truth <= table.adev_high)
    assert (np.abs(hits / 600 - 0.95) < 0.035).all(), hits / 600


def test_columns_and_short_data():
    table = allan_deviation(np.array([1.0, 2.0, 4.0]), 0.5)
    assert list(table.columns) == ["tau_s", "adev", "adev_low", "adev_high"]
    assert_allclose(table.tau_s, [0.5])
    assert table.adev_low[0] < table.adev[0] < table.adev_high[0]


@pytest.mark.parametrize(("y", "tau0"), [([1.0, 2.0], 1.0), ([1.0, 2, 3], 0.0), ([[1.0]] * 3, 1.0)])
def test_refusals(y, tau0):
    with pytest.raises(InputError, match="fractional must be 1-D"):
        allan_deviation(np.array(y), tau0)
