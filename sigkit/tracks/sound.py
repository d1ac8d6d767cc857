"""A stretch of sound read between its samples, period by period."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from sigkit.tracks.neighbours import Rows

Array = NDArray[np.floating]

FINER, ENOUGH_RATE = 2, 80_000
"""Sound of a lower rate is read between its samples after the rate was raised by this."""


class Sound:
    """A stretch of sound to be read between its samples."""

    def __init__(self, x: Array, rate: int) -> None:
        self.finer = FINER if rate < ENOUGH_RATE else 1
        size = fft.next_fast_len(x.size + 64, real=True)
        padded = np.zeros(size)
        padded[: x.size] = x
        spectrum = np.zeros(self.finer * size // 2 + 1, complex)
        spectrum[: size // 2 + 1] = fft.rfft(padded)
        fine = self.finer * fft.irfft(spectrum, self.finer * size)[: self.finer * x.size]
        self.coefficients = ndimage.spline_filter1d(fine, order=3, mode="mirror")

    def at(self, sample: Array) -> Rows:
        """Return the sound at fractional positions, in samples."""
        out: Rows = ndimage.map_coordinates(
            self.coefficients,
            [self.finer * sample.ravel()],
            output=np.float32,
            order=3,
            mode="mirror",
            prefilter=False,
        ).reshape(sample.shape)
        return out


def read_periods(sound: Sound, phase: Array, count: int, points: int) -> Rows:
    """Return the sound at so many points of each period of a phase, shape (count, points)."""
    grid = np.arange(count * points) / points
    at = np.interp(grid, phase, np.arange(phase.size))
    return sound.at(at).reshape(count, points)


def laid_on(phase: Array, edge: Array) -> Array:
    """Return the phase moved so that every edge lies in the middle of its period."""
    offset = np.arange(edge.size) + 0.5 - edge
    out: Array = phase + np.interp(phase, edge, offset)
    return np.maximum.accumulate(out)
