"""The floor of idle noise, flat and weighted, and whether it is steady."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy import stats

from sigkit.arrays import Real
from sigkit.measures.noise.part import Tone
from sigkit.measures.noise.spectrum import (
    LOBE_BINS,
    OVERLAP,
    Spectrum,
    band_power,
    unsteadiness,
)
from sigkit.measures.noise.weighting import a_weighting_db, weighting_468_db
from sigkit.quantity import Quantity, Term, combine

DB = 10 / math.log(10)
"""Decibels of a small relative change of power."""
LEAST_DB = 1e-4
"""No level is stated surer than this."""
FALSE_ALARM = 1e-3
"""Chance of calling steady noise unsteady."""


def decibels(
    power: float, u_power: float, unit: str, source: str, more: Sequence[Term] = ()
) -> Quantity:
    """Return a power (a full-scale sine has 1) as a level with its uncertainty."""
    noise = Term(source, max(DB * u_power / power, LEAST_DB), "A")
    return combine(10 * math.log10(power), unit, [noise, *more])


def unsteady_of(
    whole: Spectrum,
    clean: Real,
    band_hz: tuple[float, float],
    row: int = 0,
    weight: Real | None = None,
) -> tuple[list[Term], float]:
    """Return a term for noise that is not steady; and by how much it swings, dB.

    Parameters
    ----------
    whole : Spectrum
        The spectrum.
    clean : ndarray, shape (n_bins,)
        Its density without the lines of the mains.
    band_hz : tuple of float
        Band of the floor.
    row : int
        Row of the weighted powers: 0 flat, 1 A-weighted, 2 under the 468 curve.
    weight : ndarray, shape (n_bins,), optional
        That weighting, as a factor on the power of each bin.
    """
    power, u = band_power(whole, clean, band_hz, weight)
    total = float(whole.weighted_power[row].mean())
    if not (power > 0 and total > 0) or power < 0.5 * total:
        return [], 0.0
    return _excess(whole, u / power, row, "noise not steady")


def _excess(whole: Spectrum, u: float, row: int, source: str) -> tuple[list[Term], float]:
    """Return a term for powers of segments that differ by more than a relative u explains."""
    segments = whole.weighted_power.shape[1] / OVERLAP
    if segments < 4:
        return [], 0.0
    expected = u * math.sqrt(whole.time_s / whole.segment_s)
    seen = unsteadiness(whole, row)
    dof = max(1.0, segments - 1)
    if seen**2 < expected**2 * float(stats.chi2.isf(FALSE_ALARM, dof)) / dof:
        return [], 0.0
    extra = math.sqrt(seen**2 - expected**2)
    return [Term(source, DB * extra / math.sqrt(segments), "A")], DB * extra


def floors_of(
    whole: Spectrum,
    clean: Real,
    hiss: Real,
    band_hz: tuple[float, float],
    beside: Sequence[Tone],
    unsettled: Sequence[tuple[float, float]],
) -> dict[str, Quantity]:
    """Return the floor and weighted floors: tones are in them, noise makes them uncertain.

    So does a tone on a line of the mains, which beats with it: its frequency, its power's u.
    Each weighting has noise of its own that may be unsteady: crackle is high, rumble low.
    """
    f = whole.frequency_hz
    inside = (f >= band_hz[0]) & (f <= band_hz[1])
    weights = {
        "floor": (np.ones(f.size), "dBFS"),
        "floor_a": (10 ** (a_weighting_db(f) / 10), "dBFS(A)"),
        "floor_468": (10 ** (weighting_468_db(f) / 10), "dBFS(468, rms)"),
    }
    out = {}
    for row, (name, (weight, unit)) in enumerate(weights.items()):
        unsteady, _ = unsteady_of(whole, clean, band_hz, row, weight)
        power, _ = band_power(whole, clean, band_hz, weight)
        power += math.fsum(t.power * float(np.interp(t.hz, f, weight)) for t in beside)
        noise, u_noise = band_power(whole, hiss, band_hz, weight)
        # A tone and the noise under it: their product is what scatters.
        tones = max(power - noise, 0.0)
        near = float(np.max((hiss * weight)[inside])) if tones > 0.01 * noise else 0.0
        u = math.sqrt(u_noise**2 + 2 * tones * near / whole.time_s)
        unsure = [u_power * float(np.interp(hz, f, weight)) for hz, u_power in unsettled]
        out[name] = decibels(power, u, unit, "noise", [*unsteady, *_beaten(unsure, power)])
    return out


def _beaten(u_powers: Sequence[float], power: float) -> list[Term]:
    """Return a term for tones that beat with lines of the mains, re a power; none: no such tone."""
    if not u_powers:
        return []
    own = DB * math.hypot(*u_powers) / power
    return [Term("tones on lines of the mains", max(own, LEAST_DB), "B")]


def total_of(
    whole: Spectrum,
    hiss: Real,
    band_hz: tuple[float, float],
    unsettled: Sequence[tuple[float, float]] = (),
) -> Quantity:
    """Return everything in the band.

    Parameters
    ----------
    whole : Spectrum
        The spectrum.
    hiss : ndarray, shape (n_bins,)
        Its density with all lines bridged.
    band_hz : tuple of float
        Band of the floor.
    unsettled : sequence of (float, float)
        Tones on lines of the mains: their frequency, and their power's u.

    Returns
    -------
    Quantity
        Level in dBFS.

    Notes
    -----
    Averaged over T, noise of density S has the variance of the integral of S squared over T, and
    its product with a line of power P twice P S over T: a line of amplitude a adds 4 a times the
    mean of n cos to the power, whose variance is S / 8T. A line across an edge of the band is in
    it or not: it is wrong by what the other side of the edge holds, or by what this side does.
    Where segments differ by more than noise explains, lines swell or beat.
    """
    power, _ = band_power(whole, whole.density, band_hz)
    _, u_noise = band_power(whole, hiss, band_hz)
    lines = np.maximum(whole.density - hiss, 0.0)
    product, _ = band_power(whole, lines * hiss, band_hz)
    u = math.sqrt(u_noise**2 + 2 * product / whole.time_s)
    more, _ = _excess(whole, u / power, 0, "level not steady")
    lobe, cut = LOBE_BINS * whole.step_hz, 0.0
    for edge in band_hz:
        below, _ = band_power(whole, lines, (edge - lobe, edge))
        above, _ = band_power(whole, lines, (edge, edge + lobe))
        cut = math.hypot(cut, DB * min(below, above) / power / math.sqrt(3))
    if cut > LEAST_DB:
        more.append(Term("line at the edge of the band", cut, "B"))
    more += _beaten([u_power for _, u_power in unsettled], power)
    return decibels(power, u, "dBFS", "noise", more)
