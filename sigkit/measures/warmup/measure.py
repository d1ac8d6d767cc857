"""Warm-up drift: how far and how long the pitch moves after switch-on, and whether it settled."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd

from sigkit.captures.needed import takes_capture
from sigkit.captures.parts import JoinedCapture
from sigkit.captures.wav import Capture
from sigkit.errors import InputError, SignalError
from sigkit.measures.held_note import (
    gap_note,
    require_number,
    require_one_note,
    require_tone,
    source_of,
)
from sigkit.measures.warmup.curve import Take
from sigkit.measures.warmup.evaluate import evaluate
from sigkit.measures.warmup.notes import power_on_note
from sigkit.measures.warmup.result import LEAST_S, WarmupResult
from sigkit.tracks.one_note import held_note
from sigkit.tracks.pitch import track_pitch
from sigkit.tracks.power_on import find_power_on
from sigkit.tracks.second_opinion import second_opinion

HOP_S, WINDOW_S = 0.05, 0.2
READINGS = ["time_s", "room_c"]


@takes_capture
def measure_warmup(
    capture: Capture,
    *,
    power_on_s: float = 0.0,
    power_on_latest_s: float | None = None,
    band_cents: float = 2.0,
    readings: pd.DataFrame | None = None,
) -> WarmupResult:
    """Measure the drift of a held note from switch-on until it has settled.

    Parameters
    ----------
    capture : Capture
        One held note from switch-on, an hour or more. Start the recorder before the mains switch:
        the thump then tells the instant.
    power_on_s : float, default 0.0
        Instant of switch-on in seconds from the start of the capture; negative where the recorder
        was started later. At 0 a thump before the tone, where there is one, is taken instead.
    power_on_latest_s : float, optional
        Where switch-on is known only roughly: its latest instant; ``power_on_s`` is then the
        earliest.
    band_cents : float, default 2.0
        Half-width of the band in which the pitch counts as settled, in cents.
    readings : DataFrame, optional
        Columns time_s (since switch-on) and room_c (°C): the temperature of the room.

    Returns
    -------
    WarmupResult
        See there for the quantities. Where the pitch still moves, the settling time is not
        measurable, with the reason "not settled within this recording".

    Raises
    ------
    InputError
        A band that is not positive, a switch-on after the end, a latest one before the earliest,
        or readings without their columns.
    SignalError
        Less than 10 s of tone, or not one held note.

    See Also
    --------
    sigkit.measure_stability : A held note after warm-up.

    Notes
    -----
    Start and end of the pitch are predicted from the frames beside them, through their wander. The
    final value is the pitch at the end; the pitch has not settled where the slope of the last
    quarter moves it by more than the band within that quarter, where the exponential that fits the
    curve still has more than the band to go, or where the band is entered only in the last tenth.
    Where another note follows, as when a wedge slips, only what comes before it is measured.
    Uncertainties allow for wander with a memory: see `sigkit.measures.memory`. The sound card's
    clock is common to all pitches of a capture and cancels in their differences.

    References
    ----------
    .. [1] JCGM 100:2008, 4.3.7, 5.1.2 and annex H.3.
    """
    range_s = _power_on_range(capture, power_on_s, power_on_latest_s)
    require_number("band_cents", band_cents, capture)
    if not band_cents > 0:
        raise InputError(
            f"band_cents must be above 0; got {band_cents}.",
            where=capture.path.name,
            remedy="Give half the width of the band in cents.",
        )
    read = _checked(readings, capture)
    track = track_pitch(capture, window_s=WINDOW_S, hop_s=HOP_S)
    require_tone(capture, track, LEAST_S)
    held = held_note(track, capture.duration_s, LEAST_S)
    if held is None:
        require_one_note(capture, track)
        raise SignalError(
            f"No note is held for {LEAST_S:g} s without a break to another pitch.",
            where=capture.path.name,
            remedy="Hold one note of one oscillator, and record nothing else.",
        )
    track = replace(track, frequency_hz=np.where(held.kept, track.frequency_hz, np.nan))
    require_tone(capture, track, LEAST_S)
    began_s = float(track.time_s[track.voiced][0]) - track.window_s / 2
    given = power_on_latest_s is not None or power_on_s != 0.0
    found = None if began_s <= 0.5 else find_power_on(capture, began_s)
    if found is not None and not given:
        range_s = (found.time_s, found.time_s)
    take = Take(
        source=source_of(capture),
        settings={
            "power_on_s": power_on_s,
            "power_on_latest_s": power_on_latest_s,
            "band_cents": band_cents,
        },
        notes=(
            *power_on_note(found, given=given, range_s=range_s, began_s=began_s),
            *held.notes,
            *gap_note(track),
            *second_opinion(capture, track),
        ),
        track=track,
        power_on_s=range_s,
        band_cents=band_cents,
        readings=read,
        switch_on="given" if given else "start" if found is None else found.kind,
        known_until_s=_known_until_s(capture),
    )
    return evaluate(take)


def _known_until_s(capture: Capture) -> float:
    """Return where the time axis of a split recording is first unknown; infinity where nowhere."""
    if not isinstance(capture, JoinedCapture):
        return math.inf
    unknown = [
        part.begin / capture.rate
        for part, seam in zip(capture.parts[1:], capture.seams, strict=True)
        if seam.how == "not known"
    ]
    return min(unknown, default=math.inf)


def _power_on_range(
    capture: Capture, earliest_s: float, latest_s: float | None
) -> tuple[float, float]:
    for name, value in (("power_on_s", earliest_s), ("power_on_latest_s", latest_s)):
        if value is None:
            continue
        require_number(name, value, capture)
        if not value < capture.duration_s:
            raise InputError(
                f"{name} is {value:g} s, after the end at {capture.duration_s:.1f} s.",
                where=capture.path.name,
                remedy="Give seconds from the start of the capture.",
            )
    if latest_s is None:
        return float(earliest_s), float(earliest_s)
    if not latest_s >= earliest_s:
        raise InputError(
            f"power_on_latest_s is {latest_s:g} s, before power_on_s at {earliest_s:g} s.",
            where=capture.path.name,
            remedy="Give the earliest instant of switch-on as power_on_s, then the latest.",
        )
    return float(earliest_s), float(latest_s)


def _checked(readings: pd.DataFrame | None, capture: Capture) -> pd.DataFrame:
    if readings is None:
        return pd.DataFrame(columns=READINGS, dtype=float)
    missing = [name for name in READINGS if name not in getattr(readings, "columns", ())]
    if missing:
        raise InputError(
            f"The readings have no column {' and no column '.join(missing)}.",
            where=capture.path.name,
            remedy="Give a table with the columns time_s (since switch-on) and room_c.",
        )
    known = readings[READINGS].astype(float).dropna()
    return known.sort_values("time_s").reset_index(drop=True)
