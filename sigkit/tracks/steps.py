"""Steps of a slow curve of pitch: moves within a second that stay, such as a knocked knob."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pandas as pd
from scipy import ndimage, signal

from sigkit.arrays import Flags, Real

COLUMNS = ["time_s", "size_cents", "u_cents", "duration_s", "kind"]
SLOWEST_S = 1.0
"""A step is over within this time; slower moves are drift."""
SIDE_S = 2.0
"""Stretch on either side through which a line is laid; half of a step is still there after it."""
LEAST_JUMP_CENTS, LEAST_MOVE_CENTS = 1.0, 2.0
TIMES_SCATTER = 6.0
"""A step stands out so many times over what the same difference is without one around it."""
AROUND_S = 60.0
TIMES_SLOPE = 0.5
"""Least size in what the drift on both sides does meanwhile, so that no steep drift is a step."""
FAST_S = 0.1
"""A jump is faster; the window behind a frame tells no shorter times apart."""
MOST = 100
TOO_SLOW = 1.2


def find_steps(time_s: Real, cents: Real, *, window_s: float) -> pd.DataFrame:
    """Find moves of pitch within a second that stay.

    Parameters
    ----------
    time_s, cents : ndarray, shape (n_frames,)
        Pitch track, evenly spaced; nan in gaps.
    window_s : float
        Length of the window behind each frame.

    Returns
    -------
    DataFrame
        Columns time_s, size_cents, u_cents, duration_s and kind, in order of time. Kind is
        ``jump`` (faster than 0.1 s), ``move`` (slower, at least 2 cents), or ``in a gap`` (the
        tone is lost meanwhile, for less than a second; its duration is nan).

    Notes
    -----
    Straight lines through 2 s before and after each instant, half a second away from it, are
    continued to that instant. A step is their difference where it stands out six times above the
    usual one around it, and where lines through the 2 s beyond those still see half of it. Two
    steps within a second are one.
    """
    hop = float(time_s[1] - time_s[0]) if time_s.size > 1 else 1.0
    guard = math.ceil((SLOWEST_S + window_s) / 2 / hop)
    filled, known = _filled(cents, round(SLOWEST_S / hop))
    refused = np.zeros(time_s.size, dtype=bool)
    rows: list[tuple[float, float, float, float, str]] = []
    while len(rows) < MOST:
        size, slope, scale, stands = _stands_out(filled, known, guard, hop)
        stands[refused] = 0.0
        if not (stands.size and stands.max() > 1):
            break
        top = int(np.argmax(stands))
        near = slice(max(0, top - 2 * guard), top + 2 * guard + 1)
        at_s, duration_s = _transition(time_s[near], filled[near], size[top], slope[top], window_s)
        at = int(np.clip(round((at_s - time_s[0]) / hop), 0, time_s.size - 1))
        height = float(size[at] if np.isfinite(size[at]) else size[top])
        in_gap = not np.isfinite(cents[max(0, at - 1) : at + 2]).all()
        kind = "in a gap" if in_gap else "jump" if duration_s < FAST_S else "move"
        small = kind != "jump" and abs(height) < LEAST_MOVE_CENTS
        if small or refused[at] or duration_s > TOO_SLOW * SLOWEST_S:
            refused[max(0, top - guard) : top + guard + 1] = True
            continue
        filled = filled - height * np.clip((time_s - at_s) / (duration_s + window_s) + 0.5, 0, 1)
        # What is left of it within the guard is no further step.
        refused[max(0, at - guard) : at + guard + 1] = True
        told_s = math.nan if in_gap else duration_s
        rows.append((at_s, height, max(float(scale[at]), 1e-6), told_s, kind))
    table = pd.DataFrame(sorted(rows), columns=COLUMNS)
    return table.astype(dict.fromkeys(COLUMNS[:4], float))


def _stands_out(
    filled: Real, known: Flags, guard: int, hop: float
) -> tuple[Real, Real, Real, Real]:
    """Step and slope at every frame, the usual step, and by how much the step stands out."""
    size, slope = _difference(filled, known, guard, round(SIDE_S / hop), hop)
    side = round(SIDE_S / hop)
    lasting, _ = _difference(filled, known, guard + side, side, hop)
    lasting = np.where(np.isfinite(lasting), lasting, size)
    scale = _scale(size, round(AROUND_S / hop))
    steep = TIMES_SLOPE * np.abs(slope) * 2 * guard * hop
    least = np.fmax(np.fmax(TIMES_SCATTER * scale, steep), LEAST_JUMP_CENTS)
    stays = np.isfinite(size) & (lasting * np.sign(size) > 0.5 * np.abs(size))
    return size, slope, scale, np.where(stays, np.abs(size) / least, 0.0)


def _filled(cents: Real, longest: int) -> tuple[Real, Flags]:
    """Bridge gaps no longer than so many frames; say where there is a pitch then."""
    known = np.isfinite(cents)
    if not known.any():
        return np.zeros_like(cents), known
    at = np.arange(cents.size)
    filled = np.interp(at, at[known], cents[known])
    numbered, count = ndimage.label(~known)
    lengths = np.bincount(numbered.ravel(), minlength=count + 1)
    short = (numbered > 0) & (lengths[numbered] <= longest)
    return filled, known | short


def _difference(filled: Real, known: Flags, guard: int, side: int, hop: float) -> tuple[Real, Real]:
    """Line after each frame less the line before it, continued to the frame; and their slope."""
    offset = np.arange(guard, guard + side) * 1.0
    centred = offset - offset.mean()
    of_slope = centred / (centred @ centred)
    at_zero = 1 / side - offset.mean() * of_slope
    gap = np.zeros(2 * guard - 1)
    size_taps = np.concatenate([-at_zero[::-1], gap, at_zero])
    slope_taps = np.concatenate([-of_slope[::-1], gap, of_slope]) / (2 * hop)
    size, slope = np.full(filled.size, np.nan), np.full(filled.size, np.nan)
    reach = guard + side - 1
    if filled.size <= 2 * reach:
        return size, slope
    inside = slice(reach, filled.size - reach)
    level = float(np.median(filled))
    size[inside] = signal.oaconvolve(filled - level, size_taps[::-1], "valid")
    slope[inside] = signal.oaconvolve(filled - level, slope_taps[::-1], "valid")
    unknown = np.concatenate([[0], np.cumsum(~known)])
    at = np.arange(reach, filled.size - reach)
    lost = unknown[at + reach + 1] - unknown[at - reach]
    size[inside][lost > 0] = np.nan
    return size, slope


def _scale(size: Real, around: int) -> Real:
    """Usual size of the difference around each frame, as a standard deviation."""
    pieces = max(1, round(size.size / around))
    edges = np.linspace(0, size.size, pieces + 1).astype(np.intp)
    usual = np.array(
        [
            1.4826 * np.nanmedian(np.abs(part)) if np.isfinite(part).any() else np.nan
            for part in (size[a:b] for a, b in itertools.pairwise(edges))
        ]
    )
    if not np.isfinite(usual).any():
        return np.full(size.size, np.inf)
    middle = (edges[1:] + edges[:-1]) / 2
    good = np.isfinite(usual)
    scale: Real = np.interp(np.arange(size.size), middle[good], usual[good])
    return scale


def _transition(
    time_s: Real, filled: Real, size: float, slope: float, window_s: float
) -> tuple[float, float]:
    """Instant and duration of a step, from where the pitch moves its way.

    A move of even speed over a duration d, seen through a window weighted by a parabola of length
    W, has a variance of d^2/12 + W^2/20 in time.
    """
    hop = float(time_s[1] - time_s[0])
    rate = (np.diff(filled) / hop - slope) * np.sign(size)
    middle = (time_s[1:] + time_s[:-1]) / 2
    weight = np.where(rate > 0.1 * rate.max(), rate, 0.0)
    numbered, _ = ndimage.label(ndimage.binary_closing(weight > 0, np.ones(4, bool)))
    weight[numbered != numbered[int(np.argmax(rate))]] = 0.0
    weight = np.maximum(weight, 0.0)
    at = float(np.average(middle, weights=weight))
    variance = float(np.average((middle - at) ** 2, weights=weight))
    own = window_s**2 / 20 + hop**2 / 12
    return at, math.sqrt(12 * max(0.0, variance - own))
