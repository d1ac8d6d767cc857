"""Allan deviation against NIST SP 1065, closed forms and an independent library."""

from collections import Counter

import allantools
import numpy as np
import pytest
from allantools import ci
from numpy.testing import assert_allclose
from scipy import signal, stats

from sigkit.errors import InputError
from sigkit.measures.stability.allan import (
    NOISES,
    allan_deviation,
    degrees_of_freedom,
    noise_exponent,
)

NINE = np.array([892.0, 809, 823, 798, 671, 644, 883, 903, 677])
"""Frequencies of NBS Monograph 140, annex 8.E, as NIST SP 1065 (W. Riley, 2008) prints them."""


def phase_of(y, tau0=1.0):
    return np.concatenate([[0.0], np.cumsum(y)]) * tau0


def thousand_points():
    """The 1000-point set of NIST SP 1065, 12.4: a linear congruential generator, eq. (73)."""
    n = [1234567890]
    while len(n) < 1000:
        n.append(16807 * n[-1] % 2147483647)
    return np.array(n) / 2147483647


def power_law(alpha, count, seed):
    """Relative frequency with a spectrum f**alpha.

    White noise filtered by (1 - z)**(alpha/2): J. Hosking, "Fractional differencing", Biometrika
    68 (1981), 165-176. The first seven eighths, where the filter settles, are left out.
    """
    white = np.random.default_rng(seed).standard_normal(8 * count)
    k = np.arange(1, white.size)
    response = np.concatenate([[1.0], np.cumprod((k - 1 - alpha / 2) / k)])
    return signal.fftconvolve(white, response)[: white.size][-count:]


def interval(row, edf):
    return row.adev * np.sqrt(edf / stats.chi2.ppf([0.975, 0.025], edf))


def test_nine_points_of_nist():
    """NIST SP 1065, 12.4, Tables 29 and 30; the phase of Table 29 is the same without its mean."""
    table = allan_deviation(phase_of(NINE), 1.0, np.array([1.0, 2.0]))
    assert_allclose(table.tau_s, [1, 2])
    assert_allclose(table.adev, [91.22945, 85.95287], rtol=1e-6)
    printed = np.array([0, 103.11111, 123.22222, 157.33333, 166.44444])
    printed = np.concatenate([printed, [48.55555, -96.33333, -2.22222, 111.88889, 0]])
    assert_allclose(allan_deviation(printed, 1.0).adev, table.adev, rtol=1e-6)


def test_thousand_points_of_nist():
    """NIST SP 1065, 12.4, Tables 31 and 32, overlapping Allan deviation."""
    y = thousand_points()
    assert round(y[1] * 2147483647) == 395529916
    table = allan_deviation(phase_of(y), 1.0, np.array([1.0, 10.0, 100.0]))
    assert_allclose(table.adev, [0.2922319, 0.09159953, 0.03241343], rtol=1e-6)


def test_interval_of_the_thousand_points():
    """White FM is found at tau = 10, with 135.0714 degrees of freedom (Greenhall and Riley 2003).

    The degrees of freedom are those of allantools; the simpler formula for white FM of SP 1065
    gives 146.18. The ends follow from the chi-square distribution.
    """
    row = allan_deviation(phase_of(thousand_points()), 1.0, np.array([10.0])).iloc[0]
    assert row.noise == "white FM"
    assert row.edf == pytest.approx(135.0714, abs=1e-4)
    assert_allclose([row.adev_low, row.adev_high], [0.0818572, 0.1039949], rtol=1e-6)


def test_interval_of_few_points():
    """Ten phase points are too few to name a noise; white FM is taken, edf as in allantools."""
    table = allan_deviation(phase_of(NINE), 1.0, np.array([1.0, 2.0]))
    assert list(table.noise) == ["white FM"] * 2
    for row, m in zip(table.itertuples(), (1, 2), strict=True):
        edf = ci.edf_greenhall(0, 2, m, 10, overlapping=True)
        assert row.edf == pytest.approx(edf)
        assert_allclose([row.adev_low, row.adev_high], interval(row, edf), rtol=1e-9)


@pytest.mark.parametrize("alpha", NOISES)
@pytest.mark.parametrize(("m", "points"), [(1, 10), (2, 10), (10, 1001), (30, 400), (32, 20_000)])
def test_degrees_of_freedom_of_an_independent_library(alpha, m, points):
    """allantools (LGPL-3), edf_greenhall; exact there too for up to a hundred lags."""
    expected = ci.edf_greenhall(alpha, 2, m, points, overlapping=True)
    assert degrees_of_freedom(alpha, m, points) == pytest.approx(expected, rel=1e-6)


def test_degrees_of_freedom_go_on_where_the_filter_has_its_limit():
    """From a factor of 1000 the limit is used; both sides of that agree to their points' ratio."""
    for alpha in NOISES:
        before, after = (degrees_of_freedom(alpha, m, 8 * m) for m in (999, 1001))
        assert after == pytest.approx(before, rel=3e-3)


