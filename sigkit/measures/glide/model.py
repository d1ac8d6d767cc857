"""The phase of an oscillator whose pitch glides by a law, and what a fit of it says."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray

from sigkit.arrays import Real
from sigkit.measures.glide.laws import Law

NODES, WEIGHTS = legendre.leggauss(6)
"""Points a piece, over which the pitch is integrated to the phase."""
PIECES = (0.1, 0.2, 0.35, 0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0)
"""Further seams between pieces, in 10-90 % times from the start."""
METHOD = 1e-5
"""Relative standard uncertainty of a time by what the laws leave out of a note still landing, and
by edges between samples, as the benchmark shows it where there is next to no noise."""
ONE_LAW = 0.1
"""Share of the interval up to which the other law does not count as part of a mixed one."""
WALK_LAGS, FAR, FEWEST, CLEAR = (4, 8, 16, 32, 64), 8, 24, 3.0
"""Marks apart at which jitter is looked for, from how many on they tell less, fewest marks for it,
and how clear it has to be."""


@dataclass(frozen=True)
class Model:
    """What is fitted: a law, and what may go on beside it.

    Parameters
    ----------
    law : Law
        The law, or its first guess.
    free_share : bool
        Whether the share at constant rate is fitted.
    beside : bool
        Whether a slope of the pitch is fitted before the start (a note that has not landed), a
        drift after it, and a shift of each family's phase with the pitch, as filters cause it.
    """

    law: Law
    free_share: bool = False
    beside: bool = False

    def law_of(self, numbers: Real) -> Law:
        """Return the law that some numbers stand for."""
        return Law(float(numbers[4])) if self.free_share else self.law

    def corner_hz(self, numbers: Real) -> float:
        """Return the corner of the couplings on the way, as fitted."""
        return float(numbers[4 + self.free_share])

    def extra(self, numbers: Real) -> Real:
        """Return what is beside the law: slope, drift (octaves a second), then the shifts."""
        return numbers[5 + self.free_share :] if self.beside else np.zeros(2)


def pitch_of(law: Law, numbers: Real, slopes: Real, time_s: Real) -> Real:
    """Return log2 of the pitch in Hz at some times.

    Parameters
    ----------
    law : Law
        The law of the glide.
    numbers : ndarray, shape (4 or more,)
        Start (s), ln of the 10-90 % time, and log2 of both pitches.
    slopes : ndarray, shape (2 or more,)
        Octaves a second beside the law, before and after the start.
    time_s : ndarray
        Times, in seconds.
    """
    start, ln_seconds, low, high = numbers[:4]
    later = time_s - start
    share = law.progress(later * math.exp(-ln_seconds))
    return np.asarray(
        low + (high - low) * share + np.where(later < 0, slopes[0], slopes[1]) * later
    )


def phase_of(law: Law, numbers: Real, slopes: Real, time_s: Real) -> Real:
    """Return the cycles of the oscillator from the first time on; parameters as of `pitch_of`."""
    start, seconds = numbers[0], math.exp(numbers[1])
    seams = start + seconds * np.array([*law.kinks, *PIECES])
    seams = seams[(seams > time_s[0]) & (seams < time_s[-1])]
    edge = np.union1d(time_s, seams)
    half = np.diff(edge) / 2
    at = (edge[:-1] + half)[:, None] + half[:, None] * NODES
    cycles = (2.0 ** pitch_of(law, numbers, slopes, at)) @ WEIGHTS * half
    total = np.concatenate([[0.0], np.cumsum(cycles)])
    out: Real = total[np.searchsorted(edge, time_s)]
    return out


@dataclass(frozen=True, eq=False)
class Fit:
    """One model fitted to one glide.

    Parameters
    ----------
    model : Model
        What was fitted.
    law : Law
        The law that was found.
    numbers : ndarray, shape (n_numbers,)
        Start (s), ln of the 10-90 % time, log2 of both pitches, then the rest.
    bend : ndarray, shape (n_numbers, n_numbers)
        Inverse of the normal matrix: their covariance, if the marks scattered as they should.
    jacobian : ndarray, shape (n_marks, n_numbers)
        Of the residuals in units of the marks' scatter.
    chi2, dof : float
        Sum of squared residuals in those units, and degrees of freedom.
    residual, sd, time_s : ndarray, shape (n_marks,)
        What is left in periods, the marks' scatter, and their instants.
    family : ndarray of int, shape (n_marks,)
        Which level each crosses, in which direction.
    """

    model: Model
    law: Law
    numbers: Real
    bend: Real
    jacobian: Real
    chi2: float
    dof: int
    residual: Real
    sd: Real
    time_s: Real
    family: NDArray[np.intp]

    @property
    def start_s(self) -> float:
        """Start of the glide."""
        return float(self.numbers[0])

    @property
    def seconds(self) -> float:
        """Time from 10 to 90 % of the interval."""
        return math.exp(self.numbers[1])

    @property
    def reduced(self) -> float:
        """Mean squared residual in variances of the marks."""
        return self.chi2 / max(self.dof, 1)

    @property
    def stretch(self) -> float:
        """By how much the residuals are larger than the marks' scatter explains, at least 1."""
        return math.sqrt(max(1.0, self.reduced))

    @functools.cached_property
    def covariance(self) -> Real:
        """Covariance of the numbers: scatter of the marks, and jitter of the oscillator.

        Jitter adds up from period to period, so neighbouring residuals are alike: the least-squares
        estimate is then given the covariance that such a walk of the phase causes.
        """
        if self.walk == 0:
            return self.bend * self.stretch**2
        gain = self.bend @ self.jacobian.T / self.sd
        for f in np.unique(self.family):  # each family's own phase takes its mean away
            own = self.family == f
            weight = 1 / self.sd[own] ** 2
            gain[:, own] -= np.outer(gain[:, own].sum(axis=1), weight / weight.sum())
        walked = np.minimum.outer(self.cycles, self.cycles) * self.walk
        out: Real = self.bend + gain @ walked @ gain.T
        return out

    @functools.cached_property
    def cycles(self) -> Real:
        """Periods gone by at each mark since the first, shape (n_marks,)."""
        hz = 2.0 ** self.log2_at(self.time_s)
        return np.concatenate([[0.0], np.cumsum(np.diff(self.time_s) * (hz[1:] + hz[:-1]) / 2)])

    @functools.cached_property
    def walk(self) -> float:
        """Variance, in periods squared, that the phase gains a period by jitter; 0 if unseen.

        From residuals that differ more the farther apart they are: what neighbours differ by may
        be scatter that was set too low. The means of squares of differences of white noise lag
        marks apart scatter by the square root of 12 over their number, two such by that of 24.
        """
        first = self.family == 0
        left, cycles = self.residual[first] / self.sd[first], self.cycles[first]
        largest = 0.0
        if left.size < FEWEST:
            return largest
        near = float(np.mean(np.diff(left) ** 2))
        variance = float(np.mean(self.sd[first] ** 2))
        for lag in WALK_LAGS:
            if left.size < 4 * lag:
                break
            gained = float(np.mean((left[lag:] - left[:-lag]) ** 2)) - near
            periods = float(np.mean(cycles[lag:] - cycles[:-lag]) - np.mean(np.diff(cycles)))
            chance = math.sqrt(24 * max(1.0, lag / FAR) / left.size) * near / 2
            if gained > CLEAR * chance:
                largest = max(largest, gained * variance / periods)
        return largest

    def u(self, index: int) -> float:
        """Return the standard uncertainty of one of the fitted numbers."""
        return math.sqrt(max(float(self.covariance[index, index]), 0.0))

    @property
    def law_name(self) -> str:
        """``exponential``, ``linear`` or ``mixed``."""
        if self.law.linear <= ONE_LAW:
            return "exponential"
        return "linear" if self.law.linear >= 1 - ONE_LAW else "mixed"

    @property
    def u_seconds(self) -> float:
        """Standard uncertainty of the 10-90 % time."""
        return math.hypot(self.u(1), METHOD) * self.seconds

    def log2_at(self, time_s: Real) -> Real:
        """Return log2 of the pitch in Hz at some times."""
        return pitch_of(self.law, self.numbers, self.model.extra(self.numbers), time_s)
