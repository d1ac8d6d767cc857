"""Phase of one stretch of unbroken tone, from all its harmonics.

A steady stretch is measured as it is. A moving one is first resampled along its own phase, so
that every period has the same number of samples; what is left of the motion is then small, and
the frequency follows from both.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from sigkit.arrays import Real
from sigkit.tracks.harmonics import EDGE, PhasePath, demodulate, follow_phase
from sigkit.tracks.resample import cycles_of, path_of, resample
from sigkit.tracks.slopes import StretchPhase, Window, phase_of

FEWEST_PERIODS = 16
"""Periods below which a stretch is not measured."""
IN_BAND = 0.1
"""How far a harmonic may wander, in fundamentals, before the stretch is resampled along its phase:
the bands weigh a tone there 0.98."""
OTHER_SOUND = 0.5
"""A period of which the tone explains less than this part of what it usually does, at the ends of
a stretch, belongs to another sound."""
MARGIN = 2
"""Periods left out beside another sound: the share is a mean over five."""
TRIM = 0.02
"""Share of a stretch that may be left out for a size that is quick to transform."""


def measure_stretch(
    sound: Real, rate: int, start_hz: float | Real, window: Window, *, whole: bool = False
) -> StretchPhase | None:
    """Measure the phase along a stretch of tone.

    Parameters
    ----------
    sound : ndarray, shape (n,)
        The sound, one tone from end to end but for its ends, which may hold other sound.
    rate : int
        Sample rate in Hz.
    start_hz : float or ndarray, shape (n_knots,)
        Rough pitch, right to about 1 %: one value, or a path evenly spaced from end to end.
    window : Window
        Length of the window in which each pitch is measured.
    whole : bool
        Use the stretch to its last period, even where that takes longer.

    Returns
    -------
    StretchPhase or None
        None where the stretch is too short, or no tone stands out of the noise.
    """
    if isinstance(start_hz, float):
        return _steady(sound, rate, start_hz, window, whole, crops=2)
    return _along(sound, rate, cycles_of(start_hz, sound.size, rate), window, crops=2)


def _steady(
    sound: Real, rate: int, hz: float, window: Window, whole: bool, *, crops: int
) -> StretchPhase | None:
    for _ in range(4):
        grid = _whole_periods(sound.size, rate, hz, whole)
        if grid is None:
            return None
        periods, size = grid
        found = follow_phase(demodulate(sound[:size], periods), window.periods(hz))
        if found is None:
            return None
        path = found
        on_grid = periods * rate / size
        multiple = _common_multiple(path)
        if multiple > 1 and hz * multiple < 0.45 * rate:
            hz = on_grid * multiple
            continue
        own = _own_part(path) if crops else None
        if own is not None:
            begin, end = (round(edge * size / periods) for edge in own)
            part = _steady(sound[begin:end], rate, hz, window, True, crops=crops - 1)
            return _later(part, begin / rate)
        inner = path.radians[EDGE:-EDGE]
        drift = np.diff(ndimage.uniform_filter1d(inner, min(9, inner.size // 2))) / (2 * np.pi)
        middle, reach = float(np.median(drift)), path.highest
        if np.quantile(abs(drift - middle), 0.98) * reach > IN_BAND:
            cycles = np.arange(periods) + path.radians / (2 * np.pi)
            return _along(sound, rate, path_of(cycles, size, sound.size), window, crops=crops)
        if abs(middle) * reach < 0.02:
            break
        hz = on_grid * (1 + middle)
    if multiple > 1:
        return None
    return phase_of(np.arange(periods) * (size / periods / rate), path, window, moving=False)


def _along(
    sound: Real, rate: int, cycles: Real, window: Window, *, crops: int
) -> StretchPhase | None:
    """Measure a moving tone: resample along its phase, then along what that shows."""
    result = None
    for turn in range(3):
        cycles = cycles - cycles[0]
        pace = np.diff(cycles)
        periods = int(cycles[-1])
        if not (pace > 0).all() or periods < FEWEST_PERIODS:
            return result
        per_period = math.ceil(1 / float(np.quantile(pace, 0.01))) + 1
        at = np.interp(np.arange(periods * per_period) / per_period, cycles, np.arange(cycles.size))
        path = follow_phase(
            demodulate(resample(sound, at), periods), window.periods(float(np.median(pace)) * rate)
        )
        if path is None:
            return result
        samples = at[::per_period]
        own = _own_part(path) if crops else None
        if own is not None:
            begin, end = round(samples[own[0]]), round(samples[own[1] - 1])
            part = _along(sound[begin:end], rate, cycles[begin:end], window, crops=crops - 1)
            return _later(part, begin / rate)
        result = phase_of(samples / rate, path, window, moving=True)
        wander = np.diff(ndimage.uniform_filter1d(path.radians, 5)[EDGE:-EDGE]) / (2 * np.pi)
        if turn and np.quantile(abs(wander), 0.98) * path.highest < IN_BAND:
            break
        residual = np.interp(np.arange(cycles.size), samples, path.radians / (2 * np.pi))
        width = max(3, round(2 / float(np.median(pace))))
        cycles = cycles + ndimage.uniform_filter1d(residual, width, mode="nearest")
    return result


def _later(phase: StretchPhase | None, seconds: float) -> StretchPhase | None:
    if phase is None:
        return None
    return replace(phase, time_s=phase.time_s + seconds, steady=False)


def _own_part(path: PhasePath) -> tuple[int, int] | None:
    """First and one past the last period of this tone, where other sound lies before or after."""
    share = path.share[EDGE:-EDGE]
    mine = share > OTHER_SOUND * float(np.quantile(share, 0.75))
    mine = ndimage.binary_opening(mine, np.ones(3, dtype=bool))
    found = np.flatnonzero(mine)
    if not found.size:
        return None
    begin, end = int(found[0]), int(found[-1]) + 1
    level = path.level[EDGE:-EDGE]
    begin = max(begin, _abrupt_start(level))
    end = min(end, share.size - _abrupt_start(level[::-1]))
    if end - begin < FEWEST_PERIODS:
        return None
    if begin < 3 and end > share.size - 3:
        return None
    first = begin + EDGE + MARGIN if begin else 0
    return first, end + EDGE - MARGIN if end < share.size else path.share.size


def _abrupt_start(level: Real) -> int:
    """First period at full level, where the tone begins within some periods; 0 where it doesn't.

    Until there the bands still reach into the silence before, which bends the phase.
    """
    full = int(np.argmax(level > 0.7 * float(np.quantile(level, 0.75))))
    before = level[max(0, full - 6) : max(0, full - 2)]
    return full + 1 if before.size and before.min() < 0.35 * level[full] else 0


def _whole_periods(available: int, rate: int, hz: float, whole: bool) -> tuple[int, int] | None:
    """Find how many periods and samples fit, both quick to transform where possible."""
    period = rate / hz
    most = int(available / period)
    if most < FEWEST_PERIODS:
        return None
    least = most if whole else max(FEWEST_PERIODS, math.ceil((1 - TRIM) * most) - 1)
    periods = np.arange(least, most + 1)
    # Off by so little, the highest harmonic is still within 1 % of a fundamental of its band.
    slack = np.floor(periods * min(20.0, 0.01 * period / max(1.0, 0.49 * period)))
    reach = int(min(20, slack.max()))
    offsets = np.arange(-reach, reach + 1)
    size = np.rint(periods * period).astype(np.intp)[:, None] + offsets
    fits = (np.abs(offsets) <= slack[:, None]) & (size <= available)
    cost = np.where(fits, _rough_part(size) + 0.2 * _rough_part(periods)[:, None], np.inf)
    row, column = np.unravel_index(int(np.argmin(cost)), cost.shape)
    if not np.isfinite(cost[row, column]):
        return most, min(round(most * period), available)
    return int(periods[row]), int(size[row, column])


def _rough_part(numbers: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return what is left of numbers without their prime factors up to 13: 1 transforms fastest."""
    rest = numbers.copy()
    for prime in (2, 3, 5, 7, 11, 13):
        for _ in range(20):
            even = rest % prime == 0
            if not even.any():
                break
            rest[even] //= prime
    return rest


def _common_multiple(path: PhasePath) -> int:
    """Return m where only every m-th harmonic is there, so that the pitch is m times higher."""
    present = np.flatnonzero(path.power > 1e-4 * path.power.max()) + 1
    return int(np.gcd.reduce(present))
