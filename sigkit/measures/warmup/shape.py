"""The shape of a warm-up: one exponential approach or two, a cycle upon it, wander about it."""

from __future__ import annotations

import contextlib
import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from sigkit.arrays import Real
from sigkit.errors import SignalError
from sigkit.measures.fits import ExponentialFit, batch_means, fit_exponentials
from sigkit.measures.memory import Linear, Wander, fit_linear, log_likelihood

BATCHES = 150
LEAST_APPROACH_CENTS = 0.1
"""A smaller approach is not called one: a sound card's own clock drifts by as much."""
VAGUE = 0.5
"""Largest relative uncertainty of a time constant that is stated."""
CLEARLY = 3.0
"""Both of two exponentials, and both limbs of a reversal, are so many times their u."""
APART = 2.0
"""Two time constants closer than this ratio are one."""
SHORTEST_CYCLE_S, LONGEST_CYCLE_S = 120.0, 1200.0
LEAST_TURNS, POINTS_A_TURN = 2.5, 4
PERIODS = 60
CYCLE_GAIN = 22.0
"""Gain in -2 log likelihood by which a cycle stands out of a wander; random walks show one in fewer
than 5 % of cases, see the benchmark."""
LEAST_CYCLE_CENTS = 0.1
MOST_STEPS = 10

Kind = Literal["steady", "line", "one", "leaning", "two"]


@dataclass(frozen=True, eq=False)
class Cycle:
    """A sinusoid upon the drift.

    Parameters
    ----------
    period_s, cents : float
        Period and peak.
    u_period_s, u_cents : float
        Their standard uncertainties.
    cosine, sine : float
        Its parts against the time of the shape.
    """

    period_s: float
    cents: float
    u_period_s: float
    u_cents: float
    cosine: float
    sine: float

    def at(self, since_s: Real) -> Real:
        """Return the cycle at those times, cents."""
        turn = 2 * np.pi * np.asarray(since_s) / self.period_s
        value: Real = self.cosine * np.cos(turn) + self.sine * np.sin(turn)
        return value


@dataclass(frozen=True, eq=False)
class Shape:
    """What a curve of pitch is made of.

    Parameters
    ----------
    kind : {"steady", "line", "one", "leaning", "two"}
        No drift, a straight one, one exponential approach, one upon a straight drift, or two.
    fit : ExponentialFit or None
        The exponentials.
    linear : Linear
        The last step of the fit.
    columns : ndarray, shape (n, n_columns)
        What it is made of, linearised.
    since_s, cents : ndarray, shape (n,)
        The batches behind it, seconds since the tone began.
    wander : Wander
        The family of wanders.
    cycle : Cycle or None
        Where one stands out.
    steps_s : tuple of float
        The steps that were fitted; their columns are the last ones.
    reason : str
        Why there is no time constant; empty where there is one.
    other : tuple of (float, ExponentialFit) or None
        One exponential with the straight drift that was left out, or without the one that was
        allowed for, and its share of the likelihood.
    """

    kind: Kind
    fit: ExponentialFit | None
    linear: Linear
    columns: Real
    since_s: Real
    cents: Real
    wander: Wander
    cycle: Cycle | None
    steps_s: tuple[float, ...]
    reason: str = ""
    other: tuple[float, ExponentialFit] | None = None

    @property
    def waves(self) -> list[int]:
        """Which columns are those of the cycle."""
        first = {"steady": 1, "line": 2, "one": 3, "leaning": 4, "two": 5}[self.kind]
        return [first, first + 1] if self.cycle is not None else []

    def at(self, since_s: Real) -> Real:
        """Return the approach without steps and cycle, cents; nan where there is none."""
        if self.fit is None:
            return np.full(np.shape(since_s), np.nan)
        value: Real = self.fit.at(since_s) + self.slope[0] * np.asarray(since_s)
        return value

    @property
    def slope(self) -> tuple[float, float]:
        """The straight drift under one exponential approach and its uncertainty, cents/s."""
        if self.fit is None or self.kind != "leaning":
            return 0.0, 0.0
        length_s = float(self.since_s[-1])
        return float(self.fit.values[3]) / length_s, float(self.fit.u[3]) / length_s


