"""When a drifting pitch has settled within a band, and whether that is proven."""

from __future__ import annotations

import math

import numpy as np
from scipy import ndimage

from sigkit.arrays import Real
from sigkit.measures.edges import noise_of_mean
from sigkit.quantity import Quantity, Term, combine, not_measurable

TAIL = 0.1
"""A pitch that entered the band only in the last tenth of the capture is not called settled."""
SMOOTH_SHARE = 0.01
"""Longest mean against the track's noise, in lengths of the tone."""
LOST = 0.13
"""Variance of a random walk about its mean over a window, in its variance over that window."""
NODES, WEIGHTS = np.polynomial.hermite_e.hermegauss(9)
NOT_SETTLED = "not settled within this recording"
NOT_PROVEN = "not proven to be settled within this recording"


def settling_time(
    time_s: Real,
    from_final: Real,
    *,
    u_final: float,
    noise: float,
    walk: float,
    window: float,
    band: float,
) -> Quantity:
    """Return the time from which on the pitch stays in the band around its final value.

    Parameters
    ----------
    time_s, from_final : ndarray, shape (n,)
        Time since switch-on, and pitch less its final value, cents; steps and cycles taken out.
    u_final : float
        Standard uncertainty of the final value against the pitch at the crossing.
    noise : float
        Standard deviation of the frames by the track's own noise, cents.
    walk : float
        Variance per second by which the pitch wanders.
    window : float
        Length of the windows behind the frames, in frames.
    band : float
        Half the width of the band, cents.

    Notes
    -----
    Noise would make the last crossing late, so the curve is averaged over as many frames as bring
    it below the wander that the average hides. The final value is varied by its uncertainty
    (Gauss-Hermite nodes): mean and spread of the crossings are value and uncertainty, so a curve
    that grazes the band shows it.
    """
    hop = float(np.median(np.diff(time_s)))
    frames, longest = 1, max(1, int(SMOOTH_SHARE * time_s.size))
    while frames < longest:
        if noise_of_mean(noise, frames, window) ** 2 < LOST * walk * (frames + window) * hop:
            break
        frames = min(longest, max(frames + 1, round(1.5 * frames)))
    smooth = ndimage.uniform_filter1d(from_final, frames, mode="nearest")
    left = math.hypot(
        noise_of_mean(noise, frames, window), math.sqrt(LOST * walk * (frames + window) * hop)
    )
    outside = np.abs(smooth) > band
    if not outside.any():
        if time_s[0] > max(5.0, 4 * hop):
            return not_measurable(
                "s", f"already settled when the tone began, {time_s[0]:.0f} s after switch-on"
            )
        first = Term("first frame", max(2 * hop, float(time_s[0])) / math.sqrt(3), "B")
        return combine(max(0.0, float(time_s[0])), "s", [first])
    if outside[-1]:
        return not_measurable("s", NOT_SETTLED)
    u_cents = math.hypot(u_final, left)
    times = np.array([_last_crossing(time_s, smooth + u_cents * node, band) for node in NODES])
    share = WEIGHTS / WEIGHTS.sum()
    value = float(share @ times)
    spread = math.sqrt(float(share @ (times - value) ** 2))
    return combine(
        value,
        "s",
        [
            Term("pitch at the end and at the crossing", spread, "A"),
            Term("frame grid", frames * hop / math.sqrt(12), "B"),
        ],
    )


def _last_crossing(time_s: Real, from_final: Real, band: float) -> float:
    outside = np.flatnonzero(np.abs(from_final) > band)
    if not outside.size:
        return max(0.0, float(time_s[0]))
    last = int(outside[-1])
    if last + 1 == time_s.size:
        return float(time_s[-1])
    step = from_final[last + 1] - from_final[last]
    edge = math.copysign(band, from_final[last])
    share = float(np.clip((edge - from_final[last]) / step, 0, 1)) if step else 0.5
    return float(time_s[last] + share * (time_s[last + 1] - time_s[last]))


def why_unsettled(
    settling: Quantity,
    residual: Quantity,
    *,
    to_go: float,
    end_s: float,
    length_s: float,
    band: float,
) -> str:
    """Return why the pitch is not called settled; empty where it is.

    Parameters
    ----------
    settling : Quantity
        When it entered the band for good, by the curve alone.
    residual : Quantity
        Slope over the last quarter, cents/min.
    to_go : float
        How far the exponential that fits has yet to go, cents; 0 where none fits.
    end_s, length_s : float
        End of the tone since switch-on, and its length.
    band : float
        Half the width of the band, cents.
    """
    if not settling.measurable and not settling.reason.startswith(NOT_SETTLED):
        return settling.reason
    pace = f"still moving {10 * residual.value:+.1f} cents/10 min" if residual.measurable else ""
    quarter_min = length_s / 4 / 60
    if residual.measurable and abs(residual.value) * quarter_min > band:
        return f"{NOT_SETTLED}: {pace} over its last quarter"
    if abs(to_go) > band:
        return (
            f"{NOT_SETTLED}: {pace}, and the exponential that fits it has "
            f"{to_go:+.1f} cents further to go"
        )
    if not settling.measurable:
        return f"{NOT_SETTLED}: {pace}" if pace else settling.reason
    if residual.measurable and (abs(residual.value) + residual.expanded) * quarter_min > 2 * band:
        return f"{NOT_PROVEN}: its last slope is known too poorly"
    if settling.value > end_s - TAIL * length_s:
        return f"{NOT_PROVEN}: within the band only at its very end"
    return ""
