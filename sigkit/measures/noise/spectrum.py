"""Power spectrum of noise: Welch's averages, the power in a band and how sure it is."""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import fft, signal

from sigkit.arrays import Flags, Real
from sigkit.measures.noise.weighting import a_weighting_db, weighting_468_db

SEGMENT_S, FEWEST = 2.0, 2.0
"""Length of the segments, and how many of them at least a part should be long."""
SHORTEST_S = 0.25
OVERLAP = 4
"""A segment begins every fourth of its length."""
LOBE_BINS = 4
"""A line spreads over so many bins on either side; what lies beyond is 92 dB below it."""
LOWEST_HZ, HIGHEST_HZ = 20.0, 20_000.0
RATE_OVER_TOP = 2.2
"""The band ends where converters' filters begin: at the rate over this, if that is below 20 kHz."""


def noise_band_hz(rate: int) -> tuple[float, float]:
    """Return the band over which noise is summed at a sample rate, in Hz."""
    return LOWEST_HZ, min(HIGHEST_HZ, rate / RATE_OVER_TOP)


@dataclass(frozen=True, eq=False)
class Spectrum:
    """Power spectrum of a part of a capture.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n_bins,)
        Centres of the bins.
    density : ndarray, shape (n_bins,)
        Power per hertz, twice the mean square: a full-scale sine has a power of 1 (AES17).
    step_hz : float
        Width of a bin.
    time_s : float
        Length of the sound that it stands for: noise of bandwidth B has B times this degrees of
        freedom, halved.
    looks : float
        Independent segments behind each bin.
    segment_s : float
        What ``time_s`` is for one segment.
    weighted_power : ndarray, shape (3, n_segments)
        Power of each segment in the noise band, flat, A- and 468-weighted, to see whether it is
        steady.
    """

    frequency_hz: Real
    density: Real
    step_hz: float
    time_s: float
    looks: float
    segment_s: float
    weighted_power: Real

    @property
    def noise_width_hz(self) -> float:
        """Width of a band of noise with the power that a bin shows of it."""
        return self.step_hz * _window(_size(self))[1]


def _size(spectrum: Spectrum) -> int:
    return 2 * (spectrum.frequency_hz.size - 1)


