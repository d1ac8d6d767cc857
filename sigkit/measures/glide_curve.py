"""What a glide does beside its law: steps, plateaux, overshoot, and the time of no law."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import interpolate

from sigkit.arrays import Real
from sigkit.measures.glide_model import Fit
from sigkit.tracks.marks import Marks

CENTS = 1200.0
STEP_CENTS, STEP_SIGMAS = 10.0, 10.0
"""A step is at least so large, and so many times the scatter of a period's pitch: six times that of
the difference of two of them, which share a mark."""
PLATEAU_S, PLATEAU_PERIODS = 0.05, 4
"""A plateau lasts at least this long."""
STANDS = 0.15
"""Share of the law's speed below which the pitch stands still."""
INSIDE = (0.04, 0.93)
"""Share of the interval between which plateaux and steps are looked for."""
FEWEST = 12
"""Periods in a glide below which its inside can't be looked at."""
OVER_S, OVER_PERIODS = 0.005, 3
"""Overshoot is that of means over so long, at least so many periods."""


@dataclass(frozen=True, eq=False)
class Curve:
    """Pitch from period to period.

    Parameters
    ----------
    time_s : ndarray, shape (n_periods,)
        Middle of each period.
    cents : ndarray, shape (n_periods,)
        Its pitch above the note before.
    u_cents : ndarray, shape (n_periods,)
        Standard uncertainty of each by the scatter of the marks.
    """

    time_s: Real
    cents: Real
    u_cents: Real


@dataclass(frozen=True)
class Fault:
    """A step or a plateau inside a glide."""

    kind: str
    time_s: float
    at_hz: float
    progress: float
    size_cents: float
    duration_s: float


def curve_of(marks: Marks, fit: Fit) -> Curve:
    """Return the pitch of every period between the marks of one family."""
    t = marks.time_s
    gap = np.diff(t)
    middle = t[:-1] + gap / 2
    low = float(fit.numbers[2])
    share = fit.law.progress((middle - fit.start_s) / fit.seconds)
    sd = np.exp(np.log(marks.before_sd) * (1 - share) + np.log(marks.after_sd) * share)
    return Curve(
        middle,
        CENTS * (-np.log2(gap) - low),
        math.sqrt(2) * CENTS / math.log(2) * sd,
    )


def faults_of(curve: Curve, fit: Fit) -> list[Fault]:
    """Find steps and plateaux inside a glide.

    Parameters
    ----------
    curve : Curve
        Pitch from period to period.
    fit : Fit
        The law of the glide.

    Returns
    -------
    list of Fault
        In order; none where the glide has fewer than 12 periods.
    """
    span = CENTS * float(fit.numbers[3] - fit.numbers[2])
    progress = curve.cents / span
    until = fit.start_s + fit.law.when(0.995) * fit.seconds
    inside = (curve.time_s > fit.start_s) & (curve.time_s < max(until, fit.start_s))
    rows = np.flatnonzero(inside)
    if rows.size < FEWEST:
        return []
    found = [*_plateaux(curve, fit, progress, span, rows), *_steps(curve, fit, span, rows)]
    return sorted(found, key=lambda fault: fault.time_s)


def _law_rate(fit: Fit, progress: Real, span: float) -> Real:
    """Cents a second at which the law passes a share of the interval."""
    law, a = fit.law, fit.law.linear
    left = np.clip(1 - progress, 0.0, 1.0)
    if a >= 1:
        return np.full(progress.shape, abs(span) * 0.8 / fit.seconds)
    tau = law.time_constant * fit.seconds
    return np.asarray(abs(span) * np.minimum(left, 1 - a) / tau)


def _plateaux(curve: Curve, fit: Fit, progress: Real, span: float, rows: np.ndarray) -> list[Fault]:
    t, cents = curve.time_s[rows], curve.cents[rows]
    share = progress[rows]
    period = float(np.median(np.diff(t)))
    width = max(PLATEAU_PERIODS, math.ceil(PLATEAU_S / period))
    if rows.size < width + 2:
        return []
    moved = np.abs(cents[width:] - cents[:-width])
    middle = (share[width:] + share[:-width]) / 2
    expected = _law_rate(fit, middle, span) * (t[width:] - t[:-width])
    clear = np.maximum(STEP_CENTS, 5 * curve.u_cents[rows][width:]) / (1 - STANDS)
    still = (moved < STANDS * expected) & (expected > clear)
    still &= (middle > INSIDE[0]) & (middle < INSIDE[1])
    out = []
    edges = np.flatnonzero(np.diff(np.concatenate([[False], still, [False]])))
    for begin, end in edges.reshape(-1, 2).tolist():
        first, last = begin, end - 1 + width
        at = float(np.median(cents[first : last + 1]))
        hz = 2.0 ** (fit.numbers[2] + at / CENTS)
        out.append(
            Fault("plateau", float(t[first]), float(hz), at / span, 0.0, float(t[last] - t[first]))
        )
    return out


