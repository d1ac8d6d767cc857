"""Steps of pitch that stay, faster than 50 ms."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sigkit.arrays import Real

SIDE_S = 0.1
"""How long the pitch is looked at on either side of a step, so that wander hides it little."""
STAYS_S = 0.25
"""How long half of the step has to stay."""
LEAST_CENTS = 1.0
FASTEST_S = 0.050
TIMES_SCATTER = 5.0
"""A step stands out this many times over the scatter of such differences in the same capture."""
FRAMES_AT_ONCE = 10_000
STEEP = 1.2
"""The parabola of a window of length W makes a sharp step of height h rise by 1.5 h/W at its
steepest, one of 50 ms in a window of 0.1 s by 1.38 h/W, one of 100 ms by h/W."""


def find_jumps(time_s: Real, cents: Real, *, window_s: float) -> pd.DataFrame:
    """Find steps of pitch that stay.

    Parameters
    ----------
    time_s, cents : ndarray, shape (n_frames,)
        Pitch track, evenly spaced; nan in gaps.
    window_s : float
        Length of the window behind each frame.

    Returns
    -------
    DataFrame
        Columns time_s, size_cents, u_cents, in order of time.

    Notes
    -----
    The median over 0.1 s after each instant is compared with that before it, leaving out the
    window that reaches over the instant. A step must stand out five times above the scatter of
    these differences in the same capture and be at least one cent, and half of it must still be
    there over 0.25 s. Slower changes (glides, drift) and spikes that do not stay (lost samples) are
    not steps.
    """
    columns = ["time_s", "size_cents", "u_cents"]
    hop = float(time_s[1] - time_s[0]) if time_s.size > 1 else 1.0
    guard = max(1, round((window_s / 2 + 0.01) / hop))
    side, stays = max(4, round(SIDE_S / hop)), max(5, round(STAYS_S / hop))
    if time_s.size < 2 * (stays + guard) + 1:
        return pd.DataFrame(columns=columns, dtype=float)
    before, after, scatter = _sides(cents, side, guard)
    long_before, long_after, _ = _sides(cents, stays, guard)
    step, lasting = after - before, long_after - long_before
    size = np.where(np.isfinite(step) & np.isfinite(lasting), np.abs(step), 0.0)
    rows = []
    while size.max() > LEAST_CENTS:
        at = int(np.argmax(size))
        level = np.flatnonzero(size[at : at + 2 * side] < 0.8 * size[at])
        at += int(level[0] if level.size else 0) // 2
        near = slice(max(0, at - side - guard), at + side + guard + 1)
        elsewhere = size.copy()
        elsewhere[near] = 0.0
        usual = 1.4826 * float(np.median(elsewhere[elsewhere > 0])) if elsewhere.any() else 0.0
        if size[at] < TIMES_SCATTER * usual:
            break
        time, is_sharp = _place(time_s[near], cents[near], step[at], window_s, hop)
        if is_sharp and lasting[at] / step[at] > 0.5:
            rows.append((time, step[at], float(scatter[at])))
        at = round((time - time_s[0]) / hop)
        size[max(0, at - stays - 2 * guard) : at + stays + 2 * guard + 1] = 0.0
        size[near] = 0.0
    return pd.DataFrame(sorted(rows), columns=columns, dtype=float)


def _sides(cents: Real, side: int, guard: int) -> tuple[Real, Real, Real]:
    """Medians before and after each frame, and the standard uncertainty of their difference."""
    views = np.lib.stride_tricks.sliding_window_view(cents, side)
    middle, spread = np.full(len(views), np.nan), np.full(len(views), np.nan)
    for first in range(0, len(views), FRAMES_AT_ONCE):
        part = views[first : first + FRAMES_AT_ONCE]
        enough = np.isfinite(part).sum(axis=1) >= max(3, side // 3)
        rows = first + np.flatnonzero(enough)
        if rows.size:
            middle[rows] = np.nanmedian(part[enough], axis=1)
            spread[rows] = np.nanstd(part[enough], axis=1)
    before, after = np.full(cents.size, np.nan), np.full(cents.size, np.nan)
    scatter = np.full(cents.size, np.nan)
    first, last = side + guard, cents.size - side - guard
    at = np.arange(first, last)
    before[at], after[at] = middle[at - guard - side], middle[at + guard + 1]
    pooled = np.hypot(spread[at - guard - side], spread[at + guard + 1])
    scatter[at] = pooled / np.sqrt(max(1.0, side / 10))
    return before, after, scatter


def _place(
    time_s: Real, cents: Real, height: float, window_s: float, hop: float
) -> tuple[float, bool]:
    """Instant of the steepest rise, and whether it is as steep as a step faster than 50 ms."""
    reach = max(1, round(window_s / 5 / hop))
    slope = (cents[reach:] - cents[:-reach]) / (reach * hop) * np.sign(height)
    middle = (time_s[reach:] + time_s[:-reach]) / 2
    gaps = np.flatnonzero(~np.isfinite(cents))
    if gaps.size:
        return float(time_s[gaps].mean()), bool(np.ptp(time_s[gaps]) < 2 * window_s + FASTEST_S)
    steepest = int(np.argmax(slope))
    near = slope > 0.5 * slope[steepest]
    near &= np.abs(middle - middle[steepest]) < window_s
    at = float(np.average(middle[near], weights=slope[near]))
    return at, bool(slope[steepest] > STEEP * abs(height) / window_s)
