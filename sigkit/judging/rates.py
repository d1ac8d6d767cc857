"""Rates of events from counts: exact limits, and the scatter between passes of a slider."""

from __future__ import annotations

import math

from scipy import special

COVERAGE = 0.95
Z_95 = float(special.ndtri(0.975))
PASS_SCATTER = 0.5
"""Spread of the rate between passes of a slider, in ln, as is usual; guide value."""

Counts = tuple[int, float]
"""Number of events, and the exposure: seconds or passes in which they were counted."""


def rate_interval(count: int, exposure_s: float, coverage: float = COVERAGE) -> tuple[float, float]:
    """Return the exact two-sided limits of a rate from a count.

    Parameters
    ----------
    count : int
        Number of events.
    exposure_s : float
        Seconds in which they were counted.
    coverage : float, optional
        Share of cases that the interval holds the rate, at least.

    Returns
    -------
    tuple of float
        Lower and upper limit in events per second.

    References
    ----------
    .. [1] F. Garwood, Fiducial limits for the Poisson distribution, Biometrika 28 (1936) 437-442.

    Examples
    --------
    >>> [round(float(limit), 3) for limit in rate_interval(10, 1.0)]
    [4.795, 18.39]
    """
    tail = (1 - coverage) / 2
    low = float(special.gammaincinv(count, tail)) if count else 0.0
    return low / exposure_s, float(special.gammaincinv(count + 1, 1 - tail)) / exposure_s


def rate_ratio_interval(
    first: Counts, last: Counts, coverage: float = COVERAGE
) -> tuple[float, float]:
    """Return the exact two-sided limits of the ratio of two Poisson rates, last over first.

    Parameters
    ----------
    first, last : tuple of int and float
        Number of events, and the seconds in which they were counted.
    coverage : float, optional
        Share of cases that the interval holds the ratio, at least.

    Returns
    -------
    tuple of float
        Lower and upper limit; 0 to infinity where nothing was counted.

    References
    ----------
    .. [1] C. J. Clopper, E. S. Pearson, The use of confidence or fiducial limits illustrated in the
       case of the binomial, Biometrika 26 (1934) 404-413, on the counts given their sum.

    Examples
    --------
    >>> [round(limit, 3) for limit in rate_ratio_interval((5, 60.0), (20, 60.0))]
    [1.457, 13.639]
    """
    (a, time_a), (b, time_b) = first, last
    tail = (1 - coverage) / 2
    low = float(special.betaincinv(b, a + 1, tail)) if b else 0.0
    high = float(special.betaincinv(b + 1, a, 1 - tail)) if a else 1.0
    scale = time_a / time_b
    return (
        scale * low / (1 - low) if low < 1 else math.inf,
        scale * high / (1 - high) if high < 1 else math.inf,
    )


def widened(limits: tuple[float, float], middle: float, scatter: float) -> tuple[float, float]:
    """Return limits of a rate, or of a ratio of rates, with the scatter between passes as well.

    Parameters
    ----------
    limits : tuple of float
        Its exact Poisson limits.
    middle : float
        The rate or ratio itself, half an event added to each count; above zero.
    scatter : float
        Standard deviation of its logarithm by what passes differ in.

    Returns
    -------
    tuple of float
        Both limits, as far from the middle as both causes together in squares of logarithms.
    """
    low, high = limits
    apart = Z_95 * scatter
    if low > 0:
        low = middle / math.exp(math.hypot(math.log(middle / low), apart))
    if math.isfinite(high):
        high = middle * math.exp(math.hypot(math.log(high / middle), apart))
    return low, high


def events_interval(counts: Counts, passes: float) -> tuple[float, float]:
    """Return the 95 % limits of a rate of events that were counted over the passes of a slider.

    Parameters
    ----------
    counts : tuple of int and float
        Number of events, and the exposure: seconds or passes.
    passes : float
        Number of passes.

    Returns
    -------
    tuple of float
        Its exact Poisson limits, widened by the scatter between passes, `PASS_SCATTER`.

    Examples
    --------
    >>> [round(limit, 2) for limit in rate_interval(100, 10.0)]
    [8.14, 12.16]
    >>> [round(limit, 2) for limit in events_interval((100, 10.0), 10)]
    [6.91, 14.46]
    """
    number, exposure = counts
    limits = rate_interval(number, exposure)
    return widened(limits, (number + 0.5) / exposure, PASS_SCATTER / math.sqrt(passes))


def widened_ratio(totals: tuple[Counts, Counts], n: int, m: int) -> tuple[float, float]:
    """Return limits of a ratio with the scatter between passes that few passes cannot show.

    Parameters
    ----------
    totals : tuple of two (int, float)
        Count and exposure, first and last.
    n, m : int
        Passes of each.

    Returns
    -------
    tuple of float
        Its exact Poisson limits, farther apart.
    """
    (a, exposed), (b, exposed_last) = totals
    middle = (b + 0.5) / (a + 0.5) * exposed / exposed_last
    return widened(rate_ratio_interval(*totals), middle, PASS_SCATTER * math.sqrt(1 / n + 1 / m))
