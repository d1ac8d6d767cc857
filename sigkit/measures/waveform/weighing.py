"""A fitted share weighed anew, with what is not known of a recorder as part of the covariance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sigkit.arrays import Complex, Real
from sigkit.measures.waveform.fit import (
    LONGEST_STEP,
    Fit,
    Problem,
    Seen,
    number_of,
    share_of,
    slope_of,
    stacked,
)

STEPS, PARTS, SETTLED = 20, (1.0, 0.5, 0.25, 0.1, 0.03, 0.01), 1e-3
"""Steps at most, parts of one that are tried, and when they end: by how much the number of the
share moves, re its uncertainty."""


@dataclass(frozen=True, eq=False)
class Weighed:
    """A share by generalised least squares.

    Parameters
    ----------
    moved : float
        By how much it lies beside the share of the fit.
    u : float
        Standard uncertainty by noise, by what the ideal wave leaves and by what is known of the
        path beforehand.
    gain : ndarray of complex
        As that of a fit.
    model : ndarray of complex
        The harmonics it gives.
    """

    moved: float
    u: float
    gain: Complex
    model: Complex


def weighed(seen: Seen, fit: Fit, ways: Complex) -> Weighed:
    """Fit a wave once more, its harmonics weighed by all they err by.

    Parameters
    ----------
    seen : Seen
        The harmonics.
    fit : Fit
        The fit to them, or to the first few.
    ways : ndarray of complex, shape (n_ways, n)
        Logarithms of independent departures of a recorder, one standard deviation each.

    Notes
    -----
    A recorder's departures are alike in neighbouring harmonics and far larger than the noise of
    strong ones. With them in the covariance of what is left, what the sound shows of them is told
    from the wave (generalised least squares; Aitken's estimator), and what it leaves open remains
    in the uncertainty. Noise and the general discrepancy make the diagonal, so that the inverse
    costs no more than a matrix of the ways (Woodbury's identity).
    """
    seen = seen.first(fit.model.size)
    problem = Problem(seen, fit.kind, fit.chain.low_pass, fit.chain.rate)
    numbers = np.array([number_of(fit.share), fit.delay, *fit.chain.couplings, *fit.chain.numbers])
    best = _Point.at(problem, numbers, _Ways.of(problem, fit.model, ways))
    for _ in range(STEPS):
        step, cov = best.step()
        trials = (best.moved_by(problem, part * step) for part in PARTS)
        better = next((t for t in trials if t.cost < best.cost), None)
        if better is None:
            break
        best = better
        if abs(step[0]) < SETTLED * np.sqrt(cov[0, 0]):
            break
    _, cov = best.step()
    share = share_of(float(best.numbers[0]))
    gain = slope_of(share) * (cov @ best.flat.T)[0]
    count = 2 * seen.order.size
    noise = np.tile(seen.variance / 2 / seen.sd**2, 2)
    unknown = 1 - noise
    # What is left beyond the noise and the recorder is the discrepancy's, of which that much is.
    of_rest = best.free(cov)[:count] * unknown
    expected = float(of_rest.sum())
    excess = best.cost - (count + problem.width.size - best.change.shape[1] - expected)
    beyond = max(0.0, excess) / max(expected, 1e-300)
    by_path = float(np.sum(gain[count:] ** 2))
    variance = float(gain[:count] ** 2 @ (noise + beyond * unknown)) + by_path
    by_value = gain[:count].reshape(2, -1) / seen.sd
    return Weighed(
        share - share_of(number_of(fit.share)),
        float(np.sqrt(variance)),
        by_value[0] - 1j * by_value[1],
        best.model,
    )


@dataclass(frozen=True, eq=False)
class _Ways:
    """What a recorder adds to what is left, by ways, and the inverse of the covariance of that."""

    moved: Real
    inner: Real

    @classmethod
    def of(cls, problem: Problem, model: Complex, ways: Complex) -> _Ways:
        moved = stacked(model * ways[:, : model.size] / problem.sd)
        own = np.zeros((moved.shape[0], problem.width.size))
        moved = np.concatenate([moved, own], axis=1)
        return cls(moved, np.linalg.inv(np.eye(moved.shape[0]) + moved @ moved.T))

    def flat(self, values: Real) -> Real:
        """Return the inverse of the covariance times some values."""
        return np.asarray(values - self.moved.T @ (self.inner @ (self.moved @ values)))

    def diagonal(self) -> Real:
        """Return the diagonal of the inverse of the covariance."""
        return np.asarray(1 - np.sum(self.moved * (self.inner @ self.moved), axis=0))


@dataclass(frozen=True, eq=False)
class _Point:
    """What is left at some numbers, its derivatives, size included, and their weighed ones."""

    numbers: Real
    left: Real
    change: Real
    flat: Real
    cost: float
    model: Complex
    ways: _Ways

    @classmethod
    def at(cls, problem: Problem, numbers: Real, ways: _Ways) -> _Point:
        left, change, size, model = problem.at(numbers)
        wave = np.append(stacked(model / size / problem.sd), np.zeros(problem.width.size))
        change = np.concatenate([change, wave[:, None]], axis=1)
        cost = float(left @ ways.flat(left))
        return cls(numbers, left, change, ways.flat(change), cost, model, ways)

    def moved_by(self, problem: Problem, step: Real) -> _Point:
        """Return another one beside it."""
        return _Point.at(problem, self.numbers + step, self.ways)

    def step(self) -> tuple[Real, Real]:
        """Return the step to the least cost, and the covariance of the numbers and the size."""
        cov = np.linalg.inv(self.change.T @ self.flat)
        step = -(cov @ (self.flat.T @ self.left))[:-1]
        return np.clip(step, -LONGEST_STEP, LONGEST_STEP), cov

    def free(self, cov: Real) -> Real:
        """Return the diagonal of the inverse of the covariance less what the fit takes up."""
        return np.asarray(self.ways.diagonal() - np.sum(self.flat * (self.flat @ cov), axis=1))
