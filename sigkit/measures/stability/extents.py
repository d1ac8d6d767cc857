"""Spread and extents of a pitch in windows, without the noise of its track."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from scipy import ndimage

from sigkit.arrays import Real
from sigkit.measures.stability.wander import BANDS
from sigkit.measures.stability.windows import Windows
from sigkit.measures.steadiness import LEVEL_KNOWN, root_of, variance_terms
from sigkit.quantity import Quantity, Term, combine, not_measurable

MOST_DRAWS, FEWEST_DRAWS, DRAWN = 200, 20, 4_000_000
SEED = 1
MEAN_OF_WALK = 1 / math.sqrt(3)
"""Rms of the mean of a random walk from zero over its length, re that of its end."""
SMOOTHED = "vibrato that the windows smooth"
MAINS_LEFT = "mains wobble in the windows"
"""Source of what windows do not smooth away of it."""
MISSING = ((7.35, 10.6, 0.75), (12.3, 6.5, 0.6), (25.4, 4.4, 0.4), (200.0, 2.5, 0.4))
"""Variance by the first order of what windows smooth, and by all after the first, both re that of
the second: of a pitch whose spectrum falls with the frequency's power of 2 (a random walk), 2.5, 3
and 4, from the response of windows weighed by a parabola. Then what speaks for such a spectrum and
not for a swing at one rate, by judgement (the whole range is in u): a swing that falls like a
random walk is one of 4 Hz, a vibrato, and seldom not seen as one; one that falls like the third is
one of 2 Hz."""
SWING = 1.5
"""The second of these of a slow swing at one rate."""


def spread_of(windows: Windows) -> Quantity:
    """Return the standard deviation of the pitch without its track's noise, in cents."""
    # A frame stands for half a hop on either side of it.
    hops = np.ones(windows.cents.size)
    hops[0], hops[-1] = 0.5, windows.last_hops
    hops[np.isnan(windows.cents)] = 0.0
    hops /= hops.sum()

    def variance(cents: Real) -> float:
        cents = np.nan_to_num(cents)
        return float(hops @ (cents - hops @ cents) ** 2)

    noise, known = windows.noise, windows.cents[np.isfinite(windows.cents)]
    terms = variance_terms(known - known.mean(), noise)
    terms.append(Term("unseen ends", windows.u_of_ends(variance, MEAN_OF_WALK), "B"))
    if windows.left_cents > 0:  # all of it or nothing, as the tone's bands let it through
        terms.append(Term(MAINS_LEFT, windows.left_cents**2 / 2 / math.sqrt(3), "B"))
    if windows.slow_cents > 0:  # correlated with the path by anything from -1 to 1, rectangular
        most = 2 * float(np.std(known)) * windows.slow_cents / math.sqrt(2)
        terms.append(Term(MAINS_LEFT, most / math.sqrt(3), "B"))
    smoothed = 0.0
    if windows.vibrato is not None:
        taken = (1 - windows.left**2) / 2
        smoothed = taken * windows.vibrato.power
        terms.append(Term(SMOOTHED, taken * windows.vibrato.u_power, "A"))
    faster, more = _faster(windows, variance)
    terms += more
    return root_of(variance(windows.cents) - float(noise[0]) + smoothed + faster, terms)


def _faster(windows: Windows, variance: Callable[[Real], float]) -> tuple[float, list[Term]]:
    """Return the variance of what is faster than the windows, cents squared, and its terms.

    Notes
    -----
    Windows give back the first order of what they smooth. How much more of it there is, the next
    order tells, by how fast the orders fall: see `MISSING`. A vibrato is known better, and noise
    has orders of its own: both are taken out of them first.
    """
    noise, seen = [], []
    for orders in range(3):
        ramp = windows.ramp(orders)
        noise.append(windows.u_noise**2 * float(ramp @ ramp))
        known = noise[-1] + windows.of_vibrato(orders)
        seen.append(variance(windows.with_orders(orders)) - known)
    first, second = (max(0.0, part) for part in np.diff(seen).tolist())
    worth = np.isfinite(windows.cents).sum() * windows.hop_s / windows.window_s
    chance = (noise[2] - noise[1]) * math.hypot(LEVEL_KNOWN, math.sqrt(2 / max(2.0, worth)))
    fall, most, share = np.array(MISSING).T
    seen_fall = first / max(second, 1e-300)
    most, share = (float(np.interp(seen_fall, fall, column)) for column in (most, share))
    missing = SWING + share * (most - SWING)
    return missing * second, [
        Term("what is faster than the windows", (most - SWING) / math.sqrt(12) * second, "B"),
        Term("noise in what is faster", missing * chance, "A"),
    ]


