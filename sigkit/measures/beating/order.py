"""Which oscillator is which: by what is heard alone, and by which one the fine tune moves."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from sigkit.arrays import Real
from sigkit.measures.beating.locking import Sweep, held_before
from sigkit.tracks.beats import BeatWindow

SOLO_S = 5.0
SAME_PITCH_CENTS = 0.4
CLEARLY = 0.5
"""A tone continues another one where the other choice is at least twice as far."""
AT_ONCE_CENTS = 0.3
DRIFT_CENTS_PER_S = 0.05
"""What a pitch may do beside its own drift before a pitch counts as another one: 3 cents/min."""
STEP_CENTS_PER_S = 0.3
STEPS_BEYOND = 5.0
"""A turn of the knob: faster than this, and this many times the usual step of the held pitches."""
MOVING_CENTS_PER_S = 8 / 60
MOVING_CENTS = 3.0
MOVING_STRAIGHT = 0.1
MOVING_WINDOWS = 5
"""A fine tune that moves: faster than oscillators drift, this far, this straight, so long."""


def held_of(both: Sequence[BeatWindow], sweep: Sweep | None) -> list[BeatWindow]:
    """Return the longest run of windows in which nobody turned the fine tune.

    All of them where nothing says that it was turned.
    """
    times = np.array([w.centre_s for w in both])
    size = np.array([w.detune_cents for w in both])
    unison = both[0].steps[0] == both[0].steps[1]
    moving = np.zeros(times.size, dtype=np.bool_)
    swept = moving.copy()
    if sweep is not None:
        swept = (times >= sweep.start_s - 1e-6) & (times <= sweep.stop_s + 1e-6)
    for move in _moves(times, size):
        if not swept[move].any():
            moving[move] = True
    moving |= swept
    turns = _may_turn(times, size) if unison else set()
    if not moving.any() and not turns:
        return list(both)
    still = ~moving
    pairs = still[1:] & still[:-1] & (np.diff(times) < 1.5 * float(np.median(np.diff(times))))
    pace = np.abs(np.diff(size)) / np.diff(times)
    usual = float(np.median(pace[pairs])) if pairs.any() else 0.0
    jump = pace > max(STEP_CENTS_PER_S, STEPS_BEYOND * usual) if moving.any() else pace < 0
    runs: list[list[int]] = []
    for index in np.flatnonzero(still):
        joined = index > 0 and still[index - 1] and not jump[index - 1] and index not in turns
        if joined and runs:
            runs[-1].append(int(index))
        else:
            runs.append([int(index)])
    longest = max(runs, key=lambda run: times[run[-1]] - times[run[0]], default=[])
    return [both[i] for i in longest]


def _moves(time_s: Real, size: Real) -> list[slice]:
    """Return long straight moves of the detune, up or down."""
    found, first = [], 0
    while first <= size.size - MOVING_WINDOWS:
        last = next(
            (
                last
                for last in range(size.size, first + MOVING_WINDOWS - 1, -1)
                if _is_move(time_s[first:last], size[first:last])
            ),
            None,
        )
        if last is None:
            first += 1
            continue
        t, s = time_s[first:last], size[first:last] * np.sign(size[last - 1] - size[first])
        begin = held_before(t, s)
        end = held_before(-t[::-1], -s[::-1])
        found.append(slice(first + begin, last - end))
        first = last
    return found


def _is_move(time_s: Real, size: Real) -> bool:
    if np.ptp(size) < MOVING_CENTS:
        return False
    slope, start = np.polyfit(time_s - time_s[0], size, 1)
    left = size - start - slope * (time_s - time_s[0])
    far = float(abs(slope) * np.ptp(time_s))
    straight = float(np.abs(left).max()) < MOVING_STRAIGHT * far
    return bool(abs(slope) > MOVING_CENTS_PER_S and far > MOVING_CENTS and straight)


def _may_turn(time_s: Real, size: Real) -> set[int]:
    """Return which windows come after a gap in which the detune may have gone through zero."""
    found = set()
    usual = float(np.median(np.diff(time_s))) if time_s.size > 1 else math.inf
    for index in range(1, size.size):
        gap = time_s[index] - time_s[index - 1]
        if gap < 1.5 * usual:
            continue
        before, after = slice(max(0, index - 4), index), slice(index, index + 4)
        low = 0.6 * max(float(np.median(size[before])), float(np.median(size[after])), 1.0)
        if size[index - 1] < low or size[index] < low:
            found.add(index)
    return found


def which_is_which(
    windows: Sequence[BeatWindow], sweep: Sweep | None, solos: bool | None
) -> tuple[list[bool], list[bool]]:
    """Say for every window whether oscillator 1 is the higher one of a unison, and if that is sure.

    Parameters
    ----------
    windows : sequence of BeatWindow
        All windows.
    sweep : Sweep or None
        A sweep of the fine tune through zero, at which the oscillators change places.
    solos : bool or None
        From `order_by_solos`: whether the one heard alone first is the higher of the last two.

    Notes
    -----
    Within a sweep the side of zero tells. From window to window elsewhere the tones are told by
    their pitch: at least one of them goes on where it was.
    """
    both = [i for i, w in enumerate(windows) if w.kind == "two"]
    if not both or windows[both[0]].steps[0] != windows[both[0]].steps[1]:
        return [False] * len(windows), [True] * len(windows)
    turned, sure = [False] * len(windows), [False] * len(windows)
    turned[both[-1]], sure[both[-1]] = bool(solos), solos is not None
    for after, before in zip(both[::-1], both[-2::-1], strict=False):
        crossed, clear = _cross(windows[before], windows[after], sweep)
        turned[before] = turned[after] ^ crossed
        sure[before] = sure[after] and clear
    return turned, sure


def _cross(before: BeatWindow, after: BeatWindow, sweep: Sweep | None) -> tuple[bool, bool]:
    """Say whether the tones change places between two windows, and whether that is sure."""
    if sweep is not None and (
        sweep.start_s - 1e-6 <= before.centre_s and after.centre_s <= sweep.stop_s + 1e-6
    ):
        return before.centre_s < sweep.zero_s <= after.centre_s, True
    first, second = 1200 * np.log2(before.scaled_hz), 1200 * np.log2(after.scaled_hz)
    may = AT_ONCE_CENTS + DRIFT_CENTS_PER_S * (after.centre_s - before.centre_s)
    # The fine tune moves one of them; the other one stays where it was.
    straight = float(np.min(np.abs(second - first)))
    crossed = float(np.min(np.abs(second[::-1] - first)))
    nearer, other = sorted([straight, crossed])
    sure = nearer < may and nearer < CLEARLY * other and other > may
    # Tones that never come near each other keep their places.
    if not sure and after.start_s <= before.stop_s + 0.2:
        changes = float(np.max(np.abs(second - first)))
        sure = changes < CLEARLY * min(before.detune_cents, after.detune_cents)
        return False, sure
    return crossed < straight, sure


def order_by_solos(windows: Sequence[BeatWindow]) -> bool | None:
    """Say whether the oscillator heard alone first is the higher of the last two tones.

    None where that is unknown.

    Needs two stretches of one tone of 5 s or more after the last two tones. Each must be one of
    the two tones within what both may have drifted since, and must not be the other one.
    """
    both = [w for w in windows if w.kind == "two"]
    if not both or both[0].steps[0] != both[0].steps[1]:
        return None
    last = both[-1]
    solos = _solos([w for w in windows if w.start_s >= last.stop_s - 0.5])
    if len(solos) != 2:
        return None
    pace = max(
        DRIFT_CENTS_PER_S, *(abs(p) for p in [_pace(run, 0) for run in solos] + _paces(both))
    )
    together = 1200 * np.log2(last.scaled_hz)
    alone, may = [], []
    for run in solos:
        cents = 1200 * np.log2([w.scaled_hz[0] for w in run])
        alone.append(float(np.median(cents)))
        since = (run[0].centre_s + run[-1].centre_s) / 2 - last.centre_s
        may.append(AT_ONCE_CENTS + pace * since + float(np.ptp(cents)) / 2)
    fits = [
        all(abs(p - together[tone]) < m for p, m, tone in zip(alone, may, order, strict=True))
        for order in ((0, 1), (1, 0))
    ]
    return None if fits[0] == fits[1] else fits[1]


def _paces(both: Sequence[BeatWindow]) -> list[float]:
    """Drift of both tones over the last windows, unless the fine tune was turned there."""
    last = both[-10:]
    if len(last) < MOVING_WINDOWS:
        return [0.0]
    paces = [_pace(last, tone) for tone in (0, 1)]
    return [p for p in paces if abs(p) < MOVING_CENTS_PER_S] or [0.0]


def _pace(run: Sequence[BeatWindow], tone: int) -> float:
    """Slope of a line through one tone, cents/s."""
    at_s = np.array([w.centre_s for w in run])
    cents = 1200 * np.log2([w.scaled_hz[tone] for w in run])
    return float(np.polyfit(at_s - at_s[0], cents, 1)[0]) if at_s.size > 2 else 0.0


def _solos(windows: Sequence[BeatWindow]) -> list[list[BeatWindow]]:
    """Stretches of one tone, one after another."""
    found: list[list[BeatWindow]] = []
    for window in windows:
        if window.kind not in ("one", "unclear") or window.scaled_hz.size != 1:
            found.append([])
            continue
        before = found[-1][-1].scaled_hz[0] if found and found[-1] else None
        if before is None or abs(1200 * math.log2(window.scaled_hz[0] / before)) > SAME_PITCH_CENTS:
            found.append([])
        found[-1].append(window)
    return [run for run in found if run and run[-1].stop_s - run[0].start_s >= SOLO_S]
