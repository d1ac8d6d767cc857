"""Scatter of the marks and jitter of the oscillator, told apart by what a fit leaves."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy import linalg, special

from sigkit.arrays import Real
from sigkit.measures.glide.model import Fit

JITTERS = np.array([0.0, *np.geomspace(1e-7, 3e-3, 37)])
"""Jitter that an oscillator may have, relative standard deviation of a period."""
KNEE = 1e-6
EXPECTED = np.log(np.clip(JITTERS / KNEE, 1e-2, 1.0))
"""Logarithm of how likely each is beforehand: as likely in each decade from where a threshold of
some volts has some microvolts of noise; below, the less the smaller (common practice, no
source)."""
RATIOS = np.array([0.0, *np.geomspace(1e-6, 0.3, 23)])
"""Jitter in units of the scatter for which the likelihood is worked out; between, interpolated."""
SCATTERS = 10.0 ** (np.arange(-48, 25) / 12)
"""Variance that the scatter may have, in units of the held notes'; as likely in each decade."""
FEWEST_HELD, MOST_HELD = 12, 160
"""Marks of a held note: fewer tell nothing, of more than twice as many means tell as well."""
FLAT = 1e-8
"""What a column tells at least of its number to count as told of."""


def whitened(sd: Real, cycles: Real, rows: Real, jitter: float, many: int = 1) -> tuple[Real, Real]:
    """Take correlations out of columns over the marks; the jitter in units of the scatter.

    Between a mark and the one before it, jitter adds what the periods between them err by, and no
    more: of such differences only neighbours are correlated. Where each is a mean of ``many`` in a
    row, a sixth of that is in common to both neighbours (mean of a random walk). Returns the
    columns, and the Cholesky factor of the differences as the two diagonals that it has.
    """
    own = sd**2
    band = np.zeros((2, own.size))
    band[0] = own
    gone, common = jitter**2 * np.diff(cycles), (1 - many**-2) / 6
    band[0, 1:] += own[:-1] + (1 - 2 * common) * gone
    band[1, :-1] = -own[:-1]
    band[1, 1:-1] += common * gone[1:]
    lower = linalg.cholesky_banded(band, lower=True, check_finite=False)
    late = rows * sd[:, None]
    late[1:] -= late[:-1].copy()
    return linalg.solve_banded((1, 0), lower, late, overwrite_b=True, check_finite=False), lower


def noise_of(fits: Sequence[Fit], rows: Sequence[Real]) -> list[tuple[float, float, Real]]:
    """Return the noise that the residuals of a capture's glides speak for.

    Parameters
    ----------
    fits : sequence of Fit
        Of least squares.
    rows : sequence of ndarray, shape (n_marks, n_columns + 1)
        Of each, all that is fitted and the residuals: what is left of these beside it tells of the
        noise alone.

    Returns
    -------
    list of tuple of float, float and ndarray
        Of each, mean variance of the scatter, in units of the held notes', and mean jitter, over
        the restricted likelihood, and that of the jitter, its logarithm. The jitter is that of one
        oscillator: all glides that follow a law tell of it together, and all notes held after one.
    """
    likely = [_likelihood(f.sd, f.cycles, own) for f, own in zip(fits, rows, strict=True)]
    holds = sum((f.fresh * special.logsumexp(f.hold, axis=1) for f in fits), start=EXPECTED)
    every = sum(
        (
            special.logsumexp(own, axis=1)
            for own, fit in zip(likely, fits, strict=True)
            if not fit.departs
        ),
        start=holds,
    )
    out = []
    for own, fit in zip(likely, fits, strict=True):
        alone = special.logsumexp(own, axis=1)
        told = alone + holds if fit.departs else every
        share = special.softmax(told)
        scatter = share @ special.softmax(own, axis=1) @ SCATTERS
        out.append((float(scatter), math.sqrt(share @ JITTERS**2), told))
    return out


def told_by_hold(late: Real, sd: float) -> Real:
    """Return what the marks of a held note tell of jitter and scatter.

    Parameters
    ----------
    late : ndarray, shape (n_marks,)
        By how many periods each mark comes late, one mark a period.
    sd : float
        Scatter of the note, periods.

    Returns
    -------
    ndarray, shape (n_jitters, n_scatters)
        Log-likelihood, a pitch that drifts taken out; of too few marks nothing but the scatter of
        the note. Of many, means over some in a row tell it: of jitter they tell by how it adds up
        from one to the next.
    """
    if late.size < FEWEST_HELD:
        return _nothing_told()
    many = max(1, late.size // MOST_HELD)
    means = late[: late.size // many * many].reshape(-1, many).mean(axis=1)
    turn = np.linspace(-1, 1, means.size)
    each = np.full(means.size, sd / math.sqrt(many))
    cycle = many * np.arange(means.size, dtype=np.float64)
    rows = np.column_stack([turn**0, turn, turn**2, means]) / each[:, None]
    return _likelihood(each, cycle, rows, many)


def noise_in_hold(hold: Real, jitters: Real) -> tuple[float, float]:
    """Return scatter and jitter of the marks of a held note.

    Parameters
    ----------
    hold : ndarray, shape (n_jitters, n_scatters)
        What its own marks tell (`told_by_hold`).
    jitters : ndarray, shape (n_jitters,)
        What all glides and holds tell of the jitter, log-likelihood.
    """
    share = special.softmax(jitters)
    scatter = share @ special.softmax(hold, axis=1) @ SCATTERS
    return float(scatter), math.sqrt(share @ JITTERS**2)


def _nothing_told() -> Real:
    """Log-likelihood of marks that tell nothing: the scatter is that of the held notes."""
    known_alone = np.abs(np.log(SCATTERS)) > 1e-9
    return np.tile(np.where(known_alone, -math.inf, 0.0), (JITTERS.size, 1))


def _likelihood(sd: Real, cycles: Real, rows: Real, many: int = 1) -> Real:
    """Return the restricted log-likelihood of jitter and scatter, shape (n_jitters, n_scatters)."""
    spare = rows.shape[0] - rows.shape[1] + 1
    if spare <= 0:  # nothing is left that could tell: the scatter of the held notes
        return _nothing_told()
    left, known = np.empty(RATIOS.size), np.empty(RATIOS.size)
    for i, ratio in enumerate(RATIOS.tolist()):
        white, lower = whitened(sd, cycles, rows, ratio, many)
        size = np.abs(np.diag(np.linalg.qr(white, mode="r")))
        left[i] = math.log(max(size[-1] ** 2, 1e-30))
        told = size[:-1][size[:-1] > FLAT]
        known[i] = np.log(told).sum() + np.log(lower[0]).sum()
    at = np.log(np.maximum(JITTERS[:, None] / np.sqrt(SCATTERS), 1e-9))
    ln = np.log(np.maximum(RATIOS, 1e-9))
    squares = np.exp(np.interp(at, ln, left))
    out: Real = -0.5 * (spare * np.log(SCATTERS) + squares / SCATTERS) - np.interp(at, ln, known)
    return out
