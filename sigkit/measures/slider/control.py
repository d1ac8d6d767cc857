"""What a slider controls, found from the sound, and how that moves."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from sigkit.arrays import runs
from sigkit.tracks.residual import BIN_S, ResidualTrack

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

STEP = 10
"""Bins between two points of a line."""
LEAST = {"level": 3.0, "pitch": 30.0, "timbre": 0.25, "width": 0.02}
"""Least range of level (dB), pitch (cents), brightness (octaves) or width that is a movement."""
MOST_TURNS = 1.0
"""Cycles by which a low-pass of four poles turns a wave at most, a quarter of a turn each."""
SHAPED = ("timbre", "width")
"""What changes the shape of the wave, not its level or pitch."""
LOUD_DB = 25.0
"""The shape of the wave is judged where the tone is this near to its loudest."""
SHAPE = 0.08
"""Least range of a harmonic re the first, over the whole capture, that is another shape."""
OF_WIDTH, SQUARE, ALIGNED = 0.15, 0.25, 15.0
"""A width moves the third harmonic as the second's square says, within this share of its range;
at its middle the third harmonic keeps this share of its largest; and what the square adds points
the other way, within this many degrees (simulated widths: 0, other sliders: 33 and more)."""


def lines_of(track: ResidualTrack) -> dict[str, Array]:
    """Return level (dB re full scale), pitch (cents re 1 Hz), brightness (octaves) and width.

    Each has one point every 10 ms. The width is a share of the period, from the second harmonic of
    a pulse; where the wave is no pulse it means nothing.
    """
    tone = np.maximum(track.tone_rms.astype(np.float64), 1e-7)
    lines = {
        "level": 20 * np.log10(tone),
        "pitch": 1200 * np.log2(np.maximum(track.hz.astype(np.float64), 1.0)),
        "timbre": track.brightness.astype(np.float64),
    }
    size = track.power.size // STEP
    out = {k: ndimage.median_filter(v, 21)[: size * STEP : STEP] for k, v in lines.items()}
    out["width"] = _width(track)[: size * STEP : STEP]
    return out


def control_of(track: ResidualTrack, heard: Mask, lines: dict[str, Array]) -> str:
    """Return what a slider controls: ``level``, ``pitch``, ``timbre`` or ``width``.

    Parameters
    ----------
    track : ResidualTrack
        The capture's track.
    heard : ndarray of bool, shape (n_bins,)
        Where the tone can be assessed.
    lines : dict of ndarray
        As from `lines_of`.

    Returns
    -------
    str
        Pitch if that moves by 30 cents, and by more than a filter turns the phase as it passes the
        fundamental, or the wave keeps its shape; level if only that; width if the third
        harmonic goes with the second's square as a pulse's do, sin(k pi w)/k: re the first they are
        cos(pi w) and (4 cos(pi w)**2 - 1)/3, whatever filter follows; else timbre.
    """
    known = heard[: lines["level"].size * STEP : STEP]
    if np.count_nonzero(known) < 20:
        return "level"
    level, pitch = lines["level"], lines["pitch"]
    strays = _range(pitch[known]) > LEAST["pitch"]
    if strays and _turns(pitch, known) > MOST_TURNS:
        return "pitch"
    loud = known & (level > np.quantile(level[known], 0.98) - LOUD_DB)
    even, third = (_smooth(v)[: level.size * STEP : STEP][loud] for v in (track.even, track.third))
    moved = max(_spread(even), _spread(third), _range(np.abs(even)), _range(np.abs(third)))
    brighter = _range(lines["timbre"][loud]) > LEAST["timbre"] and moved > SHAPE / 8
    if moved < SHAPE and not brighter:
        return "pitch" if strays else "level"
    square = even**2
    terms = np.stack([np.ones_like(square), square], axis=1)
    fit, *_ = np.linalg.lstsq(terms, third, rcond=None)
    left = np.sqrt(np.mean(np.abs(third - terms @ fit) ** 2))
    turned = np.abs(np.sum(square)) / (np.sum(np.abs(square)) + 1e-12)
    pulse = left < OF_WIDTH * _spread(third) and np.abs(fit[0]) > SQUARE * np.abs(third).max()
    away = np.angle(-fit[1] * np.sum(square) * np.conj(fit[0]), deg=True)
    pulse = pulse and bool(abs(away) < ALIGNED)
    return "width" if pulse and turned > 0.8 and _spread(third) > SHAPE / 8 else "timbre"


def _turns(pitch: Array, known: Mask) -> float:
    """Return the most cycles that the tone gains or loses while its pitch is off its usual one."""
    away = pitch - np.median(pitch[known])
    rate = np.where(known, 2 ** (pitch / 1200) * (1 - 2 ** (-away / 1200)), 0.0)
    turns = [
        abs(float(rate[a:b].sum())) * STEP * BIN_S
        for way in (away, -away)
        for a, b in runs(known & (way > LEAST["pitch"] / 4))
    ]
    return max(turns, default=0.0)


def _width(track: ResidualTrack) -> Array:
    """Return the width of a pulse from its second and third harmonics.

    Both carry what a filter does to them; that is taken out by the relation between the two.
    """
    even, third = _smooth(track.even), _smooth(track.third)
    tone = track.tone_rms
    loud = track.tone & (tone > 0.06 * np.quantile(tone, 0.98))
    if np.count_nonzero(loud) < 100:
        return np.full(tone.size, 0.5)
    square = even[loud] ** 2
    terms = np.stack([np.ones_like(square), square], axis=1)
    (alpha, beta), *_ = np.linalg.lstsq(terms, third[loud], rcond=None)
    scale = np.sqrt(np.abs(beta) / max(4 * np.abs(alpha), 1e-9))
    top = np.quantile(np.abs(even[loud]), 0.999)
    scale = min(scale, 0.998 / max(top, 1e-9))
    out: Array = np.arccos(np.clip(scale * np.abs(even), 0, 1)) / np.pi
    return out


def _smooth(values: NDArray[np.complexfloating]) -> NDArray[np.complex128]:
    out: NDArray[np.complex128] = ndimage.median_filter(
        values.real.astype(np.float64), 21
    ) + 1j * ndimage.median_filter(values.imag.astype(np.float64), 21)
    return out


def _range(values: Array) -> float:
    return float(np.diff(np.quantile(values, [0.02, 0.98]))[0])


def _spread(values: NDArray[np.complex128]) -> float:
    return float(np.sqrt(np.mean(np.abs(values - values.mean()) ** 2)))
