"""Pitch of one stretch of unbroken tone, from the phase of all its harmonics.

A steady stretch is measured as it is. A moving one is first resampled along its own phase, so
that every period has the same number of samples; what is left of the motion is then small, and
the frequency follows from both.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, interpolate, ndimage

from sigkit.arrays import Flags, Real
from sigkit.tracks.harmonics import EDGE, LAG_0, LAG_1, PhasePath, demodulate, follow_phase

FEWEST_PERIODS = 16
"""Periods below which a stretch is not measured."""
IN_BAND = 0.15
"""How far a harmonic may wander, in fundamentals, before the stretch is resampled along its phase:
the bands weigh a tone there 0.95."""
LEAST_SHARE = 0.2
"""Share of the energy a tone must explain: a signal-to-noise ratio of -6 dB."""
LOCKED_RAD = 0.35
"""Largest phase noise of the strongest harmonic, per period; beyond it cycles may be lost."""
BROKEN_RAD = 0.3
"""Phase that a tone may slip from one period to the next: 5 % of a period. More is lost samples or
another note; real oscillators jitter a hundred times less."""
NARROWED = 7 / 3
"""A line through L phases weighs the pitch by a parabola of variance (L^2 - 4)/20 + 1/12 square
periods; a stretch resampled along its phase takes so much more for the parabola over L, L^2/20. In
a steady one the bands' own response, 1/8, makes up for it."""
TAPS = 32
PHASES = 512


@dataclass(frozen=True)
class StretchPitch:
    """Pitch once a period of one stretch.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Centres of the windows, from the start of the sound that was handed in.
    frequency_hz, u_hz : ndarray, shape (n,)
        Pitch over the window, and its standard uncertainty by additive noise.
    tone : ndarray of bool, shape (n,)
        Whether the whole window holds this tone.
    steady : bool
        Whether the whole stretch was one tone that hardly moved.
    """

    time_s: Real
    frequency_hz: Real
    u_hz: Real
    tone: Flags
    steady: bool

    @property
    def mean_hz(self) -> float:
        """Mean pitch where there is a tone; nan elsewhere."""
        return float(np.mean(self.frequency_hz[self.tone])) if self.tone.any() else math.nan


