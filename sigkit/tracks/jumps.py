"""Steps of pitch that stay, faster than 50 ms."""

from __future__ import annotations

import numpy as np
import pandas as pd

from sigkit.arrays import Real

SIDE_S = 0.25
"""How long the pitch is looked at on either side of a step; it has to stay that long."""
LEAST_CENTS = 1.0
FASTEST_S = 0.050
TIMES_SCATTER = 6.0
"""A step stands out this many times over the scatter of such differences in the same capture."""
SMEARED = 0.608
"""Share of the pitch window that a sharp step takes from 10 to 90 % of its height: the window is a
parabola, whose integral is x^2 (3 - 2x)."""


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
    The median over 0.25 s after each instant is compared with that before it, leaving out the
    window that reaches over the instant. A step must stand out six times above the scatter of
    these differences in the same capture and be at least one cent; slower changes (glides, drift)
    and spikes that do not stay (lost samples) are not steps.
    """
    columns = ["time_s", "size_cents", "u_cents"]
    hop = float(time_s[1] - time_s[0]) if time_s.size > 1 else 1.0
    side = max(4, round(SIDE_S / hop))
    guard = max(1, round((window_s / 2 + 0.01) / hop))
    if time_s.size < 2 * (side + guard) + 1:
        return pd.DataFrame(columns=columns, dtype=float)
    before, after, scatter = _sides(cents, side, guard)
    step = after - before
    known = np.isfinite(step)
    if not known.any():
        return pd.DataFrame(columns=columns, dtype=float)
    usual = 1.4826 * float(np.median(np.abs(step[known] - np.median(step[known]))))
    threshold = max(LEAST_CENTS, TIMES_SCATTER * usual)
    size = np.where(known, np.abs(step), 0.0)
    rows = []
    while size.max() > threshold:
        at = int(np.argmax(size))
        level = np.flatnonzero(size[at : at + 2 * side] < 0.8 * size[at])
        at += int(level[0] if level.size else 0) // 2
        near = slice(max(0, at - side - guard), at + side + guard + 1)
        time, is_sharp = _place(time_s[near], cents[near], before[at], after[at], window_s, hop)
        if is_sharp:
            rows.append((time, step[at], float(scatter[at])))
        size[max(0, at - 2 * side - guard) : at + 2 * side + guard + 1] = 0.0
    return pd.DataFrame(sorted(rows), columns=columns, dtype=float)


def _sides(cents: Real, side: int, guard: int) -> tuple[Real, Real, Real]:
    """Medians before and after each frame, and the standard uncertainty of their difference."""
    view = np.lib.stride_tricks.sliding_window_view(cents, side)
    enough = np.isfinite(view).sum(axis=1) >= max(3, side // 3)
    middle = np.full(view.shape[0], np.nan)
    spread = np.full(view.shape[0], np.nan)
    if enough.any():
        middle[enough] = np.nanmedian(view[enough], axis=1)
        spread[enough] = np.nanstd(view[enough], axis=1)
    before, after = np.full(cents.size, np.nan), np.full(cents.size, np.nan)
    scatter = np.full(cents.size, np.nan)
    first, last = side + guard, cents.size - side - guard
    at = np.arange(first, last)
    before[at], after[at] = middle[at - guard - side], middle[at + guard + 1]
    pooled = np.hypot(spread[at - guard - side], spread[at + guard + 1])
    scatter[at] = pooled / np.sqrt(max(1.0, side / 10))
    return before, after, scatter


def _place(
    time_s: Real, cents: Real, before: float, after: float, window_s: float, hop: float
) -> tuple[float, bool]:
    """Instant at which half of the step is done, and whether it is faster than 50 ms."""
    height = (cents - before) / (after - before)
    known = np.isfinite(height)
    if known.sum() < 4:
        return float(time_s.mean()), False
    t, h = time_s[known], height[known]
    low = t[np.flatnonzero(h < 0.1)[-1]] if (h < 0.1).any() else t[0]
    later = t > low
    high_at = np.flatnonzero(later & (h > 0.9))
    high = t[high_at[0]] if high_at.size else t[-1]
    missing = np.diff(t).max() > 1.5 * hop
    allowed = np.hypot(SMEARED * window_s, FASTEST_S) + 2 * hop
    return float(low + high) / 2, bool(high - low <= allowed + (window_s if missing else 0.0))
