"""A tone folded along its own phase: its harmonics by least squares, stretch by stretch.

The sound is a sum of harmonics of one phase that is known at every sample. Least squares on all
samples of a stretch at once leads to a system whose matrix has equal diagonals (Toeplitz); its
entries, and its right side, are sums of complex exponentials at uneven phases, which a grid gives
[1]_. Nothing is resampled, so there is no interpolator to allow for.

References
----------
.. [1] A. Barnett, J. Magland, L. af Klinteberg, "A parallel nonuniform fast Fourier transform
   library based on an exponential of semicircle kernel", SIAM J. Sci. Comput. 41 (2019).
"""

from __future__ import annotations

import functools
from collections.abc import Callable

import numpy as np
from scipy import fft, interpolate, linalg

from sigkit.arrays import Complex, Real
from sigkit.tracks.phase import PhaseTrack

WIDTH = 10
"""Points of the grid that a sample is spread over: sums are right to about 1e-9."""
SHAPE = 2.3 * WIDTH
KNOTS_S = (1.0, 0.25, 0.06)
LEAST_PER_KNOT = 5
FOLLOWS = 1.15
"""How much more than the noise's variance a smooth path may leave of the phase."""
OVERLAP = 1 / 6
"""Correlation of white noise in two Hann-weighted stretches that overlap by half."""


def smooth_path(phase: PhaseTrack) -> Callable[[Real], Real]:
    """Return the phase in cycles as a function of time, through one unbroken tone.

    Parameters
    ----------
    phase : PhaseTrack
        Phases of one tone.

    Returns
    -------
    callable
        Gives cycles at times in seconds; to be used within the tone.

    Notes
    -----
    The smoothest of a few splines that leaves no more than the noise of the phases; where none
    does, because the oscillator jitters from period to period, a cubic through all of them.
    """
    t, cycles = phase.time_s, phase.cycles
    slope = (cycles[-1] - cycles[0]) / (t[-1] - t[0])
    rest = cycles - cycles[0] - slope * (t - t[0])
    allowed = FOLLOWS * float(np.mean(phase.u_cycles**2)) + 1e-12
    curve: Callable[[Real], Real] | None = None
    for step in KNOTS_S:
        spans = max(1, round((t[-1] - t[0]) / step))
        if t.size < LEAST_PER_KNOT * spans + 4:
            break
        inner = np.linspace(t[0], t[-1], spans + 1)[1:-1]
        spline = interpolate.LSQUnivariateSpline(t, rest, inner, k=3)
        if float(np.mean((rest - spline(t)) ** 2)) < allowed:
            curve = spline
            break
    if curve is None:
        curve = interpolate.CubicSpline(t, rest)
    path = curve
    return lambda at: cycles[0] + slope * (at - t[0]) + path(at)


def harmonics_of(sound: Real, cycles: Real, weight: Real, top: int) -> Complex:
    """Return mean and harmonics of a stretch of sound by weighted least squares.

    Parameters
    ----------
    sound : ndarray, shape (n_samples,)
        The sound.
    cycles : ndarray, shape (n_samples,)
        Phase of its fundamental at every sample, in cycles; any function of time.
    weight : ndarray, shape (n_samples,)
        Weight of every sample.
    top : int
        Order of the highest harmonic; below half the samples of a period.

    Returns
    -------
    ndarray of complex, shape (top + 1,)
        c[0], the mean, and c[k], so that the sound is the real part of
        c[0] + 2 sum of c[k] exp(2 pi i k cycles): half the complex amplitudes.
    """
    of_ones, of_sound = _sums(cycles, (weight, weight * sound), 2 * top)
    right = np.concatenate([np.conj(of_sound[top:0:-1]), of_sound[: top + 1]])
    solved = linalg.solve_toeplitz((of_ones, np.conj(of_ones)), right)
    found: Complex = solved[top:]
    return found


def folded(sound: Real, cycles: Real, top: int, stretches: int) -> Complex:
    """Return the harmonics of stretches that overlap by half, each weighted by a Hann window.

    Parameters
    ----------
    sound, cycles : ndarray, shape (n_samples,)
        The sound of one tone and its phase.
    top : int
        Order of the highest harmonic.
    stretches : int
        How many; they are of equal length in periods.

    Returns
    -------
    ndarray of complex, shape (stretches, top + 1)
        As from `harmonics_of`. Their plain mean weighs the inner samples alike.
    """
    edges = np.linspace(cycles[0], cycles[-1], stretches + 2)
    at = np.searchsorted(cycles, edges)
    rows = []
    for first, last, begin, end in zip(at[:-2], at[2:], edges[:-2], edges[2:], strict=True):
        part = cycles[first:last]
        window = 0.5 - 0.5 * np.cos(2 * np.pi * (part - begin) / (end - begin))
        rows.append(harmonics_of(sound[first:last], part, window, top))
    return np.array(rows)


def _sums(cycles: Real, values: tuple[Real, ...], top: int) -> list[Complex]:
    """Return the sums of values times exp(-2 pi i k cycles) for k = 0 to ``top``."""
    size = fft.next_fast_len(4 * top + 4 * WIDTH, real=True)
    place = (cycles - np.floor(cycles)) * size
    first = np.ceil(place - WIDTH / 2).astype(np.intp)
    beyond = first - place
    grids = [np.zeros(size + WIDTH + 1) for _ in values]
    offset = first + WIDTH // 2
    for step in range(WIDTH):
        kernel = np.exp(
            SHAPE * (np.sqrt(np.maximum(0.0, 1 - ((beyond + step) * (2 / WIDTH)) ** 2)) - 1)
        )
        for grid, value in zip(grids, values, strict=True):
            grid += np.bincount(offset + step, kernel * value, grid.size)
    orders = np.arange(top + 1)
    response = _kernel_response(top, size)
    out = []
    for grid in grids:
        ring = grid[:size].copy()
        ring[: grid.size - size] += grid[size:]
        turn = np.exp(2j * np.pi * orders * (WIDTH // 2) / size)
        out.append(fft.rfft(ring)[: top + 1] * turn / response)
    return out


@functools.lru_cache(maxsize=8)
def _kernel_response(top: int, size: int) -> Real:
    """Return the transform of the kernel at orders 0 to ``top`` of a grid of ``size`` points."""
    frequency = np.arange(top + 1) / size
    node, weight = np.polynomial.legendre.leggauss(48)
    kernel = np.exp(SHAPE * (np.sqrt(1 - node**2) - 1)) * weight * (WIDTH / 2)
    return np.asarray(np.cos(np.pi * WIDTH * frequency[:, None] * node) @ kernel)
