"""Slider pass: bursts, dropouts and pitch jumps of a slider that is moved while a tone sounds."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sigkit.captures.needed import takes_capture
from sigkit.captures.tally import clipped_in
from sigkit.captures.watch import watched
from sigkit.errors import InputError
from sigkit.measures.cued import cue_of, cued_travel
from sigkit.measures.held_note import source_of
from sigkit.measures.result import Source
from sigkit.measures.slider.answers import bounds_of, counts_of, largest_of, not_assessed, refused
from sigkit.measures.slider.control import LEAST, STEP
from sigkit.measures.slider.events import events_table
from sigkit.measures.slider.followed import join_moved
from sigkit.measures.slider.lines import residual_lines, shown_lines
from sigkit.measures.slider.looked import Looked, NotMeasurableError, floor_where, look_at
from sigkit.measures.slider.notes import notes_of
from sigkit.measures.slider.passes import (
    NO_PASS,
    parts_looked_at,
    passes_table,
    place_events,
    travel_affected,
)
from sigkit.measures.slider.result import SliderResult
from sigkit.measures.slider.sizes import energy_ratio
from sigkit.measures.slider.spots import fixed_spots, spots_of
from sigkit.measures.slider.taper import MOST_BELOW
from sigkit.measures.slider.tone import LEAST_S, is_alone, without_marks
from sigkit.measures.slider.travel import Travel, travel_of
from sigkit.tracks.faults import Fault, Test, find_bursts, find_dropouts, join_faults
from sigkit.tracks.pitch_jumps import Steps, find_pitch_jumps, pitch_steps
from sigkit.tracks.recorder import COLUMNS as FAULT_COLUMNS
from sigkit.tracks.recorder import faults_seen
from sigkit.tracks.residual import BIN_S, ResidualTrack, track_residual

if TYPE_CHECKING:
    from sigkit.captures.wav import Capture

Array = NDArray[np.floating]
Mask = NDArray[np.bool_]

CONTROLS = ("level", "pitch", "timbre", "width")
UNHEARD = 0.2
"""Most of the travel of a slider of timbre over which, at either end, a cutoff or a resonance may
move without a change that is heard: below the lowest harmonic, above the highest. Assumed."""
ALONE, LOWEST_HZ, AUDIBLE_OCTAVES = 0.035, 20.0, 10.0
"""Brightness in octaves of a fundamental that is as good as alone (0.032 for a saw far above the
cutoff of a low-pass of 12 dB an octave): a cutoff may lie anywhere below it, down to the lowest
that is heard, and its slider goes through all octaves that are heard at most, evenly."""
AUDIBLE_DB, ATTACK_BINS = 45.0, 50
"""A level is followed this far below the loudest tone, and not while a note begins."""


@takes_capture
def measure_slider(capture: Capture, *, controls: str | None = None) -> SliderResult:
    """Find the bursts, dropouts and pitch jumps of a slider moved by hand under a tone.

    Parameters
    ----------
    capture : Capture
        One held note of one oscillator, 45 to 2400 Hz, while the slider goes up and down, several
        times. Noise, no tone, silence or clipping is refused with a reason; a tone that hides
        bursts raises the floor, which is always stated.
    controls : {"level", "pitch", "timbre", "width"}, optional
        What the slider controls; None: found from the sound.

    Returns
    -------
    SliderResult
        Events with their places on the travel, how many a pass, and the detection floor.

    Raises
    ------
    InputError
        ``controls`` is none of the four words.

    Notes
    -----
    Whatever moves smoothly from one period of the tone to the next is taken out
    (`sigkit.tracks.clean_tone`); bursts are where what is left rises above its own running
    floor, in two bands over 1, 3, 10 and 30 ms, at thresholds set from the spread of this
    capture's own residual. Dropouts are where the gain of the tone falls by more than 7.5 dB and
    returns, steeply, within 0.3 s; pitch jumps, on pitch sliders, are two steps of the pitch of
    9 cents or more that undo each other within 0.3 s. Not looked at: 0.2 s (eight periods, if
    that is longer) after a note begins and before it ends, its release; tone 40 dB below its
    loudest or less than 20 dB above its residual; 0.15 s about flicks (12 dB or 0.7 octaves in
    0.1 s, a timbre or width that goes through 70 % of its range in 0.3 s and stays there, or a
    wave that takes another shape from one period to the next); about faults of the recorder
    (single samples that stick out, exact zeros); and where a burst would show only above
    -20 dB re the tone. Events nearer than 20 ms are one, and bursts between which the tone has
    not come back, within 0.12 s.

    The place on the travel comes from the control itself, on the assumptions of
    `sigkit.measures.slider.travel.travel_of`; up is louder, higher, brighter, and from the square
    to the narrow pulse.

    The rate's uncertainty is that of a Poisson count, sqrt(n)/T; where n = 0 it is 1.5/T, so that
    k = 2 gives the one-sided 95 % limit 3/T (-ln 0.05 = 3.0, the "rule of three" [1]_).
    ``counts`` serves for exact limits and comparisons.

    References
    ----------
    .. [1] J. A. Hanley and A. Lippman-Hand, "If nothing goes wrong, is everything all right?",
       JAMA 249 (1983) 1743-1745.
    """
    if controls is not None and controls not in CONTROLS:
        raise InputError(
            f"controls = {controls!r} is not something a slider test knows.",
            where="measure_slider, controls",
            remedy=f"Use one of: {', '.join(CONTROLS)}.",
        )
    source = source_of(capture)
    clipped = clipped_in(capture)
    if clipped:
        reason = f"the capture is clipped, {clipped[0].how_much}: {clipped[0].remedy}"
        return refused(source, controls, reason, None)
    watch = watched(capture)
    track = track_residual(watch)
    sounding = np.flatnonzero(track.tone) * BIN_S
    begin, end = (sounding[0], sounding[-1]) if sounding.size else (0.0, 0.0)
    alone = (np.flatnonzero(track.glitch) * BIN_S).tolist()
    faults = faults_seen(capture, watch.watch, float(begin), float(end), alone)
    at = zip(faults["time_s"].tolist(), faults["kind"].tolist(), strict=True)
    faults = faults[np.array([is_alone(track, t, kind) for t, kind in at], bool)]
    return assess_slider(track, source, controls, capture, faults)


def assess_slider(
    track: ResidualTrack,
    source: Source,
    controls: str | None,
    capture: Capture | None = None,
    recorder: pd.DataFrame | None = None,
) -> SliderResult:
    """Judge the tone of a residual track, then find, size, place and count its events.

    ``recorder`` holds the recorder's faults, as from `sigkit.tracks.recorder.faults_seen`.
    """
    recorder = pd.DataFrame(columns=FAULT_COLUMNS) if recorder is None else recorder
    try:
        looked = look_at(track, controls, recorder)
        faults, tests, steps = _faults(track, looked)
        lines = residual_lines(track, looked.assessed, looked.floor_db)
        travel, by_cue = _travel(track, looked, lines["time_s"], faults, capture)
        moving = looked.assessed & _by_bin(travel.moving, looked.assessed.size)
        exposure = float(moving.sum() * BIN_S)
        where = moving if exposure >= LEAST_S else looked.assessed
        floor = floor_where(track, looked, where, tests)
    except NotMeasurableError as why:
        return refused(source, controls, str(why), track)
    events, passes = _tables(track, looked, faults, travel, lines)
    time_s, tone_dbfs = lines["time_s"], lines.pop("tone_dbfs")
    parts = parts_looked_at(passes, time_s, travel.travel_percent, lines["assessed"])
    spots, points = spots_of(events, passes, parts), where[: time_s.size * STEP : STEP]
    notes = notes_of(
        *(track, looked.controls, events, passes, looked.floor_db, looked.assessed),
        *(travel.moving, exposure, recorder, travel.why_none),
    )
    return SliderResult(
        source=source,
        settings={"controls": controls},
        notes=(*notes, *by_cue),
        **counts_of(events, passes, exposure, why_none=travel.why_none or NO_PASS),
        **largest_of(events, floor, looked.controls),
        energy_ratio=energy_ratio(events, time_s, tone_dbfs, points, floor_db=floor.value),
        travel_affected=travel_affected(events, passes, parts),
        fixed_spots=fixed_spots(spots, passes),
        floor=floor,
        not_assessed=not_assessed(track, looked.assessed),
        events=events,
        passes=passes,
        spots=spots,
        recorder_faults=recorder,
        controls=looked.controls,
        movement_s=exposure if travel.moving is not None else math.nan,
        assessed_s=float(looked.assessed.sum() * BIN_S),
        bounds=bounds_of(events, floor, None if steps is None else steps.limit[where]),
        travel_percent=travel.travel_percent,
        capture=capture,
        **shown_lines(lines, looked),
    )


def _faults(track: ResidualTrack, looked: Looked) -> tuple[list[Fault], list[Test], Steps | None]:
    """Return the events in order of time, the thresholds, and the steps of a slider of pitch."""
    assessed = looked.assessed
    steps = pitch_steps(track) if looked.controls == "pitch" else None
    bursts, tests = find_bursts(track, assessed)
    jumps = [] if steps is None else find_pitch_jumps(steps, assessed)
    faults = join_faults(bursts, find_dropouts(track, assessed), jumps)
    if steps is None:
        faults = join_moved(track, faults)
    return without_marks(faults, looked.marks), tests, steps


def _travel(
    track: ResidualTrack,
    looked: Looked,
    time_s: Array,
    faults: list[Fault],
    capture: Capture | None,
) -> tuple[Travel, tuple[str, ...]]:
    """Return the travel as cued or as the control tells it, dirt bridged, and what to say of it."""
    found, control = looked.controls, looked.control
    rising = 0.5 - control if found == "width" else control  # from the square to the narrow pulse
    dirt = np.zeros(control.size, bool)
    for fault in faults:
        dirt[max(0, fault.first // STEP - 2) : fault.last // STEP + 3] = True
    known = looked.heard if found != "level" else _audible(track, looked.heard)
    heard = travel_of(
        time_s,
        rising,
        known[: control.size * STEP : STEP],
        events_mask=dirt,
        least=LEAST[found],
        unheard=UNHEARD if found == "timbre" else 0.0,
        below=_below(track, looked) if found == "timbre" else 0.0,
        fades=found == "level",
        may_turn=found == "timbre",
    )
    cue, by_cue = cue_of(capture, "slider")
    travel, how_placed = cued_travel(cue, heard, time_s)
    return travel, (*by_cue, *how_placed)


def _below(track: ResidualTrack, looked: Looked) -> float:
    """Return the most of a timbre's travel over which the fundamental may sound alone."""
    known = looked.heard[: looked.control.size * STEP : STEP]
    if float(np.quantile(looked.control[known], 0.02)) > ALONE:
        return 0.0
    hz = float(np.median(track.hz[looked.heard]))
    return float(np.clip(math.log2(hz / LOWEST_HZ) / AUDIBLE_OCTAVES, 0.0, MOST_BELOW))


