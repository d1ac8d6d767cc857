"""Pitch in windows of a phase, with its uncertainty, and where there is a tone at all."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import interpolate

from sigkit.arrays import Flags, Real
from sigkit.tracks.harmonics import EDGE, PhasePath

LEAST_PERIODICITY = 0.3
"""Correlation of a period with the next; noise has 0.17 here, a tone 6 dB below it 0.34."""
LOCKED_RAD = 0.35
"""Largest phase noise of the strongest harmonic, per period; beyond it cycles may be lost."""
BROKEN_RAD = 0.12
"""Phase that a tone may slip against the periods before and after: 2 % of one. More is lost samples
or another note; real oscillators jitter a hundred times less."""
SMEAR = 1 / 8
"""Second moment, in periods squared, of the response of the bands that the phase is taken from. It
turns a phase by half of that times the phase's own bend, which is taken back."""
SOFT_ENDS = 0.82
"""Periods by which the noise of a window of N of them lies below that of a sharp one, 1 - s / N in
variance, since bands and spline reach past its ends; calculated, and checked by the tests."""


@dataclass(frozen=True)
class Window:
    """How much sound is behind each pitch: ``seconds``, but ``least_periods`` for low notes."""

    seconds: float
    least_periods: int

    def periods(self, hz: float) -> int:
        """Return its length in whole periods of a pitch."""
        return max(self.least_periods, round(self.seconds * hz))


@dataclass(frozen=True)
class StretchPhase:
    """Phase once a period of one stretch of sound.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Instants of the periods, from the start of the sound that was handed in.
    cycles : ndarray, shape (n,)
        Phase of the fundamental in cycles from the first of them.
    u_cycles : ndarray, shape (n,)
        Its standard deviation by noise and by harmonics that do not keep in step, per period, at
        low frequencies.
    held : ndarray of bool, shape (n,)
        Whether the tone goes on there without a slip.
    steady : bool
        Whether the whole stretch was one tone that hardly moved.
    """

    time_s: Real
    cycles: Real
    u_cycles: Real
    held: Flags
    steady: bool

    @property
    def mean_hz(self) -> float:
        """Cycles from end to end over the time."""
        return float((self.cycles[-1] - self.cycles[0]) / (self.time_s[-1] - self.time_s[0]))


def phase_of(time_s: Real, path: PhasePath, window: Window, *, moving: bool) -> StretchPhase | None:
    """Count the cycles of a phase path, and say where its tone is held.

    Parameters
    ----------
    time_s : ndarray, shape (n_periods,)
        Instants of the periods.
    path : PhasePath
        Phase against one cycle a period.
    window : Window
        Length of the windows in which a pitch will be asked for.
    moving : bool
        Whether the sound was resampled along its phase.

    Returns
    -------
    StretchPhase or None
        None where the stretch is shorter than a window.
    """
    inner = slice(EDGE, time_s.size - EDGE)
    t, radians, sd = time_s[inner], path.radians[inner], path.sd[inner]
    if t.size <= window.least_periods:
        return None
    strongest = int(np.argmax(path.power)) + 1
    bad = (path.periodicity[inner] < LEAST_PERIODICITY) | (
        path.noise_sd[inner] * strongest > LOCKED_RAD
    )
    bad |= _slip(t, radians) > np.maximum(BROKEN_RAD, 6 * sd)
    share = path.share[inner]
    steady = not moving and not bad.any() and bool(share.min() > 0.5 * share.max())
    bend = np.diff(path.radians, 2)[EDGE - 1 : -(EDGE - 1)]
    radians = radians - SMEAR / 2 * bend
    cycles = np.arange(t.size) + radians / (2 * np.pi)
    return StretchPhase(t, cycles, sd / (2 * np.pi), ~bad, steady)