def measure_stretch(
    sound: Real,
    rate: int,
    start_hz: float | Real,
    *,
    window_s: float,
    least_periods: int,
) -> StretchPitch | None:
    """Measure the pitch along a stretch of tone.

    Parameters
    ----------
    sound : ndarray, shape (n,)
        The sound, one tone from end to end but for its edges.
    rate : int
        Sample rate in Hz.
    start_hz : float or ndarray, shape (n_knots,)
        Rough pitch, right to about 1 %: one value, or a path evenly spaced from end to end.
    window_s : float
        Length of the window in which each pitch is measured.
    least_periods : int
        Lengthens the window for low notes.

    Returns
    -------
    StretchPitch or None
        None where the stretch is too short, or no tone stands out of the noise.
    """
    if not isinstance(start_hz, float):
        return _along(sound, rate, _cycles_of(start_hz, sound.size, rate), window_s, least_periods)
    hz, best = start_hz, None
    for _ in range(4):
        grid = _whole_periods(sound.size, rate, hz)
        if grid is None:
            return None
        periods, size = grid
        path = follow_phase(demodulate(sound[:size], periods))
        if path is None:
            return None
        hz_grid = periods * rate / size
        multiple = _common_multiple(path)
        if multiple > 1 and hz * multiple < 0.45 * rate:
            hz = hz_grid * multiple
            continue
        best = (path, periods, size)
        inner = path.radians[EDGE:-EDGE]
        drift = np.diff(ndimage.uniform_filter1d(inner, min(9, inner.size // 2))) / (2 * np.pi)
        middle, reach = float(np.median(drift)), path.highest
        if np.quantile(abs(drift - middle), 0.98) * reach > IN_BAND:
            cycles = np.arange(periods) + path.radians / (2 * np.pi)
            return _along(sound, rate, _path_of(cycles, size, sound.size), window_s, least_periods)
        if abs(middle) * reach < 0.02:
            break
        hz = hz_grid * (1 + middle)
    path, periods, size = best  # type: ignore[misc]
    time_s = np.arange(periods) * (size / periods / rate)
    return _slopes(time_s, np.arange(periods), path, window_s, least_periods, steady=True)


def _whole_periods(available: int, rate: int, hz: float) -> tuple[int, int] | None:
    """Find how many periods and samples fit, both quick to transform where possible."""
    period = rate / hz
    most = int(available / period)
    if most < FEWEST_PERIODS:
        return None
    slack = 0.01 / max(1.0, 0.49 * period)
    fallback = None
    for periods in range(most, max(FEWEST_PERIODS, int(0.93 * most)) - 1, -1):
        if fft.next_fast_len(periods) != periods:
            continue
        low, high = periods * period * (1 - slack), periods * period * (1 + slack)
        size = fft.next_fast_len(math.ceil(low), real=True)
        if size <= min(high, available):
            return periods, size
        if fallback is None:
            fallback = periods, round(periods * period)
    return fallback or (most, min(round(most * period), available))


def _cycles_of(path_hz: Real, size: int, rate: int) -> Real:
    """Phase in cycles at every sample, from pitches evenly spaced over the sound."""
    knots = np.linspace(0, size - 1, path_hz.size)
    log_hz = interpolate.PchipInterpolator(knots, np.log(path_hz))(np.arange(size))
    cycles: Real = np.cumsum(np.exp(log_hz)) / rate
    return cycles


def _path_of(cycles: Real, size: int, available: int) -> Real:
    """Phase in cycles at every sample, from its values once a period; smoothed over 3 periods."""
    at = np.arange(cycles.size) * (size / cycles.size)
    smooth = ndimage.uniform_filter1d(cycles - np.arange(cycles.size), 3, mode="nearest")
    steady = np.arange(cycles.size)
    path: Real = interpolate.PchipInterpolator(at, smooth + steady, extrapolate=True)(
        np.arange(min(available, size))
    )
    return np.maximum.accumulate(path)


def _along(
    sound: Real, rate: int, cycles: Real, window_s: float, least_periods: int
) -> StretchPitch | None:
    """Measure a moving tone: resample along its phase, twice, the second time along the first's."""
    result = None
    for turn in range(3):
        cycles = cycles - cycles[0]
        pace = np.diff(cycles)
        if not (pace > 0).all():
            return result
        periods = int(cycles[-1])
        if periods < FEWEST_PERIODS:
            return result
        per_period = math.ceil(1 / float(np.quantile(pace, 0.01))) + 1
        at = np.interp(np.arange(periods * per_period) / per_period, cycles, np.arange(cycles.size))
        path = follow_phase(demodulate(resample(sound, at), periods))
        if path is None:
            return result
        samples = at[::per_period]
        result = _slopes(
            samples / rate, np.arange(periods), path, window_s, least_periods, steady=False
        )
        residual = np.interp(np.arange(cycles.size), samples, path.radians / (2 * np.pi))
        wander = np.diff(ndimage.uniform_filter1d(path.radians, 5)[EDGE:-EDGE]) / (2 * np.pi)
        if turn and np.quantile(abs(wander), 0.98) * path.highest < IN_BAND:
            break
        width = max(3, round(2 / float(np.median(pace))))
        cycles = cycles + ndimage.uniform_filter1d(residual, width, mode="nearest")
    return result


_TABLE: list[Real] = []


def resample(sound: Real, at: Real) -> Real:
    """Return the sound at fractional sample positions, by windowed-sinc interpolation.

    Parameters
    ----------
    sound : ndarray, shape (n,)
        Evenly sampled sound.
    at : ndarray, shape (m,)
        Positions in samples, 0 to n - 1; beyond the ends the sound counts as zero.

    Returns
    -------
    ndarray, shape (m,)
        32 taps, Kaiser window (beta 9): image rejection about 90 dB below 0.85 of half the rate.
    """
    if not _TABLE:
        offsets = np.arange(PHASES + 1)[:, None] / PHASES
        taps = np.arange(TAPS)[None, :] - (TAPS / 2 - 1) - offsets
        inside = np.maximum(0, 1 - (taps / (TAPS / 2)) ** 2)
        _TABLE.append(np.sinc(taps) * np.i0(9 * np.sqrt(inside)) / np.i0(9.0))
    padded = np.pad(sound, TAPS)
    views = np.lib.stride_tricks.sliding_window_view(padded, TAPS)
    whole = np.floor(at).astype(np.intp)
    fine = (at - whole) * PHASES
    step = np.minimum(fine.astype(np.intp), PHASES - 1)
    blend = fine - step
    out = np.empty(at.size)
    for first in range(0, at.size, 8192):
        part = slice(first, first + 8192)
        rows = views[whole[part] + TAPS // 2 + 1]
        low, high = _TABLE[0][step[part]], _TABLE[0][step[part] + 1]
        out[part] = np.einsum("ij,ij->i", rows, low) * (1 - blend[part])
        out[part] += np.einsum("ij,ij->i", rows, high) * blend[part]
    return out


def _slopes(
    time_s: Real,
    turns: NDArray[np.intp],
    path: PhasePath,
    window_s: float,
    least_periods: int,
    *,
    steady: bool,
) -> StretchPitch | None:
    """Least-squares slope of the phase in a window around every period."""
    inner = slice(EDGE, turns.size - EDGE)
    t, radians, sd, share = (a[inner] for a in (time_s, path.radians, path.sd, path.share))
    count = t.size
    if count < least_periods:
        return None
    mean_hz = (count - 1) / (t[-1] - t[0])
    cycles = np.arange(count) + radians / (2 * np.pi) - mean_hz * (t - t[0])
    local = np.gradient(t)
    start = np.arange(count)
    beyond = np.concatenate([t, t[-1] + local[-1] * np.arange(1, least_periods + 2)])
    length = np.interp(t + window_s, beyond, np.arange(beyond.size)) - start
    length = np.maximum(length, least_periods)
    if not steady:
        length = np.sqrt(length**2 + NARROWED)
    whole = np.floor(length).astype(np.intp)
    complete = start + whole + 1 <= count
    start, whole, part = start[complete], whole[complete], (length - whole)[complete]
    if not start.size:
        return None
    # Periods weigh by their length, and less where the tone is much weaker than elsewhere.
    weight = local / float(np.mean(local)) / np.maximum(sd / float(np.median(sd)), 0.5) ** 2
    lines = _Lines(t - t.mean(), cycles, weight, sd / (2 * np.pi))
    shorter, longer = lines(start, start + whole), lines(start, start + whole + 1)
    centre, slope, u_slope = (a + part * (b - a) for a, b in zip(shorter, longer, strict=True))
    strongest = int(np.argmax(path.power)) + 1
    pace = (1 + np.diff(radians) / (2 * np.pi)) / np.diff(t)
    bend = np.zeros(count)
    bend[1:-1] = 2 * np.pi * np.abs(np.diff(pace)) / pace.mean()
    bad = (share < _share_floor(share)) | (sd * strongest > LOCKED_RAD)
    bad |= bend > np.maximum(BROKEN_RAD, 6 * sd)
    spoilt = np.concatenate([[0], np.cumsum(bad)])
    tone = spoilt[start + whole + 1] == spoilt[start]
    steady = bool(steady and tone.all() and share.min() > 0.5 * share.max())
    return StretchPitch(centre + t.mean(), mean_hz + slope, u_slope, tone, steady)


class _Lines:
    """Weighted straight lines through any window of a phase, by running sums."""

    def __init__(self, x: Real, y: Real, weight: Real, sd: Real) -> None:
        noise = (weight * sd) ** 2
        self._sums = [
            np.concatenate([[0.0], np.cumsum(v)])
            for v in (
                weight,
                weight * x,
                weight * x * x,
                weight * y,
                weight * x * y,
                noise,
                noise * x,
                noise * x * x,
            )
        ]

    def __call__(self, start: NDArray[np.intp], stop: NDArray[np.intp]) -> tuple[Real, Real, Real]:
        """Return centre, slope and standard uncertainty of the slope of each window."""
        w, wx, wxx, wy, wxy, v, vx, vxx = (s[stop] - s[start] for s in self._sums)
        centre = wx / w
        spread = wxx - wx * centre
        count = (stop - start).astype(np.float64)
        colour = LAG_0 + 2 * LAG_1 * (1 - 3 / count + 3 / (count**2 - 1) / count)
        scatter = np.maximum(vxx - 2 * centre * vx + centre**2 * v, 0) * colour
        return centre, (wxy - centre * wy) / spread, np.sqrt(scatter) / spread


def _common_multiple(path: PhasePath) -> int:
    """Return m where only every m-th harmonic is there, so that the pitch is m times higher."""
    present = np.flatnonzero(path.power > 1e-4 * path.power.max()) + 1
    return int(np.gcd.reduce(present))


def _share_floor(share: Real) -> float:
    return max(LEAST_SHARE, 0.5 * float(np.quantile(share, 0.75)))