def _audible(track: ResidualTrack, heard: Mask) -> Mask:
    """Return where a level is followed: no key, no foot."""
    top = float(np.quantile(track.tone_rms[heard], 0.98))
    audible: Mask = track.tone & (track.tone_rms > top * 10 ** (-AUDIBLE_DB / 20))
    inside = np.flatnonzero(audible & (np.arange(audible.size) <= np.flatnonzero(heard)[-1]))
    audible[: inside[0] + ATTACK_BINS], audible[inside[-1] + 1 :] = False, False
    return audible


def _tables(
    track: ResidualTrack,
    looked: Looked,
    faults: list[Fault],
    travel: Travel,
    lines: dict[str, Any],
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the events with their places, and the passes."""
    time_s, percent, u = lines["time_s"], travel.travel_percent, travel.u_travel_percent
    events = events_table(track, faults, looked.floor_db, looked.controls)
    events = place_events(events, travel.passes, time_s, percent, u, travel.moving)
    return events, passes_table(travel.passes, events, time_s, lines["assessed"])


def _by_bin(moving: Mask | None, size: int) -> Mask:
    if moving is None:
        return np.ones(size, bool)
    out = np.repeat(moving, STEP)
    return np.concatenate([out, np.zeros(max(0, size - out.size), bool)])[:size]
