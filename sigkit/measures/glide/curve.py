"""What a glide does beside its law: steps, plateaux, and the time of no law."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from sigkit.arrays import Real
from sigkit.measures.glide.model import Fit
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
BAND_CENTS = 5.0
"""Band around the final pitch into which a glide settles."""
ENDS_CENTS = 0.5
"""Standard uncertainty of where a note ends up, beside what it wavers by (common practice, no
source)."""
FEWEST_FOR_STEPS = 40
"""Periods below which a quick glide rises so much from one to the next that no step can be told."""
FEWEST = 12
"""Periods in a glide below which its inside can't be looked at."""


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


def faults_of(
    curve: Curve, span: float, start_s: float, end_s: float, low_log2: float
) -> list[Fault]:
    """Find steps and plateaux inside a glide.

    Parameters
    ----------
    curve : Curve
        Pitch from period to period.
    span : float
        The interval, cents, signed.
    start_s, end_s : float
        Where the glide starts, and where it has covered 99 % of the interval.
    low_log2 : float
        Pitch of the note before, log2 of Hz.

    Returns
    -------
    list of Fault
        In order; none where the glide has fewer than 12 periods.
    """
    rows = np.flatnonzero((curve.time_s > start_s) & (curve.time_s < end_s))
    if rows.size < FEWEST:
        return []
    inside = Curve(curve.time_s[rows], curve.cents[rows], curve.u_cents[rows])
    found = [*_plateaux(inside, span, low_log2), *_steps(inside, span, low_log2)]
    return sorted(found, key=lambda fault: fault.time_s)


def _plateaux(curve: Curve, span: float, low_log2: float) -> list[Fault]:
    """Stretches of 50 ms or more that hardly move, between stretches as long that do.

    The speed on either side says what was to be expected; a single pole slows down, so the pitch
    after a plateau has to be on its way again.
    """
    t, cents = curve.time_s, curve.cents * math.copysign(1, span)
    share = cents / abs(span)
    last = np.searchsorted(t, t + PLATEAU_S)
    last = np.maximum(last, np.arange(t.size) + PLATEAU_PERIODS)
    first = np.flatnonzero(last < t.size)
    last = last[first]
    if not first.size:
        return []
    moved = cents[last] - cents[first]
    length = t[last] - t[first]
    later = np.minimum(np.searchsorted(t, t[last] + length), t.size - 1)
    after = cents[later] - cents[last]
    # Half a plateau may lie in the stretch after it: the fastest one soon after counts.
    soon = ndimage.maximum_filter1d(after, 2 * max(1, int(np.median(last - first))) + 1)
    least = np.maximum(STEP_CENTS, 5 * curve.u_cents[first])
    still = (np.abs(moved) < np.maximum(STANDS * soon, least / 2)) & (soon > least / STANDS)
    still &= (share[first] > INSIDE[0]) & (share[last] < INSIDE[1])
    out = []
    edges = np.flatnonzero(np.diff(np.concatenate([[False], still, [False]])))
    for begin, end in edges.reshape(-1, 2).tolist():
        a, b = int(first[begin]), int(last[end - 1])
        quarter = (b - a) // 4
        at = float(np.median(curve.cents[a + quarter : b + 1 - quarter]))
        hz = float(2.0 ** (low_log2 + at / CENTS))
        out.append(Fault("plateau", float(t[a]), hz, at / span, 0.0, float(t[b] - t[a])))
    return out


def _steps(curve: Curve, span: float, low_log2: float) -> list[Fault]:
    """Rises from one period to the next, or the one after, that stand out of those around."""
    t, cents = curve.time_s, curve.cents
    if t.size < FEWEST_FOR_STEPS:
        return []
    rise = cents[2:] - cents[:-2]  # a step inside a period shows half in each neighbour
    size = np.abs(rise)
    beside = np.maximum(np.roll(size, 3), np.roll(size, -3))
    beside[:3], beside[-3:] = np.inf, np.inf
    top = size == ndimage.maximum_filter1d(size, 5)
    least = np.maximum(STEP_CENTS, STEP_SIGMAS * curve.u_cents[1:-1])
    out: list[Fault] = []
    for i in np.flatnonzero(top & (size - 1.5 * beside > least)).tolist():
        share = cents[i + 1] / span
        if INSIDE[0] < share < INSIDE[1]:
            hz = float(2.0 ** (low_log2 + cents[i + 1] / CENTS))
            excess = float(rise[i] - math.copysign(beside[i], rise[i]))
            out.append(Fault("step", float(t[i + 1]), hz, float(share), excess, 0.0))
    return out


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


