"""Mains hum under a key sweep: learned where notes are low, taken out of all of it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy import linalg, ndimage

from sigkit.arrays import Complex, Real
from sigkit.tracks.keyboard.stray import StrayHum, course_of, lines_in_step, lines_on

MAINS_HZ = (50.0, 60.0)
OFF_HZ, GRID = 0.25, 0.12
"""How far the mains may be off, and the step of the search re one over the length of the sound."""
ORDERS, LOOK_ORDERS = 12, 4
BELOW_HZ = 1800.0
BLOCK_S, LOOK_S = 0.1, 0.02
LOW, LEAST_S = 0.05, 0.15
"""Quantile of the power that is taken for the floor of the sound, and how much of it is needed."""
NEAR_FLOOR = 4.0
"""Power re that floor up to which the sound tells of the hum once that is nearly gone."""
ROUNDS, STEPS = 2, 2
STANDS_OUT = 20.0
"""Power of a line over what its noise would give, from which on it is taken out."""
FAR_BELOW = 0.25
"""Power re the hum down to which the quiet has to come for its phase to be told."""
PIECE_S, PIECE_LEAVES, STRAY_LEAVES = 12.0, 0.9, 0.5
"""Length of a piece that may have mains of its own, and what these have to leave at most; and what
lines along a phase that is followed have to leave of the hum itself, re these."""


@dataclass(frozen=True, eq=False)
class _Coarse:
    """A sound averaged over some samples, with the weight of each average."""

    time_s: Real
    value: Real
    weight: Real

    def between(self, first_s: float, last_s: float) -> _Coarse:
        a, b = np.searchsorted(self.time_s, [first_s, last_s])
        return _Coarse(self.time_s[a:b], self.value[a:b], self.weight[a:b])


@dataclass(frozen=True, eq=False)
class _Hum:
    """Mains lines: their frequency, and amplitudes that turn from ``from_s`` on."""

    hz: float
    from_s: float
    amplitudes: Complex

    def at(self, time_s: Real) -> Real:
        base = np.exp(2j * np.pi * self.hz * (time_s - self.from_s))
        return lines_on(base, self.amplitudes)


def take_mains_out(sound: Real, rate: int) -> tuple[float, bool]:
    """Take the mains lines out of a sweep.

    Parameters
    ----------
    sound : ndarray, shape (n_samples,)
        The sweep, without direct voltage; it is changed in place.
    rate : int
        Sample rate in Hz.

    Returns
    -------
    float, bool
        Frequency of the mains (nan: no hum), and whether it strays, so that some hum is left.

    Notes
    -----
    Least squares, each moment weighted by one over its power: a note, and its release until it is
    gone, tells little, the quiet between notes a lot. The mains frequency is that within 0.25 Hz of
    50 or 60 Hz whose first lines explain most, over the whole sweep; then it is fitted together
    with twelve lines. Without the hum a release is seen farther down, so that all is done again.
    Only lines that stand out of the noise are taken out, one of the first three among them. Where
    lines of their own leave a piece of 12 s quieter by a tenth, as mains wander, these are used;
    and where lines along a phase followed from one quiet moment to the next leave half as much
    hum, these.
    """
    step = max(1, int(rate / (2 * BELOW_HZ)))
    count = sound.size // step
    if count * step < max(8.0, LEAST_S * rate):
        return math.nan, False
    value = sound[: count * step].reshape(count, step).mean(axis=1, dtype=np.float64)
    time_s = ((np.arange(count) + 0.5) * step - 0.5) / rate
    coarse_rate = rate / step
    coarse = _Coarse(time_s, value, _weights(value, coarse_rate, math.inf))
    hum = _fitted(coarse, coarse_rate, rate, math.nan)
    for _ in range(ROUNDS):
        if hum is None:
            return math.nan, False
        rest = value - _lowered(hum, coarse_rate, rate).at(time_s)
        coarse = _Coarse(time_s, value, _weights(rest, coarse_rate, NEAR_FLOOR))
        hum = _fitted(coarse, coarse_rate, rate, hum.hz)
    if hum is None:
        return math.nan, False
    half = PIECE_S / 2
    edges = np.arange(0.0, sound.size / rate, half) if sound.size > 1.5 * PIECE_S * rate else [0.0]
    pieces = [_own(coarse.between(e - half, e + half), coarse_rate, rate, hum) for e in edges]
    low = [_lowered(own, coarse_rate, rate) for own in pieces]
    left = value - _joined(low, half, time_s)
    stray = _strayed(time_s, value, left, coarse_rate, rate, hum)
    for edge in np.arange(0.0, sound.size / rate, half).tolist():
        a, b = round(edge * rate), min(sound.size, round((edge + half) * rate))
        t = np.arange(a, b) / rate
        under = _joined(pieces, half, t) if stray is None else stray.at(t)
        sound[a:b] -= under.astype(sound.dtype)
    return hum.hz, stray is not None or any(own is not hum for own in pieces)


def _joined(pieces: list[_Hum], half: float, time_s: Real) -> Real:
    """Return the hum of pieces; between the middles of two it goes from one to the other."""
    out = np.empty(time_s.size)
    edges = half * np.arange(1, len(pieces))
    for number, part in enumerate(np.split(np.arange(time_s.size), np.searchsorted(time_s, edges))):
        t = time_s[part]
        out[part] = pieces[number].at(t)
        if number + 1 < len(pieces) and pieces[number + 1] is not pieces[number]:
            share = (t - number * half) / half
            out[part] += share * (pieces[number + 1].at(t) - out[part])
    return out


def _strayed(
    time_s: Real, value: Real, left: Real, coarse_rate: float, rate: int, hum: _Hum
) -> StrayHum | None:
    """Return the hum along a phase that strays, where that leaves much less than pieces do."""
    # While all of the hum is in it, the quiet is told by that.
    weight = _weights(value, coarse_rate, math.inf)
    lines = lines_in_step(time_s, value, weight, hum.hz, hum.from_s, hum.amplitudes)
    if lines is None:
        return None
    course = None
    for _ in range(ROUNDS + 1):
        course = course_of(time_s, value, weight, hum.hz, hum.from_s, lines, course)
        if course is None:
            return None
        plain = StrayHum(hum.hz, hum.from_s, hum.amplitudes, course)
        values, spread = _along(plain.base(time_s), value, weight)
        kept = np.abs(values) ** 2 > STANDS_OUT / 2 * spread
        if not kept[:3].any():
            return None
        lines = np.where(kept, values, 0j)
        low = replace(plain, amplitudes=lines)
        rest = value - low.at(time_s)
        # Moments that are quiet with either: where only one of them leaves little, the other shows.
        quiet = np.where(np.abs(rest) < np.abs(left), rest, left)
        least = FAR_BELOW * float(np.sum(np.abs(lines) ** 2)) / 2
        fair = _weights(quiet, coarse_rate, math.inf, least)
        weight = _weights(rest, coarse_rate, math.inf, least)
    if low.left_in(time_s, rest, fair) > STRAY_LEAVES * low.left_in(time_s, left, fair):
        return None
    return replace(low, amplitudes=lines / _droop(hum.hz, lines.size, coarse_rate, rate))


def _along(base: Complex, y: Real, w: Real) -> tuple[Complex, Real]:
    """Fit the lines along a phase; return their amplitudes and the power of the noise in each."""
    size = 2 * ORDERS + 1
    normal, pull, total = np.zeros((size, size)), np.zeros(size), 0.0
    for i in range(0, y.size, 1 << 15):
        part = slice(i, i + (1 << 15))
        a = _columns(base[part], ORDERS)
        weighted = a * w[part, None]
        normal += a.T @ weighted
        pull += y[part] @ weighted
        total += float(np.sum(w[part] * y[part] ** 2))
    normal[np.diag_indices(size)] *= 1 + 1e-9
    inverse = linalg.inv(normal)
    values = inverse @ pull
    noise = max(total - float(pull @ values), 1e-300) / max(1.0, float(w.sum()) - size)
    spread: Real = np.diag(inverse)[1:].reshape(ORDERS, 2).sum(axis=1) * noise
    pairs = values[1:].reshape(ORDERS, 2)
    out: Complex = pairs[:, 0] - 1j * pairs[:, 1]
    return out, spread


def _lowered(hum: _Hum, coarse_rate: float, rate: int) -> _Hum:
    """Return the hum as averages over some samples show it."""
    low = hum.amplitudes * _droop(hum.hz, hum.amplitudes.size, coarse_rate, rate)
    return _Hum(hum.hz, hum.from_s, low)


def _droop(hz: float, orders: int, coarse_rate: float, rate: int) -> Real:
    """Averages over a step are a little lower than the line itself."""
    at = np.arange(1, orders + 1) * hz
    return np.asarray(np.sinc(at / coarse_rate) / np.sinc(at / rate))


def _weights(rest: Real, coarse_rate: float, near: float, least: float = 0.0) -> Real:
    """One over the power about each moment, or over the least that matters.

    Nothing where it is beyond so many floors.
    """
    width = max(2, round(LOOK_S * coarse_rate))
    power = ndimage.uniform_filter1d(rest**2, width, mode="nearest")
    power = ndimage.maximum_filter1d(np.maximum(power, 1e-20), width, mode="nearest")
    floor = max(float(np.quantile(power, LOW)), least)
    weight: Real = np.where(power <= near * floor, floor / np.maximum(power, floor), 0.0)
    return weight


def _fitted(coarse: _Coarse, coarse_rate: float, rate: int, near_hz: float) -> _Hum | None:
    """Fit the mains' frequency and lines; None where none stands out."""
    used = coarse.weight > 1e-3
    if coarse.weight.sum() < LEAST_S * coarse_rate or used.sum() < 8 * ORDERS:
        return None
    t, y, w = coarse.time_s[used], coarse.value[used], coarse.weight[used]
    from_s = float(np.average(t, weights=w))
    hz = near_hz if math.isfinite(near_hz) else _found(t - from_s, y, w)
    first = STEPS if math.isfinite(near_hz) else STEPS + 2
    for turn in range(first):
        # First the strong low lines lead, then all.
        orders = LOOK_ORDERS if turn < first - 2 else ORDERS
        values, inverse, left, off = _solved(t - from_s, y, w, hz, orders)
        hz += off
    power = np.sum(values[1:-1].reshape(ORDERS, 2) ** 2, axis=1)
    noise = left / max(1.0, float(w.sum()) - values.size)
    spread = np.diag(inverse)[1:-1].reshape(ORDERS, 2).sum(axis=1) * noise
    kept = power > STANDS_OUT / 2 * spread
    if not kept[:3].any():
        return None
    pairs = values[1:-1].reshape(ORDERS, 2)
    amplitudes = (pairs[:, 0] - 1j * pairs[:, 1]) / _droop(hz, ORDERS, coarse_rate, rate)
    return _Hum(hz, from_s, np.where(kept, amplitudes, 0))


