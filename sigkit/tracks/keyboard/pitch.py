"""The pitch of one note of a sweep: where it comes to rest, and what it does at key-down."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy import optimize

from sigkit.arrays import Flags, Real, runs
from sigkit.tracks.keyboard.notes import KeyNote
from sigkit.tracks.keyboard.sound import KeySound
from sigkit.tracks.slopes import StretchPhase, Window
from sigkit.tracks.stretch import measure_stretch

SKIP_PERIODS = 5
"""Periods after the onset that are not looked at: the bands reach over them."""
LEAD_S, TAIL_S = 0.03, 0.02
QUICKEST_S, REST, AT_END = 0.02, 0.8, 0.98
"""Quickest time constant with which a pitch may come to rest, and the slowest as a share of the
note; and the share of that from which on it may be slower still."""
MOST_CENTS = 150.0
SETTLED_CENTS = 3.0
STANDS_OUT = 5.0
"""How many times its uncertainty a bend has to be."""
LEAST_PERIODS = 10
MOVES = 4.0
"""Variance of the pitch in windows re that of its noise, from which on it moves."""
CENTS = 1200 / math.log(2)


@dataclass(frozen=True, eq=False)
class NotePitch:
    """Pitch of a note.

    Parameters
    ----------
    hz, u_hz : float
        Where it comes to rest, and the standard uncertainty by noise, by the scatter of its phase
        and by harmonics that do not keep in step.
    settles_after_s : float
        When, from the start, it is within 3 cents of that for good; nan: not to be told.
    wander_cents : float
        Standard deviation about that in windows of 50 ms, its noise taken out.
    bend_cents, bend_s : float
        What is added at the onset, fading with that time constant; 0 and nan: nothing.
    phase : StretchPhase
        Phase once a period, time from the start of the capture.
    mean_hz, u_mean_hz : float
        Mean pitch while it is held, and its standard uncertainty.
    moves_cents, turns : float, int
        Standard deviation about that in windows of 50 ms, its noise taken out, and how many times
        it crosses that mean.
    """

    hz: float
    u_hz: float
    settles_after_s: float
    wander_cents: float
    bend_cents: float
    bend_s: float
    phase: StretchPhase
    mean_hz: float
    u_mean_hz: float
    moves_cents: float
    turns: int

    @property
    def u_cents(self) -> float:
        """Standard uncertainty in cents."""
        return CENTS * self.u_hz / self.hz

    def cycles(self, time_s: Real, start_s: float) -> Real:
        """Phase in cycles at instants, from the model, up to a constant."""
        since = time_s - start_s
        out = self.hz * since
        if self.bend_cents:
            fade = np.exp(-np.maximum(since, 0) / self.bend_s)
            bent = self.bend_cents / CENTS
            out = out - self.hz * self.bend_s * (bent * fade + beyond_linear(bent, fade))
        return np.asarray(out)


def beyond_linear(bent: float, fade: Real) -> Real:
    """Return what an exponential approach in cents adds to one in Hz.

    Parameters
    ----------
    bent : float
        Bend at the onset as a natural logarithm.
    fade : ndarray
        What is left of it.

    Returns
    -------
    ndarray
        Phase, less than nothing, in cycles over the pitch times the time constant.
    """
    out: Real = (bent * fade) ** 2 / 4 + (bent * fade) ** 3 / 18
    return out


def note_pitch(whole: KeySound, note: KeyNote) -> NotePitch | None:
    """Measure the pitch of a note.

    Parameters
    ----------
    whole : KeySound
        The sweep, without notes that sound on under this one.
    note : KeyNote
        Where it is, and its rough pitch.

    Returns
    -------
    NotePitch or None
        None where the note is too short, or holds no tone that can be followed.

    Notes
    -----
    A straight line through the phase once a period, in least squares; or a line and an exponential
    approach, where that explains the phase better by more than its noise and the remaining scatter
    allow. The scatter about the line, correlated over some periods, is in the uncertainty.
    """
    first = max(0.0, note.start_s - LEAD_S)
    part = whole.part(first, note.stop_s + TAIL_S).astype(np.float64)
    phase = measure_stretch(part, whole.rate, note.hz, Window(0.05, 4), whole=True)
    if phase is None or abs(phase.mean_hz / note.hz - 1) > 0.03:
        part = whole.part(note.start_s, note.stop_s).astype(np.float64)
        phase = measure_stretch(part, whole.rate, note.hz, Window(0.05, 4), whole=True)
        first = round(note.start_s * whole.rate) / whole.rate
    else:
        first = max(0, round(first * whole.rate)) / whole.rate
    if phase is None:
        return None
    time_s = phase.time_s + first
    period = 1 / note.hz
    inside = phase.held & (time_s > note.start_s + SKIP_PERIODS * period)
    inside &= time_s < note.stop_s - period
    # Where the phase slips, cycles may be lost: the longest stretch without is used. What is left
    # of a stuck note shakes the phase too; that is measured again, beside it.
    if not note.under:
        longest = max(runs(inside), key=lambda run: run[1] - run[0], default=(0, 0))
        inside[: longest[0]], inside[longest[1] :] = False, False
    if np.count_nonzero(inside) < LEAST_PERIODS:
        return None
    placed = StretchPhase(time_s, phase.cycles, phase.u_cycles, phase.held, phase.steady)
    return _fitted(placed, inside, note)


def _fitted(phase: StretchPhase, inside: Flags, note: KeyNote) -> NotePitch:
    """Choose between a pitch at rest and one that comes to rest."""
    t, cycles, sd = phase.time_s[inside], phase.cycles[inside], phase.u_cycles[inside]
    since = t - note.start_s
    span = float(t[-1] - t[0])
    ones = np.ones_like(t)
    best = plain = _Fit.of([ones, since], cycles, sd)
    hz, u_hz = best.values[1], best.u[1]
    bend, bend_s, settles = 0.0, math.nan, 0.0
    if REST * span > 1.5 * QUICKEST_S:

        def bent(log_tau: float) -> _Fit:
            tau = math.exp(log_tau)
            return _Fit.of([ones, since, -tau * np.exp(-since / tau)], cycles, sd)

        grid = np.linspace(math.log(QUICKEST_S), math.log(REST * span), 7)
        start = int(np.argmin([bent(g).left for g in grid]))
        low, high = grid[max(start - 1, 0)], grid[min(start + 1, 6)]
        found = optimize.minimize_scalar(
            lambda g: bent(g).left, bounds=(low, high), method="bounded", options={"xatol": 1e-3}
        )
        tau = math.exp(float(found.x))
        fade = np.exp(-since / tau)
        size = bent(math.log(tau)).values[2]
        # Its derivative for the time constant, so that this is in the uncertainty too.
        fit = _Fit.of([ones, since, -tau * fade, -size * fade * (1 + since / tau)], cycles, sd)
        cents = CENTS * fit.values[2] / fit.values[1]
        seen = abs(cents) * math.exp(-float(since[0]) / tau)
        stands = abs(fit.values[2]) > STANDS_OUT * fit.u[2] and fit.left < 0.7 * best.left
        if stands and seen > SETTLED_CENTS / 3 and abs(cents) < MOST_CENTS:
            for _ in range(3):
                # The capacitor's voltage is pitch in cents, not in Hz.
                more = fit.values[1] * tau * beyond_linear(fit.values[2] / fit.values[1], fade)
                columns = [ones, since, -tau * fade, -size * fade * (1 + since / tau)]
                fit = _Fit.of(columns, cycles + more, sd)
            best, hz, u_hz = replace(fit, model=fit.model - more), fit.values[1], fit.u[1]
            bend, bend_s = float(CENTS * fit.values[2] / fit.values[1]), tau
            settles = tau * math.log(max(abs(bend) / SETTLED_CENTS, 1.0))
            if tau > AT_END * REST * span:
                # It does not come to rest: as far as it is still away, either way.
                u_hz = math.hypot(u_hz, fit.values[2] * float(fade[-1]) / math.sqrt(3))
    moves, turns = _wander(cycles - plain.model, sd, hz, sure=MOVES)
    wander, _ = _wander(cycles - best.model, sd, hz)
    return NotePitch(
        float(hz), float(u_hz), settles, wander, float(bend), bend_s, phase,
        float(plain.values[1]), float(plain.u[1]), moves, turns,
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class _Fit:
    """A weighted linear least-squares fit; its uncertainties allow for residuals that correlate."""

    values: Real
    u: Real
    model: Real
    left: float

    @classmethod
    def of(cls, columns: list[Real], y: Real, sd: Real) -> _Fit:
        a = np.stack(columns, axis=1)
        weight = 1 / np.maximum(sd, 1e-12)
        scale = np.linalg.norm(a * weight[:, None], axis=0)
        solved, *_ = np.linalg.lstsq(a * weight[:, None] / scale, y * weight, rcond=None)
        inverse = np.linalg.inv((a * weight[:, None] / scale).T @ (a * weight[:, None] / scale))
        model = a @ (solved / scale)
        rest = (y - model) * weight
        dof = max(1, y.size - a.shape[1])
        excess = max(1.0, float(rest @ rest) / dof * _together(rest))
        u = np.sqrt(np.diag(inverse) * excess) / scale
        return cls(solved / scale, u, model, float(rest @ rest))


def _together(rest: Real) -> float:
    """By how much residuals that hang together count for fewer."""
    power = float(rest @ rest)
    if rest.size < 8 or not power > 0:
        return 1.0
    r = np.array([float(rest[k:] @ rest[:-k]) / power for k in range(1, min(12, rest.size // 3))])
    negative = np.flatnonzero(r <= 0.1)
    r = r[: negative[0]] if negative.size else r
    return 1 + 2 * float(r.sum())


def _wander(rest: Real, sd: Real, hz: float, sure: float = 0.0) -> tuple[float, int]:
    """Scatter of the pitch over windows of 50 ms, or of 4 periods, without its noise, cents.

    And how many times it crosses its mean. Nothing where it is not so many times that of noise.
    """
    width = max(4, round(0.05 * hz))
    if rest.size < 4 * width:
        return 0.0, 0
    count = rest.size // width
    x = np.arange(width) - (width - 1) / 2
    slopes = rest[: count * width].reshape(count, width) @ x / (x @ x)
    noise = float(np.median(sd)) ** 2 / float(x @ x)
    turns = int(np.count_nonzero(np.diff(np.sign(slopes - slopes.mean()))))
    if float(np.mean(slopes**2)) < sure * noise:
        return 0.0, 0
    return CENTS * math.sqrt(max(0.0, float(np.mean(slopes**2)) - noise)), turns