@dataclass(frozen=True)
class Read:
    """A glide read off its curve.

    Parameters
    ----------
    start_s, late_s : float
        Where it begins, by a straight line through 2 % and 10 % of the interval, and where 90 % is
        passed.
    u_start_s : float
        Standard uncertainty of where it begins, as much of that line as is drawn on (rectangular).
    seconds, u_seconds : float
        Time from 10 to 90 % of the interval, and its standard uncertainty.
    from_log2, to_log2 : float
        Pitch of both held notes, log2 of Hz.
    settled_s : float
        From the start until within 5 cents of the note, for good; nan where it never stays there.
    u_settled_s : float
        Standard uncertainty of when it does, by that of where the note ends up and by how far it
        drifts until then: the flatter the pitch comes in, the more.
    end_s : float
        Where 99 % of the interval is passed.
    """

    start_s: float
    late_s: float
    u_start_s: float
    seconds: float
    u_seconds: float
    from_log2: float
    to_log2: float
    settled_s: float
    u_settled_s: float
    end_s: float


def read_off(
    curve: Curve, low_log2: float, before: tuple[float, float], after: tuple[float, float]
) -> Read | None:
    """Read a glide that follows no law off its curve.

    Parameters
    ----------
    curve : Curve
        Pitch from period to period.
    low_log2 : float
        What its cents count from, log2 of Hz.
    before, after : tuple of float
        From and to (s) of the held notes.

    Returns
    -------
    Read or None
        None with fewer than 12 periods in the glide, or no periods in the held notes.

    Notes
    -----
    Between the held notes, the time spent below a level is the time at which it is reached;
    counting it is not biased by noise as the first crossing is. A period's pitch stands for its
    middle: the uncertainty has a period, rectangular, at both levels, and what the held notes
    waver by.
    """
    t, cents = curve.time_s, curve.cents
    sides = [cents[(t >= a) & (t <= b)] for a, b in (before, after)]
    if min(side.size for side in sides) < 3:
        return None
    low, high = (float(np.median(side)) for side in sides)
    span = high - low
    waver = max(float(np.std(side)) for side in sides)
    inner = np.flatnonzero((t >= before[1]) & (t <= after[0]))
    if inner.size < FEWEST or span == 0:
        return None
    at = np.linspace(t[inner[0]], t[inner[-1]], 20_000)
    share = (np.interp(at, t, cents) - low) / span
    pace = (at[-1] - at[0]) / (at.size - 1)
    reached = {
        level: float(at[0] + pace * np.count_nonzero(share < level))
        for level in (0.02, 0.1, 0.9, 0.99)
    }
    seconds = reached[0.9] - reached[0.1]
    u_levels = []
    for level in (0.1, 0.9):
        near = int(np.argmin(np.abs(t - reached[level])))
        around = slice(max(0, near - 2), near + 3)
        slope = abs(np.polyfit(t[around], cents[around], 1)[0])
        noise = max(float(curve.u_cents[near]), waver) / max(slope, abs(span) / (20 * seconds))
        u_levels.append(math.hypot(noise, float(np.diff(t)[min(near, t.size - 2)]) / math.sqrt(12)))
    out = np.flatnonzero(np.abs(cents - high) > BAND_CENTS)
    settled = float(t[out[-1]]) if out.size else reached[0.02]
    twice = np.flatnonzero(np.abs(cents - high) > 2 * BAND_CENTS)
    slowly = settled - float(t[twice[-1]]) if twice.size else 0.0
    # A pitch that drifts was going elsewhere when it came in than where it is held in the end.
    late = t > settled
    drift = float(np.polyfit(t[late], cents[late], 1)[0]) if np.count_nonzero(late) > 2 else 0.0
    gone = drift * max(0.0, (after[0] + after[1]) / 2 - settled)
    aside = (reached[0.1] - reached[0.02]) / 4
    start_s = reached[0.02] - aside
    return Read(
        start_s=start_s,
        u_start_s=aside / math.sqrt(3),
        late_s=reached[0.9],
        seconds=seconds,
        u_seconds=math.hypot(*u_levels),
        from_log2=low_log2 + low / CENTS,
        to_log2=low_log2 + high / CENTS,
        settled_s=settled - start_s if settled < after[0] else math.nan,
        u_settled_s=slowly * math.hypot(ENDS_CENTS, waver, gone) / BAND_CENTS,
        end_s=reached[0.99],
    )
