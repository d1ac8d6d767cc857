"""What is not known of the response of the recorder that a wave was captured with."""

from __future__ import annotations

import math

import numpy as np

from sigkit.arrays import Complex, Real

RESPONSE_DB = 0.1
"""Largest departure from flat, 20 Hz to 20 kHz re 1 kHz, that line inputs are sold with: common
practice, no source. It is taken as rectangular at both ends (JCGM 100:2008, 4.3.7)."""
RECORDER = "response of the recorder"
"""Name of this component; it acts alike on captures made with the same recorder."""
MOST_DB = 6.0
FROM_HZ, MIDDLE_HZ, TO_HZ = 20.0, 1000.0, 20_000.0
CORNERS_HZ = np.geomspace(2.0, 200_000.0, 36)
"""Where it may rise or fall by one pole and one zero, as couplings and droops outside the band do
too, each by itself."""
DELAYS_S = np.geomspace(1e-4, 2e-3, 120)
RIPPLE = 0.1
"""Rms of the ripple of a converter's filter re the largest departure; those of linear phase turn
no phase."""


def ways_of(hz: Real, response_db: float) -> Complex:
    """Return independent ways in which a recorder may depart from flat.

    Parameters
    ----------
    hz : ndarray, shape (n,)
        Frequencies.
    response_db : float
        Largest departure from flat, 20 Hz to 20 kHz, in dB re 1 kHz.

    Returns
    -------
    ndarray of complex, shape (n_ways, n)
        Logarithm of the response at each frequency, re 1 kHz in its real part, for one standard
        deviation of each way: small steps all over the band, whose phase is that of one pole and
        one zero, and ripple without phase. The level departs the less the nearer a frequency is to
        1 kHz, and frequencies close to each other depart alike.
    """
    nepers = response_db * math.log(10) / 20
    middle = _steps(np.array([MIDDLE_HZ])).real
    # Steps below and above the middle have heights of their own, so that both ends are alike.
    ends = (_steps(np.array([FROM_HZ, TO_HZ])).real - middle) ** 2
    low = CORNERS_HZ < MIDDLE_HZ
    sums = np.array([ends[low].sum(axis=0), ends[~low].sum(axis=0)]).T
    squares = np.linalg.solve(sums, np.ones(2))
    heights = nepers / math.sqrt(3) * np.sqrt(np.where(low, *squares))
    steps = (_steps(hz) - middle) * heights[:, None]
    turns = 2 * np.pi * DELAYS_S[:, None] * hz
    ripple = np.concatenate([np.cos(turns), np.sin(turns)]) * (
        RIPPLE * nepers / math.sqrt(DELAYS_S.size)
    )
    return np.concatenate([steps, ripple.astype(complex)])


def _steps(hz: Real) -> Complex:
    """Logarithm of a small step up at each corner, over its height: zero and pole."""
    return np.asarray(1j * hz / (1j * hz + CORNERS_HZ[:, None]))


def u_of(weight: Complex, ways: Complex) -> float:
    """Return the standard uncertainty of the real part of a weighted sum of log responses."""
    return math.sqrt(float(np.sum((ways @ weight).real ** 2)))
