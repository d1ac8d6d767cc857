"""The floor of a slider pass: the faintest burst that would be seen."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sigkit.quantity import Quantity, Term, combine
from sigkit.tracks.faults import Test, box
from sigkit.tracks.residual import BIN_S, SIDE, ResidualTrack

Array = NDArray[np.floating]
Mask = NDArray[np.bool_]

FLOOR_BINS, MET = 10, 0.9
"""Length of the bursts that the floor speaks of, and the share of the time in which it is met."""
LOUD_DB = 6.0
MOVED_DB = {"level": 16.0, "pitch": 16.0, "timbre": 26.0, "width": 26.0}
U_MOVED_DB = 4.0
"""Dirt that moves the tone itself (a contact that chops it, a control voltage that jumps) keeps to
the tone's spectrum, most of it below 500 Hz, and is in part taken for the tone, the more where it
shapes the wave: 19 of 20 simulated ones were found from this far above the floor on, and how far
that may be off."""
SPECTRUM_DB = 1.0
"""Standard uncertainty for a burst's spectrum, taken as even."""


def floor_by_bin(track: ResidualTrack, tests: list[Test]) -> Array:
    """Return the level re tone at which 19 of 20 wideband bursts of 10 ms are found, in dB.

    Parameters
    ----------
    track : ResidualTrack
        With its floors.
    tests : list of Test
        The thresholds in use.

    Returns
    -------
    ndarray, shape (n_bins,)
        Of the keener band at each millisecond.
    """
    least = np.full(track.power.size, np.inf)
    tone = np.maximum(track.tone_rms.astype(np.float64), 1e-9) ** 2
    for test in tests:
        if test.bins != FLOOR_BINS:
            continue
        low, high = track.bands_hz[test.band]
        width = high - low
        own = 1 - 1.64 / math.sqrt(width * FLOOR_BINS * BIN_S)  # the burst's own scatter, 5 %
        floor = box(getattr(track, f"{test.band}_floor"), FLOOR_BINS) / FLOOR_BINS
        floor = np.where(floor > 0, floor, np.inf)
        needed = test.ratio * floor / max(own, 0.3)
        least = np.minimum(least, needed * (track.rate / 2 / width) / tone)
    out: Array = 10 * np.log10(np.clip(least, 1e-15, 1e15))
    return out


def floor_of(track: ResidualTrack, floor_db: Array, where: Mask, tests: list[Test]) -> Quantity:
    """Return the floor that is met in nine tenths of the time the tone is near its loudest."""
    top = np.quantile(track.tone_rms[where], 0.98)
    loud = where & (track.tone_rms > top * 10 ** (-LOUD_DB / 20))
    keenest = min((t for t in tests if t.bins == FLOOR_BINS), key=lambda t: t.ratio)
    windows = 2 * SIDE + 1
    running = 10 / math.log(10) * math.sqrt(math.pi / (windows * keenest.dof))
    terms = (
        Term("running floor, a median over 25 values", running, "A", dof=windows - 1),
        Term("spectrum of a burst taken as even", SPECTRUM_DB, "B"),
    )
    return combine(float(np.quantile(floor_db[loud], MET)), "dB", terms)


def moved_floor_of(floor: Quantity, controls: str) -> Quantity:
    """Return the floor for dirt that moves the tone itself, from that for noise, in dB."""
    if not floor.measurable:
        return floor
    term = Term("spectrum of dirt that moves the tone", U_MOVED_DB, "B")
    return combine(floor.value + MOVED_DB[controls], "dB", (*floor.budget, term))
