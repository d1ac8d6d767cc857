"""The phase of an oscillator whose pitch glides by a law, and what a fit of it says."""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.polynomial import legendre
from numpy.typing import NDArray

from sigkit.arrays import Real
from sigkit.measures.glide.colour import CORNERS_HZ
from sigkit.measures.glide.laws import Law
from sigkit.measures.glide.series import Series
from sigkit.measures.glide.waver import Waver

NODES, WEIGHTS = legendre.leggauss(4)
"""Points a piece, over which the pitch is integrated to the phase."""
PIECES = (0.1, 0.2, 0.35, 0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0)
"""Further seams between pieces, in 10-90 % times from the start."""
ONE_LAW = 0.1
"""Share of the interval up to which the other law does not count as part of a mixed one."""
LINEAR = "linear"
"""A constant rate."""
DEPARTS = 4.0
"""Residuals, in variances of the marks, from which the curve itself gives the time."""
DEPARTS_PERIODS = 0.03
"""Root mean square of the residuals in the glide, in periods, from which its law is none."""
MOST_TAUS = 6.0
"""Time constants before its end beyond which a landing is not followed."""
MOST_ASIDE = 1e-3
"""Step for a slope, at most: of a number that is hardly known too."""
IN_HERTZ = 1.0
"""Interval of a law in hertz while that of the glide isn't known."""
LINEAR_BOUNDS = (0.0, 0.999)
"""Least and largest share of the interval that a fit gives to the constant rate."""
SLOPED = (0.02, 0.98)
"""Shares at constant rate between which slopes tell: about none the pitch goes by its square."""


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
        if self.free_share:
            return Law(float(numbers[4]))
        if self.law.octaves:
            return replace(self.law, octaves=float(numbers[3] - numbers[2]))
        return self.law

    @property
    def kind(self) -> Model:
        """The same, whatever share it starts from and with nothing beside it."""
        octaves = IN_HERTZ if self.law.octaves else 0.0
        return Model(Law(0.5 if self.free_share else self.law.linear, octaves), self.free_share)

    @property
    def of_pitch(self) -> tuple[int, ...]:
        """Which of the numbers the pitch depends on."""
        count = 4 + self.free_share
        return (*range(count), *((count + 1, count + 2) if self.beside else ()))

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
        Octaves a second beside the law at the start, before and after it. A note that has not
        landed goes on as the law ends: as a single pole, or at that rate where the law has none.
    time_s : ndarray
        Times, in seconds.
    """
    start, ln_seconds, low, high = numbers[:4]
    later = time_s - start
    share = law.progress(later * math.exp(-ln_seconds))
    gone = low + (high - low) * share
    if not slopes[:2].any():
        return np.asarray(gone)
    tau = law.time_constant * math.exp(ln_seconds)
    early = np.minimum(later, 0.0)
    if tau > 0:
        early = -tau * np.expm1(np.minimum(-early / tau, MOST_TAUS))
    beside = slopes[0] * early + slopes[1] * np.maximum(later, 0.0)
    return np.asarray(gone + beside)


@dataclass(frozen=True, eq=False)
class Pieces:
    """Time cut into pieces over which the pitch is integrated to the phase.

    Parameters
    ----------
    half : ndarray, shape (n_pieces,)
        Half their length, s.
    at : ndarray, shape (n_pieces, 4)
        Points in them.
    ends : ndarray of int, shape (n_times,)
        The pieces before each of the times between which the phase is asked for.
    """

    half: Real
    at: Real
    ends: NDArray[np.intp]

    @classmethod
    def of(cls, law: Law, numbers: Real, time_s: Real) -> Pieces:
        """Cut time at the times, rising, and where the law bends."""
        start, seconds = numbers[0], math.exp(numbers[1])
        seams = start + seconds * np.array([*law.kinks, *PIECES])
        seams = seams[(seams > time_s[0]) & (seams < time_s[-1])]
        seams.sort()
        edge = np.insert(time_s, np.searchsorted(time_s, seams), seams)
        ends = np.arange(time_s.size) + np.searchsorted(seams, time_s, side="right")
        half = np.diff(edge) / 2
        return cls(half, (edge[:-1] + half)[:, None] + half[:, None] * NODES, ends)

    def total(self, rate: Real) -> Real:
        """Return the integral of something given at the points, from the first time on."""
        out: Real = np.concatenate([[0.0], np.cumsum((rate @ WEIGHTS) * self.half)])[self.ends]
        return out


def phase_of(law: Law, numbers: Real, slopes: Real, time_s: Real) -> Real:
    """Return the cycles of the oscillator from the first time on; parameters as of `pitch_of`."""
    pieces = Pieces.of(law, numbers, time_s)
    return pieces.total(np.exp2(pitch_of(law, numbers, slopes, pieces.at)))


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
    jacobian : ndarray, shape (n_marks + n_expected, n_numbers)
        Derivatives of ``left``.
    left : ndarray, shape (n_marks + n_expected,)
        Residuals of the marks in units of their scatter; then what the numbers depart by from what
        is expected of them, in units of how well that is known.
    chi2, dof : float
        Sum of squares of ``left``, and degrees of freedom.
    residual, sd, time_s : ndarray, shape (n_marks,)
        What is left in periods, the marks' scatter, and their instants.
    family : ndarray of int, shape (n_marks,)
        Which level each crosses, in which direction.
    shift : ndarray, shape (n_marks,)
        Periods by which each hertz of a coupling's corner moves each mark.
    fine_sd : ndarray, shape (n_marks,)
        The marks' scatter as far as an edge can be read.
    ripple : ndarray, shape (n_families,)
        Periods by which the highest harmonic moves the marks of each on the higher note.
    rate : int
        Sample rate in Hz.
    waver : Waver or None
        Vibrato that was taken out of the marks.
    terms : dict of str to ndarray, shape (n_numbers, n_numbers)
        Covariance of the numbers by each of the named terms; empty while a law is looked for.
    corners : ndarray, shape (n_corners,)
        How likely the corners of a low-pass on the way are by the notes' harmonics, logarithms.
    scatter, jitter : float
        Variance of the marks, in units of ``fine_sd`` squared, and relative standard deviation of a
        period, as the marks of the capture tell them.
    jitters : ndarray, shape (n_jitters,)
        How likely each jitter is by them, logarithms.
    hold : ndarray, shape (n_jitters, n_scatters)
        How likely jitters and scatters are by the marks of the note held afterwards, logarithms.
    fresh : float
        Share of these marks that were not fitted.
    series : Series or None
        The marks that were fitted.
    rivals : frozenset of Model
        Laws that explain the marks nearly as well.
    law_var : float
        Variance of ln of the glide time by the laws that explain all glides of a capture nearly as
        well.
    """

    model: Model
    law: Law
    numbers: Real
    jacobian: Real
    left: Real
    chi2: float
    dof: int
    residual: Real
    sd: Real
    time_s: Real
    family: NDArray[np.intp]
    shift: Real
    fine_sd: Real = field(default_factory=lambda: np.empty(0))
    ripple: Real = field(default_factory=lambda: np.zeros(2))
    rate: int = 0
    waver: Waver | None = None
    terms: dict[str, Real] = field(default_factory=dict)
    corners: Real = field(default_factory=lambda: np.zeros(CORNERS_HZ.size))
    scatter: float = 1.0
    jitter: float = 0.0
    jitters: Real = field(default_factory=lambda: np.zeros(1))
    hold: Real = field(default_factory=lambda: np.zeros((1, 1)))
    fresh: float = 0.0
    series: Series | None = None
    rivals: frozenset[Model] = frozenset()
    law_var: float = 0.0

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

    @property
    def departs(self) -> bool:
        """Whether the phase departs from the law beyond the marks' scatter, enough to matter."""
        end_s = self.start_s + self.law.when(0.99) * self.seconds
        inside = (self.time_s > self.start_s) & (self.time_s < end_s)
        if self.reduced < DEPARTS or not inside.any():
            return False
        return bool(np.sqrt(np.mean(self.residual[inside] ** 2)) > DEPARTS_PERIODS)

    @functools.cached_property
    def cycles(self) -> Real:
        """Periods gone by at each mark since the first, shape (n_marks,)."""
        hz = 2.0 ** self.log2_at(self.time_s)
        return np.concatenate([[0.0], np.cumsum(np.diff(self.time_s) * (hz[1:] + hz[:-1]) / 2)])

    @property
    def law_name(self) -> str:
        """``exponential``, ``linear`` or ``mixed``, the first two also ``in hertz``."""
        name = "mixed"
        if self.law.linear <= ONE_LAW:
            name = "exponential"
        elif self.law.linear >= 1 - ONE_LAW:
            name = LINEAR
        return f"{name} in hertz" if self.law.octaves else name

    def u_of(self, value: Callable[[Real], float]) -> dict[str, float]:
        """Return the standard uncertainty of what follows from the numbers, by named term."""
        size = np.sqrt(np.diag(sum(self.terms.values())))
        slope = np.zeros(self.numbers.size)
        at = self.numbers.copy()
        if self.model.free_share:
            at[4] = np.clip(at[4], *SLOPED)
        for i in np.flatnonzero(size):
            aside = np.zeros(size.size)
            aside[i] = min(0.01 * size[i], MOST_ASIDE)
            rise = value(at + aside) - value(at - aside)
            slope[i] = rise / (2 * aside[i])
        return {
            name: math.sqrt(max(float(slope @ part @ slope), 0.0))
            for name, part in self.terms.items()
        }

    def log2_at(self, time_s: Real) -> Real:
        """Return log2 of the pitch in Hz at some times."""
        return pitch_of(self.law, self.numbers, self.model.extra(self.numbers), time_s)
