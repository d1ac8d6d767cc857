"""Mains hum beside a note, learned where nothing else sounds and taken out of all of it."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from scipy import linalg

from sigkit.arrays import Complex, Flags, Real

MAINS_HZ = (50.0, 60.0)
OFF_HZ, STEP_HZ = 0.25, 0.01
NEXT_HZ, MOST_BEND = 0.05, 1e-3
"""How far the mains may be from where they were in the stretch before, and share by which their
frequency may change in a second."""
APART, MOST_STEP_HZ = 0.08, 0.05
"""Step of the search for the mains frequency, re one over the time that tells it, and at most."""
ORDERS = 12
BELOW_HZ = 1800.0
LOOK_S, AT_FLOOR = 0.02, 1.6
LEAST_S = 0.15
AT_CARRIER = 0.01
"""Lines that lie within this share of a harmonic of the carrier may be its own."""
NEAR_HZ = 3.0
"""Distance from a harmonic of the carrier within which a line is in its wave as it is learned."""
AT_ONCE_S = 0.15
"""Time over which a line that is not quite the carrier's is alike on its wave."""
TOLD = 0.1
"""Share of a line's size that has to be left beside the carrier's wave for the line to be told."""
TURNED = 1024
STANDS_OUT = 20.0
"""Power of a line over what its noise would give, from which on it is taken out."""


