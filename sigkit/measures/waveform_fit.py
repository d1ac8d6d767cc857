"""Ideal waves through couplings and low-passes, fitted to the harmonics of a tone."""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import fft, ndimage

from sigkit.arrays import Complex, Real
from sigkit.measures.waveform_models import (
    LOW_PASSES,
    Chain,
    Kind,
    LowPass,
    by_share,
    couplings_at,
    ideal,
)

USUAL_COUPLING = couplings_at([3.0, 0.5])
"""Corners in Hz of what couples an instrument and an interface; the second one is often absent."""
COUPLING_SPREAD = 1.2
LEAST_SHARE = 5e-4
DISCREPANCY = 3e-4
"""By how much no response is ever known, relative; it keeps strong harmonics from ruling alone."""
ROUGH, AROUND = 0.03, 7
"""The same while a start is looked for, re the largest harmonic around."""
DEEP = 0.05
"""Harmonics this far below the largest one are known no better, re themselves."""
EXPLAINS = 2.0
"""Sum of squares over degrees of freedom up to which nothing else is tried."""
DIGITAL: tuple[LowPass, ...] = ("one pole", "two poles", "two pairs")
DIGITAL_STARTS, SAME_SHARE = 3, 0.002
FEW, MORE = 28, 90
"""Harmonics that a start is looked for with: the grid of shares is fine enough for them."""
SHARES = np.concatenate(
    [
        np.geomspace(0.004, 0.05, 14)[:-1],
        np.linspace(0.05, 0.95, 91),
        1 - np.geomspace(0.05, 0.004, 14)[1:],
    ]
)
DELAYS = 128
START_COUPLINGS_HZ = (0.5, 8.0, 25.0)
START_CORNERS = (3.0, 0.7, 0.3, 0.1, 0.03, 0.01)
STARTS = 2
FIRST: tuple[LowPass, ...] = ("two poles", "four poles")
"""Low-passes that starts are looked for with."""
MOST_STEPS, LONGEST_STEP, DONE = 60, 1.5, 1e-4
"""Steps of a fit at most, the longest one, and what the sum of squares may still fall by at its end,
re itself: that moves a share by some hundredth of its uncertainty."""
ROUGHLY = {"steps": 12, "done": 1e-2}
"""The same of a start, as starts are only put in order by it."""


@dataclass(frozen=True, eq=False)
class Seen:
    """Harmonics to be explained.

    Parameters
    ----------
    order : ndarray, shape (n,)
        Their orders.
    value : ndarray of complex, shape (n,)
        Half their complex amplitudes.
    variance : ndarray, shape (n,)
        Expected square of the error of ``value`` by noise.
    hz : float
        Pitch.
    rate : float
        Sample rate in Hz.
    rough : bool
        Whether shares are known roughly only, so that a null may lie beside where it seems.
    """

    order: Real
    value: Complex
    variance: Real
    hz: float
    rate: float
    rough: bool = False

    @property
    def sd(self) -> Real:
        """Standard deviation of real and of imaginary part, what is not known included."""
        size = np.abs(self.value)
        share = ROUGH if self.rough else DISCREPANCY
        around = ndimage.maximum_filter1d(size, AROUND, mode="nearest") if self.rough else size
        unknown = share * np.hypot(around, DEEP * size.max())
        return np.asarray(np.sqrt((self.variance + unknown**2) / 2))

    @property
    def top_hz(self) -> float:
        """Frequency of the highest."""
        return float(self.order[-1] * self.hz)

    def first(self, count: int, *, rough: bool = False) -> Seen:
        """Return the first few of them."""
        part = slice(0, count)
        return Seen(
            self.order[part], self.value[part], self.variance[part], self.hz, self.rate, rough
        )


@dataclass(frozen=True, eq=False)
class Fit:
    """One wave through one chain, fitted.

    Parameters
    ----------
    kind : str
        Kind of wave.
    share, delay : float
        Its share, and the phase at which its period begins, in cycles.
    size : float
        Half its swing.
    chain : Chain
        What it went through.
    model : ndarray of complex
        The harmonics it gives.
    chi2 : float
        Sum of squares of what is left, over ``Seen.sd``, priors included.
    u_share : float
        Standard uncertainty of the share.
    dof : int
        Numbers seen less numbers fitted.
    gain : ndarray of complex
        By how much the share moves with each harmonic, the real part of the sum of the products.
    """

    kind: Kind
    share: float
    delay: float
    size: float
    chain: Chain
    model: Complex
    chi2: float
    u_share: float
    dof: int
    gain: Complex


