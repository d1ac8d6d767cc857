"""The pitch at either end of a tone, predicted from the frames beside it."""

from __future__ import annotations

import math

import numpy as np

from sigkit.arrays import Real

SPAN_S, SPAN_SHARE, LEAST_FRAMES, MOST_FRAMES = 8.0, 0.05, 12, 160
"""Frames looked at: so long, at most that share of the tone, and so many."""
AROUND_S, AROUND_SHARE = 20.0, 0.05
"""Part of the tone from which the pace of the wander is taken."""
LONGEST_SHARE = 0.02
"""Longest distance over which that is looked at, in lengths of the tone: no bend is wander."""
_SHARE = (np.arange(80) + 0.5) / 80
_WEIGHT = _SHARE * (1 - _SHARE) / np.sum(_SHARE * (1 - _SHARE))
_BETWEEN, _MASS = np.unique((_SHARE[:, None] - _SHARE[None, :]).round(6), return_inverse=True)
_DENSITY = np.bincount(_MASS.ravel(), np.outer(_WEIGHT, _WEIGHT).ravel())


def pace_of_walk(
    cents: Real, noise: float, window: int, hop_s: float, longest: float = math.inf
) -> float:
    """Return the variance per second by which a pitch wanders, like a random walk, trend left out.

    Parameters
    ----------
    cents : ndarray, shape (n,)
        Evenly spaced frames; nan in gaps.
    noise : float
        Standard deviation of the track's own noise, cents.
    window : int
        Length of the windows behind the frames, in hops.
    hop_s : float
        Distance of the frames.
    longest : float, optional
        Longest distance to look over, in hops.

    Notes
    -----
    Second differences leave out a straight drift. Of a random walk seen through parabola-weighted
    windows of length W they have, over a distance d, a variance of pace (2 d - 0.771 W): over the
    shortest distance, twice the window, at which that stands out of the noise.
    """
    pace, apart = 0.0, 2 * window
    while cents.size >= 4 * apart:
        second = cents[2 * apart :] - 2 * cents[apart:-apart] + cents[: -2 * apart]
        second = second[np.isfinite(second)]
        if second.size < 4:
            break
        variance, by_noise = float(np.median(second**2)) / 0.4549, 6 * noise**2
        pace = max(0.0, variance - by_noise) / ((2 * apart - 0.771 * window) * hop_s)
        if variance > 3 * by_noise or 2 * apart > longest:
            break
        apart *= 2
    return pace


def value_at_edge(
    time_s: Real, cents: Real, at_s: float, *, noise: float, window_s: float
) -> tuple[float, float]:
    """Return the pitch at one end of a tone and its standard uncertainty.

    Parameters
    ----------
    time_s, cents : ndarray, shape (n,)
        Frames of the whole tone, those nearest to the end first.
    at_s : float
        The end, half a window or more beyond the first frame.
    noise : float
        Standard deviation of the frames by the track's own noise, cents.
    window_s : float
        Length of the windows behind the frames.

    Notes
    -----
    Best linear prediction (kriging [1]_) of a parabola in time, plus a random walk at the pace seen
    near that end, plus the track's noise, all seen through the windows of the track.

    References
    ----------
    .. [1] N. Cressie, Statistics for Spatial Data (Wiley, 1993), 3.4.
    """
    away = np.abs(time_s - at_s)
    hop_s = float(np.median(np.abs(np.diff(time_s))))
    window = max(1, round(window_s / hop_s))
    around_s = max(AROUND_S, AROUND_SHARE * float(away[-1]))
    beside = away <= away[0] + around_s
    longest = LONGEST_SHARE * float(away[-1]) / hop_s
    pace = pace_of_walk(_even(away[beside], cents[beside], hop_s), noise, window, hop_s, longest)
    span_s = min(SPAN_S, SPAN_SHARE * float(away[-1]))
    count = int(np.clip(np.count_nonzero(away <= away[0] + span_s), LEAST_FRAMES, MOST_FRAMES))
    d, c = away[:count], cents[:count]
    apart = np.abs(d[:, None] - d[None, :])
    covariance = -0.5 * pace * _mean_distance(apart, window_s)
    covariance += noise**2 * _noise_correlation(apart / window_s) + 1e-12 * np.eye(count)
    to_edge = -0.5 * pace * d
    scaled = d / d[-1]
    drift = np.column_stack([np.ones(count), scaled, scaled**2])
    system = np.block([[covariance, drift], [drift.T, np.zeros((3, 3))]])
    wanted = np.concatenate([to_edge, [1.0, 0.0, 0.0]])
    weights = np.linalg.lstsq(system, wanted, rcond=None)[0][:count]
    variance = float(weights @ covariance @ weights - 2 * weights @ to_edge)
    # The instant at which a tone begins or ends is known to a hop.
    slope = float(np.polyfit(d, c, 1)[0])
    return float(weights @ c), math.sqrt(max(variance, 1e-12) + (slope * hop_s) ** 2 / 12)


def noise_of_mean(noise: float, frames: int, window: float) -> float:
    """Noise of the mean of neighbouring frames, whose windows overlap."""
    apart = np.abs(np.arange(frames)[:, None] - np.arange(frames)[None, :]) / window
    return noise * math.sqrt(max(float(_noise_correlation(apart).mean()), 0.01 / frames))


def _even(away: Real, cents: Real, hop_s: float) -> Real:
    """Put frames on an even grid, nan where there is none."""
    at = np.rint((away - away[0]) / hop_s).astype(np.intp)
    grid = np.full(int(at[-1]) + 1, np.nan)
    grid[at] = cents
    return grid


def _noise_correlation(share: Real) -> Real:
    """Correlation of slopes of a phase in white noise, over windows so far apart (in windows)."""
    h = np.minimum(share, 1.0)
    correlation: Real = 1 - 3 * h + 2 * h**3
    return correlation


def _mean_distance(apart: Real, window_s: float) -> Real:
    """Mean distance of two instants drawn from two windows, each weighted by a parabola."""
    table = np.linspace(0, 1, 41)
    means = np.abs(table[:, None] + _BETWEEN) @ _DENSITY
    inside = np.interp(apart / window_s, table, means) * window_s
    distance: Real = np.where(apart < window_s, inside, apart)
    return distance
