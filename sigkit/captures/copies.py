"""Copies of one capture: the same file, the same samples, the same sound at another gain."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Likeness = Literal["", "samples", "gain"]

UNLIKE = 2e-5
"""What may be left of an excerpt at another gain, beside rounding to 16 bits."""
CODE = 2.0**-15
LEAST_EXCERPTS = 8
LEAST_CODES = 200
"""Steps of 16 bits in an excerpt: quieter ones are mostly rounding."""


@dataclass(frozen=True, eq=False)
class Fingerprint:
    """What tells a copy of a capture.

    Parameters
    ----------
    samples_sha256 : str
        Of every sample of every channel, whatever the header says.
    excerpts : ndarray, shape (n_places, n_samples)
        Short pieces of the chosen channel, at places that depend on its length alone.
    frames : int
        Its length.
    """

    samples_sha256: str
    excerpts: NDArray[np.float64]
    frames: int

    def likeness(self, other: Fingerprint) -> tuple[Likeness, float]:
        """Compare two captures.

        Returns
        -------
        likeness : {"", "samples", "gain"}
            ``samples`` where every sample is the same; ``gain`` where every excerpt of one is that
            of the other times a number.
        gain_db : float
            The other's gain, nan where they are no copies.

        Notes
        -----
        Two takes of one thing differ in phase and noise at most places. Sound without either, as a
        calculated tone, can look like a copy.
        """
        if self.samples_sha256 == other.samples_sha256:
            return "samples", 0.0
        if self.frames != other.frames or self.excerpts.shape != other.excerpts.shape:
            return "", math.nan
        a = self.excerpts - self.excerpts.mean(axis=1, keepdims=True)
        b = other.excerpts - other.excerpts.mean(axis=1, keepdims=True)
        least = LEAST_CODES * CODE
        heard = (np.ptp(a, axis=1) > least) & (np.ptp(b, axis=1) > least)
        if heard.sum() < LEAST_EXCERPTS:
            return "", math.nan
        gain = float(np.median((a * b).sum(axis=1)[heard] / (a * a).sum(axis=1)[heard]))
        left = np.sqrt(np.mean((b - gain * a) ** 2, axis=1))
        rounding = CODE * max(1.0, abs(gain))
        if gain == 0 or (left > rounding + UNLIKE * np.sqrt(np.mean(b * b, axis=1))).any():
            return "", math.nan
        return "gain", 20 * math.log10(abs(gain))

    def words(self, other: Fingerprint) -> str:
        """Say what two captures share; empty where they are no copies."""
        how, gain_db = self.likeness(other)
        if how == "gain":
            return f"the same sound at {gain_db:+.1f} dB"
        return "the same samples" if how else ""
