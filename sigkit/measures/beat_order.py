"""Which oscillator is which: by what is heard alone, and by which one the fine tune moves."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from sigkit.measures.locking import Sweep
from sigkit.tracks.beats import BeatWindow

SOLO_S = 5.0
SOLO_AGREES = 0.3
SOLO_CENTS = 1.0
LEAST_SOLO_CENTS = 0.5
SAME_PITCH_CENTS = 0.4
CLEARLY = 0.5
"""The standing oscillator is told by pitch where the other one is at least twice as far."""


def steady_before(both: Sequence[BeatWindow], sweep: Sweep) -> list[BeatWindow]:
    """Return the windows before a sweep in which nobody turned the fine tune."""
    held = [w for w in both if w.stop_s < sweep.start_s + 1]
    kept = []
    for index, window in enumerate(held):
        near = held[max(0, index - 1) : index + 2]
        moves = [
            abs(w.detune_cents - window.detune_cents) / abs(w.centre_s - window.centre_s)
            for w in near
            if w is not window
        ]
        # Windows overlap, so a turn of the knob shows in the ones beside it as well.
        if moves and max(moves) < 0.5 * sweep.slope:
            kept.append(window)
    return kept


def which_is_which(
    windows: Sequence[BeatWindow], sweep: Sweep | None, solos: bool | None
) -> list[bool]:
    """Say for every window whether oscillator 1 is the higher one of a unison.

    Parameters
    ----------
    windows : sequence of BeatWindow
        All windows.
    sweep : Sweep or None
        A sweep of the fine tune through zero, at which the oscillators change places.
    solos : bool or None
        From `order_by_solos`.
    """
    both = [w for w in windows if w.kind == "two"]
    if not both or both[0].steps[0] != both[0].steps[1]:
        return [False] * len(windows)
    if sweep is None:
        return [bool(solos)] * len(windows)
    turned = np.array([_turned(w, sweep, _standing(both, sweep)) for w in windows])
    last = max(i for i, w in enumerate(windows) if w.kind == "two")
    if solos is not None:
        return [bool(t) for t in turned ^ (turned[last] ^ solos)]
    steady = steady_before(both, sweep)
    held = [t for t, w in zip(turned, windows, strict=True) if any(w is s for s in steady)]
    upside_down = bool(np.mean(held) > 0.5) if held else False
    return [bool(t) for t in turned ^ upside_down]


def _standing(both: Sequence[BeatWindow], sweep: Sweep) -> tuple[bool, float]:
    """Whether the standing oscillator is the lower one after the crossing, and its log pitch."""
    inside = [w for w in both if sweep.start_s <= w.centre_s <= sweep.stop_s]
    before = [w for w in inside if w.centre_s < sweep.zero_s]
    after = [w for w in inside if w.centre_s >= sweep.zero_s]
    moves = []
    for lower_after in (True, False):
        path = [w.scaled_hz[1 if lower_after else 0] for w in before]
        path += [w.scaled_hz[0 if lower_after else 1] for w in after]
        logs = np.log2(np.array(path))
        moves.append((float(np.ptp(logs)), lower_after, float(np.median(logs))))
    _, lower_after, pitch = min(moves)
    return lower_after, pitch


def _turned(window: BeatWindow, sweep: Sweep, standing: tuple[bool, float]) -> bool:
    """Whether the oscillator that is the lower one after the crossing is the higher one here."""
    if window.kind != "two":
        return False
    if sweep.start_s <= window.centre_s <= sweep.stop_s:
        return window.centre_s < sweep.zero_s
    lower_after, pitch = standing
    away = np.abs(np.log2(window.scaled_hz) - pitch)
    if min(away) > CLEARLY * max(away):
        return False
    standing_is_lower = bool(away[0] < away[1])
    return standing_is_lower != lower_after


def order_by_solos(windows: Sequence[BeatWindow]) -> bool | None:
    """Say whether the oscillator heard alone first is the higher of the last two tones.

    None where that is unknown.

    Needs two stretches of one tone of 5 s or more after the last two tones, at pitches whose
    distance agrees with the detune measured before.
    """
    both = [w for w in windows if w.kind == "two"]
    if not both or both[0].steps[0] != both[0].steps[1]:
        return None
    last = both[-1]
    solos = _solo_pitches([w for w in windows if w.start_s >= last.stop_s - 0.5])
    if len(solos) != 2:
        return None
    size = 1200 * math.log2(solos[1] / solos[0])
    if abs(abs(size) - last.detune_cents) > max(SOLO_CENTS, SOLO_AGREES * last.detune_cents):
        return None
    return None if abs(size) < LEAST_SOLO_CENTS else size < 0


def _solo_pitches(windows: Sequence[BeatWindow]) -> list[float]:
    """Pitches of the stretches of one tone, one after another."""
    found: list[list[BeatWindow]] = []
    for window in windows:
        if window.kind not in ("one", "unclear") or window.scaled_hz.size != 1:
            found.append([])
            continue
        before = found[-1][-1].scaled_hz[0] if found and found[-1] else None
        if before is None or abs(1200 * math.log2(window.scaled_hz[0] / before)) > SAME_PITCH_CENTS:
            found.append([])
        found[-1].append(window)
    long_ones = [run for run in found if run and run[-1].stop_s - run[0].start_s >= SOLO_S]
    return [float(np.median([w.scaled_hz[0] for w in run])) for run in long_ones]
