"""Ideal waves through couplings and low-passes, fitted to the harmonics of a tone."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from sigkit.arrays import Complex, Real
from sigkit.measures.waveform.models import (
    NUMBERS,
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
MOST_STEPS, LONGEST_STEP, DONE = 60, 1.5, 1e-4
"""Steps of a fit at most, the longest one, and what the sum of squares may fall by in its last, re
itself: in the median that moves a share by less than a thousandth of its uncertainty."""


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

    @functools.cached_property
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


class Problem:
    """Residuals and derivatives of one kind of wave through one kind of chain.

    Numbers: logit of the share, delay, couplings, low-pass. The size is solved for (variable
    projection with Kaufman's derivative).
    """

    def __init__(self, seen: Seen, kind: Kind, low_pass: LowPass, rate: float) -> None:
        self.seen, self.kind, self.low_pass, self.rate = seen, kind, low_pass, rate
        self.hz, self.sd = seen.order * seen.hz, seen.sd
        self.target = stacked(seen.value / self.sd)
        self.turn = -2j * np.pi * seen.order
        usual, spread = self.chain(np.zeros(4 + NUMBERS[low_pass])).prior()
        self.known = np.concatenate([USUAL_COUPLING, usual])
        self.width = np.concatenate([np.full(2, COUPLING_SPREAD), spread])
        self.extra = np.eye(self.width.size, self.width.size + 2, 2) / self.width[:, None]

    def chain(self, numbers: Real) -> Chain:
        """Return the chain that some numbers stand for."""
        return Chain(self.low_pass, numbers[2:4], numbers[4:], self.seen.top_hz, self.rate)

    def at(self, numbers: Real) -> tuple[Real, Real, float, Complex]:
        """Return residuals, their derivatives, size and model."""
        chain, share, order = self.chain(numbers), share_of(numbers[0]), self.seen.order
        through = chain.response(self.hz) * np.exp(self.turn * numbers[1])
        wave = ideal(self.kind, share, order) * through
        base = stacked(wave / self.sd)
        power = max(float(base @ base), 1e-300)
        size = float(base @ self.target) / power
        model = size * wave
        rows = [
            slope_of(share) * size * by_share(self.kind, share, order) * through,
            self.turn * model,
            *(chain.derivatives(self.hz) * model),
        ]
        change = stacked(np.array(rows, np.complex128) / self.sd)
        change -= (change @ base / power)[:, None] * base
        beside = (numbers[2:] - self.known) / self.width
        left = np.concatenate([size * base - self.target, beside])
        return left, np.concatenate([change.T, self.extra]), size, model


def slope_of(share: float) -> float:
    """Change of the share with its unbounded number."""
    return (share - LEAST_SHARE) * (1 - LEAST_SHARE - share) / (1 - 2 * LEAST_SHARE)


def share_of(number: float) -> float:
    """Return the share that an unbounded number stands for."""
    return LEAST_SHARE + (1 - 2 * LEAST_SHARE) / (1 + math.exp(-min(max(number, -40.0), 40.0)))


def number_of(share: float) -> float:
    """Return the unbounded number that stands for a share."""
    p = min(max((share - LEAST_SHARE) / (1 - 2 * LEAST_SHARE), 1e-6), 1 - 1e-6)
    return math.log(p / (1 - p))


def stacked(values: Complex) -> Real:
    """Return real parts, then imaginary ones."""
    return np.asarray(np.concatenate([values.real, values.imag], axis=-1))


def descend(problem: Problem, begin: Real) -> Real:
    """Levenberg-Marquardt steps until the sum of squares no longer falls."""
    numbers, damping = begin, 1e-3
    left, change, *_ = problem.at(numbers)
    cost = float(left @ left)
    for _ in range(MOST_STEPS):
        gram = change.T @ change
        push = change.T @ left
        size = np.sqrt(np.maximum(np.diag(gram), 1e-12))
        scaled = gram / (size[:, None] * size)
        for _ in range(8):
            heavy = scaled.copy()
            heavy.flat[:: size.size + 1] += damping
            step = -np.linalg.solve(heavy, push / size) / size
            step = np.maximum(np.minimum(step, LONGEST_STEP), -LONGEST_STEP)
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
        if gained < DONE * (1 + cost):
            break
    return numbers


def fitted(
    seen: Seen,
    kind: Kind,
    low_pass: LowPass,
    begin: Real,
    *,
    rate: float = math.inf,
) -> tuple[Fit, Real]:
    """Fit a wave through a chain, of parts or digital at a rate; return it and its numbers."""
    problem = Problem(seen, kind, low_pass, rate)
    numbers = descend(problem, begin)
    left, change, size, model = problem.at(numbers)
    if size < 0:  # upside down: the other share, half a period on
        numbers = np.concatenate([[-numbers[0]], numbers[1:]])
        numbers[1] += share_of(-numbers[0])
        numbers = descend(problem, numbers)
        left, change, size, model = problem.at(numbers)
    share = share_of(numbers[0])
    count = 2 * seen.order.size
    dof = max(1, count - 4)
    gain = slope_of(share) * (np.linalg.pinv(change.T @ change) @ change.T)[0]
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


def path_leaves(seen: Seen, fit: Fit, ways: Complex) -> float:
    """Return the power that departures of a path leave of a wave once it is fitted.

    Parameters
    ----------
    seen : Seen
        The harmonics.
    fit : Fit
        The fit to all of them, or to the first few.
    ways : ndarray of complex, shape (n_ways, n)
        Logarithms of independent departures, one standard deviation each.
    """
    seen = seen.first(fit.model.size)
    problem = Problem(seen, fit.kind, fit.chain.low_pass, fit.chain.rate)
    start = [number_of(fit.share), fit.delay, *fit.chain.couplings, *fit.chain.numbers]
    _, change, size, model = problem.at(np.array(start))
    wave = np.append(stacked(model / size / seen.sd), np.zeros(problem.width.size))
    moved = stacked(model * ways[:, : model.size] / seen.sd)
    moved = np.concatenate([moved, np.zeros((moved.shape[0], problem.width.size))], axis=1)
    basis, _ = np.linalg.qr(np.concatenate([wave[:, None], change], axis=1))
    left = moved - (moved @ basis) @ basis.T
    return float(np.sum((left[:, : 2 * model.size] * np.tile(seen.sd, 2)) ** 2))