def spectrum_of(sound: Real, rate: int, bursts: Sequence[tuple[float, float]] = ()) -> Spectrum:
    """Average the spectra of overlapping segments (Welch's method, Blackman-Harris window).

    Parameters
    ----------
    sound : ndarray, shape (n_samples,)
        Sound of steady level, full scale = 1.
    rate : int
        Sample rate in Hz.
    bursts : sequence of (float, float)
        From when to when in it something else sounds, in seconds; segments that hold any of that
        are left out, where others remain.

    Returns
    -------
    Spectrum
        In bins of half a hertz, where the sound is 4 s or longer.

    References
    ----------
    .. [1] P. Welch, IEEE Trans. Audio Electroacoustics 15, 70-73 (1967).
    .. [2] F. Harris, Proc. IEEE 66, 51-83 (1978): window, minimum of four terms.
    """
    length_s = max(SHORTEST_S, min(SEGMENT_S, sound.size / rate / FEWEST))
    size = min(sound.size, round(length_s * rate)) // 2 * 2
    window, _ = _window(size)
    hop = max(1, size // OVERLAP)
    starts = np.arange(0, sound.size - size + 1, hop)
    clean = np.ones(starts.size, bool)
    for begin, end in bursts:
        clean &= (starts + size <= begin * rate) | (starts >= end * rate)
    if clean.any():
        starts = starts[clean]
    frequency = np.arange(size // 2 + 1) * (rate / size)
    low, high = noise_band_hz(rate)
    inside = (frequency >= low) & (frequency <= high)
    weights = _weights(size, rate)[:, inside] * (rate / size)
    total = np.zeros(frequency.size)
    weighted = np.empty((3, starts.size))
    mean = float(sound.mean())
    scale = 4 / (rate * float(window @ window))
    for i, start in enumerate(starts.tolist()):
        turned = fft.rfft((sound[start : start + size] - mean) * window)
        power = scale * (turned.real**2 + turned.imag**2)
        weighted[:, i] = weights @ power[inside]
        total += power
    total /= starts.size
    total[0] /= 2
    total[-1] /= 2
    squared = window**2
    weight = np.zeros(int(starts[-1]) + size)
    for start in starts.tolist():
        weight[start : start + size] += squared
    time_s = float(weight.sum() ** 2 / (weight @ weight)) / rate
    segment_s = float(squared.sum() ** 2 / (squared @ squared)) / rate
    looks = _looks(window, hop, starts.size)
    return Spectrum(frequency, total, rate / size, time_s, looks, segment_s, weighted)


def _looks(window: Real, hop: int, count: int) -> float:
    """Independent segments among so many that overlap (Welch's variance of an average)."""
    power, spread = float(window @ window), 0.0
    for lag in range(1, min(OVERLAP, count)):
        shared = float(window[lag * hop :] @ window[: window.size - lag * hop])
        spread += 2 * (1 - lag / count) * (shared / power) ** 2
    return count / (1 + spread)


@functools.lru_cache(maxsize=2)
def _weights(size: int, rate: int) -> Real:
    """Return the weightings as factors on the power of each bin, shape (3, n_bins)."""
    f = np.arange(size // 2 + 1) * (rate / size)
    curves = [10 ** (curve(f) / 10) for curve in (a_weighting_db, weighting_468_db)]
    return np.array([np.ones(f.size), *curves])


@functools.lru_cache(maxsize=4)
def _window(size: int) -> tuple[Real, float]:
    """Return the window and its noise bandwidth in bins."""
    window: Real = signal.windows.blackmanharris(size, sym=False)
    return window, float(size * (window @ window) / window.sum() ** 2)


def average(spectra: list[Spectrum], seconds: list[float]) -> Spectrum:
    """Average the spectra of several parts, each weighed by its length; shorter bins first go."""
    finest = max(s.frequency_hz.size for s in spectra)
    kept = [(s, t) for s, t in zip(spectra, seconds, strict=True) if s.frequency_hz.size == finest]
    total = math.fsum(t for _, t in kept)
    first = kept[0][0]
    density = np.zeros(finest)
    for s, t in kept:
        density += s.density * (t / total)
    spread = math.fsum((t / total) ** 2 / s.time_s for s, t in kept)
    looks = 1 / math.fsum((t / total) ** 2 / s.looks for s, t in kept)
    band = np.concatenate([s.weighted_power for s, _ in kept], axis=1)
    return Spectrum(
        first.frequency_hz, density, first.step_hz, 1 / spread, looks, first.segment_s, band
    )


def without(spectrum: Spectrum, lines: Flags, stand_out: Flags) -> Real:
    """Return the density with the bins of lines bridged by the noise on both sides.

    Parameters
    ----------
    spectrum : Spectrum
        The spectrum.
    lines : ndarray of bool, shape (n_bins,)
        Bins that lines cover.
    stand_out : ndarray of bool, shape (n_bins,)
        Bins that hold more than noise, whether these lines or others; none is bridged from.

    Returns
    -------
    ndarray, shape (n_bins,)
        Power per hertz; straight between the means of as many clean bins on either side.
    """
    density: Real = spectrum.density.copy()
    edges = np.flatnonzero(np.diff(np.concatenate([[False], lines, [False]]).astype(np.int8)))
    clean = np.flatnonzero(~(lines | stand_out))
    if not clean.size:
        return density
    for begin, end in edges.reshape(-1, 2).tolist():
        count = max(8, end - begin)
        at = int(np.searchsorted(clean, begin))
        left, right = clean[max(0, at - count) : at], clean[at : at + count]
        if left.size and right.size:
            ends = [float(left.mean()), float(right.mean())]
            levels = [float(spectrum.density[left].mean()), float(spectrum.density[right].mean())]
            density[begin:end] = np.interp(np.arange(begin, end), ends, levels)
        else:
            side = left if left.size else right
            density[begin:end] = spectrum.density[side].mean()
    return density


def band_power(
    spectrum: Spectrum, density: Real, band_hz: tuple[float, float], weight: Real | None = None
) -> tuple[float, float]:
    """Sum the power in a band, and say how sure it is.

    Parameters
    ----------
    spectrum : Spectrum
        Where the density comes from.
    density : ndarray, shape (n_bins,)
        Power per hertz.
    band_hz : tuple of float
        Lower and upper edge; bins that these cut count by their share.
    weight : ndarray, shape (n_bins,), optional
        Factor on the power of each bin.

    Returns
    -------
    tuple of float
        Power (a full-scale sine has 1) and its standard uncertainty.

    Notes
    -----
    The power of Gaussian noise of density S, averaged over T, has the variance of the integral of
    S squared over T.
    """
    half = spectrum.step_hz / 2
    low = np.clip(spectrum.frequency_hz - half, band_hz[0], band_hz[1])
    high = np.clip(spectrum.frequency_hz + half, band_hz[0], band_hz[1])
    weighted = density if weight is None else density * weight
    total = float(weighted @ (high - low))
    squares = float(weighted**2 @ (high - low)) / (1 + 1 / spectrum.looks)
    return total, math.sqrt(squares / spectrum.time_s)


def unsteadiness(spectrum: Spectrum, row: int = 0, overlap: int = OVERLAP) -> float:
    """Return the relative standard deviation of a weighted power from segment to segment."""
    apart = spectrum.weighted_power[row, ::overlap]
    if apart.size < 3 or not apart.mean() > 0:
        return 0.0
    return float(apart.std(ddof=1) / apart.mean())


def gentle(power: Real, width: int) -> Real:
    """Return the level of the noise around each bin: medians of blocks, straight between them.

    Parameters
    ----------
    power : ndarray, shape (n_bins,)
        Power in each bin.
    width : int
        Bins of a block.

    Returns
    -------
    ndarray, shape (n_bins,)
        Medians of blocks that overlap by half.
    """
    width = max(4, min(width, power.size))
    starts = np.arange(0, max(1, power.size - width + 1), max(1, width // 2))
    middles = np.array([np.median(power[s : s + width]) for s in starts.tolist()])
    out: Real = np.interp(np.arange(power.size), starts + (width - 1) / 2, middles)
    return out
