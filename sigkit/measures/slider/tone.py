"""Whether a tone can show a slider's dirt, and where in the capture events are looked for."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import ndimage

from sigkit.arrays import runs
from sigkit.tracks.faults import DROP_BINS, Fault, box
from sigkit.tracks.recorder import fault_spans
from sigkit.tracks.residual import BIN_S, ResidualTrack

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

RANGE_DB, HEADROOM_DB = 40.0, 20.0
"""A tone this far below its loudest, or less than that above its own residual, is not assessed."""
GUARD_BINS, GUARD_PERIODS = 200, 8
"""Not assessed after a note begins and before it ends: the key is no dirt."""
RELEASE_DB_PER_S = 40.0
"""A key let go falls faster than this (time constants up to 0.2 s), a slider moved down slower."""
LEAST_S = 1.0
STEEP_DB, STEEP_OCTAVES = 12.0, 0.7
"""Change of level and of pitch within 100 ms beyond which bursts are not looked for (flicks)."""
STEEP_CHANGE = 0.05
"""The same for a wave that takes another shape from period to period: `ResidualTrack.change`."""
NEAR_BINS = 150
FLICK, FLICK_POINTS = 0.7, (15, 20, 25, 30)
"""Share of its range that a control goes through in a flick, and half of the spans, in points of
10 ms, over which it has to show: a pass of a second goes through 0.53 in 0.3 s (10 x**3 - 15 x**4 +
6 x**5, from rest to rest with the least jerk), a flick of up to 0.25 s through all."""
FAULT_BINS, FAULT_PERIODS = 20, 2
"""Not assessed on each side of a fault of the recorder, whichever is longer."""
BESIDE = 0.02
"""Most power in the 20 ms beside a glitch, re its own millisecond."""
HIDDEN_DB = -20.0
"""A floor above this, re the tone there, is no view of the contact."""


def refuse_tone(track: ResidualTrack) -> str:
    """Return why this tone cannot show events, or nothing."""
    if not track.power.size or track.power.max() < 1e-10:
        return "the capture is silent: check the channel, the cable and the gain"
    sounding = track.power > 1e-4 * np.quantile(track.power, 0.99)
    tonal = track.tone & (track.tone_rms > 0)
    if tonal.sum() * BIN_S < LEAST_S or (tonal & sounding).sum() < 0.5 * sounding.sum():
        return (
            "no steady tone found: hold one note of 45 to 2400 Hz, of one oscillator, while the "
            "slider moves, with noise sources off"
        )
    return ""


def heard_bins(track: ResidualTrack) -> Mask:
    """Return where a tone is loud enough to show events, and not at a note's ends."""
    gain = track.tone_rms
    noise = np.sqrt(ndimage.minimum_filter1d(np.maximum(box(track.rest, 100), 0) / 100, 400))
    top = np.quantile(gain[track.tone], 0.99)
    enough = track.tone & (gain > top * 10 ** (-RANGE_DB / 20))
    enough &= gain > noise * 10 ** (HEADROOM_DB / 20)
    hz = float(np.median(track.hz[track.tone]))
    guard = max(GUARD_BINS, round(GUARD_PERIODS / max(hz, 1.0) / BIN_S))
    heard = np.zeros_like(enough)
    parts = runs(enough, gap=DROP_BINS[1] + 1)
    for a, b in parts:
        end = _release(gain, a, b) if (a, b) == parts[-1] else b
        heard[a + guard : max(end - guard, a + guard)] = True
    return heard & track.tone


def _release(gain: NDArray[np.float32], first: int, last: int) -> int:
    """Return where the fall begins in which the last note ends, or its last bin."""
    step = 20
    level = 20 * np.log10(np.maximum(gain[first:last:step], 1e-7))
    slope = np.diff(level) / (step * BIN_S)
    held = np.flatnonzero(slope > -RELEASE_DB_PER_S)
    return first + step * (int(held[-1]) + 1) if held.size else first


def too_fast(track: ResidualTrack) -> Mask:
    """Return where the tone moves too fast to tell dirt from it: 0.15 s about flicks."""
    level = ndimage.median_filter(20 * np.log10(np.maximum(track.tone_rms, 1e-7)), 41)
    octaves = ndimage.median_filter(np.log2(np.maximum(track.hz, 1.0)), 41)
    steep = ndimage.median_filter(track.change, 41) > STEEP_CHANGE
    for line, most in ((level, STEEP_DB), (octaves, STEEP_OCTAVES)):
        steep[50:-50] |= np.abs(line[100:] - line[:-100]) > most
    out: Mask = ndimage.binary_dilation(steep, np.ones(2 * NEAR_BINS + 1, bool))
    return out


def flicked(control: Array, known: Mask) -> Mask:
    """Return where a control goes through most of its range at once and stays there: a flick.

    Parameters
    ----------
    control : ndarray, shape (n_points,)
        The control, one point each 10 ms.
    known : ndarray of bool, shape (n_points,)
        Where it is heard.

    Returns
    -------
    ndarray of bool, shape (n_points,)
        The points within 0.15 s of a flick. Dirt that throws the control comes back within its
        120 ms and is none.
    """
    if np.count_nonzero(known) < FLICK_POINTS[-1]:
        return np.zeros(control.size, bool)
    smooth = ndimage.median_filter(np.where(np.isfinite(control), control, 0.0), 5)
    low, high = np.quantile(smooth[known], [0.02, 0.98])
    moved = np.full(control.size, np.inf)
    for reach in FLICK_POINTS:
        change = np.zeros(control.size)
        change[reach:-reach] = np.abs(smooth[2 * reach :] - smooth[: -2 * reach])
        moved = np.minimum(moved, change)
    quick = known & (moved > FLICK * max(high - low, 1e-9))
    out: Mask = ndimage.binary_dilation(quick, np.ones(2 * FLICK_POINTS[0] + 1, bool))
    return out


def beside_faults(track: ResidualTrack, faults: pd.DataFrame) -> Mask:
    """Return where the recorder's faults, as from `faults_seen`, leave their marks."""
    out = np.zeros(track.power.size, bool)
    for first_s, last_s in fault_spans(faults, track.rate):
        at = min(int(first_s / BIN_S), out.size - 1)
        reach = max(FAULT_BINS, round(FAULT_PERIODS / max(float(track.hz[at]), 45.0) / BIN_S))
        out[max(0, at - reach) : int(last_s / BIN_S) + 1 + reach] = True
    return out


def is_alone(track: ResidualTrack, at_s: float, kind: str) -> bool:
    """Whether the tone goes on as usual on both sides of a glitch: else it is part of dirt."""
    if kind != "glitch":
        return True
    at, rest = int(at_s / BIN_S + 1e-6), track.rest
    own = float(rest[max(0, at - 1) : at + 2].max(initial=0.0))
    sides = (rest[max(0, at - FAULT_BINS) : max(0, at - 1)], rest[at + 2 : at + 2 + FAULT_BINS])
    return all(side.size and float(side.mean()) < BESIDE * own for side in sides)


def without_marks(found: list[Fault], marks: Mask) -> list[Fault]:
    """Return the events that lie clear of the marks of the recorder's faults."""
    return [f for f in found if not marks[f.first : f.last].any()]
