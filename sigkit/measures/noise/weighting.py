"""Frequency weightings of noise, as factors on its power spectrum."""

from __future__ import annotations

import numpy as np

from sigkit.arrays import Real

POLES_HZ = (20.598997, 107.652649, 737.862231, 12194.217148)
"""Poles of the A-weighting: the first and the last are double (IEC 61672-1:2013, annex E)."""


def a_weighting_db(frequency_hz: Real) -> Real:
    """Return the A-weighting in dB.

    Parameters
    ----------
    frequency_hz : ndarray
        Frequencies in Hz, not below 0.

    Returns
    -------
    ndarray
        Gain in dB, 0 at 1 kHz; minus infinity at 0 Hz.

    Notes
    -----
    The analogue transfer function itself. A digital filter made from it by the bilinear transform
    reads white noise 0.9 dB low at 48 kHz, because it bends the upper end of the band.

    References
    ----------
    .. [1] IEC 61672-1:2013, Sound level meters, Table 3 (values seen in secondary sources).

    Examples
    --------
    >>> a_weighting_db(np.array([50.0, 100.0, 1000.0])).round(2)
    array([-30.27, -19.14,   0.  ])
    """
    f = np.asarray(frequency_hz, np.float64)
    with np.errstate(divide="ignore"):
        out: Real = 20 * np.log10(_a(f) / _a(np.array(1000.0)))
    return out


def _a(f: Real) -> Real:
    one, two, three, four = (pole**2 for pole in POLES_HZ)
    f2 = f * f
    out: Real = four * f2**2 / ((f2 + one) * np.sqrt((f2 + two) * (f2 + three)) * (f2 + four))
    return out


def weighting_468_db(frequency_hz: Real) -> Real:
    """Return the noise weighting of ITU-R BS.468 in dB.

    Parameters
    ----------
    frequency_hz : ndarray
        Frequencies in Hz, not below 0.

    Returns
    -------
    ndarray
        Gain in dB, 0 at 1 kHz, 12.2 at 6.3 kHz; minus infinity at 0 Hz.

    Notes
    -----
    The curve alone. A noise meter of the standard also has a quasi-peak detector; what is summed
    under this curve is "468-weighted, rms" and reads lower. A rational function that lies within
    0.1 dB of the standard's table.

    References
    ----------
    .. [1] ITU-R BS.468-4, Table 1 (values seen in secondary sources).

    Examples
    --------
    >>> weighting_468_db(np.array([1000.0, 6300.0])).round(1)
    array([ 0. , 12.2])
    """
    f = np.asarray(frequency_hz, np.float64)
    with np.errstate(divide="ignore"):
        out: Real = 20 * np.log10(_468(f) / _468(np.array(1000.0)))
    return out


def _468(f: Real) -> Real:
    f2 = f * f
    even = (
        (-4.737338981378384e-24 * f2 + 2.043828333606125e-15) * f2 - 1.363894795463638e-7
    ) * f2 + 1
    odd = f * ((1.306612257412824e-19 * f2 - 2.118150887518656e-11) * f2 + 5.559488023498642e-4)
    out: Real = 1.246332637532143e-4 * f / np.hypot(even, odd)
    return out
