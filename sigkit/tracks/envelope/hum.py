"""Mains hum beside a note, learned where nothing else sounds and taken out of all of it."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from sigkit.arrays import Complex, Flags, Real
from sigkit.tracks.envelope.mains import (
    ORDERS,
    STANDS_OUT,
    bending,
    bent,
    left_by,
    left_of,
    mains_lines,
    mains_of,
    parts_of,
    quiet_means,
)

LOOK_S, AT_FLOOR = 0.02, 1.6
AT_CARRIER = 0.01
"""Lines that lie within this share of a harmonic of the carrier may be its own."""
NEAR_HZ = 3.0
"""Distance from a harmonic of the carrier within which a line is in its wave as it is learned."""
AT_ONCE_S = 0.15
"""Time over which a line that is not quite the carrier's is alike on its wave."""
TOLD = 0.1
"""Share of a line's size that has to be left beside the carrier's wave for the line to be told."""
TURNED = 1024


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
    data = quiet_means(sound, rate, quiet)
    if data is None:
        return sound, math.nan
    t, y, step, t0 = data.time_s, data.level, data.step, data.middle_s
    # The strongest lines are low: every third value, averaged, is enough to look for them.
    few = y.size // 3
    rough_t, rough_y = (v[: 3 * few].reshape(few, 3).mean(axis=1) for v in (t, y))
    best_hz = mains_of(
        t,
        near_hz,
        lambda hz: left_by(rough_t, rough_y, hz, 2),
        lambda hz: left_by(t, y, hz, 4),
    )
    if math.isnan(best_hz):
        return sound, math.nan
    best_hz, bend = bending(t, y, best_hz, lambda columns: columns)
    columns = mains_lines(bent(t, bend), best_hz, ORDERS)
    found = parts_of(columns, y)
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
    data = quiet_means(sound, rate, quiet)
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
        columns = apart(mains_lines(t, hz, orders))
        return left_of(columns, rest)

    hz = mains_of(t, near_hz, lambda f: left(f, 2), lambda f: left(f, 4))
    if math.isnan(hz):
        return sound, None, 0.0
    hz, bend = bending(t, rest, hz, apart)
    lines = mains_lines(bent(t, bend), hz, ORDERS)
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
