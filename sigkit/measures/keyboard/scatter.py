"""The scatter of the keys about a line: which are odd, and how sure it is."""

from __future__ import annotations

import math

import numpy as np
from scipy import optimize, special, stats

from sigkit.arrays import Flags, Real
from sigkit.quantity import COVERAGE_FACTOR

ODD_ALPHA, MOST_ODD = 0.003, 0.3
"""Chance of calling any key of a sound keyboard odd, and the most that may be."""


def odd_of(rest: Real, free: int, alpha: float = ODD_ALPHA) -> Flags:
    """Say which departures are odd among many that scatter normally.

    Parameters
    ----------
    rest : ndarray, shape (n,)
        Departures from a model.
    free : int
        Numbers that were fitted to them.
    alpha : float
        Chance of calling any odd that is none.

    Returns
    -------
    ndarray of bool, shape (n,)
        Odd ones, up to three in ten: in sound keyboards of 25 keys or more one in 300 has any.

    References
    ----------
    .. [1] B. Rosner, Percentage points for a generalized ESD many-outlier procedure,
       Technometrics 25 (1983), 165-172.
    """
    left = np.arange(rest.size)
    odd: Flags = np.zeros(rest.size, bool)
    out: list[int] = []
    for _ in range(int(MOST_ODD * rest.size)):
        own = rest[left]
        dof = left.size - free
        if dof < 3:
            break
        off = own - own.mean()
        usual = math.sqrt(float(off @ off) / dof)
        if not usual > 1e-9:
            break
        at = int(np.argmax(np.abs(off)))
        far = float(abs(off[at])) / usual / math.sqrt(1 - free / left.size)
        out.append(int(left[at]))
        t = float(special.stdtrit(dof - 1, 1 - alpha / (2 * left.size)))
        if far > t * math.sqrt(dof / (dof - 1 + t * t)):
            odd[out] = True
        left = np.delete(left, at)
    return odd


def spread_u(dof: int) -> float:
    """Return the relative standard uncertainty of a standard deviation of normal scatter.

    Parameters
    ----------
    dof : int
        Degrees of freedom behind it.

    Notes
    -----
    The law of a standard deviation is skew: an even interval of Student's t on either side holds
    it less often than 95 % where values are few. This is half the even interval that holds it in
    95 % by the chi-squared law, over the factor with which a quantity expands it.
    """

    def lacks(half: float) -> float:
        low = float(stats.chi2.cdf(dof / (1 + half) ** 2, dof))
        high = float(stats.chi2.sf(dof / (1 - half) ** 2, dof)) if half < 1 else 0.0
        return low + high - 0.05

    half = float(optimize.brentq(lacks, 1e-3, 1e3))
    return half / max(COVERAGE_FACTOR, float(stats.t.ppf(0.975, dof)))
