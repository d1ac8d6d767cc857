"""Least-squares fits with their covariance: the straight line and the exponential approach."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import optimize

from sigkit.arrays import Real
from sigkit.errors import InputError, SignalError


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


def fit_approach(x: Real, y: Real, *, start: float | None = None, steps: Real | None = None) -> Fit:
    """Fit an exponential approach, y = end + (start - end) exp(-x / tau) + steps.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Data, x increasing, at least 6 points.
    start : float, optional
        Known value at x = 0; by default it is fitted.
    steps : ndarray, shape (n_steps,), optional
        Values of x at which y jumps for good; the height of each is fitted.

    Returns
    -------
    Fit
        ``values`` = (tau, end, start), without ``start`` where it is known, followed by the
        heights of the steps. The residuals' correlation from point to point (first-order
        autoregression) widens the covariance and lowers ``dof``.

    Raises
    ------
    InputError
        Too few points, or shapes that differ.
    SignalError
        No exponential fits better than a constant or a line.

    Notes
    -----
    The model is linear but for tau: for every tau the rest is solved exactly, and tau is found by
    a search over its logarithm, so no starting value is needed (variable projection [1]_).

    References
    ----------
    .. [1] G. Golub, V. Pereyra, "The differentiation of pseudo-inverses and nonlinear least squares
       problems whose variables separate", SIAM J. Numerical Analysis 10 (1973), 413-432.
    """
    x, y = _pair(x, y, 6)
    known = 0.0 if start is None else start
    jumps = [] if steps is None else [(x >= at).astype(np.float64) for at in steps]

    def design(tau: float) -> Real:
        decay = np.exp(-x / tau)
        free = [1 - decay] if start is not None else [1 - decay, decay]
        return np.column_stack(free + jumps)

    def misfit(log_tau: float) -> float:
        basis = design(math.exp(log_tau))
        held = y - (known * np.exp(-x / math.exp(log_tau)))
        coefficients, *_ = np.linalg.lstsq(basis, held, rcond=None)
        rest = held - basis @ coefficients
        return float(rest @ rest)

    span = float(x[-1] - min(x[0], 0.0))
    grid = np.log(span) + np.linspace(math.log(0.5 / x.size), math.log(30.0), 120)
    cost = [misfit(g) for g in grid]
    best = int(np.argmin(cost))
    if best in (0, grid.size - 1):
        raise SignalError(
            "No exponential approach fits this curve better than a step or a straight line.",
            remedy="Record longer, or start earlier.",
        )
    found = optimize.minimize_scalar(
        misfit, bounds=(grid[best - 1], grid[best + 1]), method="bounded", options={"xatol": 1e-10}
    )
    tau = math.exp(float(found.x))
    decay = np.exp(-x / tau)
    basis, held = design(tau), y - known * decay
    coefficients, *_ = np.linalg.lstsq(basis, held, rcond=None)
    residuals = held - basis @ coefficients
    begin = known if start is not None else float(coefficients[1])
    by_tau = (begin - float(coefficients[0])) * decay * x / tau**2
    jacobian = np.column_stack([by_tau, basis])
    widen = correlation_factor(residuals)
    dof = max(1.0, x.size / widen - jacobian.shape[1])
    variance = float(residuals @ residuals) / max(1, x.size - jacobian.shape[1]) * widen
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * variance
    return Fit(np.concatenate([[tau], coefficients]), covariance, residuals, dof)


def correlation_factor(residuals: Real) -> float:
    """Factor by which correlation from point to point widens a variance, at least 1.

    (1 + r) / (1 - r) of a first-order autoregression, with r from neighbouring residuals.
    """
    power = float(residuals @ residuals)
    if residuals.size < 8 or power == 0:
        return 1.0
    r = float(residuals[1:] @ residuals[:-1]) / power
    if r < 2 / math.sqrt(residuals.size):
        return 1.0
    return (1 + r) / max(1 - r, 1 / residuals.size)


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
