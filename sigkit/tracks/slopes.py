"""The slope of a phase in windows: pitch with its uncertainty, and where there is a tone at all."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.arrays import Flags, Real
from sigkit.tracks.harmonics import EDGE, LAG_0, LAG_1, PhasePath

LEAST_PERIODICITY = 0.3
"""Correlation of a period with the next; noise has 0.17 here, a tone 6 dB below it 0.34."""
LOCKED_RAD = 0.35
"""Largest phase noise of the strongest harmonic, per period; beyond it cycles may be lost."""
BROKEN_RAD = 0.12
"""Phase that a tone may slip against the periods before and after: 2 % of one. More is lost samples
or another note; real oscillators jitter a hundred times less."""


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
    """Phase once a period of one stretch.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Instants of the periods, from the start of the sound that was handed in.
    cycles : ndarray, shape (n,)
        Phase of the fundamental in cycles from the first of them.
    u_cycles : ndarray, shape (n,)
        Its standard deviation by noise, per period, at low frequencies.
    held : ndarray of bool, shape (n,)
        Whether the tone goes on there without a slip.
    """

    time_s: Real
    cycles: Real
    u_cycles: Real
    held: Flags


@dataclass(frozen=True)
class StretchPitch:
    """Pitch once a period of one stretch.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Centres of the windows, from the start of the sound that was handed in.
    frequency_hz, u_hz : ndarray, shape (n,)
        Pitch over the window, and its standard uncertainty by noise and by harmonics that do not
        keep in step.
    tone : ndarray of bool, shape (n,)
        Whether the whole window holds this tone.
    steady : bool
        Whether the whole stretch was one tone that hardly moved.
    phase : StretchPhase
        The phase behind it.
    """

    time_s: Real
    frequency_hz: Real
    u_hz: Real
    tone: Flags
    steady: bool
    phase: StretchPhase

    @property
    def mean_hz(self) -> float:
        """Mean pitch where there is a tone; nan elsewhere."""
        return float(np.mean(self.frequency_hz[self.tone])) if self.tone.any() else math.nan


def slopes(time_s: Real, path: PhasePath, window: Window, *, steady: bool) -> StretchPitch | None:
    """Take the least-squares slope of the phase in a window that starts at every period.

    Parameters
    ----------
    time_s : ndarray, shape (n_periods,)
        Instants of the periods.
    path : PhasePath
        Phase against one cycle a period.
    window : Window
        Length of the windows.
    steady : bool
        Whether the sound was taken as it is, and not resampled along its phase.

    Returns
    -------
    StretchPitch or None
        None where the stretch is shorter than a window.
    """
    inner = slice(EDGE, time_s.size - EDGE)
    t, radians, sd = time_s[inner], path.radians[inner], path.sd[inner]
    count = t.size
    if count < window.least_periods:
        return None
    mean_hz = (count - 1) / (t[-1] - t[0])
    cycles = np.arange(count) + radians / (2 * np.pi) - mean_hz * (t - t[0])
    local = np.gradient(t)
    start = np.arange(count)
    beyond = np.concatenate([t, t[-1] + local[-1] * np.arange(1, window.least_periods + 2)])
    length = np.interp(t + window.seconds, beyond, np.arange(beyond.size)) - start
    length = np.maximum(length, window.least_periods)
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
    bad = (path.periodicity[inner] < LEAST_PERIODICITY) | (
        path.noise_sd[inner] * strongest > LOCKED_RAD
    )
    bad |= _slip(t, radians) > np.maximum(BROKEN_RAD, 6 * sd)
    spoilt = np.concatenate([[0], np.cumsum(bad)])
    tone = spoilt[start + whole + 1] == spoilt[start]
    share = path.share[inner]
    steady = bool(steady and tone.all() and share.min() > 0.5 * share.max())
    phase = StretchPhase(t, np.arange(count) + radians / (2 * np.pi), sd / (2 * np.pi), ~bad)
    return StretchPitch(centre + t.mean(), mean_hz + slope, u_slope, tone, steady, phase)


def _slip(time_s: Real, radians: Real) -> Real:
    """Phase by which each period departs from those two before and two after it."""
    pace = (1 + np.diff(radians) / (2 * np.pi)) / np.diff(time_s)
    slip = np.zeros(time_s.size)
    around = np.minimum(np.abs(pace[2:-2] - pace[:-4]), np.abs(pace[2:-2] - pace[4:]))
    slip[2:-3] = 2 * np.pi * around / pace.mean()
    slip[3:-2] = np.maximum(slip[3:-2], slip[2:-3])
    return slip


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
