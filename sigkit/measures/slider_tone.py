"""Whether a tone can show a slider's dirt, where in the capture, and where the slider moves."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from sigkit.tracks.faults import DROP_BINS, box, runs
from sigkit.tracks.residual import BIN_S, ResidualTrack

Mask = NDArray[np.bool_]

RANGE_DB, HEADROOM_DB = 40.0, 20.0
"""A tone this far below its loudest, or less than that above its own residual, is not assessed."""
GUARD_BINS = 150
"""Not assessed after a note begins and before it ends: the key is no dirt."""
RELEASE_DB_PER_S = 20.0
LEAST_S = 1.0
MOVING_DB_PER_S, MOVED_DB = 1.0, 3.0


def refuse_tone(track: ResidualTrack) -> str:
    """Return why this tone cannot show events, or nothing."""
    if not track.power.size or track.power.max() < 1e-10:
        return "the capture is silent: check the channel, the cable and the gain"
    sounding = track.power > 1e-4 * np.quantile(track.power, 0.99)
    tonal = track.tone & (track.tone_rms > 0)
    if tonal.sum() * BIN_S < LEAST_S or (tonal & sounding).sum() < 0.5 * sounding.sum():
        return (
            "no steady tone found: hold one dull note of 60 to 1100 Hz while the slider moves, "
            "with noise sources off"
        )
    level = _block_level(track)
    loud = np.isfinite(track.frequency_hz) & (level > 0.1 * level.max())
    pitch = 12 * np.log2(track.frequency_hz[loud])
    if np.ptp(pitch) > 1:
        return "not measurable with this tone: its pitch moves; hold one steady note"
    f0 = float(np.median(track.frequency_hz[loud]))
    share = float(np.average(track.brightness[loud], weights=level[loud] ** 2))
    first = max(4000 / f0, 4.0)
    if share > 0.2 / first**2:
        return (
            "not measurable with this tone: close the filter until it is dull; what lies above "
            f"{first * f0 / 1000:.1f} kHz ({10 * math.log10(share):.0f} dB re it) hides bursts"
        )
    return ""


def _block_level(track: ResidualTrack) -> NDArray[np.floating]:
    """Return the loudest gain of the tone in each block."""
    parts = np.array_split(
        np.where(track.tone, track.tone_rms, 0),
        np.arange(8000, track.tone.size, 8000)[: track.frequency_hz.size - 1],
    )
    return np.array([float(part.max(initial=0)) for part in parts])


def assessed_bins(track: ResidualTrack) -> Mask:
    """Return where events are looked for: the tone is loud enough, and not at a note's ends."""
    gain = track.tone_rms
    noise = np.sqrt(ndimage.minimum_filter1d(np.maximum(box(track.rest, 100), 0) / 100, 400))
    top = np.quantile(gain[track.tone], 0.99)
    enough = track.tone & (gain > top * 10 ** (-RANGE_DB / 20))
    enough &= gain > noise * 10 ** (HEADROOM_DB / 20)
    heard = np.zeros_like(enough)
    parts = runs(enough, gap=DROP_BINS[1] + 1)
    for a, b in parts:
        end = _release(gain, a, b) if (a, b) == parts[-1] else b
        heard[a + GUARD_BINS : max(end - GUARD_BINS, a + GUARD_BINS)] = True
    return heard & track.tone


def _release(gain: NDArray[np.float32], first: int, last: int) -> int:
    """Return where the fall begins in which the last note ends, or its last bin."""
    step = 20
    level = 20 * np.log10(np.maximum(gain[first:last:step], 1e-7))
    slope = np.diff(level) / (step * BIN_S)
    held = np.flatnonzero(slope > -RELEASE_DB_PER_S)
    return first + step * (int(held[-1]) + 1) if held.size else first


def movement(track: ResidualTrack, assessed: Mask) -> Mask | None:
    """Return where the slider moves, as the level of the tone tells; None where it can't."""
    step = 10
    level = 20 * np.log10(np.maximum(track.tone_rms[::step].astype(np.float64), 1e-7))
    known = assessed[::step]
    low, high = np.quantile(level[known], [0.02, 0.98])
    if high - low < MOVED_DB:
        return None
    smooth = ndimage.gaussian_filter1d(ndimage.median_filter(level, 25), 6)
    slope = np.abs(np.gradient(smooth, step * BIN_S))
    moving = ndimage.binary_dilation(slope > MOVING_DB_PER_S, np.ones(21, bool))
    return np.repeat(moving, step)[: assessed.size]
