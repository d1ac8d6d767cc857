"""How far a pitch jumps that comes back, beside the slide that goes on under it."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SPREAD = 3
"""Half periods beside a step over which a pitch followed by its phase is rounded off."""
LEAST_BINS, BESIDE_BINS = 3, (40, 150)
"""Least bins of a jump's top; least and most beside it on each side that tell the slide."""
DEGREES = (2, 3)
"""Polynomials of the slide: what the two differ by counts as an uncertainty."""
TIME_BINS, BRIEF, OF_PERIOD = 0.7, 2.0, (0.5, 0.05)
"""Standard uncertainty of the time between two steps, in bins of 1 ms; below and above so many
periods it is known to these shares of one only."""
STEPS = 0.5
"""Share of what that and the steps differ by that counts as an uncertainty: the slide may bend
in another way than a polynomial does."""
ROUNDING, LEAST_CENTS = 0.01, 1.0
"""Standard uncertainty of a size: share of it, for a top that is not quite flat, and cents."""


def jump_size(cents: Array, half: int, a: int, b: int, steps: float) -> tuple[float, float]:
    """Return the size of a jump and its standard uncertainty, both in cents.

    Parameters
    ----------
    cents : ndarray, shape (n_bins,)
        The pitch.
    half : int
        Half a period, in bins.
    a, b : int
        Bins of its two steps.
    steps : float
        Half of one step less the other: the size as both tell it by themselves, cents.

    Returns
    -------
    tuple of float
        Size (up is positive) and standard uncertainty.

    Notes
    -----
    The slide is a polynomial through the pitch on both sides. Where the jump is longer than its
    steps are rounded off, its size is that of its top over the slide, by least squares together;
    else it is the phase that it adds, which rounding leaves alone, over the time between the steps.
    Of the two the one with the smaller uncertainty is taken.
    """
    wide = SPREAD * half
    beside = int(np.clip(b - a, *BESIDE_BINS))
    before = np.arange(max(0, a - wide - beside), max(0, a - wide))
    after = np.arange(min(b + wide + 1, cents.size), min(b + wide + 1 + beside, cents.size))
    out = [(math.nan, math.inf)]
    if min(before.size, after.size) > 2 * max(DEGREES):
        at = np.concatenate([before, after])
        top = np.arange(a + wide, b - wide + 1)
        if top.size >= LEAST_BINS:
            out.append(_of_top(cents, at, top, half))
        whole = np.arange(a - wide, b + wide + 1)
        out.append(_of_phase(cents, at, whole, b - a, half))
    size, u = min(out, key=lambda found: found[1])
    return size, math.hypot(u, STEPS * (size - steps)) if b - a > BRIEF * 2 * half else u


def _of_top(
    cents: Array, at: NDArray[np.intp], top: NDArray[np.intp], half: int
) -> tuple[float, float]:
    every = np.concatenate([at, top])
    box = np.concatenate([np.zeros(at.size), np.ones(top.size)])
    sizes, noise = [], 0.0
    for degree in DEGREES:
        terms = np.column_stack([_powers(every, at, degree), box])
        fit, *_ = np.linalg.lstsq(terms, cents[every], rcond=None)
        inverse = np.linalg.inv(terms.T @ terms)
        left = cents[every] - terms @ fit
        alike = 2 * half  # neighbouring bins hold the same periods
        noise = math.sqrt(float(np.mean(left**2)) * float(inverse[-1, -1]) * alike)
        sizes.append(float(fit[-1]))
    size = sizes[-1]
    return size, math.hypot(noise, sizes[1] - sizes[0], ROUNDING * size, LEAST_CENTS)


def _of_phase(
    cents: Array, at: NDArray[np.intp], whole: NDArray[np.intp], bins: int, half: int
) -> tuple[float, float]:
    sizes, noise = [], 0.0
    for degree in DEGREES:
        terms = _powers(at, at, degree)
        fit, *_ = np.linalg.lstsq(terms, cents[at], rcond=None)
        slide = _powers(whole, at, degree) @ fit
        left = cents[at] - terms @ fit
        noise = float(np.sqrt(np.mean(left**2))) * math.sqrt(2 * half * whole.size) / bins
        more = float(np.sum(2 ** ((cents[whole] - slide) / 1200) - 1)) / bins
        sizes.append(1200 * math.log2(max(1 + more, 0.01)))
    size = sizes[-1]
    share = OF_PERIOD[bins > BRIEF * 2 * half]
    ends = math.hypot(TIME_BINS, share * 2 * half) / bins * abs(size)
    return size, math.hypot(noise, sizes[1] - sizes[0], ends, ROUNDING * size, LEAST_CENTS)


def _powers(bins: NDArray[np.intp], around: NDArray[np.intp], degree: int) -> Array:
    reach = float(np.ptp(around)) / 2
    place = (np.asarray(bins, np.float64) - float(around.mean())) / reach
    return np.vander(place, degree + 1, increasing=True)
