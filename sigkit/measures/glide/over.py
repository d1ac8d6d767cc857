"""How far a glide goes beyond the note that it lands on."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import ndimage, signal, special

from sigkit.arrays import Real
from sigkit.measures.glide.curve import CENTS
from sigkit.measures.glide.noise import EXPECTED, FEWEST_HELD, noise_in_hold, told_by_hold

SHORTEST_S, FEWEST_PERIODS, WIDEST = 0.005, 3, 0.1
"""Overshoot is that of means over at least so long and so many periods, at most so much of the
glide's time: a swing that rises like the glide stays within 0.2 % of its peak for that long."""
FINE = 0.01
"""Uncertainty of a mean, as a share of the overshoot, from which no longer one is sought."""
CLEAR = 1.0
"""By how many u more than its noise may a shorter mean has to show, to be preferred."""
SEEN = 5.0
"""u beyond which an overshoot is there for certain, and has a peak."""
AROUND, STRAYS = 7, 8.0
"""A mark strays where both periods beside it differ by so many deviations from those around."""
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
    time_s: Real, cents: Real, seconds: float, to_go: Real, sd: float
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
    sd : float
        Scatter of the marks on the note, periods, roughly.

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
    its largest then exceeds that of the smoothed pitch is taken off. Means are over 5 ms or 3
    periods; over up to a tenth of the glide's time as long as they are not sure to 1 % and longer
    ones show no less than noise may make of it.

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
    cents = _without_strays(cents)
    last = max(width, time_s.size // 5, min(2 * FEWEST_HELD, time_s.size // 2))
    noise = _noise_of(cents[-last:], sd)
    weights = _weights(last)
    u_landed = math.hypot(
        _u_of(weights, *noise), _falls((cents + to_go)[-last:], time_s.size, noise)
    )
    level = float(weights @ (cents + to_go)[-last:])
    widest = min(time_s.size // 8, int(WIDEST * seconds / period))
    means = _means(cents, width, last, noise)
    while (width := 2 * width) <= widest and means.u > FINE * (means.peak - level):
        wider = _means(cents, width, last, noise)
        if means.peak - wider.peak > means.chance + CLEAR * means.u:
            break
        means = wider
    too_long = means.weights.size > WIDEST * seconds / period
    more = _extreme(cents, means, noise)
    beyond, u = means.peak - more - level, math.hypot(means.u, u_landed)
    if beyond > SEEN * u and (too_long or means.u < FINE * beyond):
        lost = _lost(cents, means, more)
        beyond, u = beyond + lost, math.hypot(u, lost / math.sqrt(3))
    return max(0.0, beyond), u


def _without_strays(cents: Real) -> Real:
    """Lay a mark that strays, so that one period is long and the next short, between the others."""
    off = cents - ndimage.median_filter(cents, AROUND)
    far = np.abs(off) > STRAYS * 1.4826 * float(np.median(np.abs(off)))
    pairs = np.flatnonzero(far[:-1] & far[1:] & (off[:-1] * off[1:] < 0))
    cents = cents.copy()
    for i in pairs.tolist():
        cents[i : i + 2] = cents[i : i + 2].mean()
    return cents


def _falls(cents: Real, many: int, noise: tuple[float, float]) -> float:
    """Return the standard uncertainty of where a note lands that clearly still moves at its end.

    It may go on as long again as was looked at (rectangular).
    """
    place = np.arange(cents.size) - (cents.size - 1) / 2
    weights = place / float(place @ place)
    moves = abs(float(weights @ cents)) - 2 * _u_of(weights, *noise)
    return max(0.0, moves) * many / math.sqrt(3)


def _noise_of(cents: Real, sd: float) -> tuple[float, float]:
    """Return scatter of the marks and jitter of a note held, cents a period, by its own pitch."""
    late = -math.log(2) / CENTS * np.cumsum(np.concatenate([[0.0], cents - cents.mean()]))
    told = told_by_hold(late, sd)
    scatter, jitter = noise_in_hold(told, special.logsumexp(told, axis=1) + EXPECTED)
    return CENTS / math.log(2) * math.sqrt(scatter) * sd, CENTS / math.log(2) * jitter


def _lost(cents: Real, means: _Means, more: float) -> float:
    """Return what a mean loses of the peak of a swing, by one twice as long.

    A parabola loses by the variance of the places that are taken together.
    """
    width = means.weights.size
    if cents.size < 2 * width:
        return 0.0
    at = int(np.argmax(means.cents)) - (width + 1) // 2
    longer = signal.oaconvolve(cents, _weights(2 * width), mode="valid")
    once, twice = (_variance(many) for many in (width, 2 * width))
    less = means.peak - more - float(longer[min(max(at, 0), longer.size - 1)])
    return max(0.0, less * once / (twice - once))


def _variance(width: int) -> float:
    """Return the variance of the places in a mean, periods squared; a period is itself a mean."""
    place = np.arange(width) - (width - 1) / 2
    return float(_weights(width) @ place**2) + 1 / 12


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


def _extreme(cents: Real, means: _Means, noise: tuple[float, float]) -> float:
    """Return by how much noise raises the largest mean."""
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
    return float(largest.mean() - path.max())
