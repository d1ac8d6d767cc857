"""Least-squares fits with their covariance: the straight line and exponential approaches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sigkit.arrays import Real
from sigkit.errors import InputError, SignalError
from sigkit.measures.memory import Linear, Wander, fit_linear, log_likelihood

GRID = 64
SHORTEST, LONGEST = 0.5, 30.0
"""Time constants looked for: from half a step of the data to 30 times their length."""


@dataclass(frozen=True, eq=False)
class Fit:
    """Parameters of a least-squares fit.

    Parameters
    ----------
    values : ndarray, shape (n_parameters,)
        Best parameters, in the order the fit names.
    covariance : ndarray, shape (n_parameters, n_parameters)
        Their covariance, from the scatter of the residuals.
    residuals : ndarray, shape (n,)
        Data less fit.
    dof : float
        Effective degrees of freedom of the scatter.
    """

    values: Real
    covariance: Real
    residuals: Real
    dof: float

    @property
    def u(self) -> Real:
        """Standard uncertainties of the parameters."""
        root: Real = np.sqrt(np.diag(self.covariance))
        return root


@dataclass(frozen=True, eq=False)
class ExponentialFit(Fit):
    """An exponential approach, or two together.

    ``values`` are the time constants, the end, what each part is away from it at x = 0, and the
    coefficients of the columns beside it.

    Parameters
    ----------
    parts : int
        Number of exponentials.
    columns : ndarray, shape (n, n_parameters)
        Derivatives of the fit by its parameters.
    linear : Linear
        The last step of the fit, with the weights of its wander.
    """

    parts: int
    columns: Real
    linear: Linear

    @property
    def criterion(self) -> float:
        """-2 log likelihood; the smaller, the better the fit."""
        return self.linear.criterion

    def at(self, x: Real) -> Real:
        """Return the end and the exponentials, without the columns beside them."""
        taus, end = self.values[: self.parts], self.values[self.parts]
        sizes = self.values[self.parts + 1 : 2 * self.parts + 1]
        total: Real = end + np.exp(-np.asarray(x)[..., None] / taus) @ sizes
        return total


def fit_line(x: Real, y: Real) -> Fit:
    """Fit y = intercept + slope x by ordinary least squares.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Data, at least 3 points.

    Returns
    -------
    Fit
        ``values`` = (intercept, slope), ``dof`` = n - 2.

    Raises
    ------
    InputError
        Fewer than 3 points, or shapes that differ.

    Notes
    -----
    Treats the residuals as independent. Batch correlated data into means first.

    References
    ----------
    .. [1] JCGM 100:2008, annex H.3.
    """
    x, y = _pair(x, y, 3)
    design = np.column_stack([np.ones_like(x), x - x.mean()])
    coefficients, *_ = np.linalg.lstsq(design, y, rcond=None)
    residuals = y - design @ coefficients
    dof = x.size - 2
    variance = float(residuals @ residuals) / dof
    at_mean = np.diag([variance / x.size, variance / float(((x - x.mean()) ** 2).sum())])
    shift = np.array([[1.0, -x.mean()], [0.0, 1.0]])
    return Fit(shift @ coefficients, shift @ at_mean @ shift.T, residuals, dof)


def fit_exponentials(
    x: Real,
    y: Real,
    *,
    parts: int = 1,
    beside: Real | None = None,
    wander: Wander | None = None,
) -> ExponentialFit:
    """Fit y = end + sum of sizes exp(-x / tau), one part or two.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Data, x increasing, at least 8 points.
    parts : {1, 2}
        Number of exponentials.
    beside : ndarray, shape (n, n_columns), optional
        Further columns that are fitted with it, such as steps and cycles.
    wander : Wander, optional
        How the residuals may be correlated; by default they are independent.

    Returns
    -------
    ExponentialFit
        Time constants in rising order.

    Raises
    ------
    InputError
        Too few points, or shapes that differ.
    SignalError
        No exponential fits better than a step or a line.

    Notes
    -----
    Linear but for the time constants: on a grid of these the rest is solved exactly, so that no
    starting value is needed (variable projection [1]_); then Gauss-Newton steps in their
    logarithms, each a linear fit over the family of correlations.

    References
    ----------
    .. [1] G. Golub, V. Pereyra, "The differentiation of pseudo-inverses and nonlinear least squares
       problems whose variables separate", SIAM J. Numerical Analysis 10 (1973), 413-432.
    """
    x, y = _pair(x, y, 8)
    wander = Wander.none(x.size) if wander is None else wander
    rest = np.empty((x.size, 0)) if beside is None else beside
    taus = _start(x, y, parts, rest, wander)
    linear = np.column_stack([np.ones_like(x), np.exp(-x[:, None] / taus), rest])
    coefficients = fit_linear(linear, y, wander).values
    for _ in range(60):
        columns = _columns(x, taus, coefficients[1 : parts + 1], rest)
        # Values by which the model is linear in all parameters, the logarithms of tau included.
        held = y + columns[:, :parts] @ np.log(taus)
        found = fit_linear(columns, held, wander)
        move = np.clip(found.values[:parts] - np.log(taus), -0.5, 0.5)
        taus, coefficients = taus * np.exp(move), found.values[parts:]
        inside = (taus > SHORTEST * np.diff(x).min()) & (taus < 3 * LONGEST * x[-1])
        if not inside.all():
            raise _none()
        if np.abs(move).max() < 1e-9:
            break
    else:
        if np.abs(move).max() > 0.01:
            raise _none()
    order = np.argsort(taus)
    values = np.concatenate([taus, coefficients])
    order = np.concatenate(
        [order, [parts], parts + 1 + order, np.arange(2 * parts + 1, values.size)]
    )
    per = np.concatenate([taus, np.ones(coefficients.size)])
    covariance = (found.covariance * np.outer(per, per))[np.ix_(order, order)]
    linear = np.column_stack([np.ones_like(x), np.exp(-x[:, None] / taus), rest])
    residuals = y - linear @ coefficients
    return ExponentialFit(
        values[order],
        covariance,
        residuals,
        float(x.size - values.size),
        parts=parts,
        columns=(columns / per)[:, order],
        linear=found,
    )


def _columns(x: Real, taus: Real, sizes: Real, rest: Real) -> Real:
    """Return derivatives by the logarithms of tau, the end, the sizes and the rest."""
    decays = np.exp(-x[:, None] / taus)
    return np.column_stack([sizes * decays * x[:, None] / taus, np.ones_like(x), decays, rest])


def _start(x: Real, y: Real, parts: int, rest: Real, wander: Wander) -> Real:
    """Time constants on a grid with which the data are most likely."""
    span = float(x[-1] - min(x[0], 0.0))
    grid = span * np.geomspace(SHORTEST / x.size, LONGEST, GRID)
    fixed = wander.whiten @ np.column_stack([np.ones_like(x), rest])
    basis, _ = np.linalg.qr(fixed)
    moved = wander.whiten @ np.column_stack([np.exp(-x[:, None] / grid), y])
    moved -= basis @ (np.swapaxes(basis, 1, 2) @ moved)
    gram = np.swapaxes(moved, 1, 2) @ moved
    own, with_y = gram[:, :-1, :-1], gram[:, :-1, -1]
    power = gram[:, -1, -1]
    norm = np.maximum(np.diagonal(own, axis1=1, axis2=2), 1e-300)
    if parts == 1:
        left = power[:, None] - with_y**2 / norm
        best = int(np.argmax(log_likelihood(wander, left, x.size)))
        if best in (0, GRID - 1):
            raise _none()
        return grid[[best]]
    i, j = np.triu_indices(GRID, 4)
    cross = own[:, i, j]
    det = np.maximum(norm[:, i] * norm[:, j] - cross**2, 1e-9 * norm[:, i] * norm[:, j])
    a, b = with_y[:, i], with_y[:, j]
    gain = (a**2 * norm[:, j] + b**2 * norm[:, i] - 2 * a * b * cross) / det
    best = int(np.argmax(log_likelihood(wander, power[:, None] - gain, x.size)))
    return grid[[i[best], j[best]]]


def _none() -> SignalError:
    return SignalError(
        "No exponential approach fits this curve better than a step or a straight line.",
        remedy="Record longer, or start earlier.",
    )


def batch_means(x: Real, y: Real, batches: int) -> tuple[Real, Real]:
    """Means of x and y over consecutive batches of equal size, so that scatter is independent.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Data in order.
    batches : int
        Number of batches wanted; fewer where there are not two points for each.
    """
    batches = max(3, min(batches, x.size // 2))
    edges = np.linspace(0, x.size, batches + 1).astype(np.intp)
    size = np.diff(edges)
    return np.add.reduceat(x, edges[:-1]) / size, np.add.reduceat(y, edges[:-1]) / size


def _pair(x: Real, y: Real, least: int) -> tuple[Real, Real]:
    x, y = np.asarray(x, np.float64), np.asarray(y, np.float64)
    if x.ndim != 1 or x.shape != y.shape or x.size < least:
        raise InputError(
            f"x and y must be 1-D, of equal length and at least {least} long; got {x.shape} and "
            f"{y.shape}."
        )
    return x, y
