"""Weightings against the tables of their standards, closed forms, and librosa."""

import librosa
import numpy as np
import pytest
from noises import coloured, white, write
from scipy import integrate

from sigkit.captures.wav import open_capture
from sigkit.measures.noise import measure_noise
from sigkit.measures.noise.weighting import a_weighting_db, weighting_468_db

A_TABLE = (
    -70.4, -63.4, -56.7, -50.5, -44.7, -39.4, -34.6, -30.2, -26.2, -22.5, -19.1, -16.1, -13.4,
    -10.9, -8.6, -6.6, -4.8, -3.2, -1.9, -0.8, 0.0, 0.6, 1.0, 1.2, 1.3, 1.2, 1.0, 0.5, -0.1, -1.1,
    -2.5, -4.3, -6.6, -9.3,
)  # fmt: skip
"""IEC 61672-1:2013, Table 3, A-weighting from 10 Hz to 20 kHz, seen in secondary sources.

The table holds at the exact frequencies 1000 * 10**(n/10), not at the nominal ones."""

TABLE_468 = {
    31.5: (-29.9, 2.0), 63: (-23.9, 1.4), 100: (-19.8, 1.0), 200: (-13.8, 0.85), 400: (-7.8, 0.7),
    800: (-1.9, 0.55), 1000: (0.0, 0.5), 2000: (5.6, 0.5), 3150: (9.0, 0.5), 4000: (10.5, 0.5),
    5000: (11.7, 0.5), 6300: (12.2, 0.1), 7100: (12.0, 0.2), 8000: (11.4, 0.4), 9000: (10.1, 0.6),
    10_000: (8.1, 0.8), 12_500: (0.0, 1.2), 14_000: (-5.3, 1.4), 16_000: (-11.7, 1.6),
    20_000: (-22.2, 2.0),
}  # fmt: skip
"""ITU-R BS.468-4, Table 1 with its tolerances, seen in secondary sources. 6.3 kHz has none there;
the table's own rounding is taken."""


def test_a_weighting_is_that_of_iec_61672():
    exact = 1000 * 10 ** (np.arange(-20, 14) / 10)
    np.testing.assert_allclose(np.round(a_weighting_db(exact), 1) + 0.0, A_TABLE, atol=1e-9)


def test_a_weighting_at_the_nominal_frequency_is_another_number():
    """Why the table must be read at exact frequencies: 16 Hz rounds to -56.4 there."""
    assert round(float(a_weighting_db(np.array(16.0))), 1) == -56.4


def test_a_weighting_agrees_with_librosa():
    f = np.geomspace(10, 20_000, 60)
    theirs = librosa.A_weighting(f, min_db=None)
    np.testing.assert_allclose(a_weighting_db(f), theirs, atol=0.005)


def test_468_weighting_lies_within_the_tolerances_of_its_table():
    """And ten times nearer than these: within 0.06 dB."""
    for hz, (level, tolerance) in TABLE_468.items():
        found = float(weighting_468_db(np.array(float(hz))))
        assert abs(found - level) <= min(tolerance, 0.06), hz


def test_hum_lines_under_the_weightings():
    """A: -30.272, -27.046, -19.143, -16.707 dB at 50, 60, 100, 120 Hz (computed closed form)."""
    hz = np.array([50.0, 60.0, 100.0, 120.0])
    wanted = [-30.272, -27.046, -19.143, -16.707]
    np.testing.assert_allclose(a_weighting_db(hz), wanted, atol=6e-4)
    np.testing.assert_allclose(weighting_468_db(hz), [-25.87, -24.28, -19.85, -18.27], atol=0.03)


def test_nothing_is_left_at_zero_hertz():
    assert a_weighting_db(np.array([0.0]))[0] == -np.inf
    assert weighting_468_db(np.array([0.0]))[0] == -np.inf


BAND = (20.0, 20_000.0)


def closed_form_db(weighting, density):
    """Weighted less flat power over the band, by adaptive quadrature (SciPy), not by our bins."""

    def weighted(x):
        f = np.exp(x)
        return 10 ** (float(weighting(np.array(f))) / 10) * density(f) * f

    ends = np.log(BAND)
    total = integrate.quad(weighted, *ends, limit=200)[0]
    flat = integrate.quad(lambda x: density(np.exp(x)) * np.exp(x), *ends, limit=200)[0]
    return 10 * np.log10(total / flat)


def test_closed_forms():
    """White -2.048 (A) and +7.309 dB (468), pink -2.859 and +4.673 dB, 20 Hz to 20 kHz.

    Computed elsewhere from the standards' curves. The 468 values there are normalised by the
    polynomial's constant 18.2, 0.046 dB below 0 at 1 kHz.
    """
    for density, a, b in ((lambda _f: 1.0, -2.048, 7.309), (lambda f: 1 / f, -2.859, 4.673)):
        assert closed_form_db(a_weighting_db, density) == pytest.approx(a, abs=1e-3)
        assert closed_form_db(weighting_468_db, density) == pytest.approx(b, abs=0.05)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("colour", ["white", "pink"])
def test_weighted_noise_is_that_of_the_closed_form(tmp_path, rate, colour):
    """Floor, A- and 468-weighted floor of noise of known density; no bilinear error at 44.1 kHz."""
    rng = np.random.default_rng(rate + len(colour))
    n = 5 * rate
    if colour == "white":
        x, density, flat = white(n, -120.0, rate, rng), (lambda _f: 1.0), 1e-12 * 19_980
    else:
        x = coloured(n, lambda f: 1e-8 / f * (f > 4), rate, rng)
        density, flat = (lambda f: 1 / f), 1e-8 * np.log(1000)
    result = measure_noise(open_capture(write(tmp_path, x, rate)))
    level = 10 * np.log10(flat)
    for found, wanted in (
        (result.floor, level),
        (result.floor_a, level + closed_form_db(a_weighting_db, density)),
        (result.floor_468, level + closed_form_db(weighting_468_db, density)),
    ):
        # Three standard uncertainties: one of eighteen draws in 20 lies beyond two.
        assert found.value == pytest.approx(wanted, abs=3 * found.u + 0.002)
        assert found.u < (0.03 if colour == "white" else 0.08)
    assert result.floor_a.unit == "dBFS(A)"
    assert result.floor_468.unit == "dBFS(468, rms)"
