"""The frequency of the mains beside a note, and how it moves, from where nothing else sounds."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from scipy.linalg.lapack import dposv

from sigkit.arrays import Flags, Real

MAINS_HZ = (50.0, 60.0)
OFF_HZ, STEP_HZ = 0.25, 0.01
NEXT_HZ, MOST_BEND = 0.05, 1e-3
"""How far the mains may be from where they were in the stretch before, and share by which their
frequency may change in a second."""
APART, MOST_STEP_HZ = 0.08, 0.05
"""Step of the search for the mains frequency, re one over the time that tells it, and at most."""
BEYOND = 4
"""Frequencies beyond the end of the search that are looked at, within one over that time."""
ORDERS = 12
BELOW_HZ = 1800.0
LEAST_S = 0.15
STANDS_OUT = 20.0
"""Power of a line over what its noise would give, from which on it is taken out."""


class Means(NamedTuple):
    """Averages over ``step`` samples where it is quiet, their time from ``middle_s``."""

    time_s: Real
    level: Real
    step: int
    middle_s: float


def quiet_means(sound: Real, rate: int, quiet: Flags) -> Means | None:
    """Return what is quiet in averages short enough for every line; None where it is too little.

    Parameters
    ----------
    sound : ndarray, shape (n_samples,)
        Sound.
    rate : int
        Sample rate in Hz.
    quiet : ndarray of bool, shape (n_samples,)
        Where nothing but hum and noise is heard.
    """
    step = max(1, int(rate / (2 * BELOW_HZ)))
    count = sound.size // step
    if count < 8 or quiet.sum() < LEAST_S * rate:
        return None
    soft = quiet[: count * step].reshape(count, step).all(axis=1)
    coarse = sound[: count * step].reshape(count, step).mean(axis=1)
    time = ((np.arange(count) + 0.5) * step - 0.5) / rate
    t, y = time[soft], coarse[soft]
    if t.size < 8 * ORDERS or not np.any(y):
        return None
    t0 = float(t.mean())
    return Means(t - t0, y, step, t0)


def mains_of(
    t: Real, near_hz: float, roughly: Callable[[float], float], closely: Callable[[float], float]
) -> float:
    """Return the mains frequency that leaves least; nan where there is none within reach.

    Parameters
    ----------
    t : ndarray, shape (n,)
        Times that tell it.
    near_hz : float
        Mains frequency of the stretch before; nan: unknown.
    roughly, closely : callable
        Say how much a frequency leaves.
    """
    # A frequency is told apart over the time from the first to the last of what is quiet.
    step_hz = min(max(APART / float(np.ptp(t)), STEP_HZ), MOST_STEP_HZ)

    def least_about(*tries: tuple[float, float]) -> float:
        spans = [np.arange(hz - off, hz + off + step_hz / 2, step_hz) for hz, off in tries]
        return float(min(np.concatenate(spans).tolist(), key=roughly))

    everywhere = [(mains, OFF_HZ) for mains in MAINS_HZ]
    near = [(near_hz, NEXT_HZ)] if math.isfinite(near_hz) else everywhere
    best_hz = least_about(*near)
    if abs(best_hz - near_hz) > NEXT_HZ - step_hz / 2:
        # It has moved on further than was looked.
        best_hz = least_about(*everywhere)
    for width in (step_hz / 3, step_hz / 12):
        beside = best_hz + width * np.arange(-3, 4)
        left = np.array([closely(hz) for hz in beside.tolist()])
        place = int(np.argmin(left))
        best_hz = float(beside[place])
    if 0 < place < beside.size - 1:
        a, b, c = left[place - 1 : place + 2].tolist()
        bend = a - 2 * b + c
        best_hz += 0.5 * width * (a - c) / bend if bend > 0 else 0.0
    middle = min(MAINS_HZ, key=lambda mains: abs(best_hz - mains))
    # Where more lies just beyond the end of the search, what pulls there is no mains.
    away = OFF_HZ + np.linspace(step_hz, max(1 / float(np.ptp(t)), step_hz), BEYOND)
    own = closely(best_hz)
    beyond = middle + math.copysign(1.0, best_hz - middle) * away
    return math.nan if any(closely(hz) < own for hz in beyond.tolist()) else best_hz


def bending(t: Real, y: Real, hz: float, apart: Callable[[Real], Real]) -> tuple[float, float]:
    """Return the mains frequency, and the share by which it rises in a second; 0 if that is noise.

    Parameters
    ----------
    t, y : ndarray, shape (n,)
        Times about zero, and what is heard then.
    hz : float
        Mains frequency if it stays.
    apart : callable
        What is taken out of ``y`` already is taken out of the lines by this.

    Notes
    -----
    Newton's method on the phases of the strongest lines, which are those of a frequency that stays
    at times that are bent.
    """
    orders, first, bend = np.arange(1, 5)[:, None], hz, 0.0
    for _ in range(3):
        lines = mains_lines(bent(t, bend), hz, orders.size)
        columns = apart(lines)
        pairs = parts_of(columns, y).reshape(-1, 2)
        turned = lines @ (np.stack([pairs[:, 1], -pairs[:, 0]], axis=1) * orders).ravel()
        by = apart(np.stack([turned * (2 * np.pi * t), turned * (np.pi * hz * t**2)], axis=1))
        size = np.sqrt(np.maximum(np.mean(by**2, axis=0), 1e-300))
        moved = parts_of(np.hstack([columns, by / size]), y)[-2:] / size
        hz, bend = hz + float(moved[0]), bend + float(moved[1])
        if not (abs(hz - first) < STEP_HZ and abs(bend) < MOST_BEND):
            return first, 0.0
    straight = left_of(apart(mains_lines(t, first, orders.size)), y)
    left = left_of(apart(mains_lines(bent(t, bend), hz, orders.size)), y)
    return (hz, bend) if straight - left > STANDS_OUT * left / t.size else (first, 0.0)


def bent(t: Real, bend: float) -> Real:
    """Return times at which a frequency that stays has the phase of one that rises by a share."""
    return t + 0.5 * bend * t**2


def mains_lines(t: Real, hz: float, orders: int) -> Real:
    """Return cosine and sine of so many harmonics of the mains, shape (n, 2 * orders)."""
    angle = (2 * np.pi * hz) * t
    first = np.empty(t.size, np.complex128)
    first.real, first.imag = np.cos(angle), np.sin(angle)
    rows = np.empty((2 * orders, t.size))
    turn = first
    for k in range(orders):
        rows[2 * k], rows[2 * k + 1] = turn.real, turn.imag
        if k + 1 < orders:
            turn = turn * first
    return rows.T


def left_by(t: Real, y: Real, hz: float, orders: int) -> float:
    """Return the energy that so many harmonics of the mains leave."""
    return left_of(mains_lines(t, hz, orders), y)


def left_of(columns: Real, y: Real) -> float:
    """Return the energy that a fit of some columns leaves."""
    return float(y @ y - (columns.T @ y) @ parts_of(columns, y))


def parts_of(columns: Real, y: Real) -> Real:
    """Return how much of each of some columns makes the most of ``y``."""
    normal, pull = columns.T @ columns, columns.T @ y
    normal.flat[:: pull.size + 1] += 1e-9 * y.size
    found: Real = dposv(normal, pull)[1]
    return found
