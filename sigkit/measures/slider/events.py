"""The table of events of a slider pass, with their levels."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sigkit.measures.slider.control import SHAPED
from sigkit.measures.slider.followed import BETWEEN_BINS, followed, foretold_badly
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
HISSING = 0.65
"""Least share of its power that a burst of noise holds in the high band; one that holds less moves
the tone."""
SHAKEN = 0.75
"""Share of `Extent.tails_db` that counts as far as a burst does not hiss: a short one shakes the
tone around it, whose rest then makes it seem longer and softer. What hisses has tails that do."""
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
    events = pd.DataFrame(rows, columns=COLUMNS).astype(kinds)
    if controls in SHAPED and len(events):
        at = np.array([fault.first for fault in faults])
        events = with_edges(events, 1 / np.maximum(track.hz[at].astype(np.float64), 1.0))
    return events


def with_edges(events: pd.DataFrame, period_s: Array) -> pd.DataFrame:
    """Return events in which bursts that may be the two edges of one say so in their level.

    Parameters
    ----------
    events : DataFrame
        With ``COLUMNS``, in order of time.
    period_s : ndarray, shape (n_events,)
        Period of the tone there.

    Returns
    -------
    DataFrame
        A burst shorter than a period, with another one within 0.12 s of it, has the middle between
        its own level and that of both as one, and half of the difference in its uncertainty.

    Notes
    -----
    Dirt that throws a cutoff or a width to another place leaves the residual where it begins and
    where it ends; between these the periods foretell each other.
    """
    start, stop, level, u = (
        events[name].to_numpy(float).copy()
        for name in ("start_s", "stop_s", "level_db", "u_level_db")
    )
    energy = 10 ** (level / 10) * (stop - start)
    burst = (events["kind"] == "burst").to_numpy(bool)
    out = events.copy()
    for i in np.flatnonzero(burst & (stop - start < period_s)).tolist():
        as_one = [
            10 * math.log10((energy[i] + energy[j]) / (max(stop[i], stop[j]) - start[min(i, j)]))
            for j in (i - 1, i + 1)
            if 0 <= j < burst.size and burst[j]
            if start[max(i, j)] - stop[min(i, j)] < BETWEEN_BINS * BIN_S
        ]
        less = max(level[i] - min(as_one, default=level[i]), 0.0)
        out.loc[events.index[i], "level_db"] = level[i] - less / 2
        out.loc[events.index[i], "u_level_db"] = math.hypot(u[i], less / 2)
    return out


def _row(track: ResidualTrack, fault: Fault, floor_db: Array, controls: str) -> dict[str, object]:
    extent = extent_of(track, fault)
    near = track.tone_rms[max(0, fault.first - 20) : fault.last + 20].astype(np.float64)
    tone = max(float((near**2).mean()), 1e-15)
    power = max(extent.power, LEAST_SHARE * extent.background, 1e-15)
    jump = fault.kind == "pitch jump"
    more = (0.0, 0.0)
    if fault.kind == "burst" and controls != "pitch":
        more = followed(track, extent.start, extent.stop)
    low, high = (10 * math.log10((power + followed_power) / tone) for followed_power in more)
    badly = 0.0
    if fault.kind == "burst" and controls in SHAPED:
        wrong = foretold_badly(track, extent.start, extent.stop)
        left = max(power / tone - wrong, min(extent.background, power) / tone, 1e-12)
        badly = 10 * math.log10(power / tone / left)  # what is too much, at most
    u_level = math.hypot(_u_level(track, extent, power), (high - low) / 2, badly / math.sqrt(12))
    return {
        "start_s": extent.start * BIN_S,
        "stop_s": extent.stop * BIN_S,
        "kind": fault.kind,
        "level_db": math.nan if jump else (low + high - badly) / 2,
        "u_level_db": math.nan if jump else u_level,
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
    """Return the standard uncertainty of the residual's level, dB."""
    bins = extent.stop - extent.start
    here = slice(math.floor(extent.start), math.ceil(extent.stop))
    high = track.high[here].astype(np.float64) - track.high_floor[here]
    dull = float(np.clip(1 - high.sum() / (power * bins) / HISSING, 0, 1))
    terms = (
        GAIN_DB,
        DECIBELS * END_BINS / bins,
        min(DECIBELS * extent.u_background / power, 10.0),
        extent.u_ends_db,
        extent.u_hidden_db,
        max(
            max(SHAKEN * dull, extent.dull_tails) * extent.tails_db,
            SHAKEN * extent.even_tails_db,
        ),
    )
    return math.hypot(*terms)
