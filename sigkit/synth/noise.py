"""Hiss, pink noise, mains hum and the switch-on thump, at stated levels.

Levels are dBFS as AES17 has it: a full-scale sine reads 0 dBFS.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray


def white(n_samples: int, *, level_dbfs: float, rng: np.random.Generator) -> NDArray[np.float64]:
    """White Gaussian noise.

    Parameters
    ----------
    n_samples : int
        Length.
    level_dbfs : float
        Expected RMS level over the whole band up to half the sample rate.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    ndarray, shape (n_samples,)
        The noise.

    Examples
    --------
    >>> import numpy as np
    >>> from sigkit.synth import dbfs
    >>> round(dbfs(white(100_000, level_dbfs=-60.0, rng=np.random.default_rng(1))), 1)
    -60.0
    """
    return rng.standard_normal(n_samples) * (10 ** (level_dbfs / 20) / math.sqrt(2))


def pink(
    n_samples: int,
    *,
    level_dbfs: float,
    rate: int,
    rng: np.random.Generator,
    lowest_hz: float = 10.0,
) -> NDArray[np.float64]:
    """Noise whose power density falls as 1/f from ``lowest_hz`` up, and is nothing below.

    Parameters
    ----------
    n_samples : int
        Length.
    level_dbfs : float
        RMS level of the whole.
    rate : int
        Sample rate in Hz.
    rng : numpy.random.Generator
        Source of randomness.
    lowest_hz : float
        Where the band begins.

    Returns
    -------
    ndarray, shape (n_samples,)
        The noise; it is periodic over its own length.
    """
    spectrum = np.fft.rfft(rng.standard_normal(n_samples))
    frequency = np.fft.rfftfreq(n_samples, 1 / rate)
    band = frequency >= lowest_hz
    spectrum[~band] = 0
    spectrum[band] /= np.sqrt(frequency[band])
    samples = np.fft.irfft(spectrum, n_samples)
    wanted = 10 ** (level_dbfs / 20) / math.sqrt(2)
    return samples * (wanted / math.sqrt(float(np.mean(samples**2))))


def hum(
    time_s: NDArray[np.float64],
    *,
    mains_hz: float,
    levels_dbfs: Mapping[int, float],
    phases_rad: Mapping[int, float] | None = None,
) -> NDArray[np.float64]:
    """Mains hum: lines at multiples of the mains frequency.

    Parameters
    ----------
    time_s : ndarray, shape (n_samples,)
        Times in seconds.
    mains_hz : float
        Mains frequency in Hz.
    levels_dbfs : mapping of int to float
        Level of the line of each order; order 1 is the mains frequency itself.
    phases_rad : mapping of int to float, optional
        Phase of the sine of each order at time zero; 0 where none is given.

    Returns
    -------
    ndarray, shape (n_samples,)
        The sum of the lines.
    """
    total = np.zeros(len(time_s))
    for order, level in levels_dbfs.items():
        phase = 0.0 if phases_rad is None else phases_rad.get(order, 0.0)
        total += 10 ** (level / 20) * np.sin(2 * np.pi * order * mains_hz * time_s + phase)
    return total


def thump(
    time_s: NDArray[np.float64],
    *,
    at_s: float,
    peak: float,
    rise_s: float = 0.004,
    fall_s: float = 0.06,
) -> NDArray[np.float64]:
    """Thump of a supply that comes up, through coupling capacitors.

    Parameters
    ----------
    time_s : ndarray, shape (n_samples,)
        Times in seconds.
    at_s : float
        When the switch is thrown.
    peak : float
        Highest sample, full scale = 1; may be negative.
    rise_s, fall_s : float
        Time constants of rise and fall in seconds, ``fall_s`` the longer.

    Returns
    -------
    ndarray, shape (n_samples,)
        The thump; zero before ``at_s``.
    """
    since = np.maximum(np.asarray(time_s, np.float64) - at_s, 0.0)
    at_peak = math.log(fall_s / rise_s) * rise_s * fall_s / (fall_s - rise_s)
    highest = math.exp(-at_peak / fall_s) - math.exp(-at_peak / rise_s)
    return peak / highest * (np.exp(-since / fall_s) - np.exp(-since / rise_s))
