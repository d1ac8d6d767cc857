"""Mains hum beside a note, learned where nothing else sounds and taken out of all of it."""

from __future__ import annotations

import math

import numpy as np
from scipy import linalg

from sigkit.arrays import Flags, Real

MAINS_HZ = (50.0, 60.0)
OFF_HZ, STEP_HZ = 0.25, 0.01
APART, MOST_STEP_HZ = 0.08, 0.05
"""Step of the search for the mains frequency, re one over the time that tells it, and at most."""
ORDERS = 12
BELOW_HZ = 1800.0
LOOK_S, AT_FLOOR = 0.02, 1.6
LEAST_S = 0.15
AT_CARRIER = 0.01
"""Lines that lie within this share of a harmonic of the carrier may be its own."""
STANDS_OUT = 20.0
"""Power of a line over what its noise would give, from which on it is taken out."""


def cleaned(
    sound: Real,
    rate: int,
    quiet: Flags,
    near_hz: float = math.nan,
    carrier_hz: float | None = None,
) -> tuple[Real, Flags, float]:
    """Return a sound less its hum, where it is quiet once that is gone, and the mains frequency.

    Parameters
    ----------
    sound, rate, quiet
        As for `without_hum`.
    near_hz : float
        Mains frequency as it was a moment ago; nan: unknown.
    carrier_hz : float, optional
        Rough pitch of what sounds, which may leak where it is quiet and is no hum.

    Notes
    -----
    A release goes on below the hum, so that what is quiet is looked for again without it.
    """
    out, hz = without_hum(sound, rate, quiet, near_hz, carrier_hz)
    for _ in range(2):
        if not quiet.any():
            return out, quiet, hz
        size = max(1, round(LOOK_S * rate))
        count = sound.size // size
        power = np.mean(out[: count * size].reshape(count, size) ** 2, axis=1)
        soft = quiet[: count * size].reshape(count, size).all(axis=1)
        if soft.sum() < 4:
            return out, quiet, hz
        floor = float(np.quantile(power[soft], 0.25))
        loud = power > AT_FLOOR * floor
        edges = np.flatnonzero(~soft)
        # The tail goes on until it is at the floor; the lead ends where it leaves it.
        still = soft & ~loud
        if edges.size:
            after = np.arange(count) > edges[-1]
            still &= ~(after & (np.maximum.accumulate((loud & after)[::-1])[::-1]))
        if still.sum() < 4:
            return out, quiet, hz
        quiet = np.zeros(sound.size, bool)
        quiet[: count * size] = np.repeat(still, size)
        if math.isnan(hz):
            return out, quiet, hz
        out, hz = without_hum(sound, rate, quiet, hz, carrier_hz)
    return out - out[quiet].mean(), quiet, hz


def without_hum(
    sound: Real,
    rate: int,
    quiet: Flags,
    near_hz: float = math.nan,
    carrier_hz: float | None = None,
) -> tuple[Real, float]:
    """Return a sound less its mains lines, and the frequency of the mains (nan: no hum).

    Parameters
    ----------
    sound : ndarray, shape (n_samples,)
        Sound.
    rate : int
        Sample rate in Hz.
    quiet : ndarray of bool, shape (n_samples,)
        Where nothing but hum and noise is heard.
    near_hz, carrier_hz
        As for `cleaned`.

    Notes
    -----
    Least squares over the quiet parts before and after, at the mains frequency within 0.25 Hz of 50
    or 60 Hz that leaves least. Only lines that stand out of the noise are taken out, one of the
    first three among them, and none that lies at the carrier and is stronger than all others.
    """
    step = max(1, int(rate / (2 * BELOW_HZ)))
    count = sound.size // step
    if count < 8 or quiet.sum() < LEAST_S * rate:
        return sound, math.nan
    soft = quiet[: count * step].reshape(count, step).all(axis=1)
    coarse = sound[: count * step].reshape(count, step).mean(axis=1)
    time = ((np.arange(count) + 0.5) * step - 0.5) / rate
    t, y = time[soft], coarse[soft]
    if t.size < 8 * ORDERS:
        return sound, math.nan
    t0 = float(t.mean())
    total = float(y @ y)
    if not total > 0:
        return sound, math.nan
    best_hz, best = math.nan, math.inf
    tries = [(mains, OFF_HZ) for mains in MAINS_HZ]
    if math.isfinite(near_hz):
        tries = [(near_hz, STEP_HZ)]
    # The strongest lines are low: every third value, averaged, is enough to look for them.
    few = y.size // 3
    rough_t = (t[: 3 * few] - t0).reshape(few, 3).mean(axis=1)
    rough_y = y[: 3 * few].reshape(few, 3).mean(axis=1)
    # A frequency is told apart over the time from the first to the last of what is quiet.
    step_hz = min(max(APART / float(np.ptp(t)), STEP_HZ), MOST_STEP_HZ)
    for mains, off in tries:
        for hz in np.arange(mains - off, mains + off + step_hz / 2, step_hz).tolist():
            left = _left(rough_t, rough_y, hz, 2)
            if left < best:
                best_hz, best = hz, left
    for width in (step_hz / 3, step_hz / 12):
        near = best_hz + width * np.arange(-2, 3)
        best_hz = float(near[int(np.argmin([_left(t - t0, y, hz, 4) for hz in near]))])
    columns = _lines(t - t0, best_hz, ORDERS)
    found, *_ = np.linalg.lstsq(columns, y, rcond=None)
    rest = y - columns @ found
    noise = float(rest @ rest) / max(1, y.size - found.size)
    pairs = found.reshape(ORDERS, 2)
    power = np.sum(pairs**2, axis=1) * y.size / 4
    kept = power > STANDS_OUT * noise
    if carrier_hz is not None:
        at = np.arange(1, ORDERS + 1) * best_hz
        beside = np.abs(at - np.round(at / carrier_hz) * carrier_hz) < AT_CARRIER * at + 1.0
        beside &= at > 0.9 * carrier_hz
        most = float(power[kept & ~beside].max()) if (kept & ~beside).any() else 0.0
        kept &= ~beside | (power <= most)
    if not kept[:3].any():
        return sound, math.nan
    # Averages over a step are a little lower than the line itself.
    orders = np.arange(1, ORDERS + 1)
    size = np.sinc(orders * best_hz * step / rate) / np.sinc(orders * best_hz / rate)
    turn = np.exp(2j * np.pi * best_hz * (np.arange(sound.size) / rate - t0))
    power_of, out = np.ones_like(turn), sound.copy()
    for k in range(1, int(np.flatnonzero(kept)[-1]) + 2):
        power_of = power_of * turn
        if kept[k - 1]:
            cos, sin = pairs[k - 1] / size[k - 1]
            out -= cos * power_of.real + sin * power_of.imag
    return out, best_hz


def _lines(t: Real, hz: float, orders: int) -> Real:
    angle = 2 * np.pi * hz * t[:, None] * np.arange(1, orders + 1)
    out: Real = np.stack([np.cos(angle), np.sin(angle)], axis=2).reshape(t.size, -1)
    return out


def _left(t: Real, y: Real, hz: float, orders: int) -> float:
    columns = _lines(t, hz, orders)
    normal, pull = columns.T @ columns, columns.T @ y
    normal[np.diag_indices_from(normal)] += 1e-9 * y.size
    return float(y @ y - pull @ linalg.solve(normal, pull, assume_a="pos"))