class _Problem:
    """Residuals and derivatives of one kind of wave through one kind of chain.

    Numbers: logit of the share, delay, couplings, low-pass. The size is solved for (variable
    projection with Kaufman's derivative).
    """

    def __init__(self, seen: Seen, kind: Kind, low_pass: LowPass, rate: float) -> None:
        self.seen, self.kind, self.low_pass, self.rate = seen, kind, low_pass, rate
        self.hz, self.sd = seen.order * seen.hz, seen.sd
        self.target = _stacked(seen.value / self.sd)

    def chain(self, numbers: Real) -> Chain:
        return Chain(self.low_pass, numbers[2:4], numbers[4:], self.seen.top_hz, self.rate)

    def at(self, numbers: Real) -> tuple[Real, Real, float, Complex]:
        """Return residuals, their derivatives, size and model."""
        chain, share, order = self.chain(numbers), share_of(numbers[0]), self.seen.order
        through = chain.response(self.hz) * np.exp(-2j * np.pi * order * numbers[1])
        wave = ideal(self.kind, share, order) * through
        base = _stacked(wave / self.sd)
        power = max(float(base @ base), 1e-300)
        size = float(base @ self.target) / power
        model = size * wave
        rows = [
            _slope(share) * size * by_share(self.kind, share, order) * through,
            -2j * np.pi * order * model,
            *(chain.derivatives(self.hz) * model),
        ]
        change = _stacked(np.array(rows, np.complex128) / self.sd)
        change -= np.outer(change @ base, base) / power
        usual, spread = chain.prior()
        known = np.concatenate([USUAL_COUPLING, usual])
        width = np.concatenate([np.full(2, COUPLING_SPREAD), spread])
        left = np.concatenate([size * base - self.target, (numbers[2:] - known) / width])
        extra = np.zeros((width.size, numbers.size))
        extra[:, 2:] = np.diag(1 / width)
        return left, np.concatenate([change.T, extra]), size, model


def _slope(share: float) -> float:
    """Change of the share with its unbounded number."""
    return (share - LEAST_SHARE) * (1 - LEAST_SHARE - share) / (1 - 2 * LEAST_SHARE)


def share_of(number: float) -> float:
    """Return the share that an unbounded number stands for."""
    return LEAST_SHARE + (1 - 2 * LEAST_SHARE) / (1 + math.exp(-min(max(number, -40.0), 40.0)))


def number_of(share: float) -> float:
    """Return the unbounded number that stands for a share."""
    p = min(max((share - LEAST_SHARE) / (1 - 2 * LEAST_SHARE), 1e-6), 1 - 1e-6)
    return math.log(p / (1 - p))


def _stacked(values: Complex) -> Real:
    return np.asarray(np.concatenate([values.real, values.imag], axis=-1))


def descend(
    problem: _Problem, begin: Real, *, steps: int = MOST_STEPS, done: float = DONE
) -> Real:
    """Levenberg-Marquardt steps until the sum of squares no longer falls."""
    numbers, damping = begin, 1e-3
    left, change, *_ = problem.at(numbers)
    cost = float(left @ left)
    for _ in range(steps):
        gram = change.T @ change
        push = change.T @ left
        size = np.sqrt(np.maximum(np.diag(gram), 1e-12))
        scaled = gram / np.outer(size, size)
        for _ in range(8):
            heavy = scaled + damping * np.eye(size.size)
            step = -np.linalg.solve(heavy, push / size) / size
            step = np.clip(step, -LONGEST_STEP, LONGEST_STEP)
            trial = numbers + step
            left_new, change_new, *_ = problem.at(trial)
            cost_new = float(left_new @ left_new)
            if cost_new < cost:
                break
            damping *= 6
        else:
            break
        gained = cost - cost_new
        numbers, left, change, cost = trial, left_new, change_new, cost_new
        damping = max(damping / 8, 1e-9)
        if gained < done * (1 + cost):
            break
    return numbers


