"""The phase of a tone whose pitch may slide by octaves a second, sample by sample.

Short frames give the pitch without octave errors: a path through the peaks of each frame's
normalised square difference function. Along that path the sound is read at a fixed number of points
a period, and the phase of the fundamental, period by period, corrects the path.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft, interpolate, ndimage, signal

Array = NDArray[np.float64]

LOWEST_HZ, HIGHEST_HZ = 45.0, 2400.0
FRAME_S, HOP_S = 0.056, 0.01
"""A frame holds two and a half periods of the lowest pitch."""
LOW_RATE, DARK_HZ = 12_000, 3000.0
"""Frames are compared at this rate, dark: where a resonance near its upper end rules, a lag of
whole samples is more alike than the period is, and two or five periods pass for one."""
CLEAR = 0.8
"""Least likeness, one period apart, of a frame that holds a tone."""
QUIET = 3e-5
"""Frames of less power than this share of the loudest may hold nothing but hum."""
CANDIDATES = 5
FINER = 4
"""Lags are looked at on a grid this much finer than the samples."""
UNLIKE = 0.01
"""Unlikeness that says nothing."""
LONGER = 0.3
"""Cost of a lag twice as long, so that a period is not mistaken for two."""
FASTEST, LEAP = 0.15, 12.0
"""Octaves a hop that a slide may make, and the cost of each octave beyond."""
POINTS = 64
"""Parts of a period whose means give the fundamental."""
SMOOTH = (0.25, 0.5, 0.25)
FAINT = 0.003
"""A period this far below the loudest has its phase drawn across."""


@dataclass(frozen=True, kw_only=True, eq=False)
class MovingPhase:
    """Phase of a tone at every sample.

    Parameters
    ----------
    cycles : ndarray, shape (n_samples,)
        Phase in cycles, rising, smoothed over three periods.
    quick : ndarray, shape (n_samples,)
        The same unsmoothed: it follows a jump of the pitch within a period.
    frame_s, frame_hz, clarity : ndarray, shape (n_frames,)
        Middle of each frame (s), the pitch there (Hz, nan: no tone), and the likeness of the sound
        one period apart, 0 to 1.
    heard : ndarray of bool, shape (n_frames,)
        Frames that hold a clear tone on the path.
    """

    cycles: Array
    quick: Array
    frame_s: Array
    frame_hz: Array
    clarity: Array
    heard: NDArray[np.bool_]


def follow_phase(x: NDArray[np.floating], rate: int) -> MovingPhase | None:
    """Follow the phase of the one tone in a stretch of sound.

    Parameters
    ----------
    x : ndarray, shape (n_samples,)
        The sound; 0.3 s or more.
    rate : int
        Sample rate in Hz.

    Returns
    -------
    MovingPhase or None
        None where fewer than four frames hold a tone.

    Notes
    -----
    Each frame offers the peaks of its normalised square difference function [1]_; the path through
    them has the least sum of their unlikeness and of leaps between frames.

    References
    ----------
    .. [1] P. McLeod and G. Wyvill, "A smarter way to find pitch", ICMC 2005.
    """
    if x.size < 0.3 * rate:
        return None
    centre_s, lag_s, cost, best, power = _candidates(x, rate)
    loud = power > QUIET * power.max(initial=0.0)
    usable = np.flatnonzero((best > CLEAR) & loud)
    if usable.size < 4:
        return None
    octaves = _path(np.log2(1 / lag_s[usable]), cost[usable], centre_s[usable])
    hz = np.full(centre_s.size, np.nan)
    hz[usable] = 2.0**octaves
    heard = np.isfinite(hz)
    t = np.arange(x.size) / rate
    smooth = ndimage.median_filter(octaves, 3, mode="nearest")
    log2_hz = np.interp(t, centre_s[usable], smooth)
    cycles = np.cumsum(2.0**log2_hz) / rate
    total = np.cumsum(x)
    for _ in range(2):
        cycles = _corrected(total, cycles, SMOOTH)
    return MovingPhase(
        cycles=cycles,
        quick=_corrected(total, cycles, (1.0,)),
        frame_s=centre_s,
        frame_hz=hz,
        clarity=best,
        heard=heard,
    )


def _candidates(x: NDArray[np.floating], rate: int) -> tuple[Array, Array, Array, Array, Array]:
    """Return each frame's middle, lags of its peaks, their costs, its best likeness, its power."""
    factor = max(1, rate // LOW_RATE)
    low = signal.resample_poly(x, 1, factor, window=_dark(factor, rate)) if factor > 1 else x
    rate_low = rate / factor
    size, hop = round(FRAME_S * rate_low), round(HOP_S * rate_low)
    cut = np.lib.stride_tricks.sliding_window_view(low, size)[::hop]
    cut = (cut - cut.mean(axis=1, keepdims=True)).astype(np.float32)
    n_fft = 1 << math.ceil(math.log2(1.45 * size))
    longest = min(int(rate_low / LOWEST_HZ) + 2, n_fft - size)
    spectrum = np.fft.rfft(cut, n_fft, axis=1)
    power = np.zeros((cut.shape[0], FINER * n_fft // 2 + 1), np.float32)
    power[:, : spectrum.shape[1]] = np.abs(spectrum) ** 2
    product = FINER * fft.irfft(power, axis=1)[:, : FINER * longest].astype(np.float32, copy=False)
    sums = np.concatenate([np.zeros((cut.shape[0], 1)), np.cumsum(cut**2, axis=1)], axis=1)
    whole = np.arange(longest + 1)
    energy = sums[:, size - whole] + sums[:, -1:] - sums[:, whole]
    shortest = int(FINER * rate_low / HIGHEST_HZ) - 1
    frame, at = _peaks(product, energy.astype(np.float32), shortest)
    a, b, c = (_likeness(product, energy, frame, at + k) for k in (-1, 0, 1))
    at -= shortest
    shape = (cut.shape[0], product.shape[1] - 1 - shortest)
    shift, height = np.zeros(shape), np.full(shape, -1.0)
    moved = np.clip(0.5 * (a - c) / np.minimum(a - 2 * b + c, -1e-9), -0.5, 0.5)
    shift[frame, at] = moved
    height[frame, at] = np.minimum(b - 0.25 * (a - c) * moved, 1.0)
    best = height.max(axis=1)
    lag = (np.arange(height.shape[1]) + shortest) / (FINER * rate_low)
    cost = np.full(shape, 99.0)
    high = height[frame, at] > 0.5 * best[frame]
    frame, at = frame[high], at[high]
    unlike = (UNLIKE + 1 - height[frame, at]) / (UNLIKE + 1 - best[frame])
    cost[frame, at] = np.log(unlike) + LONGER * np.log2(lag[at] * HIGHEST_HZ)
    order = np.argpartition(cost, CANDIDATES, axis=1)[:, :CANDIDATES]
    row = np.arange(cut.shape[0])[:, None]
    lag_s = lag[order] + shift[row, order] / (FINER * rate_low)
    cost = cost[row, order]
    centre = (np.arange(cut.shape[0]) * hop + size / 2) / rate_low
    return centre, lag_s, cost, best, sums[:, -1] / size


def _dark(factor: int, rate: int) -> Any:  # SciPy's stubs know no filter given as an array
    """Return the filter before a rate is divided by a factor, shape (20 * factor + 1,)."""
    return signal.firwin(20 * factor + 1, DARK_HZ, fs=rate)


def _peaks(
    product: NDArray[np.float32], energy: NDArray[np.float32], shortest: int
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return frame and finer lag of each peak of the likeness, found in single precision."""
    between = np.arange(FINER, dtype=np.float32) / FINER  # straight from one whole lag to the next
    finer = energy[:, :-1, None] + between * np.diff(energy, axis=1)[:, :, None]
    likeness = product / np.maximum(finer.reshape(product.shape), 1e-20)
    left, middle, right = (
        likeness[:, shortest + k : likeness.shape[1] - 1 + k] for k in (-1, 0, 1)
    )
    frame, at = np.nonzero((middle >= left) & (middle > right))
    return frame, at + shortest


def _likeness(
    product: NDArray[np.float32], energy: Array, frame: NDArray[np.intp], at: NDArray[np.intp]
) -> Array:
    """Return the likeness of some frames at some finer lags."""
    whole, beyond = at // FINER, at % FINER / FINER
    below = energy[frame, whole]
    between = below + beyond * (energy[frame, whole + 1] - below)
    out: Array = 2.0 * product[frame, at] / np.maximum(between, 1e-20)
    return out


def _path(octaves: Array, cost: Array, at_s: Array) -> Array:
    """Return the path of least cost through the candidates of each frame, in octaves re 1 Hz."""
    reached = cost[0].copy()
    came = np.zeros(cost.shape, np.intp)
    slide = FASTEST * np.minimum(np.diff(at_s) / HOP_S, 3.0)
    leap = np.abs(octaves[1:, :, None] - octaves[:-1, None, :]) - slide[:, None, None]
    leap = LEAP * np.maximum(leap, 0)
    for i in range(1, len(cost)):
        total = reached + leap[i - 1]
        came[i] = total.argmin(axis=1)
        reached = total.min(axis=1) + cost[i]
    out = np.empty(len(cost))
    here = int(reached.argmin())
    for i in range(len(cost) - 1, -1, -1):
        out[i] = octaves[i, here]
        here = came[i, here]
    return out


def _corrected(total: Array, cycles: Array, weights: tuple[float, ...]) -> Array:
    """Return the phase corrected by that of the fundamental, read once a period.

    ``total`` is the running sum of the sound.
    """
    first, last = math.ceil(cycles[0]), math.floor(cycles[-1])
    count = last - first
    if count < 6:
        return cycles
    grid = first + np.arange(count * POINTS + 1) / POINTS
    at = np.interp(grid, cycles, np.arange(cycles.size))
    there = np.clip(at - 0.5, 0, total.size - 1)
    whole = np.minimum(there.astype(np.intp), total.size - 2)
    below = total[whole]
    rows = np.diff(below + (there - whole) * (total[whole + 1] - below))
    rows = (rows / np.diff(at)).reshape(count, POINTS)
    turn = 2 * np.pi * (np.arange(POINTS) + 0.5) / POINTS
    z = rows @ np.cos(turn) - 1j * (rows @ np.sin(turn))
    z = ndimage.convolve1d(z.real, weights) + 1j * ndimage.convolve1d(z.imag, weights)
    strong = np.flatnonzero(np.abs(z) > FAINT * np.abs(z).max())
    turned = np.unwrap(np.angle(z[strong])) / (2 * np.pi)
    middle = first + strong + 0.5
    line = interpolate.PchipInterpolator(middle, turned) if strong.size > 1 else None
    if line is None:
        return cycles
    offset = line(np.clip(cycles, middle[0], middle[-1]))
    out: Array = np.maximum.accumulate(cycles + offset)
    return out