def pitch_in_windows(phase: StretchPhase, at_s: Real, window: Window) -> tuple[Real, Real]:
    """Take the pitch in windows about some instants.

    Parameters
    ----------
    phase : StretchPhase
        Phase once a period.
    at_s : ndarray, shape (n_frames,)
        Centres of the windows.
    window : Window
        Their length.

    Returns
    -------
    hz, u_hz : ndarray, shape (n_frames,)
        Pitch and its standard uncertainty; nan where the window does not lie within a held tone.

    Notes
    -----
    The slope of the straight line that fits the phase best over the window, which is the mean of
    the pitch weighted by a parabola, 12/L^3 times the integral of tau phase(t + tau). The phase is
    taken as a cubic spline through the periods, and the integral from its first and second
    antiderivative.
    """
    hz, u_hz = np.full(at_s.size, np.nan), np.full(at_s.size, np.nan)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], phase.held, [False]])))
    for begin, end in edges.reshape(-1, 2).tolist():
        if end - begin <= window.least_periods:
            continue
        run = slice(begin, end)
        t, cycles = phase.time_s[run], phase.cycles[run]
        half = _half_lengths(t, cycles, at_s, window)
        inside = np.flatnonzero((at_s - half >= t[0]) & (at_s + half <= t[-1]))
        if not inside.size:
            continue
        middle, half = at_s[inside], half[inside]
        pace = (cycles[-1] - cycles[0]) / (t[-1] - t[0])
        deviation = cycles - cycles[0] - pace * (t - t[0])
        once = interpolate.CubicSpline(t - t[0], deviation).antiderivative()
        twice = once.antiderivative()
        before, after = middle - half - t[0], middle + half - t[0]
        moment = half * (once(after) + once(before)) - (twice(after) - twice(before))
        hz[inside] = pace + 1.5 / half**3 * moment
        u_hz[inside] = _noise_of_slope(t, phase.u_cycles[run], middle, half)
    return hz, u_hz


def _half_lengths(time_s: Real, cycles: Real, at_s: Real, window: Window) -> Real:
    """Half the length of each window: that asked for, or the least number of periods."""
    count = np.maximum.accumulate(cycles)
    at = np.interp(at_s, time_s, count)
    period_s = (np.interp(at + 1, count, time_s) - np.interp(at - 1, count, time_s)) / 2
    # Beyond the first and last period only one of the two is known.
    period_s[(at < count[0] + 1) | (at > count[-1] - 1)] = np.inf
    lengths: Real = np.maximum(window.seconds, window.least_periods * period_s) / 2
    return lengths


def _noise_of_slope(time_s: Real, sd: Real, middle: Real, half: Real) -> Real:
    """Return the standard uncertainty of the slope of a phase with white noise in each period."""
    period = np.gradient(time_s)
    since = time_s - time_s[0]
    density = sd**2 * period
    sums = [
        np.concatenate([[0.0], np.cumsum((v[1:] + v[:-1]) / 2 * period[:-1])])
        for v in (density, density * since, density * since**2)
    ]
    centre = middle - time_s[0]
    plain, first, second = (
        np.interp(centre + half, since, s) - np.interp(centre - half, since, s) for s in sums
    )
    about_centre = np.maximum(second - 2 * centre * first + centre**2 * plain, 0.0)
    periods = 2 * half / np.interp(centre, since, period)
    u: Real = 1.5 / half**3 * np.sqrt(about_centre * (1 - SOFT_ENDS / periods))
    return u


def _slip(time_s: Real, radians: Real) -> Real:
    """Phase by which each period departs from those two before and two after it.

    A step of pitch agrees with one side, a smooth change with the mean of both; a slip with none.
    """
    pace = (1 + np.diff(radians) / (2 * np.pi)) / np.diff(time_s)
    slip = np.zeros(time_s.size)
    before, now, after = pace[:-4], pace[2:-2], pace[4:]
    around = np.minimum(np.abs(now - before), np.abs(now - after))
    around = np.minimum(around, np.abs(now - (before + after) / 2))
    slip[2:-3] = 2 * np.pi * around / pace.mean()
    slip[3:-2] = np.maximum(slip[3:-2], slip[2:-3])
    return slip
