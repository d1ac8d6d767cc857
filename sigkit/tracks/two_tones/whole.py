"""Two steady tones over a whole stretch at once, with every harmonic: as sure as the sound allows.

The joint fit of `sigkit.tracks.two_tones` reaches as high as both tones stay near the middle of
common bands. Above, where their lines are many turns apart, each tone is fitted in bands of its
own grid, the lines of the other one taken out with free amplitudes; the bands are others than
those of the joint fit, so their information adds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sigkit.arrays import Complex, Real
from sigkit.tracks.beats import bands_of
from sigkit.tracks.harmonics import LAG_0, SECOND_DIFFERENCE
from sigkit.tracks.two_tones.track import Tones, fit_tones, with_more_terms

MOST_BANDS = 1000
STEADY = 1.15
"""Power of the residual against that of noise of the same second differences, up to which the
stretch counts as explained."""


@dataclass(frozen=True)
class WholeFit:
    """Both tones over a whole stretch.

    Parameters
    ----------
    scaled_hz : ndarray, shape (2,)
        Mean pitch of each tone divided by its step.
    covariance : ndarray, shape (2, 2)
        Their covariance by noise.
    """

    scaled_hz: Real
    covariance: Real


def fit_whole(sound: Real, rate: int, steps: tuple[int, ...], scaled_hz: Real) -> WholeFit | None:
    """Fit two tones to a whole stretch.

    Parameters
    ----------
    sound : ndarray, shape (n,)
        The stretch, both tones from end to end.
    rate : int
        Sample rate in Hz.
    steps : tuple of int
        Which bands hold lines, as in `fit_tones`.
    scaled_hz : ndarray, shape (2,)
        Where to start: each tone's pitch divided by its step, right to a hundredth of a turn.

    Returns
    -------
    WholeFit or None
        None where steady or evenly drifting tones do not explain the stretch.
    """
    cut = bands_of(sound, rate, float(np.mean(scaled_hz)))
    if cut is None:
        return None
    grid_hz, _, bands = cut
    start = ((scaled_hz / grid_hz - 1) * np.pi * (bands.shape[1] - 1))[:, None]
    fit = fit_tones(bands, steps, start, first=4 * max(steps), most=MOST_BANDS)
    fit = with_more_terms(bands, steps, fit, most=MOST_BANDS, most_terms=2)
    if not _explained(fit):
        return None
    odd = np.arange(0, fit.terms.shape[1], 2)
    count = fit.terms.shape[1]
    take = np.zeros((2, 2 * count))
    for tone in range(2):
        take[tone, tone * count + odd] = 1 / (math.pi * (bands.shape[1] - 1))
    hz = grid_hz * (1 + take @ fit.terms.ravel())
    covariance = grid_hz**2 * take @ fit.covariance @ take.T
    whole = WholeFit(hz, covariance)
    return whole if count > 1 else _with_high_bands(sound, rate, steps, whole, fit.bands)


def _explained(fit: Tones) -> bool:
    """Whether the residual is as white as noise, where the tones are."""
    residual = fit.residual
    bend = np.abs(residual[:, :-2] - 2 * residual[:, 1:-1] + residual[:, 2:]) ** 2
    noise = np.mean(bend, axis=1) / SECOND_DIFFERENCE * LAG_0
    power = np.sum(np.abs(fit.amplitudes) ** 2, axis=0)
    information = np.arange(1, fit.bands + 1) ** 2 * power / np.maximum(noise, 1e-300)
    share = information / information.sum()
    left = float(share @ (fit.left / np.maximum(noise, 1e-300)))
    return bool(left < STEADY + 8 / residual.shape[1])


def _with_high_bands(
    sound: Real, rate: int, steps: tuple[int, ...], whole: WholeFit, used: int
) -> WholeFit:
    """Add what the bands above the joint fit tell about each tone by itself."""
    pitches = whole.scaled_hz * np.asarray(steps)
    information = np.linalg.inv(whole.covariance)
    push = np.zeros(2)
    gained = np.zeros(2)
    for tone in range(2):
        own_hz = float(pitches[tone])
        cut = bands_of(sound, rate, own_hz)
        if cut is None:
            continue
        grid_hz, _, bands = cut
        lowest = used // steps[tone] + 1
        gain, slope = _alone(bands[lowest - 1 : -1], lowest, grid_hz, pitches, tone)
        scale = steps[tone] / grid_hz
        gained[tone], push[tone] = gain * scale**2, slope * scale
    covariance = np.linalg.inv(information + np.diag(gained))
    return WholeFit(whole.scaled_hz + covariance @ push, covariance)


def _alone(
    bands: Complex, lowest: int, grid_hz: float, pitches: Real, tone: int
) -> tuple[float, float]:
    """Fisher information and score of one tone's relative pitch in bands of its own grid."""
    periods = bands.shape[1]
    m = np.arange(periods) - (periods - 1) / 2
    own_at = float(pitches[tone]) / grid_hz
    other_at = float(pitches[1 - tone]) / grid_hz
    gain = slope = 0.0
    for row, band in enumerate(bands):
        order = lowest + row
        near = np.arange(math.ceil((order - 1) / other_at), math.floor((order + 1) / other_at) + 1)
        places = np.concatenate([[order * own_at], near * other_at]) - order
        columns = np.exp(2j * np.pi * m[:, None] * places)
        q, r = np.linalg.qr(columns)
        if abs(r[-1, -1]) < 1e-6 * abs(r[0, 0]):
            continue
        amplitudes = np.linalg.solve(r, q.conj().T @ band)
        left = band - columns @ amplitudes
        noise = float(np.mean(np.abs(left) ** 2)) / (2 * LAG_0 * (1 - places.size / periods))
        if abs(amplitudes[0]) ** 2 * periods < 14 * noise:
            continue
        derivative = 2j * np.pi * order * amplitudes[0] * m * columns[:, 0]
        derivative = derivative - q @ (q.conj().T @ derivative)
        gain += float(np.sum(np.abs(derivative) ** 2)) / noise
        slope += float((derivative.conj() @ left).real) / noise
    return gain, slope