def _found(t: Real, y: Real, w: Real) -> float:
    """Return the mains frequency whose first lines explain most."""
    block = np.floor((t - t[0]) / BLOCK_S).astype(np.intp)
    middle = np.bincount(block, w * t) / np.maximum(np.bincount(block, w), 1e-30)
    span = max(float(t[-1] - t[0]), 1.0)
    offs = np.arange(-OFF_HZ, OFF_HZ, GRID / span)
    y = y - np.average(y, weights=w)
    best, best_hz = -math.inf, MAINS_HZ[0]
    for mains in MAINS_HZ:
        gain = np.zeros(offs.size)
        for order in range(1, LOOK_ORDERS + 1):
            turned = w * y * np.exp(-2j * np.pi * order * mains * t)
            sums = np.bincount(block, turned.real) + 1j * np.bincount(block, turned.imag)
            for i in range(0, offs.size, 256):
                turn = np.exp(-2j * np.pi * order * offs[i : i + 256, None] * middle)
                gain[i : i + 256] += np.abs(turn @ sums) ** 2
        at = int(np.argmax(gain))
        if gain[at] > best:
            best, best_hz = float(gain[at]), mains + float(offs[at])
    return best_hz


def _solved(t: Real, y: Real, w: Real, hz: float, orders: int) -> tuple[Real, Real, float, float]:
    """Solve for a level, lines and a step of the frequency, in blocks that bound the memory.

    Returns
    -------
    ndarray, ndarray, float, float
        Level, cosine and sine of each line, and a step of the frequency; the inverse of their
        normal matrix; what is left; and that step in Hz.
    """
    size = 2 * orders + 1
    normal, pull, total = np.zeros((size, size)), np.zeros(size), 0.0
    for i in range(0, t.size, 1 << 15):
        a = _columns(np.exp(2j * np.pi * hz * t[i : i + (1 << 15)]), orders)
        weighted = a * w[i : i + (1 << 15), None]
        normal += a.T @ weighted
        pull += y[i : i + (1 << 15)] @ weighted
        total += float(np.sum(w[i : i + (1 << 15)] * y[i : i + (1 << 15)] ** 2))
    normal[np.diag_indices(size)] *= 1 + 1e-9
    values = linalg.solve(normal, pull, assume_a="pos")
    cross, own, reach = np.zeros(size), 0.0, 0.0
    number = np.arange(1, orders + 1)
    for i in range(0, t.size, 1 << 15):
        s, v = t[i : i + (1 << 15)], w[i : i + (1 << 15)]
        a = _columns(np.exp(2j * np.pi * hz * s), orders)
        cos, sin = values[1::2] * number, values[2::2] * number
        # The columns are cosine and sine: the derivative turns one into the other.
        slope = 2 * np.pi * s * (a[:, 1::2] @ sin - a[:, 2::2] @ cos)
        cross += (v * slope) @ a
        own += float(v @ slope**2)
        reach += float((v * slope) @ (y[i : i + (1 << 15)] - a @ values))
    by = linalg.solve(normal, cross, assume_a="pos")
    curve = max(own - float(cross @ by), 1e-300)
    off = reach / curve
    inverse = linalg.inv(normal)
    inverse = np.pad(inverse + np.outer(by, by) / curve, ((0, 1), (0, 1)))
    left = max(total - float(pull @ values) - reach * off, 1e-300)
    return np.append(values - by * off, off), inverse, left, off


def _columns(base: Complex, orders: int) -> Real:
    out = np.empty((base.size, 2 * orders + 1))
    out[:, 0] = 1.0
    turn = np.ones_like(base)
    for k in range(orders):
        turn = turn * base
        out[:, 2 * k + 1], out[:, 2 * k + 2] = turn.real, turn.imag
    return out


def _own(part: _Coarse, coarse_rate: float, rate: int, hum: _Hum) -> _Hum:
    """Return the lines of a piece where they leave it much quieter, else those of the whole."""
    own, near = hum, math.inf
    for _ in range(ROUNDS):
        rest = part.value - _lowered(own, coarse_rate, rate).at(part.time_s)
        part = _Coarse(part.time_s, part.value, _weights(rest, coarse_rate, near))
        found = _fitted(part, coarse_rate, rate, hum.hz)
        if found is None:
            return hum
        own, near = found, NEAR_FLOOR
    left = [
        float(part.weight @ (part.value - _lowered(h, coarse_rate, rate).at(part.time_s)) ** 2)
        for h in (own, hum)
    ]
    return own if left[0] < PIECE_LEAVES * left[1] else hum
