"""Which track it is and how far it had come, from the signs of the ticks that were found."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from sigkit.arrays import Real
from sigkit.captures.cues.code import COUNT, COUNTER, SHARE, TICK_S, WHEN, WHICH, signs
from sigkit.captures.cues.find import Ticks
from sigkit.captures.cues.plan import Plan, every_plan

LEAST_SURE = 7.5
"""Chance alone passes this once in 10,000 stretches at most: 1.7e8 readings are tried, and each
goes as far by chance with exp(-x²/2) at most (W. Hoeffding, J. Amer. Statist. Assoc. 58, 1963)."""
LIMITED, NEARLY, MOST_STARTS, MOST_TICKS = 4.0, 0.7, 20, 512
APART_S, APART_PER_S = 0.002, 2e-5
"""By how much two stretches of one playing may seem to differ, and how much more a second."""


Whole = NDArray[np.int64]


@dataclass(frozen=True)
class Reading:
    """A track as it was played into a capture.

    Parameters
    ----------
    plan : Plan
        Which track.
    knots_s : ndarray, shape (n_knots, 2)
        Times of the track, and of the capture, s; straight in between and beyond.
    u_s : float
        Standard uncertainty of times, s.
    from_s, to_s : float
        Between which times of the capture ticks are heard.
    sure : float
        By how much the code is better than chance, in standard deviations.
    broken : bool
        Whether ticks were found that do not belong to this playing.
    """

    plan: Plan
    knots_s: Real
    u_s: float
    from_s: float
    to_s: float
    sure: float
    broken: bool

    def capture_s(self, track_s: Real | float) -> Real:
        """Return when a moment of the track is heard, s of the capture."""
        track, heard = self.knots_s.T
        out = np.interp(track_s, track, heard)
        first = (heard[1] - heard[0]) / (track[1] - track[0])
        last = (heard[-1] - heard[-2]) / (track[-1] - track[-2])
        asked = np.asarray(track_s, np.float64)
        out = np.where(asked < track[0], heard[0] + (asked - track[0]) * first, out)
        moved: Real = np.where(asked > track[-1], heard[-1] + (asked - track[-1]) * last, out)
        return moved


def read_ticks(found: Sequence[tuple[float, Ticks]]) -> Reading | None:
    """Read the code of the ticks of a capture.

    Parameters
    ----------
    found : sequence of (float, Ticks)
        Start of each stretch in the capture, s, and what was found there; in order of time.

    Returns
    -------
    Reading or None
        None where the signs are no better than chance.
    """
    if not found:
        return None
    own = _of_one_playing(found)
    number, time, soft = _together(found, own)
    start, plan, sure = _best(number, soft)
    if sure < LEAST_SURE:
        return None
    count = start + number
    good = (count >= 0) & (count < round(plan.length_s / TICK_S))
    if np.count_nonzero(good) < 2:
        return None
    count, time, soft = count[good], time[good], soft[good]
    begin, end = _heard(count, soft, plan)
    knots = []
    for at in own:
        first_s, ticks = found[at]
        spacing = ticks.spacing_s
        middle = len(ticks.time_s) // 2
        when = first_s + ticks.time_s[middle]
        place = int(np.argmin(np.abs(time - when)))
        step = round((when - time[place]) / spacing)
        track = (count[place] + step) * TICK_S
        half = max(0.25 * len(ticks.time_s), 1.0)
        knots += [(track - half * TICK_S, when - half * spacing)]
        knots += [(track + half * TICK_S, when + half * spacing)]
    u = max(np.hypot(t.u_s, t.u_spacing_s * len(t.time_s) / 2) for _, t in (found[i] for i in own))
    return Reading(
        plan,
        np.array(knots),
        float(u),
        float(time[begin]),
        float(time[end] + TICK_S),
        sure,
        len(own) < len(found),
    )


def _of_one_playing(found: Sequence[tuple[float, Ticks]]) -> list[int]:
    """Return which stretches go on at the rhythm of the clearest one."""
    clear = max(range(len(found)), key=lambda i: found[i][1].sigmas)
    own = [clear]
    for way in (range(clear + 1, len(found)), range(clear - 1, -1, -1)):
        last = clear
        for i in way:
            (one_s, one), (two_s, two) = found[last], found[i]
            apart = (
                two_s + two.time_s[len(two.time_s) // 2] - one_s - one.time_s[len(one.time_s) // 2]
            )
            spacing = 0.5 * (one.spacing_s + two.spacing_s)
            off = apart - round(apart / spacing) * spacing
            if abs(off) < APART_S + APART_PER_S * abs(apart):
                own.append(i)
                last = i
    return sorted(own)


def _together(found: Sequence[tuple[float, Ticks]], own: list[int]) -> tuple[Whole, Real, Real]:
    """Return the ticks of all stretches, numbered on from the first, each one once."""
    number, time, soft = [np.arange(0, dtype=np.int64)], [np.zeros(0)], [np.zeros((0, 3))]
    before: tuple[float, int, float] | None = None
    for i in own:
        first_s, ticks = found[i]
        when = first_s + ticks.time_s
        count = np.rint((when - when[0]) / ticks.spacing_s).astype(np.int64)
        if before is not None:
            count += before[1] + round(
                (when[0] - before[0]) / (0.5 * (before[2] + ticks.spacing_s))
            )
        new = count > (number[-1][-1] if number[-1].size else -1)
        number.append(count[new])
        time.append(when[new])
        soft.append(ticks.soft[new])
        before = (float(when[-1]), int(count[-1]), ticks.spacing_s)
    return np.concatenate(number), np.concatenate(time), np.concatenate(soft)


def _best(number: Whole, soft: Real) -> tuple[int, Plan, float]:
    """Return count of the first tick, track, and by how much that is better than chance."""
    limit = LIMITED * np.median(np.abs(soft), axis=0)
    z = np.clip(soft, -limit, limit)
    size = np.sqrt(np.sum(z**2, axis=0))
    size[size == 0] = 1.0
    dense = np.zeros(int(number[-1]) + 1)
    dense[number] = z[:, COUNT] / size[COUNT]
    counter = signs(0, np.arange(COUNTER)).astype(np.float64)
    fits = signal.correlate(counter, dense, mode="full", method="fft")
    starts = np.argsort(fits)[::-1][:MOST_STARTS]
    starts = starts[fits[starts] > NEARLY * fits[starts[0]]]
    plans = every_plan()
    numbers = np.array([plan.number for plan in plans], np.uint64)
    use = np.sort(np.argsort(np.abs(soft[:, WHEN]))[::-1][:MOST_TICKS])
    which = z[use, WHICH] / max(float(np.sqrt(np.sum(z[use, WHICH] ** 2))), 1e-300)
    best = (0, plans[0], 0.0)
    for place in starts.tolist():
        start = place - (dense.size - 1)
        count = start + number[use]
        inside = (count >= 0) & (count < COUNTER)
        spelt = signs(numbers[:, None], count[inside][None, :]).astype(np.float32)
        fit = spelt @ which[inside].astype(np.float32)
        at = int(np.argmax(fit))
        sure = float((fits[place] + fit[at]) / np.sqrt(2))
        if sure > best[2]:
            best = (start, plans[at], sure)
    return best


def _heard(count: Whole, soft: Real, plan: Plan) -> tuple[int, int]:
    """Return the first and the last tick between which the track is heard."""
    expected = np.ones_like(soft)
    expected[:, COUNT] = signs(0, count)
    expected[:, WHICH] = signs(plan.number, count)
    match = (soft * expected) @ np.sqrt(np.array(SHARE))
    usual = float(np.median(match[match > 0])) if np.any(match > 0) else 1.0
    gain = np.minimum(match, 2 * usual) - 0.5 * usual
    best, begin, ends = 0.0, 0, (0, len(match) - 1)
    for at, total in enumerate(itertools.accumulate(gain, lambda s, g: max(s, 0.0) + g)):
        begin = at if total == gain[at] else begin
        if total > best:
            best, ends = total, (begin, at)
    return ends
