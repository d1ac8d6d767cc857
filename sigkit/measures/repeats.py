"""What wander seen in one capture may do to the numbers of another one of the same state."""

from __future__ import annotations

import math

import numpy as np

from sigkit.arrays import Real
from sigkit.measures.fits import fit_line
from sigkit.quantity import Quantity, Term, combine, not_measurable

DRIFT_LEAST_S = 2.0
LEAST_WINDOWS = 12


def independent_values(values: Real) -> tuple[float, float]:
    """Return how many independent values a correlated series is worth.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Evenly spaced series.

    Returns
    -------
    for_mean, for_variance : float
        n / (1 + 2 sum r_k) and n / (1 + 2 sum r_k^2), at least 1, with the autocorrelations r_k up
        to the first that is not positive.

    References
    ----------
    .. [1] G. Bayley, J. Hammersley, "The effective number of independent observations in an
       autocorrelated time series", J. Royal Statistical Society (Supplement) 8 (1946), 184-197.
    """
    centred = values - values.mean()
    power = float(centred @ centred)
    if centred.size < 4 or power == 0:
        return 1.0, 1.0
    r = np.correlate(centred, centred, "full")[centred.size :] / power
    negative = np.flatnonzero(r <= 0)
    r = r[: negative[0]] if negative.size else r
    n = float(centred.size)
    return max(1.0, n / (1 + 2 * float(r.sum()))), max(1.0, n / (1 + 2 * float((r**2).sum())))


def peak_to_peak_of(
    cents: Real, noise: float, independent: float, *, unseen: float = 0.0
) -> Quantity:
    """Highest less lowest pitch without what the track's noise adds, in cents.

    Parameters
    ----------
    cents : ndarray, shape (n,)
        Pitch where there is a tone.
    noise : float
        Standard deviation of the track's own noise, cents.
    independent : float
        Number of windows that share no sound.
    unseen : float
        Share of the capture without a pitch: its ends, gaps.
    """
    by_noise = 2 * noise * math.sqrt(2 * math.log(max(2.0, independent)))
    seen = float(np.ptp(cents))
    # Noise adds nothing to extremes that stand out, and all of it where the pitch stands still.
    value = max(0.0, seen - by_noise / 2)
    at_ends = math.sqrt(2) * noise
    excess = by_noise / 2 / math.sqrt(3)
    return combine(
        value,
        "cents",
        [
            Term("noise at both extremes", at_ends, "A"),
            Term("noise taken out", excess, "B"),
            Term("parts without a pitch", max(0.0, unseen) * seen, "B"),
        ],
    )


def drift_of(time_s: Real, cents: Real, window_s: float) -> Quantity:
    """Slope of a straight line through the pitch, in cents/min.

    Parameters
    ----------
    time_s, cents : ndarray, shape (n,)
        Pitch where there is a tone.
    window_s : float
        Length of the windows behind the frames: so far apart they share no sound.

    Notes
    -----
    The uncertainty is that of the slope under wander like that about the line, whose correlation
    from window to window is allowed for: the drift that another capture would show again.
    """
    span_s = float(time_s[-1] - time_s[0])
    apart = max(1, round(window_s / float(np.median(np.diff(time_s)))))
    t, c = time_s[::apart], cents[::apart]
    if span_s < DRIFT_LEAST_S or t.size < LEAST_WINDOWS:
        return not_measurable(
            "cents/min", f"only {span_s:.1f} s of tone, drift needs {DRIFT_LEAST_S:g} s"
        )
    fit = fit_line(t, c)
    # A line takes out some of a slow wander, so what is left is worth fewer values still.
    worth, _ = independent_values(fit.residuals)
    dof = max(1.0, worth - 2)
    u = float(np.std(fit.residuals)) / math.sqrt(dof) / float(np.std(t))
    slope = 60 * float(fit_line(time_s, cents).values[1])
    return combine(slope, "cents/min", [Term("scatter", max(60 * u, 1e-9), "A", dof)])