def fitted(
    seen: Seen,
    kind: Kind,
    low_pass: LowPass,
    begin: Real,
    *,
    rate: float = math.inf,
    rough: bool = False,
) -> tuple[Fit, Real]:
    """Fit a wave through a chain, of parts or digital at a rate; return it and its numbers."""
    problem = _Problem(seen, kind, low_pass, rate)
    numbers = descend(problem, begin, **(ROUGHLY if rough else {}))
    left, change, size, model = problem.at(numbers)
    if size < 0:  # upside down: the other share, half a period on
        numbers = np.concatenate([[-numbers[0]], numbers[1:]])
        numbers[1] += share_of(-numbers[0])
        numbers = descend(problem, numbers)
        left, change, size, model = problem.at(numbers)
    share = share_of(numbers[0])
    count = 2 * seen.order.size
    dof = max(1, count - 4)
    gain = _slope(share) * (np.linalg.pinv(change.T @ change) @ change.T)[0]
    of_value = gain[:count].reshape(2, -1) / seen.sd
    fit = Fit(
        kind=kind,
        share=share,
        delay=float(numbers[1] % 1.0),
        size=size,
        chain=problem.chain(numbers),
        model=model,
        chi2=float(left @ left),
        u_share=_u_share(seen, left, gain, dof),
        dof=dof,
        gain=of_value[0] - 1j * of_value[1],
    )
    return fit, numbers


def _u_share(seen: Seen, left: Real, gain: Real, dof: int) -> float:
    """Uncertainty of the share by the noise, and by what the model leaves beyond it."""
    count = 2 * seen.order.size
    sd = np.tile(seen.sd, 2)
    noise = np.tile(seen.variance / 2, 2) / sd**2
    unknown = np.tile(np.abs(seen.value) ** 2 / 2, 2) / sd**2
    excess = float(left[:count] @ left[:count]) - float(noise.sum()) * dof / count
    beyond = max(0.0, excess) / max(float(unknown.sum()) * dof / count, 1e-300)
    by_sound = float(gain[:count] ** 2 @ (noise + beyond * unknown))
    return math.sqrt(by_sound + float(gain[count:] @ gain[count:]))


def starts_of(seen: Seen, kind: Kind) -> list[tuple[Fit, Real]]:
    """Return fits to few harmonics, and numbers, from which fits may begin, the best first."""
    few = seen.first(FEW, rough=True)
    found: list[tuple[float, LowPass, Real]] = []
    for low_pass in FIRST:
        for coupling, corner in itertools.product(START_COUPLINGS_HZ, START_CORNERS):
            if corner * few.top_hz < 0.5 * seen.hz:
                continue
            inner = _begin(low_pass, math.log(corner))
            chain = Chain(low_pass, couplings_at([coupling, 0.1]), inner, few.top_hz)
            for gain, share, delay in _peaks(few, kind, chain):
                outer = [number_of(share), delay, *couplings_at([coupling]), USUAL_COUPLING[1]]
                found.append((gain, low_pass, np.array([*outer, *inner])))
    found.sort(key=lambda each: -each[0])
    kept: list[tuple[LowPass, Real]] = []
    for _, low_pass, numbers in found:
        near = [k for n, k in kept if n == low_pass]
        if len(near) < STARTS and all(
            abs(share_of(numbers[0]) - share_of(k[0])) > 0.02 for k in near
        ):
            kept.append((low_pass, numbers))
    settled: list[tuple[Fit, Real]] = []
    for first in FIRST:
        tried = [fitted(few, kind, first, k, rough=True) for n, k in kept if n == first]
        if tried:
            numbers = min(tried, key=lambda each: each[0].chi2)[1]
            settled.append(fitted(few, kind, first, numbers))
    settled.sort(key=lambda each: each[0].chi2)
    return settled


