"""How open the filters on the way to a glide are, from the harmonics of the notes on either side.

A low-pass takes more of a harmonic from the higher note than from the lower one. What it takes and
by how much it delays belong together, so that a wave which keeps its harmonics bounds the delay.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import special

from sigkit.arrays import Real
from sigkit.tracks.marks import Marks

CORNERS_HZ = 2000.0 * 2.0 ** np.arange(0, 5.5, 0.5)
"""Corners that the lowest filter on the way may have, each as likely beforehand (common practice,
no source)."""
POLES = (1, 2, 4)
"""Single poles in a row; Butterworth filters of the last two orders beside them."""
BETWEEN = 2.0 ** (np.arange(-3, 4, 2) / 16)
"""Corners about each of these, together half an octave wide."""
OWN = np.array([(gain, shape) for gain in 0.1 ** np.arange(1, 3.5, 0.5)
                for shape in 0.1 ** np.arange(1, 3.5, 0.5)])  # fmt: skip
"""By how much a wave's level, and each harmonic beside it, may change with pitch without a filter,
shape (n_sizes, 2): a tenth to a thousandth, as likely in each decade, since how much it is stands
in the same harmonics (common practice, no source)."""
PERIODS = 8
"""Periods of a window: harmonics and what lies half-way between them stay apart."""
HARMONICS = np.unique(np.round(np.geomspace(1, 64, 20))).astype(np.intp)
TOP = 0.35
"""Part of the sample rate that is looked at: the recorder's own filter lies above."""
MOST_SAMPLES = 16_000
NEAR = 2
"""Harmonics to both sides whose largest is taken for the size of one: a pulse lacks some."""


def corners_of(
    sound: Real,
    rate: int,
    marks: Marks,
    before: tuple[float, float, float],
    after: tuple[float, float, float],
) -> Real:
    """Return how likely each of the corners is, by the harmonics of both notes.

    Parameters
    ----------
    sound : ndarray, shape (n_samples,)
        Both held notes and the glide between them.
    rate : int
        Sample rate in Hz.
    marks : Marks
        One a period.
    before, after : tuple of float
        From and to (s) and pitch (Hz) of the notes.

    Returns
    -------
    ndarray, shape (n_corners,)
        Logarithm of the likelihood, the mean over the kinds of filter; zeros where too few periods
        were held to tell.
    """
    low, high = sorted((before, after), key=lambda note: note[2])
    order = HARMONICS[HARMONICS * high[2] < TOP * rate]
    nothing = np.zeros(CORNERS_HZ.size)
    if not order.size:
        return nothing
    sides = [_harmonics(sound, rate, marks, note, order) for note in (low, high)]
    if any(side is None for side in sides):
        return nothing
    (size, noise), (size_high, noise_high) = (side for side in sides if side is not None)
    sure = size > 3 * noise
    if not sure.any():
        return nothing
    about = np.array([size[np.abs(order - k) <= NEAR].max() for k in order])
    ratio = _ratios(order[sure], low[2], high[2])[..., None, :]
    size, noise, about = size[sure], noise[sure], about[sure]
    left = size_high[sure] - ratio * size
    var = (OWN[:, 1:] * ratio * about) ** 2 + noise_high[sure] ** 2 + (ratio * noise) ** 2
    gain = OWN[:, :1] * ratio * size
    # One gain for all: the matrix determinant and inversion lemmas.
    grown = 1 + np.sum(gain**2 / var, axis=-1)
    chi2 = np.sum(left**2 / var, axis=-1) - np.sum(gain * left / var, axis=-1) ** 2 / grown
    likely = -0.5 * (chi2 + np.log(var).sum(axis=-1) + np.log(grown))
    out = special.logsumexp(likely, axis=(0, 2, 3))
    return np.asarray(out - out.max())


def _ratios(order: NDArray[np.intp], low_hz: float, high_hz: float) -> Real:
    """Return what each filter leaves of the higher note's harmonics, re those of the lower one.

    Shape (n_kinds, n_corners, n_between, n_harmonics).
    """

    def left(hz: Real) -> Real:
        x2 = (hz / (CORNERS_HZ[:, None] * BETWEEN)[..., None]) ** 2
        poles = [(1 + x2) ** (-0.5 * n) for n in POLES]
        flat = [(1 + x2**n) ** -0.5 for n in POLES[1:]]
        return np.array([*poles, *flat])

    return np.asarray(left(order * high_hz) / left(order * low_hz))


def _harmonics(
    sound: Real,
    rate: int,
    marks: Marks,
    note: tuple[float, float, float],
    order: NDArray[np.intp],
) -> tuple[Real, Real] | None:
    """Return size and uncertainty of a held note's harmonics; None with too few periods.

    Powers are means over windows between marks, so that neither a drift nor jitter blurs them; what
    lies half-way between harmonics is the noise in them.
    """
    at = marks.time_s[(marks.time_s >= note[0]) & (marks.time_s <= note[1])]
    if at.size <= PERIODS:
        return None
    length = PERIODS * rate / note[2]
    many = max(1, min(at.size - PERIODS, int(MOST_SAMPLES / length)))
    first = np.unique(np.linspace(0, at.size - PERIODS - 1, many).astype(np.intp))
    power = np.zeros((2, order.size))
    used = 0
    for i in first.tolist():
        begin, end = at[i] * rate, at[i + PERIODS] * rate
        index = np.arange(math.ceil(begin), math.floor(end) + 1)
        if index[0] < 0 or index[-1] >= sound.size:
            continue
        turn = (index - begin) / (end - begin)
        window = sound[index] * (1 - np.cos(2 * math.pi * turn)) / index.size
        for row, aside in enumerate((0.0, 0.5)):
            wave = np.exp((-2j * math.pi * PERIODS) * np.outer(order + aside, turn))
            power[row] += np.abs(wave @ window) ** 2
        used += 1
    if not used:
        return None
    power /= used
    noise = np.maximum(power[1], np.median(power[1]))
    # Where a harmonic is lost in the noise, its size is known to the fourth root of the number.
    return np.sqrt(np.maximum(power[0] - noise, 0.0)), np.sqrt(noise) / used**0.25