@pytest.mark.parametrize("tau0", [1.0, 0.01])
@pytest.mark.parametrize("seed", range(3))
def test_agrees_with_an_independent_library(seed, tau0):
    """allantools (LGPL-3), overlapping Allan deviation of random-walk and white frequency noise."""
    rng = np.random.default_rng(seed)
    y = rng.standard_normal(3000) + 0.05 * np.cumsum(rng.standard_normal(3000))
    table = allan_deviation(phase_of(y, tau0), tau0)
    tau, adev, _, _ = allantools.oadev(
        y, rate=1 / tau0, data_type="freq", taus=table.tau_s.to_numpy()
    )
    assert_allclose(table.tau_s, tau)
    assert_allclose(table.adev, adev, rtol=1e-9)
    assert table.tau_s.max() <= 3000 * tau0 / 4 + 1e-9


def test_drift_has_its_closed_form():
    """y = D t: sigma(tau) = D tau / sqrt(2), exactly (SP 1065)."""
    table = allan_deviation(phase_of(0.001 * np.arange(1000.0)), 1.0, np.array([1.0, 10.0, 100.0]))
    assert_allclose(table.adev, np.array([1, 10, 100]) * 0.001 / np.sqrt(2), rtol=1e-10)
    assert set(table.noise) == {"random-walk FM"}


def test_vibrato_has_its_closed_form():
    """y0 sin(2 pi f t): sigma(tau) = y0 sin^2(pi f tau) / (pi f tau) over a long record."""
    f, tau0 = 0.05, 0.1
    t = np.arange(200_001) * tau0
    phase = -1e-3 * np.cos(2 * np.pi * f * t) / (2 * np.pi * f)
    table = allan_deviation(phase, tau0, np.array([1.0, 5.0, 10.0]))
    assert_allclose(table.adev, [1.557919e-4, 6.366198e-4, 6.366198e-4], rtol=1e-3)


def test_floor_is_what_noise_of_the_phase_alone_shows():
    """Independent noise of sd u on the phase: second differences have variance 6 u^2 (by hand)."""
    noise = 1e-6 * np.random.default_rng(5).standard_normal(20_000)
    table = allan_deviation(noise, 0.05, u_phase_s=1e-6)
    assert_allclose(table.floor, np.sqrt(3) * 1e-6 / table.tau_s, rtol=1e-12)
    assert_allclose(table.adev[:8], table.floor[:8], rtol=0.05)
    assert set(table.noise) == {"white PM"}
    assert allan_deviation(noise, 0.05).floor.isna().all()


@pytest.mark.parametrize("alpha", NOISES)
def test_kind_of_noise_is_told(alpha):
    """Of 60 records each; neighbours are taken for each other now and then, most at -1."""
    records = [phase_of(power_law(alpha, 600, seed)) for seed in range(60)]
    found = Counter(noise_exponent(record, 4) for record in records)
    assert found[alpha] >= (30 if alpha == -1 else 51)
    assert all(abs(other - alpha) <= 1 for other in found)
    assert noise_exponent(records[0], 16) is None


def test_a_parabola_of_phase_is_no_noise():
    assert noise_exponent(np.arange(500.0) ** 2, 1) == -2


@pytest.mark.parametrize("alpha", NOISES)
def test_interval_holds_the_truth_in_95_percent(alpha):
    """400 records: each share is known to 1.1 %; the truth is the mean variance over all of them.

    At the shortest time the kind of noise is told worst. Three binomial standard deviations, and
    1.5 % for the truth's own scatter and kinds mistaken.
    """
    tables = [allan_deviation(phase_of(power_law(alpha, 400, seed)), 1.0) for seed in range(400)]
    adev, low, high = (
        np.array([t[name] for t in tables]) for name in ("adev", "adev_low", "adev_high")
    )
    truth = np.sqrt(np.mean(adev**2, axis=0))
    held = np.mean((low <= truth) & (truth <= high), axis=0)
    print(NOISES[alpha], held)
    assert (np.abs(held - 0.95) < 0.048).all(), held
    assert abs(held.mean() - 0.95) < 0.02


def test_columns_and_short_data():
    table = allan_deviation(np.array([0.0, 1.0, 3.0, 7.0]), 0.5)
    assert list(table.columns)[:4] == ["tau_s", "adev", "adev_low", "adev_high"]
    assert list(table.columns)[4:] == ["noise", "edf", "floor"]
    assert_allclose(table.tau_s, [0.5])
    assert table.adev_low[0] < table.adev[0] < table.adev_high[0]


@pytest.mark.parametrize(
    ("x", "tau0"), [([1.0, 2.0, 3], 1.0), ([1.0, 2, 3, 4], 0.0), ([[1.0]] * 4, 1.0)]
)
def test_refusals(x, tau0):
    with pytest.raises(InputError, match="phase_s must be 1-D"):
        allan_deviation(np.array(x), tau0)
