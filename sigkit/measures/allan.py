"""Overlapping Allan deviation with confidence intervals."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from sigkit.arrays import Real
from sigkit.errors import InputError


def allan_deviation(fractional: Real, tau0_s: float, tau_s: Real | None = None) -> pd.DataFrame:
    """Overlapping Allan deviation of evenly sampled frequency data without gaps.

    Parameters
    ----------
    fractional : ndarray, shape (n,)
        Relative frequency deviations, each the mean over ``tau0_s``; at least 3.
    tau0_s : float
        Distance of the data in seconds.
    tau_s : ndarray, shape (n_tau,), optional
        Averaging times wanted, rounded to multiples of ``tau0_s``; by default octaves up to a
        quarter of the record.

    Returns
    -------
    DataFrame
        Columns tau_s, adev, adev_low, adev_high: the two-sided 95 % interval.

    Raises
    ------
    InputError
        Too few data, or a distance that is not positive.

    Notes
    -----
    Drift is not removed. The interval takes the equivalent degrees of freedom of white frequency
    noise, [3(N-1)/2m - 2(N-2)/N] 4m^2/(4m^2+5) with N phase points and m = tau/tau0 [1]_; other
    kinds of noise have somewhat different intervals.

    References
    ----------
    .. [1] W. Riley, Handbook of Frequency Stability Analysis, NIST SP 1065 (2008), 5.2.4 and 5.4.
    """
    y = np.asarray(fractional, np.float64)
    if y.ndim != 1 or y.size < 3 or not tau0_s > 0:
        raise InputError(
            f"fractional must be 1-D with at least 3 values and tau0_s above 0; got {y.shape} and "
            f"{tau0_s}."
        )
    phase = np.concatenate([[0.0], np.cumsum(y)]) * tau0_s
    points = phase.size
    if tau_s is None:
        factors = 2 ** np.arange(0, max(1, int(np.log2(max(2, y.size // 4))) + 1))
    else:
        factors = np.rint(np.asarray(tau_s) / tau0_s).astype(np.intp)
    rows = []
    for m in np.unique(factors[(factors >= 1) & (2 * factors < points)]):
        second = phase[2 * m :] - 2 * phase[m:-m] + phase[: -2 * m]
        adev = float(np.sqrt(np.mean(second**2) / 2)) / (m * tau0_s)
        edf = (3 * (points - 1) / (2 * m) - 2 * (points - 2) / points) * 4 * m**2 / (4 * m**2 + 5)
        low, high = np.sqrt(edf / stats.chi2.ppf([0.975, 0.025], max(edf, 1.0)))
        rows.append((m * tau0_s, adev, adev * low, adev * high))
    return pd.DataFrame(rows, columns=["tau_s", "adev", "adev_low", "adev_high"])
