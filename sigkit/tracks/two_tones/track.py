"""Two harmonic tones of nearly simple ratio in one sound: both pitches at once, by least squares.

Oscillator i plays near ``steps[i]`` times a common fundamental (1 and 1 in a unison, 2 and 3 in a
fifth, 1 and 2 in an octave), so that its harmonics lie near every ``steps[i]``-th multiple of that
fundamental. Behind one band per multiple (`sigkit.tracks.harmonics.demodulate`) there are then at
most two slowly turning lines, ``a exp(j b psi_i(m))`` in band b and period m. The phases psi are
short polynomials; the complex amplitudes of all lines are linear and solved exactly for every psi
(variable projection [1]_), so only the phases are searched, by Gauss-Newton steps. In white noise
that is maximum likelihood, and its covariance the Cramer-Rao bound [2]_ of two harmonic signals
with all amplitudes and phases unknown. Every band tells the same two pitches, the b-th one with b
times the beat, so that tones are told apart whose fundamentals have not beaten once.

References
----------
.. [1] G. Golub, V. Pereyra, "The differentiation of pseudo-inverses and nonlinear least squares
   problems whose variables separate", SIAM J. Numerical Analysis 10 (1973), 413-432.
.. [2] D. Rife, R. Boorstyn, "Multiple tone parameter estimation from discrete-time
   observations", Bell System Technical J. 55 (1976), 1389-1410.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial import legendre
from scipy import ndimage

from sigkit.arrays import Complex, Flags, Real
from sigkit.tracks.harmonics import LAG_0, SIGNIFICANT

FARTHEST = 0.25
"""Largest distance of a line from the middle of its band, in fundamentals."""
NEXT_RAD = 0.4
"""A band is taken in where the phases found so far are this certain in it."""
STEPS = 12
BEYOND_CHANCE = 9.0
"""Gain in twice the log-likelihood, per tone, for which two more terms of its path are kept."""
LEAST_APART = 1e-10


@dataclass(frozen=True)
class Tones:
    """One or two tones fitted to bands.

    Parameters
    ----------
    terms : ndarray, shape (n_tones, n_terms)
        Phase of the common fundamental of each tone in radians: coefficients of the Legendre
        polynomials 1 to n_terms over the window.
    covariance : ndarray, shape (n_tones * n_terms, n_tones * n_terms)
        Their covariance by noise.
    amplitudes : ndarray of complex, shape (n_tones, n_bands)
        Amplitudes in the bands that were used, 0 where a tone has no line.
    left : ndarray, shape (n_bands,)
        Mean power of what the tones do not explain.
    noise : ndarray, shape (n_bands,)
        Noise variance per quadrature that the weights were taken from.
    residual : ndarray of complex, shape (n_bands, n_periods)
        What the tones do not explain.
    """

    terms: Real
    covariance: Real
    amplitudes: Complex
    left: Real
    noise: Real
    residual: Complex

    @property
    def offsets(self) -> Real:
        """Relative pitch of each tone against the grid, weighted by a parabola over the window."""
        pace: Real = self.terms[:, 0] * self._per_term
        return pace

    @property
    def offset_covariance(self) -> Real:
        """Covariance of ``offsets``."""
        first = np.arange(self.terms.shape[0]) * self.terms.shape[1]
        part: Real = self.covariance[np.ix_(first, first)] * self._per_term**2
        return part

    @property
    def _per_term(self) -> float:
        return 1 / (math.pi * (int(self.residual.shape[1]) - 1))

    @property
    def bands(self) -> int:
        """Number of bands that were used."""
        return int(self.left.size)

    @property
    def misfit(self) -> float:
        """Log-likelihood ratio against a perfect fit, less a constant: smaller is better."""
        return float(self.residual.shape[1] * np.sum(np.log(np.maximum(self.left, 1e-300))))


def lines_of(steps: tuple[int, ...], bands: int) -> Flags:
    """Return which tone has a line in which of the bands 1 to ``bands``, shape (n_tones, bands)."""
    order = np.arange(1, bands + 1)
    return np.array([order % step == 0 for step in steps])


def highest_band(offsets: Real, bands: int) -> int:
    """Return the highest band in which every tone stays near the middle."""
    reach = float(np.max(np.abs(offsets), initial=0.0))
    return int(min(bands, max(2, math.floor(FARTHEST / max(reach, 1e-9)))))


def fit_tones(
    bands: Complex, steps: tuple[int, ...], terms: Real, *, first: int = 4, most: int = 32
) -> Tones:
    """Fit tones to bands, from the low ones upwards as the phases become known.

    Parameters
    ----------
    bands : ndarray of complex, shape (n_bands, n_periods)
        Row b - 1 is the band around b times the fundamental of the grid, once a period.
    steps : tuple of int
        Every which band holds a line of each tone: (1, 1) a unison, (2, 3) a fifth.
    terms : ndarray, shape (n_tones, n_terms)
        Where to start.
    first, most : int
        Number of bands to begin with and to end with.

    Returns
    -------
    Tones
        The fit.
    """
    count = min(bands.shape[0], first)
    fit = refine(bands[:count], steps, terms)
    while True:
        sd = _phase_sd(fit)
        limit = highest_band(fit.offsets, min(bands.shape[0], most))
        reach = int(min(limit, max(count, NEXT_RAD / max(sd, 1e-12)), 4 * count))
        if reach <= count:
            return fit
        count = reach
        fit = refine(bands[:count], steps, fit.terms)


def with_more_terms(
    bands: Complex, steps: tuple[int, ...], fit: Tones, *, most: int, most_terms: int = 5
) -> Tones:
    """Let the pitches move within the window as far as the sound asks for it.

    Two further terms at a time, kept where they lower the misfit by more than chance. What the
    next two terms, not kept, would change counts as uncertainty of the pitches.
    """
    while True:
        terms = np.pad(fit.terms, ((0, 0), (0, 2)))
        more = refine(bands[: fit.bands], steps, terms)
        if not _sane(more):
            return fit
        better = 2 * (fit.misfit - more.misfit) > BEYOND_CHANCE * terms.shape[0]
        if not better or terms.shape[1] > most_terms:
            return _widened(fit, more)
        fit = fit_tones(bands, steps, more.terms, first=fit.bands, most=most)


def _widened(fit: Tones, more: Tones) -> Tones:
    """Add the change of the pitches by further terms to their covariance, beyond its own noise."""
    first = np.arange(fit.terms.shape[0]) * fit.terms.shape[1]
    own = np.diag(fit.covariance)[first]
    further = np.arange(fit.terms.shape[0]) * more.terms.shape[1]
    by_noise = np.maximum(np.diag(more.covariance)[further] - own, 0)
    change = more.terms[:, 0] - fit.terms[:, 0]
    # Where the terms ask for no room, their change is chance and says nothing.
    asked = max(0.0, 2 * (fit.misfit - more.misfit) / (2 * fit.terms.shape[0]) - 2)
    wider = fit.covariance.copy()
    wider[first, first] += np.where(asked > 0, np.maximum(change**2, asked * by_noise), 0.0)
    return replace(fit, covariance=wider)


def _sane(fit: Tones) -> bool:
    return bool(np.isfinite(fit.terms).all() and np.isfinite(fit.covariance).all())


def _phase_sd(fit: Tones) -> float:
    """Largest standard deviation of a phase at the ends of the window."""
    tones, terms = fit.terms.shape
    blocks = fit.covariance.reshape(tones, terms, tones, terms)
    sd = [math.sqrt(max(0.0, float(np.trace(blocks[i, :, i, :])))) for i in range(tones)]
    return max(sd)


@dataclass(frozen=True)
class _Projection:
    """What the best amplitudes leave over, for given phases."""

    columns: Complex  # (n_bands, n_tones, n_periods)
    cross: Complex  # (n_bands, n_periods), the first tone's columns turned back by the second's
    amplitudes: Complex
    inverse: Complex  # (n_bands, n_tones, n_tones)
    residual: Complex
    left: Real


def refine(
    bands: Complex,
    steps: tuple[int, ...],
    terms: Real,
    *,
    turns: int = STEPS,
    basis: Real | None = None,
) -> Tones:
    """Fit tones to all of the bands at once, by up to ``turns`` Gauss-Newton steps.

    The weights are by what is left in each band. The phases are sums of ``basis``, by default
    Legendre polynomials.
    """
    count, periods = bands.shape
    lines = lines_of(steps, count)
    basis = _basis(terms.shape[1], periods) if basis is None else basis
    terms = np.array(terms, dtype=np.float64)
    now = _project(bands, lines, terms @ basis)
    for turn in range(turns):
        noise = _noise(now, lines)
        normal, slope = _normal(now, lines, basis, noise)
        step = _solve(normal, slope).reshape(terms.shape)
        # No phase may turn further in one step than its highest band can follow.
        most = float(np.max(np.abs(step)))
        step *= min(1.0, 1.5 / max(most * count, 1e-300))
        own = _without_leaks(bands, now, terms)
        cost = float(np.sum(now.left / noise))
        for _ in range(5):
            tried = _project(own, lines, (terms + step) @ basis)
            if float(np.sum(tried.left / noise)) <= cost * (1 + 1e-12) or turn == 0:
                break
            step = step / 3
        now, terms = tried, terms + step
        at_noise = np.sqrt(np.maximum(np.diag(normal), 1e-300)).reshape(terms.shape)
        if turn > 1 and float(np.max(np.abs(step) * at_noise)) < 0.01:
            break
    noise = _noise(now, lines)
    normal, _ = _normal(now, lines, basis, noise)
    covariance = _solve(normal, np.eye(normal.shape[0]))
    return Tones(terms, covariance, now.amplitudes, now.left, noise, now.residual)


def _basis(terms: int, periods: int) -> Real:
    """Legendre polynomials 1 to ``terms`` over the window."""
    x = np.linspace(-1, 1, periods)
    return legendre.legvander(x, terms)[:, 1:].T


def _project(bands: Complex, lines: Flags, phase: Real) -> _Projection:
    tones, count = lines.shape
    periods = bands.shape[1]
    turn = np.exp(1j * phase)
    columns = np.empty((count, tones, periods), dtype=np.complex128)
    columns[0] = turn
    for below, column in itertools.pairwise(columns):
        np.multiply(below, turn, out=column)
    if not lines.all():
        columns *= lines.T[:, :, None]
    # A tone without a line gets a one on the diagonal; lines that coincide are held apart.
    gram = np.zeros((count, tones, tones), dtype=np.complex128)
    gram[:, np.arange(tones), np.arange(tones)] = np.where(
        lines.T, periods * (1 + LEAST_APART), 1.0
    )
    cross: Complex = np.zeros((count, 0), dtype=np.complex128)
    if tones == 2:
        cross = columns[:, 0].conj() * columns[:, 1]
        gram[:, 0, 1] = cross.sum(axis=1)
        gram[:, 1, 0] = gram[:, 0, 1].conj()
    inverse = np.linalg.inv(gram)
    amplitudes = inverse @ (columns @ bands.conj()[:, :, None]).conj()
    residual = (amplitudes.transpose(0, 2, 1) @ columns)[:, 0]
    np.subtract(bands, residual, out=residual)
    parts = residual.view(np.float64)
    left = np.einsum("kp,kp->k", parts, parts) / periods
    return _Projection(columns, cross, amplitudes[:, :, 0].T, inverse, residual, left)


def _normal(now: _Projection, lines: Flags, basis: Real, noise: Real) -> tuple[Real, Real]:
    """Return the normal equations of the phases, the amplitudes projected out.

    The derivative in band k of tone i by term m is its column times ``scale[i, k]`` times row m of
    the basis; columns have size 1, so that only the two tones' columns turned back by each other
    are summed over periods.
    """
    tones, count = lines.shape
    terms, periods = basis.shape
    order = np.arange(1, count + 1)
    power = now.amplitudes.real**2 + now.amplitudes.imag**2
    heard = power > SIGNIFICANT * 2 * noise / periods
    scale = np.where(heard, now.amplitudes, 0) * (1j * order) / np.sqrt(noise)
    squares, sums = basis @ basis.T, basis.sum(axis=1)
    normal = np.zeros((tones, terms, tones, terms))
    onto = np.zeros((count, tones, tones, terms), dtype=np.complex128)
    for i in range(tones):
        power = scale[i].real ** 2 + scale[i].imag ** 2
        normal[i, :, i] = float(power[lines[i]].sum()) * squares
        onto[:, i, i] = (scale[i] * lines[i])[:, None] * sums
    if tones == 2:
        along = ((scale[0].conj() * scale[1]) @ now.cross).real
        normal[0, :, 1] = (basis * along) @ basis.T
        normal[1, :, 0] = normal[0, :, 1].T
        by_term = now.cross @ basis.T
        onto[:, 0, 1] = scale[1][:, None] * by_term
        onto[:, 1, 0] = scale[0][:, None] * by_term.conj()
    flat = onto.reshape(count, tones, tones * terms)
    taken = flat.conj().transpose(0, 2, 1) @ (now.inverse @ flat)
    along = _along(scale / np.sqrt(noise), now.columns, now.residual)
    size = tones * terms
    return normal.reshape(size, size) - taken.sum(axis=0).real, (along @ basis.T).ravel()


def _along(scale: Complex, columns: Complex, left: Complex) -> Real:
    """Return the sum over bands of what is left, turned back by each tone's derivative."""
    turned = columns.conj()
    turned *= left[:, None, :]
    return np.stack([(row.conj() @ turned[:, i]).real for i, row in enumerate(scale)])