def without_noise(cents: Real, noise: Real) -> Real:
    """Return the series smoothed as much as its noise asks for, by Stein's estimate of the error.

    Parameters
    ----------
    cents : ndarray, shape (n,)
        Path and noise.
    noise : ndarray, shape (n_lags,)
        Autocovariance of the noise.

    Returns
    -------
    ndarray, shape (n,)
        The flattest of the common mean and of running means over ..., 15, 7, 3 and 1 values whose
        expected error [1]_ is the least but for what chance does to that.

    References
    ----------
    .. [1] C. Stein, "Estimation of the mean of a multivariate normal distribution", Annals of
       Statistics 9 (1981), 1135-1151.
    """
    n = cents.size
    tried = [(0.0, cents)]
    size = 3
    while size <= n:
        smooth = ndimage.uniform_filter1d(cents, size, mode="nearest")
        lags = noise[: size // 2 + 1]
        shared = (2 * float(lags.sum()) - float(lags[0])) / size
        tried.append(
            (float(np.mean((smooth - cents) ** 2)) + 2 * (shared - float(noise[0])), smooth)
        )
        size = 2 * size + 1
    tried.append((float(np.var(cents)) - 2 * float(noise[0]), np.full(n, cents.mean())))
    worth = n * float(noise[0]) ** 2 / (2 * float(noise @ noise) - float(noise[0]) ** 2)
    chance = float(noise[0]) * math.sqrt(2 / worth)
    least = min(risk for risk, _ in tried)
    return next(path for risk, path in reversed(tried) if risk <= least + chance)


def extents_of(windows: Windows) -> tuple[Quantity, Quantity]:
    """Return highest less lowest pitch, and that of its medians over 1 s, without noise's share.

    Notes
    -----
    What noise adds to the extremes of this path is found by adding noise of the same kind to the
    path smoothed by `without_noise`, up to 200 times; the scatter of that is the uncertainty.
    """
    cents, known = windows.cents, np.isfinite(windows.cents)
    u_cents = np.where(np.isnan(windows.u_cents), np.nanmedian(windows.u_cents), windows.u_cents)
    path = np.full(cents.size, np.nan)
    path[known] = without_noise(cents[known], windows.noise)
    ramp, rng = windows.ramp(1), np.random.default_rng(SEED)
    seconds = _Medians(cents, windows.hop_s)
    whole, slow = [], []
    for _ in range(int(np.clip(DRAWN // cents.size, FEWEST_DRAWS, MOST_DRAWS))):
        white = rng.standard_normal(cents.size + ramp.size - 1)
        drawn = path + u_cents * np.convolve(white, ramp, "valid")
        whole.append(_extent_of(drawn))
        slow.append(seconds.extent(drawn))
    extent = _extent(windows, path, _extent_of, np.array(whole))
    if windows.left_cents > 0:
        left = Term(MAINS_LEFT, 2 * windows.left_cents / math.sqrt(3), "B")
        extent = combine(extent.value, "cents", [*extent.budget, left])
    if windows.vibrato is not None:
        taken, swing = 2 * (1 - windows.left), windows.vibrato
        at_extremes = Term(SMOOTHED, taken * swing.scatter / 2 / swing.cents, "A")
        extent = combine(extent.value + taken * swing.cents, "cents", [*extent.budget, at_extremes])
    if seconds.count < 3:
        return extent, not_measurable(
            "cents", "fewer than 3 whole seconds of tone: record 10 s or more"
        )
    wander = _extent(windows, path, seconds.extent, np.array(slow))
    if windows.slow_cents > 0:  # at both extremes, at moments of its period that are not known
        left = Term(MAINS_LEFT, windows.slow_cents, "B")
        wander = combine(wander.value, "cents", [*wander.budget, left])
    return extent, wander


def _extent_of(cents: Real) -> float:
    return float(np.nanmax(cents) - np.nanmin(cents))


def _extent(
    windows: Windows, path: Real, statistic: Callable[[Real], float], drawn: Real
) -> Quantity:
    by_noise = max(0.0, float(drawn.mean()) - statistic(path))
    return combine(
        max(0.0, statistic(windows.cents) - by_noise),
        "cents",
        [
            Term("noise at the extremes", max(float(drawn.std()), 1e-9), "A"),
            Term("noise taken out", by_noise * LEVEL_KNOWN, "B"),
            Term("unseen ends", windows.u_of_ends(statistic), "B"),
            Term("reach of the bands", BANDS * windows.fast_cents, "B"),
        ],
    )


class _Medians:
    """Medians over the whole seconds of which at least half is tone."""

    def __init__(self, cents: Real, hop_s: float) -> None:
        self.size = round(1 / hop_s)
        rows = cents[: cents.size // self.size * self.size].reshape(-1, self.size)
        self.use = np.isfinite(rows).sum(axis=1) >= self.size / 2
        self.count = int(self.use.sum())

    def extent(self, values: Real) -> float:
        rows = values[: values.size // self.size * self.size].reshape(-1, self.size)[self.use]
        return float(np.ptp(np.nanmedian(rows, axis=1))) if self.count else 0.0
