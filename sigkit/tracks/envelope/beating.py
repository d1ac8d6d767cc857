"""Whether the harmonics of a tone come and go, as those of two oscillators that beat."""

from __future__ import annotations

import numpy as np

from sigkit.tracks.envelope.carrier import CarrierTrack

ORDERS = 12
LOUD = 0.3
"""Level re the loudest from which on a period is looked at."""
GROUPS, FEWEST = 40, 12
"""Stretches whose harmonics are compared, and how many are needed."""
STRONG_DB, STANDS_OUT_DB = -45.0, 12.0
"""Harmonics that are looked at: re the strongest, and re the noise."""
SWING_DB, TURNS = 6.0, 1.8
"""By how much a harmonic comes and goes, and how far it goes in all re that: 1 is one way."""


def beats(carrier: CarrierTrack) -> bool:
    """Return whether most harmonics of a tone rise and fall against each other.

    Parameters
    ----------
    carrier : CarrierTrack
        A tone that does not keep its wave.

    Notes
    -----
    Of one oscillator all harmonics follow the envelope; a filter moves them one way. Where two
    beat, the harmonic of order n does so n times as fast as the fundamental.
    """
    rows = carrier.sound.reshape(-1, carrier.points)
    power = np.mean(rows.astype(np.float64) ** 2, axis=1)
    loud = np.flatnonzero(power > LOUD**2 * power.max())
    if loud.size < 2 * FEWEST:
        return False
    # The attack is left out: one note's, or all notes' where they come together.
    size = max(1, loud.size // GROUPS)
    count = loud.size // size
    lines = np.abs(np.fft.rfft(rows[loud[: count * size]], axis=1))[:, 1 : ORDERS + 1]
    levels = np.sqrt(np.mean(lines.reshape(count, size, -1) ** 2, axis=1))
    mean = np.sqrt(np.mean(levels**2, axis=0))
    noise = carrier.noise * np.sqrt(carrier.points / size)
    strong = (mean > mean.max() * 10 ** (STRONG_DB / 20)) & (
        mean > noise * 10 ** (STANDS_OUT_DB / 20)
    )
    if strong.sum() < 3 or count < FEWEST:
        return False
    floor = np.maximum(levels[:, strong], 0.03 * mean[strong])
    own = 20 * np.log10(floor / np.sqrt(np.sum(levels**2, axis=1))[:, None])
    own = (own[:-2] + own[1:-1] + own[2:]) / 3
    swing = np.ptp(own, axis=0)
    way = np.sum(np.abs(np.diff(own, axis=0)), axis=0) / np.maximum(swing, 1e-9)
    return bool(np.median(np.where(way > TURNS, swing, 0.0)) > SWING_DB)
