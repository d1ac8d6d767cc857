"""Where a tone is missing for more than a period: drop-outs, and a gate that closes."""

from __future__ import annotations

import math

import numpy as np
from scipy import ndimage

from sigkit.arrays import Flags, Real

QUIET = 0.1
"""Level of the loudest sample in a period, re the usual one, below which the tone is missing."""
PERIODS = 1.2
"""Periods in which there is a loudest sample, whatever the wave."""
ZEROS_S = 1e-3
"""Zeros in a row that are no sound at all."""


def gaps_of(sound: Real, rate: int, lowest_hz: float) -> list[tuple[float, float]]:
    """Return where a tone is missing, from and to in seconds.

    Parameters
    ----------
    sound : ndarray, shape (n_samples,)
        A tone.
    rate : int
        Its sample rate in Hz.
    lowest_hz : float
        Its lowest pitch.
    """
    width = 2 * math.ceil(PERIODS / 2 * rate / lowest_hz) + 1
    level = ndimage.maximum_filter1d(np.abs(sound), width)
    half = min(width, sound.size) // 2  # nearer to an end the window holds less than a period
    level[:half], level[sound.size - half :] = level[half], level[sound.size - half - 1]
    missing = _wider(level < QUIET * float(np.median(level)), width)
    run = 2 * math.ceil(ZEROS_S / 2 * rate) + 1
    inside = ndimage.minimum_filter1d((sound == 0).astype(np.uint8), run) > 0
    parts = ndimage.find_objects(ndimage.label(missing | _wider(inside, run))[0])
    return [(part[0].start / rate, part[0].stop / rate) for part in parts]


def _wider(flags: Flags, width: int) -> Flags:
    """Return flags grown by half a width to both sides."""
    return np.asarray(ndimage.maximum_filter1d(flags.astype(np.uint8), width) > 0)
