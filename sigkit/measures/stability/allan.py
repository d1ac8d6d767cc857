"""Overlapping Allan deviation with the kind of noise and the confidence interval it implies."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from scipy import stats

from sigkit.arrays import Real
from sigkit.errors import InputError

COLUMNS = ["tau_s", "adev", "adev_low", "adev_high", "noise", "edf", "floor"]
NOISES = {
    2: "white PM",
    1: "flicker PM",
    0: "white FM",
    -1: "flicker FM",
    -2: "random-walk FM",
}
"""Kinds of noise by the exponent alpha of the spectrum of relative frequency, f**alpha."""
LEAST_TO_NAME = 60
"""Points at distance tau that a kind of noise is told from."""
SHARPEST = 1000
"""Averaging factor from which on the filter's shape is that of its limit, to a thousandth."""


def allan_deviation(
    phase_s: Real, tau0_s: float, tau_s: Real | None = None, *, u_phase_s: float | None = None
) -> pd.DataFrame:
    """Overlapping Allan deviation of evenly sampled phase without gaps.

    Parameters
    ----------
    phase_s : ndarray, shape (n,)
        Time deviations x(t) in seconds (cycles over nominal frequency); at least 4.
    tau0_s : float
        Distance of the data in seconds.
    tau_s : ndarray, shape (n_tau,), optional
        Averaging times wanted, rounded to multiples of ``tau0_s``; by default octaves up to a
        quarter of the record.
    u_phase_s : float, optional
        Standard deviation of the measurement's own noise on each value, independent from value to
        value.

    Returns
    -------
    DataFrame
        Columns tau_s; adev, relative frequency; adev_low and adev_high, two-sided 95 % interval;
        noise, the kind of noise found at that averaging time; edf, the equivalent degrees of
        freedom behind the interval; floor, the deviation that the measurement's own noise alone
        would show, nan where it is not given.

    Raises
    ------
    InputError
        Too few data, or a distance that is not positive.

    Notes
    -----
    Drift is not removed. The interval is that of a chi-square variance with the degrees of freedom
    of the power-law noise at hand [1]_; the sum over lags is taken in full, without that paper's
    approximations for long records. The kind of noise is told from the autocorrelation at lag one
    of the phase, thinned to distance tau, without its parabola [2]_, white from flicker PM by the
    ratio of modified to plain variance; where fewer than 60 such points are left, the kind at the
    last shorter time is taken to go on. The formulas of [1]_ and
    [2]_ are written from memory and checked against an independent library. A drift or a vibrato
    is no noise, and its interval means little.

    References
    ----------
    .. [1] C. Greenhall, W. Riley, "Uncertainty of stability variances based on finite
       differences", Proc. 35th PTTI Meeting (2003); NIST SP 1065 (2008), 5.4.1.
    .. [2] W. Riley, C. Greenhall, "Power law noise identification using the lag 1
       autocorrelation", Proc. 18th European Frequency and Time Forum (2004); NIST SP 1065, 5.5.3.
    """
    x = np.asarray(phase_s, np.float64)
    if x.ndim != 1 or x.size < 4 or not tau0_s > 0:
        raise InputError(
            f"phase_s must be 1-D with at least 4 values and tau0_s above 0; got {x.shape} and "
            f"{tau0_s}.",
            where="allan_deviation",
            remedy="Give the phase of an unbroken tone in seconds.",
        )
    factors = 2 ** np.arange(max(1, int(math.log2(max(2, (x.size - 1) // 4))) + 1))
    if tau_s is not None:
        factors = np.rint(np.asarray(tau_s) / tau0_s).astype(np.intp)
    rows, alpha = [], 0
    for m in np.unique(factors[(factors >= 1) & (2 * factors < x.size)]).tolist():
        second = x[2 * m :] - 2 * x[m:-m] + x[: -2 * m]
        adev = float(np.sqrt(np.mean(second**2) / 2)) / (m * tau0_s)
        named = noise_exponent(x, m)
        alpha = alpha if named is None else named
        edf = degrees_of_freedom(alpha, m, x.size)
        low, high = np.sqrt(edf / stats.chi2.ppf([0.975, 0.025], edf))
        floor = math.nan if u_phase_s is None else math.sqrt(3) * u_phase_s / (m * tau0_s)
        rows.append((m * tau0_s, adev, adev * low, adev * high, NOISES[alpha], edf, floor))
    return pd.DataFrame(rows, columns=COLUMNS)


def noise_exponent(phase: Real, factor: int) -> int | None:
    """Return alpha of the power-law noise nearest to a phase record at an averaging time.

    Parameters
    ----------
    phase : ndarray, shape (n,)
        Evenly spaced phase.
    factor : int
        Averaging time in data distances.

    Returns
    -------
    int or None
        -2 to 2; None where fewer than 60 points at that distance cannot tell.
    """
    rows = phase.size // factor
    if rows < LEAST_TO_NAME:
        return None
    t = np.linspace(-1.0, 1.0, phase.size)
    values = phase - np.polynomial.Polynomial.fit(t, phase, 2)(t)
    rest = float(values @ values)
    if rest <= 1e-24 * float(phase @ phase):
        return -2  # nothing but a parabola: a drift
    # Each column is the record thinned from another start; all of them know more than one.
    thinned = values[: rows * factor].reshape(rows, factor)
    for differences in range(3):
        centred = thinned - thinned.mean(axis=0)
        r = float(np.sum(centred[1:] * centred[:-1]) / np.sum(centred**2))
        share = r / (1 + r)
        if share < 0.25 or differences == 2:
            break
        thinned = np.diff(thinned, axis=0)
    alpha = int(np.clip(2 - round(2 * share) - 2 * differences, -2, 2))
    if alpha > 0 and factor > 1:
        return 2 if _averaging_gain(values, factor) < _between_phase_noises(factor) else 1
    return alpha


def _averaging_gain(phase: Real, factor: int) -> float:
    """Ratio of modified to plain Allan variance: what averaging the phase over tau gains."""
    total = np.concatenate([[0.0], np.cumsum(phase)])
    mean = (total[factor:] - total[:-factor]) / factor
    plain, averaged = (
        v[2 * factor :] - 2 * v[factor:-factor] + v[: -2 * factor] for v in (phase, mean)
    )
    return float(np.mean(averaged**2) / np.mean(plain**2))


def _between_phase_noises(factor: int) -> float:
    """Gain half-way, in logarithm, between those of white and of flicker PM."""
    zero = np.zeros(1)
    gains = [
        float(_covariance(zero, 1, alpha)[0] / _covariance(zero, factor, alpha)[0])
        for alpha in (1, 2)
    ]
    return math.sqrt(gains[0] * gains[1])


def degrees_of_freedom(alpha: int, factor: int, points: int) -> float:
    """Equivalent degrees of freedom of the overlapping Allan variance.

    Parameters
    ----------
    alpha : int
        Exponent of the noise, -2 to 2.
    factor : int
        Averaging time in data distances.
    points : int
        Number of phase values, more than twice ``factor``.
    """
    estimates = points - 2 * factor
    last = min(estimates, 3 * factor)
    lags = np.arange(last + 1)
    weight = 2 * (1 - lags / estimates)
    weight[0], weight[-1] = 1.0, weight[-1] / 2
    of_lag = _covariance(lags / factor, factor, alpha)
    return float(estimates * of_lag[0] ** 2 / (weight @ of_lag**2))


def _covariance(t: Real, factor: int, alpha: int) -> Real:
    """Autocovariance of second differences of the phase at lags ``t`` times tau."""

    def phase(at: Real) -> Real:
        if factor >= SHARPEST and alpha <= 0:
            return _generalized_covariance(at, alpha + 2)
        step = 1 / factor
        near = [_generalized_covariance(at + k * step, alpha) for k in (-1, 0, 1)]
        return factor**2 * (2 * near[1] - near[0] - near[2])

    return 6 * phase(t) - 4 * (phase(t - 1) + phase(t + 1)) + phase(t - 2) + phase(t + 2)


def _generalized_covariance(t: Real, alpha: int) -> Real:
    """Generalized autocovariance of a process with spectrum f**(alpha - 4), up to a factor."""
    size = np.abs(t)
    log = np.log(np.where(size > 0, size, 1.0))
    covariance: Real = {
        2: -size,
        1: size**2 * log,
        0: size**3,
        -1: -(size**4) * log,
        -2: -(size**5),
    }[alpha]
    return covariance