def _peaks(seen: Seen, kind: Kind, chain: Chain) -> list[tuple[float, float, float]]:
    """Return explained power, share and delay of the best shares on a grid."""
    order, weight = seen.order.astype(np.intp), 1 / seen.sd**2
    through = chain.response(seen.order * seen.hz)
    shape, power = _grid(kind, order.size)
    crossed = np.zeros((SHARES.size, DELAYS // 2 + 1), complex)
    crossed[:, order] = shape * (seen.value * np.conj(through) * weight)
    energy = power @ (np.abs(through) ** 2 * weight)
    along = np.maximum(fft.irfft(crossed, DELAYS, axis=1), 0.0) * (DELAYS / 2)
    explained = along**2 / energy[:, None]
    best = explained.argmax(axis=1)
    height = explained[np.arange(SHARES.size), best]
    top = [i for i in np.argsort(-height)[:40].tolist() if _is_peak(height, i)][:STARTS]
    return [(float(height[i]), float(SHARES[i]), float(best[i] / DELAYS)) for i in top]


@functools.lru_cache(maxsize=8)
def _grid(kind: Kind, count: int) -> tuple[Complex, Real]:
    """Return the conjugate harmonics of waves of every share on the grid, and their powers."""
    order = np.arange(1.0, count + 1)
    shape = np.conj([ideal(kind, share, order) for share in SHARES])
    return shape, np.abs(shape) ** 2


def _is_peak(height: Real, i: int) -> bool:
    return bool(height[i] >= height[max(0, i - 1) : i + 2].max())


def _grown(seen: Seen, start: tuple[Fit, Real]) -> tuple[Fit, Real]:
    """Fit all harmonics from a fit to few.

    Shares that are known from few harmonics are not known well enough for the highest, so more are
    taken in step by step.
    """
    fit, numbers = start
    first, unit = fit.chain.low_pass, fit.chain.top_hz
    for count in (FEW, MORE, seen.order.size):
        if count > seen.order.size or (count == MORE and count > 0.7 * seen.order.size):
            continue
        part = seen.first(count)
        begin = _in_unit(first, numbers, unit, part.top_hz)
        fit, numbers = fitted(part, fit.kind, first, begin)
        unit = part.top_hz
    if unit != seen.top_hz or fit.model.size != seen.order.size:
        begin = _in_unit(first, numbers, unit, seen.top_hz)
        fit, numbers = fitted(seen, fit.kind, first, begin)
    return fit, numbers


def every_low_pass(seen: Seen, kind: Kind, starts: Sequence[tuple[Fit, Real]]) -> list[Fit]:
    """Fit a wave through every kind of low-pass, from the best start with few and with many poles.

    Of two starts that led to one share, the better one serves for all other low-passes.
    """
    begun = sorted((_grown(seen, start) for start in starts), key=lambda each: each[0].chi2)
    fits: dict[LowPass, tuple[Fit, Real]] = {fit.chain.low_pass: (fit, n) for fit, n in begun}
    if len(begun) > 1 and abs(begun[0][0].share - begun[1][0].share) < SAME_SHARE:
        begun = begun[:1]
    for fit, numbers in begun:
        for low_pass in LOW_PASSES:
            if low_pass == fit.chain.low_pass:
                continue
            one = fitted(seen, kind, low_pass, _from(fit, numbers, low_pass))
            if low_pass not in fits or one[0].chi2 < fits[low_pass][0].chi2:
                fits[low_pass] = one
    found = [fit for fit, _ in fits.values()]
    nearest = sorted(fits.values(), key=lambda each: each[0].chi2)
    if nearest[0][0].chi2 < EXPLAINS * nearest[0][0].dof:
        return found
    apart: list[tuple[Fit, Real]] = []
    for fit, numbers in nearest:
        if len(apart) < DIGITAL_STARTS and all(
            abs(fit.share - other.share) > SAME_SHARE for other, _ in apart
        ):
            apart.append((fit, numbers))
    for low_pass in DIGITAL:
        tried = [
            fitted(seen, kind, low_pass, _from(fit, numbers, low_pass), rate=seen.rate)[0]
            for fit, numbers in apart
        ]
        found.append(min(tried, key=lambda one: one.chi2))
    return found


def _from(fit: Fit, numbers: Real, low_pass: LowPass) -> Real:
    """Return numbers to begin with, from those of a fit through another low-pass."""
    corner = fit.chain.corner_hz() / fit.chain.top_hz
    log_corner = math.log(corner) if math.isfinite(corner) else math.log(2.0)
    return np.append(numbers[:4], _begin(low_pass, log_corner))


def _in_unit(low_pass: LowPass, numbers: Real, before_hz: float, after_hz: float) -> Real:
    """Return numbers whose corners are re another frequency."""
    out = numbers.copy()
    which = {"three poles": [4, 5], "two pairs": [4, 6]}.get(low_pass, [4])
    out[which] += math.log(before_hz / after_hz)
    return out


def _begin(low_pass: LowPass, log_corner: float) -> Real:
    """Return numbers of a low-pass that is 3 dB down about there."""
    at = min(max(log_corner, -8.0), 1.5)
    usual_q = math.log(0.55)
    if low_pass == "one pole":
        return np.array([at])
    if low_pass == "two poles":
        return np.array([at + 0.35, usual_q])
    if low_pass == "three poles":
        return np.array([at + 0.5, at + 0.8, usual_q])
    if low_pass == "four poles":
        return np.array([at + 0.75, usual_q])
    if low_pass == "two pairs":
        return np.array([at + 0.3, math.log(0.55), at + 0.1, math.log(1.0)])
    return np.array([min(0.35 * math.exp(-2 * at), 3.0), 0.0, 0.0, 0.0])
