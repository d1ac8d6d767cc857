"""The phase of a carrier whose level moves: compared period by period, and smoothed."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from scipy import interpolate, linalg

from sigkit.arrays import Complex, Real

ORDERS = 16
"""Harmonics by which the pitch is followed; the wave itself holds all."""
LOUD = 0.2
"""Share of the loudest level from which on a period helps to find the pitch."""
MOST_DEGREE = 8
ALIKE = 3.0
"""Autocorrelation of residuals, in its standard deviations, from which on they hang on."""
GROUP_S, GROUP_PERIODS = 0.015, 3
"""Length of sound that gives one value of the phase."""
GROUPS = 160
SOFTEST, CLEAR, FEWEST = 5e-4, 10.0, 6
"""Level re the loudest, and power re the noise, from which on a group tells the phase; and how many
such groups are wanted."""
FAR = 30.0
"""Power re the noise from which on the phase is followed from group to group."""
NEWTON, MOST_TURN = 3, 0.02
"""Steps in which a phase is found again, and the largest, in periods."""
KEEPS = 0.8
"""Coherence below which periods so far apart are no longer compared."""


def _harmonics(rows: np.ndarray) -> Complex:
    points = rows.shape[1]
    turn = np.outer(np.arange(points), np.arange(1, min(ORDERS, points // 2) + 1)) / points
    table = np.exp(-2j * np.pi * turn)
    real, imag = (rows @ part.astype(rows.dtype) for part in (table.real, table.imag))
    out: Complex = real + 1j * imag
    return out.astype(np.complex128)


def _level(rows: np.ndarray) -> np.ndarray:
    """Return periods whose change of level within them is taken out: it would turn their phase."""
    rms = np.sqrt(np.mean(rows.astype(np.float64) ** 2, axis=1))
    change = np.gradient(rms) / np.maximum(rms, 1e-12 + 1e-3 * rms.max())
    place = (np.arange(rows.shape[1]) + 0.5) / rows.shape[1] - 0.5
    out: np.ndarray = rows / (1 + np.clip(change, -0.8, 0.8)[:, None] * place)
    return out


def refined(rows: np.ndarray) -> float:
    """Return by how much the pitch departs from that of the rows, as a share of it.

    Parameters
    ----------
    rows : ndarray, shape (n_periods, n_points)
        Sound, a row a period of the pitch so far.
    """
    lines = _harmonics(rows)
    power = np.sum(np.abs(lines) ** 2, axis=1)
    loud = power > LOUD**2 * power.max()
    lines = np.where(loud[:, None], lines, 0)
    orders = np.arange(1, lines.shape[1] + 1)
    best, lag, reach = 0.0, 1, 0.03
    while lag <= max(1, len(rows) // 2):
        product = np.sum(lines[lag:] * np.conj(lines[:-lag]), axis=0)
        size = np.sum(np.abs(lines[lag:] * np.conj(lines[:-lag])))
        step = 0.05 / (lag * orders[-1])
        tries = best + np.arange(-reach, reach + step / 2, step)
        score = np.real(np.exp(-2j * np.pi * lag * np.outer(tries, orders)) @ product)
        peak = int(np.argmax(score))
        if size == 0 or score[peak] < KEEPS * size:
            break
        if 0 < peak < tries.size - 1:
            left, mid, right = score[peak - 1 : peak + 2]
            bend = left - 2 * mid + right
            best = float(tries[peak]) + (0.5 * step * (left - right) / bend if bend < 0 else 0.0)
        else:
            best = float(tries[peak])
        reach = 0.15 / lag
        lag *= 2
    return best


def follow(rows: np.ndarray, hz: float, *, last: bool) -> tuple[Real, Real] | None:
    """Return the phase of the carrier against that of the rows, smoothed.

    Parameters
    ----------
    rows : ndarray, shape (n_periods, n_points)
        Sound, a row a period of the phase so far.
    hz : float
        Rough pitch.
    last : bool
        Whether this is the last time: then a spline is tried where a polynomial does not do.

    Returns
    -------
    (ndarray, ndarray) or None
        Places in periods from the first row, in rising order, and by how many periods the carrier
        is ahead there; None where it cannot be followed.
    """
    size = max(1, min(round(GROUP_S * hz), max(1, len(rows) // 6)))
    size = max(size, min(GROUP_PERIODS, len(rows) // 6), math.ceil(len(rows) / GROUPS))
    count = len(rows) // size
    lines = _harmonics(_level(rows))
    grouped = lines[: count * size].reshape(count, size, -1).sum(axis=1)
    power = np.sum(np.abs(grouped) ** 2, axis=1)
    own = np.sum(np.abs(lines[: count * size]) ** 2, axis=1).reshape(count, size)
    first = int(np.argmax(power))
    # Neighbouring periods differ by noise alone where the note is still.
    differ = np.sum(np.abs(np.diff(lines, axis=0)) ** 2, axis=1) / 2
    noise = size * float(np.quantile(differ, 0.1))
    orders = np.arange(1, lines.shape[1] + 1)
    wave = grouped[first] / np.sqrt(power[first])
    turn = _turns(grouped, wave, orders, first, noise)
    for again in (False, True):
        if again:
            turn = _turned(grouped, wave, orders, turn)
        aligned = grouped * np.exp(-2j * np.pi * turn[:, None] * orders)
        level = np.abs(aligned @ np.conj(wave))
        wave = np.sum(level[:, None] * aligned, axis=0)
        norm = float(np.sqrt(np.sum(np.abs(wave) ** 2)))
        if norm == 0:
            return None
        wave = wave / norm
    level = np.real(aligned @ np.conj(wave))
    rest = np.sum(np.abs(aligned - level[:, None] * wave) ** 2, axis=1)
    floor = float(np.median(rest))
    with np.errstate(divide="ignore", invalid="ignore"):
        weight = np.clip(level, 0, None) ** 2 / (rest + floor + 1e-12 * level.max() ** 2)
        change = np.abs(np.diff(np.sqrt(own.sum(axis=1)), prepend=0, append=0))
        rough = np.maximum(change[1:], change[:-1]) > 0.5 * np.sqrt(own.sum(axis=1))
    weight[(level < SOFTEST * level.max()) | rough] = 0.0
    used = weight > CLEAR
    if used.sum() < FEWEST:
        used = weight > 1e-4 * weight.max()
    centre = (np.arange(count) + 0.5) * size
    ends = np.array([0.0, float(len(rows))])
    if used.sum() < FEWEST:
        if used.sum() < 2:
            return ends, np.zeros(2)
        slope, offset = np.polyfit(centre[used], turn[used], 1, w=np.sqrt(weight[used]))
        return ends, offset + slope * ends
    x, y, w = centre[used], turn[used], weight[used] / weight[used].max()
    smooth, rest = _by_polynomial(x, y, w)
    if last and _hangs_on(rest):
        smooth = _by_spline(x, y, w)
    inner = np.linspace(x[0], x[-1], max(2, 4 * x.size))
    value, slope = smooth(inner)
    # Outside, the pitch goes on as it was at the end.
    first_end = value[0] + slope[0] * (ends[0] - x[0])
    last_end = value[-1] + slope[1] * (ends[1] - x[-1])
    at = np.concatenate([ends[:1], inner, ends[1:]])
    value = np.concatenate([[first_end], value, [last_end]])
    kept = np.concatenate([[True], np.diff(at) > 0])
    return at[kept], value[kept]


Smooth = Callable[[Real], tuple[Real, Real]]
"""Gives values at rising places, and the slopes at the first and last of them."""


def _hangs_on(rest: Real) -> bool:
    """Whether neighbouring residuals are alike beyond chance: a polynomial does not do."""
    power = float(rest @ rest)
    return power > 0 and float(rest[1:] @ rest[:-1]) / power > ALIKE / math.sqrt(rest.size)


def _by_polynomial(x: Real, y: Real, w: Real) -> tuple[Smooth, Real]:
    """Smooth a phase by the polynomial of the degree that its scatter supports (BIC).

    Returns the weighted residuals too.
    """
    degrees = np.arange(min(MOST_DEGREE, x.size // 3) + 1)
    place = (2 * x - x[0] - x[-1]) / (x[-1] - x[0])
    columns = np.polynomial.legendre.legvander(place, int(degrees[-1])) * np.sqrt(w)[:, None]
    # In columns at right angles each degree takes its own share of the energy.
    right, corner = np.linalg.qr(columns)
    parts = right.T @ (np.sqrt(w) * y)
    left = np.sum(w * y**2) - np.cumsum(parts**2)
    left = np.maximum(left, 0.0) + 1e-24
    best, chosen = math.inf, 0
    for degree in degrees[1:].tolist():
        criterion = x.size * math.log(left[degree]) + degree * math.log(x.size)
        if criterion < best - 2:
            best, chosen = criterion, degree
    kept = slice(0, chosen + 1)
    found = np.polynomial.Legendre(
        linalg.solve_triangular(corner[kept, kept], parts[kept]), domain=[x[0], x[-1]]
    )
    slope = found.deriv()

    def smooth(at: Real) -> tuple[Real, Real]:
        return found(at), slope(at[[0, -1]])

    return smooth, np.sqrt(w) * (y - found(x))


def _by_spline(x: Real, y: Real, w: Real) -> Smooth:
    """Smooth a phase by generalised cross-validation."""
    line = np.polynomial.Polynomial.fit(x, y, 1, w=np.sqrt(w))
    spline = interpolate.make_smoothing_spline(x, y - line(x), w=w)
    straight = float(line.deriv()(0.0))

    def smooth(at: Real) -> tuple[Real, Real]:
        return line(at) + spline(at), straight + spline(at[[0, -1]], 1)

    return smooth


def _turns(grouped: Complex, wave: Complex, orders: Real, first: int, noise: float) -> Real:
    """Return the phase of each group against the wave, followed outward from the loudest."""
    product = grouped * np.conj(wave)
    turn = np.zeros(len(grouped))
    grid = np.linspace(-0.06, 0.06, 49)
    power = np.sum(np.abs(grouped) ** 2, axis=1)
    loud = min(max(SOFTEST**2 * power[first], FAR * noise), 0.01 * power[first])
    back, squares = -2j * np.pi * orders, orders**2
    table = np.exp(np.outer(back, grid))
    for step in (1, -1):
        near, slope = 0.0, 0.0
        last = first
        for i in range(first, len(grouped) if step > 0 else -1, step):
            guess = near + slope * (i - last)
            turned = product[i] * np.exp(guess * back)
            score = (turned @ table).real
            best = float(grid[int(score.argmax())])
            for _ in range(2):
                turned_back = turned * np.exp(best * back)
                bend = float(squares @ turned_back.real)
                if bend > 0:
                    move = float(orders @ turned_back.imag) / bend / (2 * np.pi)
                    best = min(max(best + move, -0.08), 0.08)
            turn[i] = guess + best
            if power[i] > loud:
                if i != first:
                    slope = 0.7 * slope + 0.3 * (turn[i] - near) / max(1, abs(i - last)) * step
                near, last = float(turn[i]), i
    return turn


def _turned(grouped: Complex, wave: Complex, orders: Real, turn: Real) -> Real:
    """Return the phase of each group, known roughly, against a wave that is known better."""
    product = grouped * np.conj(wave)
    for _ in range(NEWTON):
        turned = product * np.exp(-2j * np.pi * turn[:, None] * orders)
        bend = turned.real @ orders**2
        pull = turned.imag @ orders / (2 * np.pi)
        move = np.divide(pull, bend, out=np.zeros(turn.size), where=bend > 0)
        turn = turn + np.clip(move, -MOST_TURN, MOST_TURN)
    return turn
