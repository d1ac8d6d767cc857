"""Ticks of a cue track found in a stretch of sound, however much louder what lies over them.

The stretch is divided by its own power in time and frequency, so that lines of a tone that leaks in
weigh next to nothing, and correlated with the noise that every tick holds. The sums over all ticks,
for every time of the first and every speed of the clocks that is possible, show the one that fits.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage, signal

from sigkit.arrays import Complex, Real
from sigkit.captures.cues.code import HIGHEST_HZ, LOWEST_HZ, TICK_S, tick_noises

RATE = 16000
TICK = round(RATE * TICK_S)
FRAME = 8192
AROUND_BINS, AROUND_FRAMES = 7, 3
"""Reach over which the power of the sound is averaged, about 14 Hz and 0.75 s."""
QUIET = 0.03
"""Moments that are quieter than the louder ones by more than this get no more weight."""
SKEWS = (-2, -1, 0, 1)
"""Whole samples a tick that are tried: clocks that differ by up to 250 ppm."""
LEAST_SIGMAS = 6.5
REACH, FINE = 24, 16
"""Samples kept on both sides of each tick, and how finely they are interpolated."""


@dataclass(frozen=True)
class Ticks:
    """Ticks found in one stretch.

    Parameters
    ----------
    time_s : ndarray, shape (n_ticks,)
        When each tick begins, seconds from the start of the stretch.
    soft : ndarray, shape (n_ticks, 3)
        What correlates with each of its noises there, polarity put right, in standard deviations.
    sigmas : float
        How far their sum sticks out of all others.
    u_s : float
        Standard uncertainty of their common time, s.
    spacing_s : float
        Time from tick to tick.
    u_spacing_s : float
        Its standard uncertainty.
    """

    time_s: Real
    soft: Real
    sigmas: float
    u_s: float
    spacing_s: float
    u_spacing_s: float


def at_rate(sound: Real, rate: int) -> Real:
    """Return sound at the rate at which ticks are looked for."""
    if rate == RATE:
        return sound
    common = int(np.gcd(rate, RATE))
    out: Real = signal.resample_poly(sound, RATE // common, rate // common)
    return out


def flattened(sound: Real) -> Real:
    """Divide a sound by its own power, cell by cell of time and frequency."""
    hop = FRAME // 2
    count = -(-sound.size // hop) + 1
    padded = np.zeros((count + 1) * hop, np.float32)
    padded[hop : hop + sound.size] = sound
    frames = np.lib.stride_tricks.sliding_window_view(padded, FRAME)[::hop]
    window = signal.windows.hann(FRAME, sym=False).astype(np.float32)
    cells: Complex = fft.rfft(frames * window, axis=1)
    power = np.abs(cells) ** 2
    around = ndimage.uniform_filter(power, (AROUND_FRAMES, AROUND_BINS), mode="nearest")
    bins = np.arange(cells.shape[1]) * RATE / FRAME
    inside = (bins > LOWEST_HZ) & (bins < HIGHEST_HZ)
    usual = np.quantile(np.median(around[:, inside], axis=1), 0.9)
    floor = max(QUIET * float(usual), 1e-14 * float(np.max(around[:, inside], initial=0.0)))
    if floor == 0:
        return np.zeros_like(sound)
    cells = np.where(inside, cells / (around + floor), 0)
    waves = fft.irfft(cells, FRAME, axis=1)
    out = np.zeros_like(padded)
    halves = out.reshape(-1, hop)
    halves[:-1] += waves[:, :hop]
    halves[1:] += waves[:, hop:]
    return out[hop : hop + sound.size]


def correlated(flat: Real) -> Real:
    """Correlate a flattened sound with the three noises, shape (3, whole ticks, samples a tick)."""
    ticks = (flat.size - TICK) // TICK
    size = int(fft.next_fast_len(flat.size, real=True))
    spectrum = fft.rfft(flat, size)
    out = np.empty((3, ticks, TICK), np.float32)
    for number, noise in enumerate(tick_noises(RATE).astype(np.float32)):
        wave = fft.irfft(spectrum * np.conj(fft.rfft(noise, size)), size)
        out[number] = wave[: ticks * TICK].reshape(ticks, TICK)
    return out


def slanted_sums(rows: Real) -> Real:
    """Return the sums of rows along every slant, shape (n, n_columns), n the next power of two.

    Notes
    -----
    Row s of the answer adds to the first row of the input the others, each shifted by its share of
    s samples; sums of halves are used twice (J. H. Taylor,
    Astron. Astrophys. Suppl. 15, 1974, 367; from memory).
    """
    count = 1 << (len(rows) - 1).bit_length()
    sums = np.zeros((count, 1, rows.shape[1]), np.float32)
    sums[: len(rows), 0] = rows
    while len(sums) > 1:
        first, second = sums[0::2], sums[1::2]
        slants = 2 * sums.shape[1]
        sums = np.empty((len(first), slants, rows.shape[1]), np.float32)
        for slant in range(slants):
            shift = (slant + 1) // 2
            np.add(
                first[:, slant // 2],
                np.roll(second[:, slant // 2], -shift, axis=1),
                out=sums[:, slant],
            )
    out: Real = sums[0]
    return out


@dataclass(frozen=True)
class _Line:
    """Where the ticks lie: sample of the first one, samples more a tick, and how sure."""

    first: float
    slant: float
    sigmas: float


def _rough(rows: Real) -> _Line:
    """Return the line along which a sum of the first noise sticks out most."""
    best = _Line(0.0, 0.0, 0.0)
    count = len(rows)
    steps = max(1, (1 << (count - 1).bit_length()) - 1)
    for skew in SKEWS:
        moved = np.stack([np.roll(row, -skew * number) for number, row in enumerate(rows)])
        sums = slanted_sums(moved)
        size = np.abs(sums)
        at = int(np.argmax(size))
        slant, first = divmod(at, rows.shape[1])
        usual = float(np.median(size)) / 0.6745
        sigmas = float(size.flat[at]) / usual if usual > 0 else 0.0
        if sigmas > best.sigmas:
            best = _Line(float(first), skew + slant / steps, sigmas)
    return best


def find_ticks(sound: Real) -> Ticks | None:
    """Find the ticks of a cue track in a stretch of sound.

    Parameters
    ----------
    sound : ndarray, shape (n_samples,)
        Sound at `RATE`; ticks that begin in its last half second are not looked for.

    Returns
    -------
    Ticks or None
        None where no ticks stick out of the rest.
    """
    flat = flattened(np.asarray(sound, np.float32))
    if flat.size < 4 * TICK or not np.any(flat):
        return None
    traces = correlated(flat)
    line = _rough(traces[0])
    if line.sigmas < LEAST_SIGMAS:
        return None
    return _refined(traces, line)


@lru_cache(maxsize=1)
def _fine_kernel() -> Real:
    """Return weights that interpolate between samples, one row for each sixteenth."""
    offset = np.arange(-REACH + 8, REACH - 8, 1 / FINE)
    away = offset[:, None] - np.arange(-REACH, REACH + 1)[None, :]
    out: Real = np.sinc(away) * np.cos(np.pi * np.clip(away / (2 * REACH), -0.5, 0.5)) ** 2
    return out.astype(np.float32)


def _refined(traces: Real, line: _Line) -> Ticks:
    """Fit time and spacing of the ticks to what surrounds each, and read the codes there."""
    ticks = traces.shape[1]
    flat = np.pad(traces.reshape(3, -1), ((0, 0), (REACH, TICK + REACH)))
    number = np.arange(ticks)
    near = np.rint(line.first + number * line.slant).astype(np.int64)
    near += number * TICK
    near = np.where(near >= (ticks + 1) * TICK, 0, np.maximum(near, 0))
    rest = (line.first + number * line.slant + number * TICK) - near
    windows = flat[:, near[:, None] + np.arange(2 * REACH + 1)[None, :]]
    fine = windows[0] @ _fine_kernel().T
    middle = fine.shape[1] // 2
    lean = (number - (ticks - 1) / 2) / max(ticks - 1, 1)
    shifts, leans = np.arange(-48, 49), np.arange(-48, 49)
    table = np.empty((shifts.size, leans.size))
    for j, tried in enumerate(leans):
        place = middle + np.rint(FINE * rest + tried * lean).astype(np.int64)
        for i, by in enumerate(shifts):
            table[i, j] = fine[number, np.clip(place + by, 0, fine.shape[1] - 1)].sum()
    at = np.unravel_index(int(np.argmax(np.abs(table))), table.shape)
    best, found = float(table[at]), (int(at[0]), int(at[1]))
    shift = _top(np.abs(table), found, 0) + float(shifts[0])
    across = _top(np.abs(table), found, 1) + float(leans[0])
    place = middle + FINE * rest + across * lean + shift
    index = np.clip(np.rint(place).astype(np.int64), 0, fine.shape[1] - 1)
    kernel = _fine_kernel()[index]
    soft = np.einsum("nkw,kw->kn", windows, kernel) * np.sign(best)
    noise = np.array([1.4826 * np.median(np.abs(trace)) for trace in traces.reshape(3, -1)[:, ::7]])
    soft = soft / noise
    time = (near + (place - middle) / FINE) / RATE
    spacing = (TICK + line.slant + across / FINE / max(ticks - 1, 1)) / RATE
    u_first, u_lean = _doubt(table, found, noise[0] * np.sqrt(ticks))
    return Ticks(
        time,
        soft,
        line.sigmas,
        u_first / FINE / RATE,
        spacing,
        u_lean / FINE / RATE / max(ticks - 1, 1),
    )


def _top(size: NDArray[np.floating], at: tuple[int, int], axis: int) -> float:
    """Return the place of a peak between the points of a table, by a parabola."""
    index = at[axis]
    line = size[:, at[1]] if axis == 0 else size[at[0]]
    if not 0 < index < line.size - 1:
        return float(index)
    left, top, right = line[index - 1 : index + 2]
    bend = left - 2 * top + right
    return float(index + 0.5 * (left - right) / bend) if bend < 0 else float(index)


def _doubt(table: NDArray[np.floating], at: tuple[int, int], noise: float) -> tuple[float, float]:
    """Return the standard uncertainty of both coordinates of a peak, from its curvature."""
    size = np.abs(table)
    top = float(size[at])
    out = []
    for axis, step in ((0, 8), (1, 24)):
        index = min(max(at[axis], step), table.shape[axis] - 1 - step)
        line = size[:, at[1]] if axis == 0 else size[at[0]]
        bend = (2 * line[index] - line[index - step] - line[index + step]) / step**2
        out.append(float(noise / np.sqrt(max(top * bend, 1e-12))) if top > 0 else np.inf)
    return out[0], out[1]
