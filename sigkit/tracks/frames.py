"""Rough pitch of short frames, and where the tone of a block sounds."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import signal

Array = NDArray[np.floating]

LOWEST_HZ, HIGHEST_HZ = 45.0, 1250.0
FRAME_S, FRAME_HOP_S = 0.1, 0.05
LONGEST_GAP_S = 0.35


def sounding_bins(
    near: NDArray[np.bool_], centre: Array, bin_s: float, count: int
) -> NDArray[np.bool_]:
    """Return where the tone sounds, bin by bin, with short gaps closed."""
    tone = np.zeros(count, bool)
    half = FRAME_HOP_S / 2
    for at in centre[near]:
        tone[max(0, round((at - half) / bin_s)) : round((at + half) / bin_s) + 1] = True
    edges = np.flatnonzero(np.diff(tone.astype(np.int8)))
    for a, b in pairwise(edges.tolist()):
        if not tone[a + 1] and (b - a) * bin_s <= LONGEST_GAP_S:
            tone[a + 1 : b + 1] = True
    return tone


def pitch_frames(x: Array, rate: int) -> Array:
    """Return pitch, clarity and power of each frame, shape (n_frames, 3)."""
    factor = max(1, rate // 8000)
    low = signal.resample_poly(x, 1, factor) if factor > 1 else x
    rate_low = rate / factor
    size, hop = round(FRAME_S * rate_low), FRAME_HOP_S * rate_low
    starts = np.round(np.arange((low.size - size) // hop + 1) * hop).astype(np.intp)
    starts = starts[starts + size <= low.size]
    cut = np.lib.stride_tricks.sliding_window_view(low, size)[starts]
    cut = cut - cut.mean(axis=1, keepdims=True)
    spectrum = np.fft.rfft(cut, 2 * size, axis=1)
    longest = int(rate_low / LOWEST_HZ) + 2
    product = np.fft.irfft(np.abs(spectrum) ** 2, axis=1)[:, :longest]
    sums = np.concatenate([np.zeros((cut.shape[0], 1)), np.cumsum(cut**2, axis=1)], axis=1)
    lags = np.arange(longest)
    energy = sums[:, size - lags] + sums[:, -1:] - sums[:, lags]
    likeness = 2 * product / np.maximum(energy, 1e-30)
    shortest = max(2, int(rate_low / HIGHEST_HZ) - 1)
    middle = likeness[:, shortest:-1]
    peak = (middle >= likeness[:, shortest - 1 : -2]) & (middle > likeness[:, shortest + 1 :])
    best = np.where(peak, middle, 0).max(axis=1)
    first = np.argmax(peak & (middle >= 0.93 * best[:, None]), axis=1) + shortest
    row = np.arange(cut.shape[0])
    left, mid, right = (likeness[row, first + k] for k in (-1, 0, 1))
    bend = left - 2 * mid + right
    lag = first + np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1), 0)
    return np.stack([rate_low / lag, best, (cut**2).mean(axis=1)], axis=1)
