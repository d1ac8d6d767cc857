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
LEAST_SHARE = 0.1
"""Excess power re the background below which an event's level is not told from it."""


def events_table(track: ResidualTrack, faults: list[Fault], floor_db: Array) -> pd.DataFrame:
    """Return one row an event, its place on the travel still unknown.

    Parameters
    ----------
    track : ResidualTrack
        The capture's track.
    faults : list of Fault
        Its events, in order of time.
    floor_db : ndarray, shape (n_bins,)
        Floor re tone at each millisecond.

    Returns
    -------
    DataFrame
        With ``COLUMNS``.
    """
    rows = [_row(track, fault, floor_db) for fault in faults]
    kinds = {"kind": str, "moving": bool, "number": int, "direction": str}
    return pd.DataFrame(rows, columns=COLUMNS).astype(kinds)


def _row(track: ResidualTrack, fault: Fault, floor_db: Array) -> dict[str, object]:
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
        "u_level_db": math.nan if jump else _u_level(track, extent, power),
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


def _u_level(track: ResidualTrack, extent: Extent, power: float) -> float:
    """Return the standard uncertainty of a level, dB."""
    bins = extent.stop - extent.start
    terms = (
        GAIN_DB,
        DECIBELS * END_BINS / bins,
        min(DECIBELS * extent.u_background / power, 10.0),
        extent.u_ends_db,
        extent.u_hidden_db,
        _followed_db(track, extent, power),
    )
    return math.hypot(*terms)


def _followed_db(track: ResidualTrack, extent: Extent, power: float) -> float:
    """Return the uncertainty for what of a burst may have been taken for the tone, dB."""
    here = slice(math.floor(extent.start), math.ceil(extent.stop))
    periods = (extent.stop - extent.start) * BIN_S * float(np.median(track.hz[here]))
    if periods < FOLLOWED_PERIODS:
        return 0.0
    high = float(np.sum(track.high[here] - track.high_floor[here]))
    share = high / (power * (extent.stop - extent.start))
    return FOLLOWED_DB * min(max(1 - share / HISSING, 0.0), 1.0)
