"""The table of events of a slider pass, with their levels."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sigkit.tracks.faults import Fault, residual_level
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
ENDS_BINS, GAIN_DB = 3.0, 0.8
"""Standard uncertainties of a level: both ends of the event together, and the tone below it."""
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
    got, background, spread, tone = residual_level(track, fault)
    excess = max(got - background, LEAST_SHARE * background, 1e-15)
    bins = fault.last - fault.first
    freedom = max(2.0, bins * BIN_S * track.rate / 4)
    noise = 10 / math.log(10) * math.hypot(spread / excess, math.sqrt(2 * got / excess / freedom))
    ends = 10 / math.log(10) * math.log1p(ENDS_BINS / bins)
    jump = fault.kind == "pitch jump"
    return {
        "start_s": fault.first * BIN_S,
        "stop_s": fault.last * BIN_S,
        "kind": fault.kind,
        "level_db": math.nan if jump else 10 * math.log10(excess / max(tone, 1e-15)),
        "u_level_db": math.nan if jump else math.hypot(min(noise, 10.0), ends, GAIN_DB),
        "depth_db": fault.depth_db,
        "size_cents": fault.size_cents if jump else math.nan,
        "u_size_cents": fault.u_size_cents if jump else math.nan,
        "tone_dbfs": 10 * math.log10(2 * max(tone, 1e-15)),
        "floor_db": float(np.median(floor_db[fault.first : fault.last])),
        "moving": True,
        "number": 0,
        "direction": "",
        "travel_percent": math.nan,
        "u_travel_percent": math.nan,
    }