def _solve(normal: Real, right: Real) -> Real:
    size = np.diag(normal)
    scale = 1 / np.sqrt(np.maximum(size, 1e-12 * float(size.max(initial=0.0)) + 1e-200))
    scaled = normal * scale[:, None] * scale + 1e-12 * np.eye(scale.size)
    side = right * (scale if right.ndim == 1 else scale[:, None])
    solved: Real = np.linalg.lstsq(scaled, side, rcond=1e-13)[0]
    return solved * (scale if right.ndim == 1 else scale[:, None])


def _noise(now: _Projection, lines: Flags) -> Real:
    """Noise variance per quadrature and band, shared among neighbours unless a band has more."""
    periods = now.residual.shape[1]
    free = 1 - (lines.sum(axis=0) + 1) / periods
    own = now.left / (2 * LAG_0 * np.maximum(free, 0.1))
    width = 2 * (own.size // 16) + 1
    shared = ndimage.median_filter(own, width, mode="mirror") if width > 1 else own
    spread = 4 / math.sqrt(periods)
    tiny = 1e-300 + 1e-24 * float(own.max(initial=0.0))
    return np.maximum(np.where(own > (1 + spread) * shared, own, shared), tiny)


def _without_leaks(bands: Complex, now: _Projection, terms: Real) -> Complex:
    """Return the bands without what lines off the middle of the next one leave in them.

    The bands are raised cosines: a line weighs cos^2 in its own and sin^2 in the next one.
    """
    count, periods = bands.shape
    place = np.arange(1, count + 1) * (terms[:, 0] / (np.pi * (periods - 1)))[:, None]
    share = now.amplitudes * np.tan(np.pi / 2 * np.clip(place, -0.5, 0.5)) ** 2
    up, down = (np.where(side, share.T, 0)[:, None] for side in (terms[:, 0] > 0, terms[:, 0] < 0))
    own = bands.copy()
    if up.any():
        own[1:] -= (up[:-1] @ now.columns[:-1])[:, 0]
    if down.any():
        own[:-1] -= (down[1:] @ now.columns[1:])[:, 0]
    return own