def find_shape(since_s: Real, cents: Real, steps_s: Real) -> Shape:
    """Find what a curve of pitch is made of.

    Parameters
    ----------
    since_s, cents : ndarray, shape (n_frames,)
        Pitch since the tone began, evenly spaced but for gaps.
    steps_s : ndarray, shape (n_steps,)
        When it steps; the steps are fitted with the rest.

    Notes
    -----
    Steady, line, one exponential, one upon a line, and two are compared by the Bayesian information
    criterion [1]_ with residuals that wander (see `sigkit.measures.memory`), so that two
    exponentials, or a cycle, are not seen in what a random walk does by itself.

    References
    ----------
    .. [1] G. Schwarz, "Estimating the dimension of a model", Annals of Statistics 6 (1978),
       461-464.
    """
    t, c = batch_means(since_s, cents, BATCHES)
    wander = Wander.family(t)
    steps = _steps(since_s, steps_s)
    beside = np.column_stack([np.empty((t.size, 0)), *steps.values()])
    found = _best(t, c, wander, beside)
    cycle = _find_cycle(t, c, wander, beside, found)
    if cycle is not None:
        # The period of the grid is rough: once more with the one that fits.
        for _ in range(2):
            with_cycle = _best(t, c, wander, np.column_stack([_waves(t, cycle), beside]))
            cycle = _measured(t, c, wander, cycle, with_cycle)
            if cycle is None:
                break
        found = found if cycle is None else with_cycle
    kind, fit, linear, columns, other = found
    reason = _refused(kind, fit)
    return Shape(
        kind,
        None if reason else fit,
        linear,
        columns,
        t,
        c,
        wander,
        cycle,
        tuple(steps),
        reason,
        other,
    )


_Found = tuple[Kind, ExponentialFit | None, Linear, Real, tuple[float, ExponentialFit] | None]


def _steps(since_s: Real, steps_s: Real) -> dict[float, Real]:
    """One column for each step that has data on both sides, by its time; means over batches."""
    after = {float(at): (since_s >= at).astype(np.float64) for at in steps_s}
    columns = {at: batch_means(since_s, c, BATCHES)[1] for at, c in after.items()}
    apart = {tuple(c): (at, c) for at, c in columns.items() if 0 < c.mean() < 1}
    return dict(list(apart.values())[:MOST_STEPS])


def _best(t: Real, c: Real, wander: Wander, beside: Real) -> _Found:
    """Return the likeliest of no drift, a line, one exponential and two."""
    price = math.log(t.size)
    one = np.ones_like(t)
    every: list[tuple[float, _Found]] = []
    plain: tuple[tuple[Kind, list[Real]], ...] = (("steady", [one]), ("line", [one, t / t[-1]]))
    for kind, columns in plain:
        design = np.column_stack([*columns, beside])
        linear = fit_linear(design, c, wander)
        every.append((linear.criterion + price * len(columns), (kind, None, linear, design, None)))
    leaning = np.column_stack([t / t[-1], beside])
    curved: tuple[tuple[Kind, int, Real], ...] = (
        ("one", 1, beside),
        ("leaning", 1, leaning),
        ("two", 2, beside),
    )
    for kind, parts, rest in curved:
        try:
            fit = fit_exponentials(t, c, parts=parts, beside=rest, wander=wander)
        except SignalError:
            continue
        if kind == "two" and not _two_parts(fit):
            continue
        cost = fit.criterion + price * {"one": 3, "leaning": 4, "two": 5}[kind]
        every.append((cost, (kind, fit, fit.linear, fit.columns, None)))
    least, best = min(every, key=lambda each: each[0])
    for cost, (kind, other, *_) in every:
        if other is not None and {kind, best[0]} == {"one", "leaning"}:
            share = 1 / (1 + math.exp((cost - least) / 2))
            return (*best[:4], (share, other))
    return best


def _two_parts(fit: ExponentialFit) -> bool:
    taus, sizes, u = fit.values[:2], fit.values[3:5], fit.u
    known = (u[:2] < VAGUE * taus).all() and (np.abs(sizes) > CLEARLY * u[3:5]).all()
    return bool(known and taus[1] > APART * taus[0])


def _refused(kind: Kind, fit: ExponentialFit | None) -> str:
    """Why no time constant is stated; empty where one is."""
    if fit is None:
        if kind == "line":
            return "no exponential fits this curve better than a straight line"
        return "the pitch does not move enough for an exponential to be seen"
    n = fit.parts
    sizes, u = np.abs(fit.values[n + 1 : 2 * n + 1]), fit.u
    if sizes.max() < max(LEAST_APPROACH_CENTS, 4 * float(u[n + 1 : 2 * n + 1].max()) * (n == 1)):
        return "the pitch does not move enough for an exponential to be seen"
    if u[0] > VAGUE * fit.values[0]:
        return "the recording is too short for the time constant of this drift"
    return ""


