"""Wander with a memory about a drift, and what that does to a least-squares fit.

The wander of an oscillator is not independent from moment to moment: it may forget itself within
seconds, never (a random walk), or at all scales at once (flicker), and which it is has to be
learned from the same capture. So a family of correlations is laid over the times of the data, each
member is weighed by its restricted likelihood [1]_, and values and uncertainties are means over the
family. That costs no choice, and carries the doubt about the memory into the uncertainty.

References
----------
.. [1] D. Harville, "Maximum likelihood approaches to variance component estimation and to related
   problems", J. American Statistical Association 72 (1977), 320-338.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg

from sigkit.arrays import Real

LONGEST = 10.0
"""Longest memory in lengths of the data: a random walk for all that can be told."""
FINITE = 0.1
"""Longest memory but that one: a longer one cannot be told from a random walk, which is safer."""
WHITE = (0.0, 0.5, 2.0, 8.0, 32.0)
"""Variances of independent noise beside a wander, in those of its change from point to point."""
SMOOTH = (0.02, 0.05, 0.15, 0.5, 1.5)
SMOOTH_WHITE = (0.001, 0.1, 3.0, 100.0)
LIKELY = {"independent": 6.0, "forgets": 1.0, "walk": 30.0, "smooth": 1.0, "flicker": 15.0}
"""Prior weights: real oscillators wander like flicker and random walks."""


@dataclass(frozen=True, eq=False)
class Wander:
    """A family of correlations between the points of a series.

    Parameters
    ----------
    correlation : ndarray, shape (n_members, n, n)
        Covariance of the points, but for one common factor.
    whiten : ndarray, shape (n_members, n, n)
        Inverse of its Cholesky factor.
    log_det : ndarray, shape (n_members,)
        Logarithm of its determinant.
    log_prior : ndarray, shape (n_members,)
        Logarithm of how likely each is before the data are seen, but for a constant.
    """

    correlation: Real
    whiten: Real
    log_det: Real
    log_prior: Real

    @classmethod
    def of(cls, correlation: Real, prior: Real) -> Wander:
        """Return the family of the given correlations."""
        factor = np.linalg.cholesky(correlation)
        unit = np.eye(correlation.shape[-1])
        whiten = np.array([linalg.solve_triangular(each, unit, lower=True) for each in factor])
        diagonal = np.diagonal(factor, axis1=1, axis2=2)
        return cls(correlation, whiten, 2 * np.log(diagonal).sum(axis=1), np.log(prior))

    @classmethod
    def none(cls, n: int) -> Wander:
        """Return independent points only."""
        return cls.of(np.eye(n)[None], np.ones(1))

    @classmethod
    def family(cls, time_s: Real) -> Wander:
        """Return the whole family over those times.

        Parameters
        ----------
        time_s : ndarray, shape (n,)
            Times of the points, increasing.

        Notes
        -----
        Independent points; first-order memories from half a step to a tenth of the length, and the
        random walk; smooth wander (Matern, order 3/2), as of a room's warmth; flicker as a sum of
        first-order memories an octave apart. The last three with independent noise beside them.
        """
        apart = np.abs(time_s[:, None] - time_s[None, :])
        step = float(np.median(np.diff(time_s)))
        span = float(time_s[-1] - time_s[0])
        unit = np.eye(time_s.size)
        octaves = np.exp2(np.arange(-1, np.log2(LONGEST * span / step)))
        first_order = [_averaged(apart, memory, step) for memory in step * octaves]
        kinds: list[tuple[str, Real, tuple[float, ...]]] = [("independent", unit, (0.0,))]
        kinds += [
            ("forgets", plain, WHITE if octave > 1 else (0.0,))
            for octave, plain in zip(octaves, first_order, strict=True)
            if octave * step <= FINITE * span
        ]
        kinds.append(("walk", first_order[-1], WHITE))
        for memory in span * np.array(SMOOTH):
            scaled = np.sqrt(3) * apart / memory
            kinds.append(("smooth", (1 + scaled) * np.exp(-scaled), SMOOTH_WHITE))
        kinds.append(("flicker", np.mean(first_order, axis=0), WHITE))
        members, prior = [], []
        for kind, plain, shares in kinds:
            changes = 2 * (plain[0, 0] - float(np.median(np.diagonal(plain, 1))))
            members += [plain + share * changes * unit for share in shares]
            prior += [LIKELY[kind] / len(shares)] * len(shares)
        return cls.of(np.array(members), np.array(prior))


def _averaged(apart: Real, memory: float, step: float) -> Real:
    """Correlation of a first-order memory between its means over a step."""
    share = step / memory
    between: Real = 2 * (np.cosh(share) - 1) / share**2 * np.exp(-apart / memory)
    np.fill_diagonal(between, 2 * (share - 1 + np.exp(-share)) / share**2)
    return between


@dataclass(frozen=True, eq=False)
class Linear:
    """A linear fit over a family of correlations.

    Parameters
    ----------
    values : ndarray, shape (n_columns,)
        Coefficients, mean over the family.
    covariance : ndarray, shape (n_columns, n_columns)
        Their covariance, the doubt about the correlation included.
    weights : ndarray, shape (n_members,)
        How well each member explains the data; they add up to 1.
    scale : ndarray, shape (n_members,)
        Variance that each member is multiplied with.
    criterion : float
        -2 log likelihood, mean over the family; the smaller, the better the columns fit.
    """

    values: Real
    covariance: Real
    weights: Real
    scale: Real
    criterion: float

    def variance_of(self, along: Real, wander: Wander) -> float:
        """Return the variance of a weighted sum of the points by their wander."""
        each = np.einsum("i,kij,j->k", along, wander.correlation, along) * self.scale
        return float(self.weights @ each)


def fit_linear(columns: Real, y: Real, wander: Wander) -> Linear:
    """Fit y by a sum of columns, residuals correlated as one of a family.

    Parameters
    ----------
    columns : ndarray, shape (n, n_columns)
        What y is made of, linearly independent.
    y : ndarray, shape (n,)
        The data.
    wander : Wander
        The family.

    Notes
    -----
    Generalised least squares with each member; weights by restricted likelihood.
    """
    n, p = columns.shape
    size = np.linalg.norm(columns, axis=0)
    x = wander.whiten @ (columns / size)
    z = wander.whiten @ y
    gram = np.swapaxes(x, 1, 2) @ x
    inverse = np.linalg.pinv(gram, hermitian=True)
    each = np.einsum("kij,kmj,km->ki", inverse, x, z)
    rest = z - np.einsum("kmi,ki->km", x, each)
    power = np.maximum(np.einsum("km,km->k", rest, rest), 1e-300)
    sign, log_gram = np.linalg.slogdet(gram)
    # Columns that cannot be told apart leave a determinant of zero, which rounding may make less.
    determinants = wander.log_det + np.where(sign > 0, log_gram, -700.0)
    restricted = wander.log_prior - 0.5 * (determinants + (n - p) * np.log(power))
    weights = np.exp(restricted - restricted.max())
    weights /= weights.sum()
    scale = power / max(1, n - p)
    values = weights @ each
    off = each - values
    covariance = np.einsum("k,kij->ij", weights * scale, inverse)
    covariance += np.einsum("k,ki,kj->ij", weights, off, off)
    return Linear(
        values / size,
        covariance / np.outer(size, size),
        weights,
        scale,
        float(-2 * log_likelihood(wander, power, n)),
    )


def log_likelihood(wander: Wander, power: Real, n: int) -> Real:
    """Return the log likelihood, mean over a family, from whitened residuals' power.

    Parameters
    ----------
    wander : Wander
        The family.
    power : ndarray, shape (n_members, ...)
        Sum of squares of the whitened residuals.
    n : int
        Number of points.
    """
    shape = (-1,) + (1,) * (power.ndim - 1)
    prior = wander.log_prior - np.logaddexp.reduce(wander.log_prior)
    each = (prior - 0.5 * wander.log_det).reshape(shape)
    each = each - 0.5 * n * np.log(np.maximum(power, 1e-300))
    total: Real = np.logaddexp.reduce(each, axis=0)
    return total
