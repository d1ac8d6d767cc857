"""How far a glide goes beyond the note that it lands on."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import signal

from sigkit.arrays import Real
from sigkit.measures.glide.curve import CENTS

SHORTEST_S, FEWEST_PERIODS, WIDEST = 0.005, 3, 0.1
"""Overshoot is that of means over at least so long and so many periods, at most so much of the
glide's time: a swing that rises like the glide stays within 0.2 % of its peak for that long."""
FINE = 0.01
"""Uncertainty of a mean, as a share of the overshoot, from which no longer one is sought."""
CLEAR = 1.0
"""By how many u more than its noise may a shorter mean has to show, to be preferred."""
DRAWS, SEED = 60, 20080
"""Times that the noise of the marks is laid on the pitch: its mean extreme is good to 0.06 u."""


@dataclass(frozen=True)
class _Means:
    """Means over so many periods, weighed as the slope of a line through their marks."""

    cents: Real
    weights: Real
    u: float
    chance: float
    """By how much the largest of so many exceeds none, at most."""

    @property
    def peak(self) -> float:
        return float(self.cents.max())


def overshoot_of(
    time_s: Real, cents: Real, seconds: float, to_go: Real, noise: tuple[float, float]
) -> tuple[float, float]:
    """Return how far the pitch goes beyond where it lands, and its standard uncertainty, cents.

    Parameters
    ----------
    time_s, cents : ndarray, shape (n_periods,)
        Middle and pitch of each period from where 90 % of the interval are covered, rising.
    seconds : float
        10-90 % time of the glide.
    to_go : ndarray, shape (n_periods,)
        What its law has still to go, cents.
    noise : tuple of float
        Scatter of the marks, periods, and relative standard deviation of a period.

    Returns
    -------
    tuple of float
        The largest mean beyond the pitch of the last fifth of the note and what that has still
        to go; nan, nan with too few periods.

    Notes
    -----
    The largest of many means is more than that of none with noise: by little where the pitch
    stands out, by what noise makes of so many where it does not. So noise as that of the marks is
    laid on the smoothed pitch many times (a parametric bootstrap, [1]_, chapter 10): by how much
    its largest then exceeds that of the smoothed pitch is taken off, and what it scatters is the
    uncertainty. Means are over 5 ms or 3 periods; over up to a tenth of the glide's time as long
    as they are not sure to 1 % and longer ones show no less than noise may make of it.

    References
    ----------
    .. [1] B. Efron and R. Tibshirani, An Introduction to the Bootstrap, 1993.
    """
    if time_s.size < 4 * FEWEST_PERIODS:
        return math.nan, math.nan
    period = float(np.median(np.diff(time_s)))
    width = max(FEWEST_PERIODS, math.ceil(SHORTEST_S / period))
    if time_s.size < 4 * width:
        return math.nan, math.nan
    noise = CENTS / math.log(2) * noise[0], CENTS / math.log(2) * noise[1]
    weights = _weights(max(width, time_s.size // 5))
    landed = slice(-weights.size, None)
    u_landed = _u_of(weights, *noise)
    level = float(weights @ (cents + to_go)[landed])
    widest = min(time_s.size // 8, int(WIDEST * seconds / period))
    means = _means(cents, width, weights.size, noise)
    while (width := 2 * width) <= widest and means.u > FINE * (means.peak - level):
        wider = _means(cents, width, weights.size, noise)
        if means.peak - wider.peak > means.chance + CLEAR * means.u:
            break
        means = wider
    more, u = _extreme(cents, means, noise)
    return max(0.0, means.peak - level - more), math.hypot(u, u_landed)


def _weights(many: int) -> Real:
    """Return what each of many periods counts in the slope of a line through their marks."""
    place = np.arange(1.0, many + 1)
    weights = place * (many + 1 - place)
    return np.asarray(weights / weights.sum())


def _u_of(weights: Real, scatter: float, jitter: float) -> float:
    """Return the standard uncertainty of a mean: periods that share a mark err contrarily."""
    marks = np.diff(weights, prepend=0.0, append=0.0)
    shared = scatter * float(np.linalg.norm(marks))
    return math.hypot(shared, jitter * float(np.linalg.norm(weights)))


def _means(cents: Real, width: int, landed: int, noise: tuple[float, float]) -> _Means:
    """Return the means over so many periods; hum shows in those of the note landed alone."""
    weights = _weights(width)
    means = signal.oaconvolve(cents, weights, mode="valid")
    still = signal.detrend(means[-landed:])
    u = max(_u_of(weights, *noise), float(np.std(still)))
    return _Means(means, weights, u, u * math.sqrt(2 * math.log(means.size)))


def _extreme(cents: Real, means: _Means, noise: tuple[float, float]) -> tuple[float, float]:
    """Return by how much noise raises the largest mean, and by how much that scatters."""
    width = means.weights.size
    wide = min(4 * width, cents.size // 2)
    path = signal.oaconvolve(cents, _weights(wide), mode="valid")
    at = np.arange(means.cents.size) + (width - wide) / 2
    path = np.interp(at, np.arange(path.size), path)
    draws = np.random.default_rng(SEED).standard_normal((2, DRAWS, cents.size + 1))
    made = noise[0] * np.diff(draws[0]) + noise[1] * draws[1, :, 1:]
    laid = signal.oaconvolve(made, means.weights[None], mode="valid", axes=1)
    laid *= means.u / _u_of(means.weights, *noise)
    largest = np.max(path + laid, axis=1)
    return float(largest.mean() - path.max()), float(largest.std(ddof=1))
