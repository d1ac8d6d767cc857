"""The table of events of a slider pass, with their levels."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sigkit.tracks.burst_ends import Extent, extent_of
from sigkit.tracks.faults import Fault
from sigkit.tracks.residual import BIN_S, ResidualTrack

Array = NDArray[np.floating]

COLUMNS = [
    "start_s",
    "stop_s",
    "kind",
    "level_db",
    "u_level_db",
    "depth_db",
    "size_cents",
    "u_size_cents",
    "tone_dbfs",
    "floor_db",
    "moving",
    "number",
    "direction",
    "travel_percent",
    "u_travel_percent",
]
DECIBELS = 10 / math.log(10)
GAIN_DB, END_BINS = 0.5, 0.2
"""Standard uncertainties of the tone's level around an event, dB, and of both ends together."""
FOLLOWED_DB, FOLLOWED_PERIODS, HISSING = 3.0, 1.5, 0.65
"""The same for a burst of this many periods or more: what moves the tone itself is in part taken
for the tone, as far as less than this share of it lies in the high band, as noise would."""
SHAPED = {"width": 1.0, "timbre": 0.6}
"""Least share of that which counts on a slider that shapes the wave: what its control does to a
bright tone reaches as high as noise does."""
SHAKEN = 0.75
"""Share of `Extent.tails_db` that counts as far as a burst does not hiss: a short one shakes the
tone around it, whose rest then makes it seem longer and softer."""
GAPS, GAP_SHARE, GAP_HZ = 0.1, 0.15, 500.0
"""Noise leaves few milliseconds (this share) with less than a tenth of its usual high power; what
moves the edges of a tone of this pitch or lower leaves many."""
LEAST_SHARE = 0.1
"""Excess power re the background below which an event's level is not told from it."""


def events_table(
    track: ResidualTrack, faults: list[Fault], floor_db: Array, controls: str
) -> pd.DataFrame:
    """Return one row an event, its place on the travel still unknown.

    Parameters
    ----------
    track : ResidualTrack
        The capture's track.
    faults : list of Fault
        Its events, in order of time.
    floor_db : ndarray, shape (n_bins,)
        Floor re tone at each millisecond.
    controls : str
        What the slider controls.

    Returns
    -------
    DataFrame
        With ``COLUMNS``.
    """
    rows = [_row(track, fault, floor_db, controls) for fault in faults]
    kinds = {"kind": str, "moving": bool, "number": int, "direction": str}
    return pd.DataFrame(rows, columns=COLUMNS).astype(kinds)


def _row(track: ResidualTrack, fault: Fault, floor_db: Array, controls: str) -> dict[str, object]:
    extent = extent_of(track, fault)
    near = track.tone_rms[max(0, fault.first - 20) : fault.last + 20].astype(np.float64)
    tone = max(float((near**2).mean()), 1e-15)
    power = max(extent.power, LEAST_SHARE * extent.background, 1e-15)
    jump = fault.kind == "pitch jump"
    return {
        "start_s": extent.start * BIN_S,
        "stop_s": extent.stop * BIN_S,
        "kind": fault.kind,
        "level_db": math.nan if jump else 10 * math.log10(power / tone),
        "u_level_db": math.nan if jump else _u_level(track, extent, power, controls),
        "depth_db": fault.depth_db,
        "size_cents": fault.size_cents if jump else math.nan,
        "u_size_cents": fault.u_size_cents if jump else math.nan,
        "tone_dbfs": 10 * math.log10(2 * tone),
        "floor_db": float(np.median(floor_db[fault.first : fault.last])),
        "moving": True,
        "number": 0,
        "direction": "",
        "travel_percent": math.nan,
        "u_travel_percent": math.nan,
    }


def _u_level(track: ResidualTrack, extent: Extent, power: float, controls: str) -> float:
    """Return the standard uncertainty of a level, dB."""
    bins = extent.stop - extent.start
    here = slice(math.floor(extent.start), math.ceil(extent.stop))
    high = track.high[here].astype(np.float64) - track.high_floor[here]
    dull = float(np.clip(1 - high.sum() / (power * bins) / HISSING, 0, 1))
    hz = float(np.median(track.hz[here]))
    followed = max(dull, SHAPED.get(controls, 0.0) * (not _like_noise(high, hz)))
    terms = (
        GAIN_DB,
        DECIBELS * END_BINS / bins,
        min(DECIBELS * extent.u_background / power, 10.0),
        extent.u_ends_db,
        extent.u_hidden_db,
        SHAKEN * dull * extent.tails_db,
        FOLLOWED_DB * followed if bins * BIN_S * hz >= FOLLOWED_PERIODS else 0.0,
    )
    return math.hypot(*terms)


def _like_noise(high: NDArray[np.float64], hz: float) -> bool:
    """Whether the high part of a burst is without gaps; edges of the tone would leave some."""
    gaps = float(np.mean(high < GAPS * high.mean()))
    return hz < GAP_HZ and gaps < GAP_SHARE
