"""The pitch of a note fitted in the sound itself, beside notes that sound under it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import linalg, ndimage, signal

from sigkit.arrays import Real
from sigkit.tracks.keyboard.notes import KeyNote
from sigkit.tracks.keyboard.pitch import (
    CENTS,
    QUICKEST_S,
    REST,
    SETTLED_CENTS,
    NotePitch,
    beyond_linear,
)
from sigkit.tracks.keyboard.sound import KeySound
from sigkit.tracks.keyboard.voices import Stuck

HARMONICS, TURNS, MOST_CENTS = 10, 5, 60.0
OVER = 2.5
"""Samples in a period of the highest harmonic that are kept."""
TAPER = 0.3
SKIP_S, TAIL_S, LONGEST_S = 0.04, 0.02, 3.0
"""What is left out after the onset and before the end, and what comes later than that.

A longer fit takes memory and tells nothing more.
"""
FADES_S = 0.15
"""How long before its end a note under this one may have been let go."""
RIDGE = 1e-9
RESTS_S = (0.03, 0.06, 0.12)
"""Time constants from which the search for one begins."""
STANDS_OUT, VISIBLE = 40.0, 0.5
"""By how many variances a bend leaves less, and cents of it that are left when the fit begins."""
MOST_LEFT = 0.02
"""Share of the power of a lone note that is left at most: more, and its harmonics do not hold."""
HUMS = 3.5
"""Pitch re the mains up to which hum that strays is fitted beside a note."""
MIDDLE_S, AS_MUCH = 0.04, 0.5
"""Window in which level and phase are read, and their ratio from which on another sound beats."""
DOUBT_CENTS, DOUBT_WANDER, DOUBT_S = 0.03, 1.0, 0.03
"""Uncertainty, wander and time constant of a pitch by its phase from which on it is fitted anew."""


@dataclass(frozen=True, eq=False)
class _Fit:
    """Free values: pitch, and what is added at the start and its time constant; what is left."""

    free: Real
    left: float
    variance: float
    u_hz: float


def doubtful(whole: KeySound, note: KeyNote, pitch: NotePitch) -> bool:
    """Whether a pitch by its phase needs to be looked at in the sound."""
    quick = bool(pitch.bend_cents) and pitch.bend_s < DOUBT_S
    return (
        bool(note.under)
        or quick
        or _hums(whole, pitch)
        or pitch.u_cents > DOUBT_CENTS
        or pitch.wander_cents > DOUBT_WANDER
    )


def _hums(whole: KeySound, pitch: NotePitch) -> bool:
    """Whether hum that strays may be left among the lowest lines of a note."""
    return whole.strays and pitch.hz < HUMS * whole.mains_hz


def pitch_beside(
    original: KeySound,
    note: KeyNote,
    pitch: NotePitch,
    stuck: Sequence[Stuck],
    onset_s: float,
) -> NotePitch:
    """Measure the pitch of a note again, together with steady notes that sound under it.

    Parameters
    ----------
    original : KeySound
        The sweep with all its notes.
    note, pitch : KeyNote, NotePitch
        The note, and its pitch by its phase.
    stuck : sequence of Stuck
        The others.
    onset_s : float
        When the note begins.

    Returns
    -------
    NotePitch
        With another pitch and bend; as it was where the fit does not hold.

    Notes
    -----
    Least squares over the held part from 40 ms on, or the longest part of it in which no other
    ends: a tone of so many harmonics whose pitch is free, and the others, whose amplitudes may
    change evenly; what is left of hum that strays is one of these. A pitch that comes to rest is
    chosen where it leaves less by forty variances. Noise need not be white: its spectrum, smoothed
    over half a harmonic's distance, gives the uncertainty.
    """
    begin, stop_s, others_hz = _steady_part(note, stuck, onset_s)
    if _hums(original, pitch):
        others_hz.append(original.mains_hz)
    begin += SKIP_S
    end = min(stop_s - TAIL_S, begin + LONGEST_S)
    x = original.part(begin, end).astype(np.float64)
    count = _count(pitch.hz, original.rate)
    if x.size < 10 * original.rate / pitch.hz:
        return pitch
    begin = round(begin * original.rate) / original.rate
    highest = count * max([pitch.hz, *others_hz])
    step = max(1, int(original.rate / (OVER * highest)))
    rate = original.rate / step
    if step > 1:
        x = signal.resample_poly(x, 1, step)
    since = np.arange(x.size) / rate + begin - note.start_s
    weight = signal.windows.tukey(x.size + 2, TAPER)[1:-1]
    t = since - since.mean()
    under = [_pairs(2 * np.pi * hz * t, _count(hz, original.rate, count)) for hz in others_hz]
    fixed = [*under, *(u * (t / t[-1])[:, None] for u in under)]
    sound = _Sound(x, since, weight, count, np.concatenate([np.ones((x.size, 1)), *fixed], axis=1))
    plain = sound.fitted(np.array([pitch.hz]), vary=1)
    best = plain
    bent = [s for s in (sound.bent(pitch.hz, tau) for tau in RESTS_S) if s is not None]
    if pitch.bend_cents:
        start = np.array([pitch.hz, pitch.hz * pitch.bend_cents / CENTS, pitch.bend_s])
        own = sound.fitted(start, vary=3)
        bent += [own] if own is not None else []
    slowest = REST * float(since[-1] - since[0])
    for fit in bent:
        if not QUICKEST_S < fit.free[2] < max(slowest, 2 * QUICKEST_S):
            continue
        seen = CENTS * fit.free[1] / fit.free[0] * math.exp(-float(since[0]) / fit.free[2])
        gain = math.inf if best is None else best.left - fit.left
        much = gain > (STANDS_OUT * fit.variance if best is plain else 0.0)
        if much and abs(seen) > VISIBLE:
            best = fit
    if best is None or abs(CENTS * math.log(best.free[0] / pitch.hz)) > MOST_CENTS:
        return pitch
    if not others_hz and best.left > MOST_LEFT * float(weight @ x**2):
        return pitch
    hz = float(best.free[0])
    u_hz = best.u_hz
    if best.free.size < 3:
        return replace(
            pitch, hz=hz, u_hz=u_hz, settles_after_s=0.0, bend_cents=0.0, bend_s=math.nan
        )
    cents, tau = CENTS * float(best.free[1]) / hz, float(best.free[2])
    settles = tau * math.log(max(abs(cents) / SETTLED_CENTS, 1.0))
    return replace(
        pitch,
        hz=hz,
        u_hz=u_hz,
        settles_after_s=settles,
        wander_cents=0.0,
        bend_cents=cents,
        bend_s=tau,
    )


def _steady_part(
    note: KeyNote, stuck: Sequence[Stuck], onset_s: float
) -> tuple[float, float, list[float]]:
    """Return the longest part of a note in which none of those under it ends, and their pitches."""
    under = [s for s in stuck if s.note.start_s < note.start_s < s.until_s]
    ends = sorted(s.until_s for s in under if s.until_s - FADES_S < note.stop_s)
    starts = [onset_s, *ends]
    stops = [*(e - FADES_S for e in ends), note.stop_s]
    begin, stop = max(zip(starts, stops, strict=True), key=lambda p: p[1] - p[0])
    return begin, stop, [s.hz for s in under if s.until_s > begin - FADES_S]


@dataclass(frozen=True, eq=False)
class _Sound:
    """A piece of sound, its time from the start of the note, its weights, and what is beside."""

    x: Real
    since: Real
    weight: Real
    count: int
    fixed: Real

    def bent(self, hz: float, tau: float) -> _Fit | None:
        """Fit a pitch that comes to rest, from a time constant on."""
        first = self.fitted(np.array([hz, 0.0, tau]), vary=2)
        return None if first is None else self.fitted(first.free, vary=3)

    def fitted(self, free: Real, vary: int) -> _Fit | None:
        """Fit the first so many free values; None where that does not converge."""
        root, k = np.sqrt(self.weight), 2 * np.pi * np.arange(1, self.count + 1)
        size = 2 * self.count
        for _ in range(TURNS):
            cycles, turns = free[0] * self.since, [self.since]
            if free.size == 3:
                fade = np.exp(-self.since / free[2])
                more = free[0] * beyond_linear(float(free[1] / free[0]), fade)
                cycles = cycles - free[2] * (free[1] * fade + more)
                turns += [-free[2] * fade, -free[1] * fade * (1 + self.since / free[2])]
            own = _pairs(2 * np.pi * cycles, self.count)
            both = np.concatenate([own, self.fixed], axis=1) * root[:, None]
            normal = both.T @ both
            normal[np.diag_indices_from(normal)] *= 1 + RIDGE
            factor = linalg.cho_factor(normal)
            solved = linalg.cho_solve(factor, both.T @ (self.x * root))
            rest = self.x * root - both @ solved
            slope = own[:, 0::2] @ (k * solved[1:size:2]) - own[:, 1::2] @ (k * solved[0:size:2])
            columns = np.stack([slope * turn * root for turn in turns[:vary]], axis=1)
            columns -= both @ linalg.cho_solve(factor, both.T @ columns)
            inner = columns.T @ columns
            scale = np.sqrt(np.outer(np.diag(inner), np.diag(inner)))
            if not (scale > 0).all() or not np.linalg.cond(inner / scale) < 1e8:
                return None
            step = np.linalg.solve(inner, columns.T @ rest)
            if not (np.isfinite(step).all() and abs(step[0]) < 0.04 * free[0]):
                return None
            free = np.concatenate([free[:vary] + step, free[vary:]])
            if free.size == 3 and not QUICKEST_S / 2 < free[2] < self.since[-1]:
                return None
        rest = rest - columns @ step
        left = float(rest @ rest)
        variance = left / max(1.0, float(self.weight.sum()) - both.shape[1])
        pull = np.linalg.inv(inner)[0] @ (columns * root[:, None]).T
        return _Fit(free, left, variance, self._spread(pull, rest * root, free))

    def _spread(self, pull: Real, rest: Real, free: Real) -> float:
        """Return the standard deviation that noise like the weighted rest gives to a sum."""
        density = np.abs(np.fft.rfft(rest)) ** 2 / np.sum(self.weight**2)
        turns = float(free[0] * (self.since[-1] - self.since[0]))
        width = max(3, min(round(turns / 2), density.size))
        # What is fitted about a harmonic is missing there: two lines that change, and a pitch.
        fitted = (2 + 4 * (self.fixed.shape[1] > 1) + free.size) / 2
        density = ndimage.uniform_filter1d(density, width, mode="reflect")
        density *= width / max(width - fitted, 1.0)
        shape = np.abs(np.fft.rfft(pull)) ** 2
        shape[1 : (pull.size + 1) // 2] *= 2
        return math.sqrt(float(shape @ density) / pull.size)


def beaten(whole: KeySound, note: KeyNote, pitch: NotePitch) -> bool:
    """Whether another sound beats with a note, rather than that its pitch wanders.

    Parameters
    ----------
    whole : KeySound
        The sweep.
    note, pitch : KeyNote, NotePitch
        The note, and its pitch.

    Notes
    -----
    A line beside the fundamental moves its level as much as its phase; a pitch that wanders moves
    the phase alone.
    """
    width = max(MIDDLE_S, 3 / pitch.hz)
    window = np.hanning(round(width * whole.rate) + 2)[1:-1]
    at = np.arange(note.start_s + SKIP_S, note.stop_s - TAIL_S - width, width / 2)
    z = np.empty(at.size, complex)
    for i, start_s in enumerate(at):
        x = whole.part(start_s, start_s + 2 * width)[: window.size]
        t = start_s + np.arange(x.size) / whole.rate
        z[i] = (x * window) @ np.exp(-2j * np.pi * pitch.cycles(t, note.start_s))
    if z.size < 5 or not z.all():
        return False
    level = signal.detrend(np.log(np.abs(z)))
    return float(level.std()) > AS_MUCH * float(signal.detrend(np.unwrap(np.angle(z))).std())


def _count(hz: float, rate: int, most: int = HARMONICS) -> int:
    return max(1, min(most, int(0.4 * rate / hz)))


def _pairs(angle: Real, count: int) -> Real:
    """Cosines and sines of the first multiples of an angle, side by side."""
    base = np.exp(1j * angle)
    turn, out = np.ones_like(base), np.empty((angle.size, 2 * count))
    for k in range(count):
        turn = turn * base
        out[:, 2 * k], out[:, 2 * k + 1] = turn.real, turn.imag
    return out