def _steps(curve: Curve, fit: Fit, span: float, rows: np.ndarray) -> list[Fault]:
    t, cents = curve.time_s[rows], curve.cents[rows]
    law = CENTS * (fit.log2_at(t) - fit.numbers[2])
    rise = np.diff(cents) - _median(np.diff(cents))
    own = np.diff(law) - _median(np.diff(law))
    excess = rise - own
    least = np.maximum(STEP_CENTS, STEP_SIGMAS * curve.u_cents[rows][1:])
    steps = np.flatnonzero(np.abs(excess) > least)
    out: list[Fault] = []
    for i in steps.tolist():
        share = cents[i] / span
        stays = abs(np.median(cents[i + 1 : i + 5]) - np.median(cents[max(0, i - 3) : i + 1]))
        if not INSIDE[0] < share < INSIDE[1] or stays < 0.5 * abs(excess[i]):
            continue
        if out and t[i] - out[-1].time_s < 3 * (t[i + 1] - t[i]):
            continue
        hz = 2.0 ** (fit.numbers[2] + cents[i] / CENTS)
        out.append(Fault("step", float(t[i + 1]), float(hz), share, float(excess[i]), 0.0))
    return out


def _median(values: Real) -> Real:
    from scipy import ndimage

    out: Real = ndimage.median_filter(values, 9, mode="nearest")
    return out


def overshoot_of(curve: Curve, fit: Fit) -> tuple[float, float]:
    """Return how far the pitch goes beyond where it lands, and its standard uncertainty, cents.

    The largest mean over 5 ms, or 3 periods, after 90 % of the interval, beyond the pitch of the
    last fifth of the note; less what the noise of so many means makes of nothing.
    """
    span = CENTS * float(fit.numbers[3] - fit.numbers[2])
    late = np.flatnonzero(curve.time_s > fit.start_s + fit.law.when(0.9) * fit.seconds)
    if late.size < 4 * OVER_PERIODS:
        return math.nan, math.nan
    t, cents = curve.time_s[late], curve.cents[late] * math.copysign(1, span)
    width = max(OVER_PERIODS, math.ceil(OVER_S / float(np.median(np.diff(t)))))
    if late.size < 4 * width:
        return math.nan, math.nan
    total = np.concatenate([[0.0], np.cumsum(cents)])
    means = (total[width:] - total[:-width]) / width
    landed = cents[-max(width, late.size // 5) :]
    # Periods that share a mark err against each other: a mean's error is that of its two ends.
    u = float(np.median(curve.u_cents[late])) / width
    u = math.hypot(u, float(np.median(curve.u_cents[late])) / landed.size)
    chance = u * math.sqrt(2 * math.log(max(2.0, means.size / width)))
    return max(0.0, float(means.max() - landed.mean()) - chance), u


def misfit_cents(curve: Curve, fit: Fit) -> float:
    """Return by how much the pitch departs from the law: root mean square over the glide, cents.

    The scatter of the marks is taken out; 0 where nothing else is left.
    """
    until = fit.start_s + fit.law.when(0.99) * fit.seconds
    inside = (curve.time_s > fit.start_s) & (curve.time_s < until)
    if np.count_nonzero(inside) < 3:
        return math.nan
    law = CENTS * (fit.log2_at(curve.time_s[inside]) - fit.numbers[2])
    left = float(np.mean((curve.cents[inside] - law) ** 2 - curve.u_cents[inside] ** 2))
    return math.sqrt(max(left, 0.0))


def from_curve(curve: Curve, fit: Fit) -> tuple[float, float]:
    """Return the 10-90 % time from the curve itself, and its standard uncertainty, s.

    For a glide that follows no law: the phase that the law leaves is smoothed (a spline whose
    smoothness is found by generalised cross-validation), its slope is added to the law's pitch.
    """
    first = fit.family == 0
    t, left = fit.time_s[first], fit.residual[first]
    if t.size < 2 * FEWEST:
        return math.nan, math.nan
    spline = interpolate.make_smoothing_spline(t, left, w=1 / fit.sd[first] ** 2)
    span = float(fit.numbers[3] - fit.numbers[2])
    until = min(t[-1], fit.start_s + 2.2 * fit.law.when(0.9) * fit.seconds)
    at = np.linspace(max(t[0], fit.start_s - 0.3 * fit.seconds), until, 4000)
    hz = 2.0 ** fit.log2_at(at) + spline.derivative()(at)
    share = (np.log2(np.maximum(hz, 1.0)) - fit.numbers[2]) / span
    half = np.flatnonzero(share > 0.5)
    if not half.size:
        return math.nan, math.nan
    k = int(half[0])
    early, late = np.flatnonzero(share[:k] < 0.1), np.flatnonzero(share[k:] > 0.9)
    if not early.size or not late.size:
        return math.nan, math.nan
    seconds = float(at[k + late[0]] - at[early[-1]])
    u_level = float(np.median(curve.u_cents)) / abs(CENTS * span) / 2
    rate = 0.8 / seconds
    return seconds, math.hypot(math.sqrt(2) * u_level / rate, 0.25 * abs(seconds - fit.seconds))
