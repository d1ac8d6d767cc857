"""The level of what is recorded, as it goes to disk: peaks, samples at full scale, bits in use."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

FULL_SCALE = 1 - 2.0**-14
"""From here a sample counts as clipped: the top two codes of 16 bits."""
SMALLEST = -200.0


class InputLevel:
    """Peak of every channel, and how many of its samples lie at full scale.

    Parameters
    ----------
    channels, bits : int
        Channels, bits of a sample (16, 24 or 32).

    Attributes
    ----------
    clipped : ndarray, shape (n_channels,)
        Samples at full scale (within two codes of 16 bits).
    first_clipped : int
        Frame of the first one; -1 where there is none.
    """

    def __init__(self, channels: int, bits: int) -> None:
        self.channels, self.bits = channels, bits
        self.clipped = np.zeros(channels, np.int64)
        self.first_clipped = -1
        self._top = np.zeros(channels)
        self._recent = np.zeros(channels)
        self._used = 0
        self._frames = 0

    def add(self, raw: memoryview) -> None:
        """Look at some frames as they are written to disk."""
        samples = integers(raw, self.channels, self.bits)
        high, low = samples.max(axis=0), samples.min(axis=0)
        peaks = np.maximum(high.astype(np.float64), -low.astype(np.float64)) / 2.0**31
        if peaks.max() >= FULL_SCALE:
            limit = int(FULL_SCALE * 2**31)
            at_top = (samples >= limit) | (samples <= -limit)
            self.clipped += at_top.sum(axis=0)
            if self.first_clipped < 0:
                self.first_clipped = self._frames + int(np.argmax(at_top.any(axis=1)))
        np.maximum(self._top, peaks, out=self._top)
        np.maximum(self._recent, peaks, out=self._recent)
        if not self._used & 1:
            self._used |= int(np.bitwise_or.reduce(samples, axis=None)) >> (32 - self.bits)
        self._frames += len(samples)

    @property
    def peaks_dbfs(self) -> tuple[float, ...]:
        """Highest peak of each channel so far."""
        return tuple(map(dbfs, self._top.tolist()))

    def recent_dbfs(self) -> tuple[float, ...]:
        """Return the peak of each channel since this was asked last."""
        recent = tuple(map(dbfs, self._recent.tolist()))
        self._recent[:] = 0
        return recent

    @property
    def bits_used(self) -> int:
        """Bits above those that were never set: what the sound card really gave; 0 for silence."""
        used = self._used & (2**self.bits - 1)
        return self.bits - (used & -used).bit_length() + 1 if used else 0


def integers(raw: memoryview | bytes, channels: int, bits: int) -> NDArray[np.int32]:
    """Return PCM samples as integers whose full scale is 2**31.

    Parameters
    ----------
    raw : memoryview or bytes
        Little-endian frames.
    channels, bits : int
        Channels, bits of a sample (16, 24 or 32).

    Returns
    -------
    ndarray, shape (n_frames, n_channels)

    Examples
    --------
    >>> integers(bytes([0, 0, 64, 0, 0, 128]), 2, 24) / 2**31
    array([[ 0.5, -1. ]])
    """
    width = bits // 8
    parts = np.frombuffer(raw, np.uint8).reshape(-1, width)
    filled = np.zeros((len(parts), 4), np.uint8)
    filled[:, 4 - width :] = parts
    return filled.view("<i4").reshape(-1, channels)


def dbfs(peak: float) -> float:
    """Return a peak in dBFS; a full-scale sine reads 0 dBFS, as in AES17."""
    return 20 * math.log10(peak) if peak > 10 ** (SMALLEST / 20) else -math.inf