def _waves(t: Real, cycle: Cycle) -> Real:
    turn = 2 * np.pi * t / cycle.period_s
    return np.column_stack([np.cos(turn), np.sin(turn)])


def _find_cycle(t: Real, c: Real, wander: Wander, beside: Real, found: _Found) -> Cycle | None:
    """Find the sinusoid that makes the curve likeliest, where it stands out of the wander."""
    span, step = float(t[-1] - t[0]), float(np.median(np.diff(t)))
    shortest = max(SHORTEST_CYCLE_S, POINTS_A_TURN * step)
    longest = min(LONGEST_CYCLE_S, span / LEAST_TURNS)
    if longest <= shortest:
        return None
    periods = 1 / np.linspace(1 / longest, 1 / shortest, max(PERIODS, 3 * round(span / shortest)))
    shapes = [found[3]]
    if found[0] == "two":
        with contextlib.suppress(SignalError):
            shapes.append(fit_exponentials(t, c, beside=beside, wander=wander).columns)
    base = min(-2 * _likelihood(columns, c, wander) for columns in shapes)
    best, at = math.inf, math.nan
    for columns in shapes:
        fixed, _ = np.linalg.qr(wander.whiten @ columns)
        turn = 2 * np.pi * t[:, None] / periods
        moved = wander.whiten @ np.column_stack([np.cos(turn), np.sin(turn), c])
        moved -= fixed @ (np.swapaxes(fixed, 1, 2) @ moved)
        m = periods.size
        cos, sin, rest = moved[..., :m], moved[..., m:-1], moved[..., -1:]
        a, b = (cos * rest).sum(1), (sin * rest).sum(1)
        cc, ss, cs = (cos**2).sum(1), (sin**2).sum(1), (cos * sin).sum(1)
        gain = (a**2 * ss + b**2 * cc - 2 * a * b * cs) / np.maximum(cc * ss - cs**2, 1e-300)
        cost = -2 * log_likelihood(wander, (rest**2).sum(1) - gain, t.size)
        if cost.min() < best:
            best, at = float(cost.min()), float(periods[int(np.argmin(cost))])
    if base - best < CYCLE_GAIN:
        return None
    return Cycle(at, 0.0, 0.0, 0.0, 0.0, 0.0)


def _likelihood(columns: Real, c: Real, wander: Wander) -> float:
    fixed, _ = np.linalg.qr(wander.whiten @ columns)
    rest = wander.whiten @ c
    rest = rest - np.einsum("kij,kj->ki", fixed, np.einsum("kij,ki->kj", fixed, rest))
    return float(log_likelihood(wander, (rest**2).sum(axis=1), c.size))


def _measured(t: Real, c: Real, wander: Wander, cycle: Cycle, found: _Found) -> Cycle | None:
    """Period and size of a cycle with their uncertainties, by a few linearised steps."""
    kind, _, _, columns, _ = found
    # The waves are the first two columns beside the drift.
    at = {"steady": 1, "line": 2, "one": 3, "leaning": 4, "two": 5}[kind]
    others = np.delete(columns, [at, at + 1], axis=1)
    rate, batch_s = 1 / cycle.period_s, float(np.median(np.diff(t)))
    cosine = sine = 0.0
    for _ in range(6):
        turn = 2 * np.pi * t * rate
        # A mean over a batch sees less of a sinusoid.
        left = np.sinc(batch_s * rate)
        waves = left * np.column_stack([np.cos(turn), np.sin(turn)])
        by_rate = 2 * np.pi * t * (sine * waves[:, 0] - cosine * waves[:, 1])
        design = np.column_stack([waves, others] + ([by_rate] if cosine or sine else []))
        solved = fit_linear(design, c, wander)
        if cosine or sine:
            rate += float(np.clip(solved.values[-1], -0.3 / t[-1], 0.3 / t[-1]))
        cosine, sine = (float(v) for v in solved.values[:2])
    size = math.hypot(cosine, sine)
    along = np.array([cosine, sine]) / size
    u_size = math.sqrt(float(along @ solved.covariance[:2, :2] @ along))
    u_rate = math.sqrt(float(solved.covariance[-1, -1]))
    if not (rate > 0 and size > max(LEAST_CYCLE_CENTS, CLEARLY * u_size)):
        return None
    return Cycle(1 / rate, size, u_rate / rate**2, u_size, cosine, sine)