def cleaned(
    sound: Real,
    rate: int,
    quiet: Flags,
    near_hz: float = math.nan,
    carrier_hz: float | None = None,
    *,
    first: bool = False,
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
    first : bool
        Whether lines at the carrier are left, and the quiet is looked for once only: both are told
        anew when its wave is known.

    Notes
    -----
    A release goes on below the hum, so that what is quiet is looked for again without it.
    """
    out, hz = without_hum(sound, rate, quiet, near_hz, carrier_hz, first=first)
    for _ in range(1 if first else 2):
        if not quiet.any():
            return out, quiet, hz
        still = still_in(out, rate, quiet)
        if still is None:
            return out, quiet, hz
        quiet = still
        if math.isnan(hz):
            return out, quiet, hz
        out, hz = without_hum(sound, rate, quiet, hz, carrier_hz, first=first)
    return out - out[quiet].mean(), quiet, hz


def still_in(sound: Real, rate: int, quiet: Flags) -> Flags | None:
    """Return where a sound is at its floor among what is quiet; None where that is too little.

    Parameters
    ----------
    sound, rate, quiet
        As for `without_hum`, the sound less its hum.
    """
    size = max(1, round(LOOK_S * rate))
    count = sound.size // size
    power = np.mean(sound[: count * size].reshape(count, size) ** 2, axis=1)
    soft = quiet[: count * size].reshape(count, size).all(axis=1)
    if soft.sum() < 4:
        return None
    loud = power > AT_FLOOR * float(np.quantile(power[soft], 0.25))
    edges = np.flatnonzero(~soft)
    # The tail goes on until it is at the floor; the lead ends where it leaves it.
    still = soft & ~loud
    if edges.size:
        after = np.arange(count) > edges[-1]
        still &= ~(after & (np.maximum.accumulate((loud & after)[::-1])[::-1]))
    if still.sum() < 4:
        return None
    out = np.zeros(sound.size, bool)
    out[: count * size] = np.repeat(still, size)
    return out


def without_hum(
    sound: Real,
    rate: int,
    quiet: Flags,
    near_hz: float = math.nan,
    carrier_hz: float | None = None,
    *,
    first: bool = False,
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
    near_hz, carrier_hz, first
        As for `cleaned`.

    Notes
    -----
    Least squares over the quiet parts before and after, at the mains frequency within 0.25 Hz of 50
    or 60 Hz that leaves least. Only lines that stand out of the noise are taken out, one of the
    first three among them, and none that lies at the carrier and is stronger than all others.
    """
    data = _quiet_means(sound, rate, quiet)
    if data is None:
        return sound, math.nan
    t, y, step, t0 = data.time_s, data.level, data.step, data.middle_s
    # The strongest lines are low: every third value, averaged, is enough to look for them.
    few = y.size // 3
    rough_t, rough_y = (v[: 3 * few].reshape(few, 3).mean(axis=1) for v in (t, y))
    best_hz = _mains_of(
        t,
        near_hz,
        lambda hz: _left(rough_t, rough_y, hz, 2),
        lambda hz: _left(t, y, hz, 4),
    )
    if math.isnan(best_hz):
        return sound, math.nan
    best_hz, bend = _bending(t, y, best_hz, lambda columns: columns)
    columns = _lines(_bent(t, bend), best_hz, ORDERS)
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
        most = float(power[kept & ~beside].max()) if (kept & ~beside).any() and not first else 0.0
        kept &= ~beside | (power <= most)
    if not kept[:3].any():
        return sound, math.nan
    return _taken_out(sound, rate, Hum(best_hz, pairs, kept, step, t0, bend)), best_hz


class Hum(NamedTuple):
    """Lines of the mains: frequency, size of cosine and sine by order, those kept, and their time.

    Sizes are those of averages over ``step`` samples; time runs from ``middle_s``; ``bend`` is the
    share by which the frequency rises in a second.
    """

    hz: float
    pairs: Real
    kept: Flags
    step: int
    middle_s: float
    bend: float = 0.0

    def at(self, carrier_hz: float) -> float:
        """Return the rms of the strongest line that lies close to a harmonic of a carrier."""
        lines = np.arange(1, ORDERS + 1) * self.hz
        apart = np.abs(lines - np.round(lines / carrier_hz) * carrier_hz)
        near = self.kept & (apart < NEAR_HZ) & (lines > 0.9 * carrier_hz)
        return math.sqrt(float(np.sum(self.pairs**2, axis=1)[near].max(initial=0.0)) / 2)


class _Means(NamedTuple):
    """Averages over ``step`` samples where it is quiet, their time from ``middle_s``."""

    time_s: Real
    level: Real
    step: int
    middle_s: float


def _quiet_means(sound: Real, rate: int, quiet: Flags) -> _Means | None:
    """Return what is quiet in averages short enough for every line; None where it is too little."""
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
    return _Means(t - t0, y, step, t0)


def _mains_of(
    t: Real, near_hz: float, roughly: Callable[[float], float], closely: Callable[[float], float]
) -> float:
    """Return the mains frequency that leaves least, by two functions that say how much it is.

    Nan where there is none within reach.
    """
    best_hz, best = math.nan, math.inf
    tries = [(mains, OFF_HZ) for mains in MAINS_HZ]
    if math.isfinite(near_hz):
        tries = [(near_hz, NEXT_HZ)]
    # A frequency is told apart over the time from the first to the last of what is quiet.
    step_hz = min(max(APART / float(np.ptp(t)), STEP_HZ), MOST_STEP_HZ)
    for mains, off in tries:
        for hz in np.arange(mains - off, mains + off + step_hz / 2, step_hz).tolist():
            most = roughly(hz)
            if most < best:
                best_hz, best = hz, most
    for width in (step_hz / 3, step_hz / 12):
        near = best_hz + width * np.arange(-3, 4)
        left = np.array([closely(hz) for hz in near.tolist()])
        place = int(np.argmin(left))
        best_hz = float(near[place])
    if 0 < place < near.size - 1:
        a, b, c = left[place - 1 : place + 2].tolist()
        bend = a - 2 * b + c
        best_hz += 0.5 * width * (a - c) / bend if bend > 0 else 0.0
    middle = min(MAINS_HZ, key=lambda mains: abs(best_hz - mains))
    beyond = middle + math.copysign(OFF_HZ + step_hz, best_hz - middle)
    # Where the search ran into its end, what pulls there is no mains.
    return math.nan if closely(beyond) < closely(best_hz) else best_hz


def _bending(t: Real, y: Real, hz: float, apart: Callable[[Real], Real]) -> tuple[float, float]:
    """Return the mains frequency, and the share by which it rises in a second; 0 if that is noise.

    Newton's method on the phases of the strongest lines, ``apart`` taken of what they are made of.
    """
    orders, first, bend = np.arange(1, 5)[:, None], hz, 0.0
    for _ in range(3):
        lines = _lines(_bent(t, bend), hz, orders.size)
        columns = apart(lines)
        pairs = np.linalg.lstsq(columns, y, rcond=None)[0].reshape(-1, 2)
        turned = lines @ (np.stack([pairs[:, 1], -pairs[:, 0]], axis=1) * orders).ravel()
        by = apart(np.stack([turned * (2 * np.pi * t), turned * (np.pi * hz * t**2)], axis=1))
        moved = np.linalg.lstsq(np.hstack([columns, by]), y, rcond=None)[0][-2:]
        hz, bend = hz + float(moved[0]), bend + float(moved[1])
        if not (abs(hz - first) < STEP_HZ and abs(bend) < MOST_BEND):
            return first, 0.0
    straight = _left_of(apart(_lines(t, first, orders.size)), y)
    left = _left_of(apart(_lines(_bent(t, bend), hz, orders.size)), y)
    return (hz, bend) if straight - left > STANDS_OUT * left / t.size else (first, 0.0)


def _bent(t: Real, bend: float) -> Real:
    return t + 0.5 * bend * t**2


def _taken_out(sound: Real, rate: int, hum: Hum) -> Real:
    """Return a sound less the lines that are kept."""
    orders = np.arange(1, ORDERS + 1)
    # Averages over a step are a little lower than the line itself.
    size = np.sinc(orders * hum.hz * hum.step / rate) / np.sinc(orders * hum.hz / rate)
    turn = _turning(hum.hz / rate, sound.size) * np.exp(-2j * np.pi * hum.hz * hum.middle_s)
    if hum.bend:
        since = np.arange(sound.size) / rate - hum.middle_s
        turn *= np.exp(1j * np.pi * hum.hz * hum.bend * since**2)
    power_of, out = np.ones_like(turn), sound.copy()
    for k in range(1, int(np.flatnonzero(hum.kept)[-1]) + 2):
        power_of = power_of * turn
        if hum.kept[k - 1]:
            cos, sin = hum.pairs[k - 1] / size[k - 1]
            out -= cos * power_of.real + sin * power_of.imag
    return out


def _turning(cycles: float, size: int) -> Complex:
    """Return exp(2 pi i cycles n) for n from 0 on."""
    slow = np.exp(2j * np.pi * cycles * TURNED * np.arange(-(-size // TURNED)))
    fast = np.exp(2j * np.pi * cycles * np.arange(TURNED))
    out: Complex = np.outer(slow, fast).ravel()[:size]
    return out


def without_hum_beside(
    sound: Real, rate: int, quiet: Flags, phase: Real, wave: Real, near_hz: float = math.nan
) -> tuple[Real, Hum | None, float]:
    """Return a sound less its mains lines, those at the carrier too, whose wave is known by now.

    Parameters
    ----------
    sound, rate, quiet, near_hz
        As for `without_hum`.
    phase : ndarray, shape (n_samples,)
        Phase of the carrier in periods, gone on where it is quiet.
    wave : ndarray, shape (n_points,)
        One period of it.

    Returns
    -------
    sound : ndarray, shape (n_samples,)
        The sound less the hum.
    hum : Hum or None
        The lines; None: no hum.
    untold : float
        Level on the wave, re the wave, that may be hum or the tone itself: by noise, and all that
        is left there of the wave where the two can't be told apart.

    Notes
    -----
    A leak and the end of a release are the carrier's wave at some level: each period has a level of
    its own, which is solved for and left in. So nothing is lost of hum at any other frequency, and
    of hum at the carrier's only what is like its wave and in step with it.
    """
    data = _quiet_means(sound, rate, quiet)
    if data is None:
        return sound, None, 0.0
    t, y, step, t0 = data.time_s, data.level, data.step, data.middle_s
    places = np.round((t + t0) * rate - 0.5 * (step - 1)).astype(np.intp)
    at = phase[places[:, None] + np.arange(step)]
    points = np.arange(wave.size + 1) / wave.size
    read = np.interp(at % 1.0, points, np.append(wave, wave[0])).mean(axis=1)
    begins = np.flatnonzero(np.diff(np.floor(at.mean(axis=1)), prepend=-math.inf))
    counts = np.diff(begins, append=t.size)
    energy = np.maximum(np.add.reduceat(read**2, begins), 1e-300)

    def apart(values: Real) -> Real:
        """Take out of every period what is like the wave."""
        columns = values.reshape(t.size, -1)
        level = np.add.reduceat(columns * read[:, None], begins, axis=0) / energy[:, None]
        out: Real = columns - np.repeat(level, counts, axis=0) * read[:, None]
        return out.reshape(values.shape)

    rest = apart(y)

    def left(hz: float, orders: int) -> float:
        columns = apart(_lines(t, hz, orders))
        return _left_of(columns, rest)

    hz = _mains_of(t, near_hz, lambda f: left(f, 2), lambda f: left(f, 4))
    if math.isnan(hz):
        return sound, None, 0.0
    hz, bend = _bending(t, rest, hz, apart)
    lines = _lines(_bent(t, bend), hz, ORDERS)
    columns = apart(lines)
    u, size, v = np.linalg.svd(columns, full_matrices=False)
    told = size > TOLD * math.sqrt(t.size / 2)
    found = v[told].T @ ((u[:, told].T @ rest) / size[told])
    noise = float(np.sum((rest - columns @ found) ** 2))
    noise /= max(1, t.size - int(told.sum()) - begins.size)
    pairs = found.reshape(ORDERS, 2)
    kept = np.sum(pairs**2, axis=1) * t.size / 4 > STANDS_OUT * noise
    if not kept[:3].any():
        return sound, None, 0.0
    # What noise makes of the lines and of their frequency, as a level on the wave.
    sizes = np.stack([pairs[:, 1], -pairs[:, 0]], axis=1) * np.arange(1, ORDERS + 1)[:, None]
    faster = (lines @ sizes.ravel()) * (2 * np.pi * t)
    u_hz = math.sqrt(noise / max(float(np.sum(apart(faster) ** 2)), 1e-300))
    off = faster * u_hz / math.sqrt(max(noise, 1e-300))
    several = np.column_stack([lines, off]) * read[:, None]
    seen = np.cumsum(np.vstack([np.zeros(2 * ORDERS + 1), several]), axis=0)
    squares = np.append(0.0, np.cumsum(read**2))
    ends = np.unique(np.linspace(0, t.size, max(2, round(t.size * step / rate / AT_ONCE_S)) + 1))
    ends = ends.astype(np.intp)
    level = np.diff(seen[ends], axis=0) / np.diff(squares[ends])[:, None]
    spread = (level[:, :-1] @ v[told].T) / size[told]
    untold = math.sqrt(noise * float(np.mean(np.sum(spread**2, axis=1) + level[:, -1] ** 2)))
    if not told.all():
        own = np.add.reduceat((y - lines @ found) * read, begins) / energy
        for part in (own[t[begins] < 0], own[t[begins] >= 0]):
            if part.size:
                untold = max(untold, abs(float(np.median(part))))
    hum = Hum(hz, pairs, kept, step, t0, bend)
    return _taken_out(sound, rate, hum), hum, untold


def _lines(t: Real, hz: float, orders: int) -> Real:
    turn = np.exp(2j * np.pi * hz * t)
    lines = np.empty((orders, t.size), np.complex128)
    lines[0] = turn
    for k in range(1, orders):
        np.multiply(lines[k - 1], turn, out=lines[k])
    out: Real = np.stack([lines.real, lines.imag], axis=2).transpose(1, 0, 2).reshape(t.size, -1)
    return out


def _left(t: Real, y: Real, hz: float, orders: int) -> float:
    return _left_of(_lines(t, hz, orders), y)


def _left_of(columns: Real, y: Real) -> float:
    normal, pull = columns.T @ columns, columns.T @ y
    normal[np.diag_indices_from(normal)] += 1e-9 * y.size
    return float(y @ y - pull @ linalg.solve(normal, pull, assume_a="pos"))
