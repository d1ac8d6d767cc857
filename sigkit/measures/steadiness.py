"""Mean and drift of a pitch from its phase, and roots of variances freed of noise."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from sigkit.arrays import Real
from sigkit.quantity import Quantity, Term, combine, not_measurable
from sigkit.tracks.harmonics import EDGE, LAG_0, LAG_1
from sigkit.tracks.phase import PhaseTrack

CENTS = 1200 / math.log(2)
STEP_S, STEP_PERIODS = 0.05, 2
LEVEL_KNOWN = 0.05
"""Relative standard uncertainty of the noise of a track, from tones in noise of known level."""
HELD_PERIODS = EDGE + 2
"""Periods at the end of a tone that its bands cannot see: there the last pitch is held."""
MOST_HELD = 1.6
"""Times that length after which the tone, and not what can be seen of it, has ended."""
SOUGHT_S = 0.03
"""Steps in which the end of the last stretch is looked for: up to so much more of it is unseen."""
DRIFT_LEAST_S = 2.0
BLOCK = 1 << 17
"""Phases that are summed at once."""


def noise_lags(phase: PhaseTrack) -> tuple[float, float]:
    """Return the autocovariance of the phase's noise at lags 0 and 1, in units of u squared.

    White noise behind the bands of one harmonic has 3/4 and 1/8 from period to period; that of many
    harmonics, whose bands share sound, 1 and 0. Second differences tell which is nearer.
    """
    if phase.time_s.size < 5:
        return LAG_0, LAG_1
    group = max(1, round(float(np.median(np.diff(phase.cycles)))))
    zero, one = LAG_0 + 2 * LAG_1 * (group - 1) / group, LAG_1 / group
    bend = 1.4826 * float(np.median(np.abs(np.diff(phase.cycles, 2)))) / np.median(phase.u_cycles)
    single = 6 * zero - 8 * one
    many = float(np.clip((bend**2 - single) / (6 - single), 0, 1))
    return zero + many * (1 - zero), one * (1 - many)


@dataclass(frozen=True, eq=False)
class PitchPath:
    """Pitch over consecutive steps of 0.05 s, as differences of phase: nothing between is lost.

    Parameters
    ----------
    time_s, width_s, cents : ndarray, shape (n,)
        Centre and length of the steps, and the pitch over each; the outer ones are longer by the
        ends that cannot be seen.
    seen_s : ndarray, shape (n,)
        Length over which the pitch is known.
    u_left, u_right : ndarray, shape (n,)
        Standard uncertainty of the phase at both ends of each step, as pitch times time: cents s.
    joined : ndarray of bool, shape (n,)
        Whether a step begins with the phase at which the one before it ends.
    """

    time_s: Real
    width_s: Real
    cents: Real
    seen_s: Real
    u_left: Real
    u_right: Real
    joined: Real

    def noise_of(self, weights: Real) -> float:
        """Return the standard uncertainty by noise of a weighted sum of the cents."""
        share = weights / self.seen_s
        left, right = -share * self.u_left, share * self.u_right
        shared = self.joined[1:].astype(bool)
        meet = left.copy()
        meet[1:][shared] += right[:-1][shared]
        last = np.append(~shared, True)
        return float(np.sqrt(np.sum(meet**2) + np.sum(right[last] ** 2)))

    def ends_of(self, weights: Real) -> float:
        """Return the standard uncertainty, by unseen ends, of a weighted sum of the cents."""
        held = self.width_s - self.seen_s
        if self.cents.size < 4 or not held.any():
            return 0.0
        noise = (self.u_left**2 + self.u_right**2) / self.seen_s**2
        moved = np.diff(self.cents)[self.joined[1:].astype(bool)]
        seen = float(np.mean(moved**2))
        # Neighbouring differences share a step, so n of them are worth n / 1.5; where noise hides
        # how the pitch moves, it may still move by as much as chance leaves open.
        chance = seen * math.sqrt(3 / moved.size)
        usual = max(0.0, seen - 3 * float(np.mean(noise))) + chance
        # From the middle of the step to that of the held end, as a random walk goes.
        away = np.sqrt(usual * (held + self.seen_s) / 2 / self.seen_s)
        return float(np.sqrt(np.sum((weights * held / self.width_s * away) ** 2)))


def pitch_path(phase: PhaseTrack, reference_hz: float, duration_s: float) -> PitchPath:
    """Return the pitch in steps of 0.05 s, two periods of a low note.

    Parameters
    ----------
    phase : PhaseTrack
        Phase of the tone.
    reference_hz : float
        What the cents refer to.
    duration_s : float
        Length of the capture: the outer steps reach no further.
    """
    bounds = np.concatenate([[0], np.flatnonzero(np.diff(phase.tone)) + 1, [phase.tone.size]])
    parts: list[tuple[Real, ...]] = []
    held_s = HELD_PERIODS / reference_hz
    for begin, end in itertools.pairwise(bounds.tolist()):
        t, cycles, u = (v[begin:end] for v in (phase.time_s, phase.cycles, phase.u_cycles))
        if t.size < 4:
            continue
        wide_s = max(STEP_S, STEP_PERIODS / reference_hz)
        if t[-1] - t[0] < 2 * wide_s:
            continue
        count, sums = _step_sums(t, cycles, u, wide_s, reference_hz)
        keep = count > 0
        mean_t, mean_rest, noise = sums[:, keep] / count[keep]
        u_mean = np.sqrt(noise / count[keep]) * CENTS / reference_hz
        seen = np.diff(mean_t)
        edges = mean_t.copy()
        before = t[0] - held_s if begin else max(0.0, t[0] - held_s)
        after = t[-1] + held_s
        if end == phase.tone.size and duration_s < t[-1] + MOST_HELD * held_s + SOUGHT_S:
            after = duration_s
        edges[0], edges[-1] = before, after
        cents = 1200 * np.log2(1 + np.diff(mean_rest) / seen / reference_hz)
        joined = np.ones(seen.size)
        joined[0] = 0.0
        parts.append(
            (
                (edges[1:] + edges[:-1]) / 2,
                np.diff(edges),
                cents,
                seen,
                u_mean[:-1],
                u_mean[1:],
                joined,
            )
        )
    if not parts:
        empty = np.empty(0)
        return PitchPath(*[empty] * 7)
    return PitchPath(*(np.concatenate(v) for v in zip(*parts, strict=True)))


def _step_sums(
    t: Real, cycles: Real, u_cycles: Real, wide_s: float, reference_hz: float
) -> tuple[Real, Real]:
    """Return numbers of phases in steps, and their sums of time, of phase, of variance.

    Block by block: hours of a high note hold millions of phases.
    """
    steps = int((t[-1] - t[0]) / wide_s) + 1
    count, sums = np.zeros(steps), np.zeros((3, steps))
    for at in range(0, t.size, BLOCK):
        part = slice(at, at + BLOCK)
        bins = np.floor((t[part] - t[0]) / wide_s).astype(np.intp)
        first, own = bins[0], bins - bins[0]
        into = slice(first, first + own[-1] + 1)
        count[into] += np.bincount(own)
        rest = cycles[part] - reference_hz * t[part]
        for row, values in enumerate((t[part], rest, u_cycles[part] ** 2)):
            sums[row, into] += np.bincount(own, values)
    return count, sums


def mean_of(path: PitchPath) -> tuple[float, list[Term]]:
    """Return the mean pitch in cents, with its terms of uncertainty."""
    weights = path.width_s / path.width_s.sum()
    return float(weights @ path.cents), [
        Term("noise", max(path.noise_of(weights), 1e-9), "A"),
        Term("unseen ends", path.ends_of(weights), "B"),
    ]


def slope_of(path: PitchPath) -> Quantity:
    """Slope of a straight line through the pitch, in cents/min.

    The slope of this capture's own path: what wander has in it of a slope belongs to it.
    """
    span_s = float(path.width_s.sum())
    if span_s < DRIFT_LEAST_S or path.cents.size < 4:
        return not_measurable(
            "cents/min", f"only {span_s:.1f} s of tone, drift needs {DRIFT_LEAST_S:g} s"
        )
    away = path.time_s - np.average(path.time_s, weights=path.width_s)
    # A step's own length turns its mean into less of a slope than its centre: w^2 / 12.
    weights = 60 * path.width_s * away
    weights /= float(path.width_s @ (away**2 + path.width_s**2 / 12))
    return combine(
        float(weights @ path.cents),
        "cents/min",
        [
            Term("noise", max(path.noise_of(weights), 1e-9), "A"),
            Term("unseen ends", path.ends_of(weights), "B"),
        ],
    )


def root_of(variance: float, terms: list[Term], unit: str = "cents") -> Quantity:
    """Return the root of a variance from which noise was taken, with an interval for the root.

    Parameters
    ----------
    variance : float
        The variance; below zero it stands for zero.
    terms : list of Term
        Standard uncertainties of the variance.
    unit : str
        Unit of the root.

    Notes
    -----
    Near zero the root is bent: the interval given is the wider half of that between the roots of
    the variance's own ends.
    """
    u = math.sqrt(math.fsum(t.u**2 for t in terms))
    value = math.sqrt(max(0.0, variance))
    up = math.sqrt(max(0.0, variance) + 2 * u) - value
    down = value - math.sqrt(max(0.0, variance - 2 * u))
    scale = max(up, down) / 2 / u
    return combine(value, unit, [Term(t.source, scale * t.u, t.evaluation) for t in terms])


def variance_terms(path: Real, noise: Real) -> list[Term]:
    """Uncertainty of a mean square from which the noise's was taken.

    Parameters
    ----------
    path : ndarray, shape (n,)
        The series, noise included, about its mean.
    noise : ndarray, shape (n_lags,)
        Autocovariance of its noise from lag 0 on; zero beyond.

    Notes
    -----
    Variance of a sum of products of jointly normal values, 2 sum R_e^2 + 4 sum R_p R_e over all
    lags, over n, where R_p is the autocovariance of the path without noise (Bartlett 1946).
    """
    n = path.size
    lags = min(noise.size, n)
    seen = np.array([float(path[: n - k] @ path[k:]) / n for k in range(lags)])
    twice = np.where(np.arange(lags) > 0, 2.0, 1.0)
    alone = 2 * float(twice @ noise[:lags] ** 2) / n
    # The path's own part is what is seen less the noise; by chance that may be less than nothing.
    cross = max(0.0, 4 * float(twice @ ((seen - noise[:lags]) * noise[:lags])) / n)
    return [
        Term("noise on the pitch", math.sqrt(cross), "A"),
        Term("noise taken out", math.sqrt(alone) + 1e-18, "A"),
        Term("level of the noise", LEVEL_KNOWN * float(noise[0]), "B"),
    ]
