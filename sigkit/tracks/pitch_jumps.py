"""Jumps of pitch that come back: two steps of opposite sign within a third of a second."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from sigkit.arrays import runs
from sigkit.tracks.faults import Fault, Mask
from sigkit.tracks.jump_sizes import SPREAD, jump_size
from sigkit.tracks.residual import BIN_S, ResidualTrack

Array = NDArray[np.float64]

LEAST_BINS = 100
LEAST_CENTS = 9.0
"""A smaller jump is left to the ear; guide value."""
SIGMAS = 8.0
"""A step stands out by so many standard deviations of the pitch's own steps."""
SCATTER_BINS = 1001
"""Stretch over which those are taken."""
LONGEST_BINS, SHORTEST_BINS = 320, 3
ALIKE = 0.45
"""Both steps of a jump are alike within this share of the larger."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Steps:
    """The steps of a pitch, and which of them stand out.

    Parameters
    ----------
    cents : ndarray, shape (n_bins,)
        Pitch re 1 Hz.
    half : ndarray of int, shape (n_bins,)
        Half a period, in bins.
    step : ndarray, shape (n_bins,)
        Step at each bin, cents.
    limit : ndarray, shape (n_bins,)
        Size above which one stands out, cents.
    """

    cents: Array
    half: NDArray[np.intp]
    step: Array
    limit: Array


def pitch_steps(track: ResidualTrack) -> Steps | None:
    """Return the steps of the pitch of a track; None where it holds less than 0.1 s of tone.

    Parameters
    ----------
    track : ResidualTrack
        With its pitch over one period at each millisecond.

    Returns
    -------
    Steps or None
        One step for each bin.

    Notes
    -----
    A step is the pitch after less the pitch before, each over 4 ms and half a period from the
    place, less what the slide around does in that time. Its limit is 9 cents, or eight standard
    deviations of the pitch's own steps within half a second (from their median size).
    """
    known = np.flatnonzero((track.hz > 0) & track.tone)
    if known.size < LEAST_BINS:
        return None
    hz = np.interp(np.arange(track.hz.size), known, track.hz[known].astype(np.float64))
    cents = 1200 * np.log2(hz)
    half = np.clip(np.ceil(0.5 / (hz * BIN_S)), 1, 20).astype(np.intp) + 1
    step = _steps(cents, half)
    usual = ndimage.median_filter(np.abs(step[::4]), SCATTER_BINS // 4, mode="nearest")
    usual = np.interp(np.arange(hz.size), np.arange(usual.size) * 4, usual)
    limit = np.maximum(LEAST_CENTS, SIGMAS * 1.48 * usual)
    return Steps(cents=cents, half=half, step=step, limit=limit)


def find_pitch_jumps(steps: Steps, assessed: Mask) -> list[Fault]:
    """Return the jumps of pitch that come back, in order of time, with their sizes.

    Parameters
    ----------
    steps : Steps
        As from `pitch_steps`.
    assessed : ndarray of bool, shape (n_bins,)
        Where jumps are looked for.

    Returns
    -------
    list of Fault
        Pairs of steps of opposite sign within 0.32 s, alike within 45 % of the larger.
    """
    step = steps.step
    marks = [
        a + int(np.abs(step[a:b]).argmax()) for a, b in _signed_runs(step, steps.limit, assessed)
    ]
    return _paired(marks, step, steps.cents, steps.half)


def _steps(cents: Array, half: NDArray[np.intp]) -> Array:
    """Return the step of the pitch at each bin, less what the slide around does."""
    at = np.arange(cents.size)
    total = np.concatenate([[0.0], np.cumsum(cents)])

    def mean(first: NDArray[np.intp], last: NDArray[np.intp]) -> Array:
        a, b = np.clip(first, 0, cents.size), np.clip(last, 0, cents.size)
        out: Array = (total[b] - total[a]) / np.maximum(b - a, 1)
        return out

    rise = mean(at + half, at + half + 4) - mean(at - half - 3, at - half + 1)
    slope = ndimage.median_filter(np.gradient(cents)[::4], 61, mode="nearest")
    slope = np.interp(at, np.arange(slope.size) * 4, slope)
    out: Array = rise - slope * (2 * half + 3)
    return out


def _signed_runs(step: Array, limit: Array, assessed: Mask) -> list[tuple[int, int]]:
    out = [r for sign in (-1, 1) for r in runs(assessed & (sign * step > limit), gap=2)]
    return sorted(out)


def _paired(marks: list[int], step: Array, cents: Array, half: NDArray[np.intp]) -> list[Fault]:
    """Return a jump for each pair of steps that undo each other, the largest taken first.

    Just before and after a large step the pitch rings a little: smaller pairs that overlap a
    larger one are no jumps of their own.
    """
    pairs = []
    for i, a in enumerate(marks):
        for b in marks[i + 1 :]:
            if b - a > LONGEST_BINS:
                break
            up, down = step[a], step[b]
            undone = up * down < 0 and abs(up + down) < ALIKE * max(abs(up), abs(down))
            if undone and b - a >= SHORTEST_BINS:
                pairs.append((-round(min(abs(up), abs(down))), b - a, a, b))
    taken: list[tuple[int, int]] = []
    for _, _, a, b in sorted(pairs):
        ring = SPREAD * int(half[a])
        if all(b < first - ring or a > last + ring for first, last in taken):
            taken.append((a, b))
    return [_jump(a, b, step, cents, half) for a, b in sorted(taken)]


def _jump(a: int, b: int, step: Array, cents: Array, half: NDArray[np.intp]) -> Fault:
    """Return a jump between two steps, sized beside the slide, or by its steps alone."""
    steps = float(step[a] - step[b]) / 2
    size, u = jump_size(cents, int(half[a]), a, b, steps)
    u = math.hypot(u, (step[a] + step[b]) / 2)  # they differ where the slide bends under them
    if not size * steps > 0:
        size, u = steps, max(abs(float(step[a] + step[b])) / 2, abs(steps) / 4, 1.0)
    return Fault(first=a, last=b + 1, kind="pitch jump", size_cents=size, u_size_cents=u)
