"""The level of a capture over time."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from sigkit.arrays import Real
from sigkit.captures.needed import takes_capture
from sigkit.captures.wav import Capture
from sigkit.errors import InputError

SINE_DB = 10 * math.log10(2)
"""A sine whose peaks reach full scale reads 0 dBFS (AES17): 3.01 dB above its mean square."""


@dataclass(frozen=True, eq=False)
class LevelTrack:
    """Level of a capture in consecutive windows.

    Parameters
    ----------
    time_s : ndarray, shape (n_frames,)
        Centres of the windows from the start of the capture.
    level_dbfs : ndarray, shape (n_frames,)
        Root mean square level, DC included, in dBFS as AES17 has it; minus infinity in digital
        silence.
    window_s : float
        Length of each window; they follow each other without overlap.
    """

    time_s: Real
    level_dbfs: Real
    window_s: float

    def to_frame(self) -> pd.DataFrame:
        """Return the track as columns time_s, level_dbfs."""
        return pd.DataFrame({"time_s": self.time_s, "level_dbfs": self.level_dbfs})


@takes_capture
def track_level(capture: Capture, *, window_s: float = 0.01) -> LevelTrack:
    """Track the level of a capture.

    Parameters
    ----------
    capture : Capture
        The recording; its chosen channel is read once, in blocks.
    window_s : float, default 0.01
        Length of the windows in seconds, rounded to whole samples.

    Returns
    -------
    LevelTrack
        One level per window; a last, shorter window is left out unless it is the only one.

    Raises
    ------
    InputError
        A window shorter than a sample.

    Notes
    -----
    A full-scale sine reads 0 dBFS, a full-scale square wave +3.01 dBFS.

    References
    ----------
    .. [1] AES17, Measurement of digital audio equipment (level definition).
    """
    size = round(window_s * capture.rate)
    if size < 1:
        raise InputError(
            f"window_s must hold at least one sample; got {window_s} s at {capture.rate} Hz.",
            where="track_level",
        )
    powers, held = [], np.empty(0)
    for block in capture.blocks():
        held = np.concatenate([held, block])
        count = held.size // size
        powers.append(np.mean(held[: count * size].reshape(count, size) ** 2, axis=1))
        held = held[count * size :]
    power = np.concatenate(powers) if powers else np.empty(0)
    if not power.size and held.size:
        power = np.array([np.mean(held**2)])
    with np.errstate(divide="ignore"):
        level = 10 * np.log10(power) + SINE_DB
    return LevelTrack(
        (np.arange(power.size) + 0.5) * size / capture.rate, level, size / capture.rate
    )
