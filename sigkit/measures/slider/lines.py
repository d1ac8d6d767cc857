"""The lines of a slider pass that a chart draws, one point each 10 ms."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigkit.measures.slider.control import STEP
from sigkit.measures.slider.looked import Looked
from sigkit.tracks.residual import BIN_S, ResidualTrack

Array = NDArray[np.floating]
Mask = NDArray[np.bool_]


def residual_lines(
    track: ResidualTrack | None, assessed: Mask | None, floor_db: Array | None = None
) -> dict[str, Any]:
    """Return level, residual, floor and where was looked, one point each 10 ms, shape (n_points,).

    Levels are in dB re the loudest tone, ``tone_dbfs`` in dB re full scale; nan: no tone.
    """
    if track is None or not track.power.size:
        empty = np.zeros(0)
        names = ("time_s", "tone_db", "tone_dbfs", "residual_db", "found_above_db")
        return {**dict.fromkeys(names, empty), "assessed": np.zeros(0, bool)}
    size = track.power.size // STEP
    with np.errstate(divide="ignore", invalid="ignore"):
        tone = np.where(track.tone, track.tone_rms, np.nan)[: size * STEP : STEP].astype(float)
        top = np.nanmax(tone) if np.isfinite(tone).any() else 1.0
        power = (track.mid + track.high)[: size * STEP].reshape(size, STEP).max(axis=1)
        residual = np.where(np.isfinite(tone), power, np.nan).astype(float)
        lines: dict[str, Any] = {
            "time_s": np.arange(size) * STEP * BIN_S,
            "tone_db": 20 * np.log10(np.maximum(tone / top, 1e-6)),
            "tone_dbfs": 20 * np.log10(np.maximum(tone, 1e-7) * math.sqrt(2)),
            "residual_db": 10 * np.log10(np.maximum(residual / top**2, 1e-12)),
        }
    known = np.zeros(size, bool) if assessed is None else assessed[: size * STEP : STEP].copy()
    above = np.full(size, np.nan) if floor_db is None else floor_db[: size * STEP : STEP]
    lines["found_above_db"] = np.where(known, above + lines["tone_db"], np.nan)
    lines["assessed"] = known
    return lines


def shown_lines(lines: dict[str, Any], looked: Looked) -> dict[str, Any]:
    """Return the lines with the control re its loudest or lowest where that is known."""
    control, known = looked.control, lines["assessed"]
    if looked.controls == "level":
        control = lines["tone_db"]
    elif looked.controls == "pitch":
        control = control - (control[known].min() if known.any() else 0.0)
    return {**lines, "control": np.where(np.isfinite(lines["tone_db"]), control, np.nan)}
