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
from sigkit.measures.slider.control import LEAST, SHAPED, STEP, control_of, lines_of
from sigkit.measures.slider.events import COLUMNS, events_table
from sigkit.measures.slider.floor import LOUD_DB, MET, floor_by_bin, floor_of
from sigkit.measures.slider.followed import join_moved
from sigkit.measures.slider.lines import residual_lines, shown_lines
from sigkit.measures.slider.notes import TURNED, notes_of
from sigkit.measures.slider.passes import (
    NO_PASS,
    count_passes,
    counted,
    events_per_pass,
    parts_looked_at,
    passes_table,
    place_events,
    travel_affected,
)
from sigkit.measures.slider.result import SliderResult
from sigkit.measures.slider.sizes import energy_ratio, largest_jump, longest_dropout
from sigkit.measures.slider.spots import fixed_spots, spots_of
from sigkit.measures.slider.tone import (
    HEADROOM_DB,
    HIDDEN_DB,
    LEAST_S,
    beside_faults,
    flicked,
    heard_bins,
    is_alone,
    refuse_tone,
    too_fast,
    without_marks,
)
from sigkit.measures.slider.travel import Travel, travel_of
from sigkit.quantity import Quantity, Term, combine, not_measurable
from sigkit.tracks.faults import Fault, Test, find_bursts, find_dropouts, join_faults, set_tests
from sigkit.tracks.pitch_jumps import SIGMAS, Steps, find_pitch_jumps, pitch_steps
from sigkit.tracks.recorder import COLUMNS as FAULT_COLUMNS
from sigkit.tracks.recorder import faults_seen
from sigkit.tracks.residual import BIN_S, ResidualTrack, track_residual

if TYPE_CHECKING:
    from sigkit.captures.wav import Capture

Array = NDArray[np.floating]
Mask = NDArray[np.bool_]

CONTROLS = ("level", "pitch", "timbre", "width")
WORST_FLOOR_DB = -25.0
"""A floor above this, re tone, cannot judge a slider."""
UNHEARD = 0.2
"""Most of the travel of a slider of timbre over which, at either end, a cutoff or a resonance may
move without a change that is heard: below the lowest harmonic, above the highest. Assumed."""
MISSED = 2.0
"""Standard deviations by which a jump must exceed its limit, so that 19 of 20 are found."""
AUDIBLE_DB, ATTACK_BINS = 45.0, 50
"""A level is followed this far below the loudest tone, and not while a note begins."""
FOUND_DROP_S = 0.004
"""Dropouts from this length on were told from bursts in 301 of 301 simulated cases (of 3 to 4 ms in
12 of 16)."""


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
        return _refused(source, controls, reason, None)
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
    reason = refuse_tone(track)
    if reason:
        return _refused(source, controls, reason, track)
    heard = heard_bins(track)
    marks = beside_faults(track, recorder)
    controlled = lines_of(track)
    found = controls or control_of(track, heard, controlled)
    slow = heard & ~too_fast(track) & ~marks
    if found in SHAPED:
        points = controlled[found].size * STEP
        quick = flicked(controlled[found], heard[:points:STEP])
        slow[:points] &= ~np.repeat(quick, STEP)
    if slow.sum() * BIN_S < LEAST_S:
        short = (
            f"less than {LEAST_S:g} s of tone stands {HEADROOM_DB:g} dB above its noise: "
            "play louder or longer, move slower"
        )
        return _refused(source, controls, short, track)
    floor_db = floor_by_bin(track, set_tests(track, slow))
    assessed = slow & (floor_db < HIDDEN_DB)
    if assessed.sum() * BIN_S < LEAST_S:
        return _refused(source, controls, _hidden(float(np.median(floor_db[slow]))), track)
    steps = pitch_steps(track) if found == "pitch" else None
    faults, tests = _faults(track, assessed, steps)
    faults = without_marks(faults if found == "pitch" else join_moved(track, faults), marks)
    lines = residual_lines(track, assessed, floor_db)
    cue, by_cue = cue_of(capture, "slider")
    lines["line"] = controlled[found]
    heard_travel = _travel(track, lines, found, heard, faults)
    travel, how_placed = cued_travel(cue, heard_travel, lines["time_s"])
    moving = _by_bin(travel.moving, assessed.size)
    where = assessed & moving if (assessed & moving).sum() * BIN_S >= LEAST_S else assessed
    floor = floor_of(track, floor_db, where, tests)
    if floor.value > WORST_FLOOR_DB:
        return _refused(source, controls, _hidden(floor.value), track)
    time, percent, u = lines["time_s"], travel.travel_percent, travel.u_travel_percent
    events = events_table(track, faults, floor_db, found)
    events = place_events(events, travel.passes, time, percent, u, travel.moving)
    passes = passes_table(travel.passes, events, time, lines["assessed"])
    looked = parts_looked_at(passes, time, percent, lines["assessed"])
    spots = spots_of(events, passes, looked)
    exposure = float((assessed & moving).sum() * BIN_S)
    each, hits = count_passes(passes), counted(events)
    tone_dbfs = lines.pop("tone_dbfs")
    return SliderResult(
        source=source,
        settings={"controls": controls},
        notes=(
            *notes_of(
                *(track, found, events, passes, floor_db, assessed),
                *(travel.moving, exposure, recorder, travel.turned),
            ),
            *by_cue,
            *how_placed,
        ),
        events_per_pass=events_per_pass(passes, why_none=TURNED if travel.turned else NO_PASS),
        event_rate=_rate(len(hits), exposure),
        worst_level=_worst(hits, floor),
        longest_dropout=longest_dropout(events),
        largest_jump=_largest_jump(events, found),
        energy_ratio=energy_ratio(
            events, time, tone_dbfs, where[: time.size * STEP : STEP], floor_db=floor.value
        ),
        travel_affected=travel_affected(events, passes, looked),
        fixed_spots=fixed_spots(spots, passes),
        floor=floor,
        not_assessed=_not_assessed(track, assessed),
        events=events,
        passes=passes,
        spots=spots,
        recorder_faults=recorder,
        controls=found,
        movement_s=exposure if travel.moving is not None else math.nan,
        assessed_s=float(assessed.sum() * BIN_S),
        counts={
            "event_rate": (len(hits), exposure),
            "events_per_pass": (each.number, each.exposure),
        },
        bounds=_bounds(hits, floor, None if steps is None else steps.limit[where]),
        travel_percent=percent,
        capture=capture,
        **shown_lines(lines, found),
    )


def _faults(
    track: ResidualTrack, assessed: Mask, steps: Steps | None
) -> tuple[list[Fault], list[Test]]:
    bursts, tests = find_bursts(track, assessed)
    jumps = [] if steps is None else find_pitch_jumps(steps, assessed)
    return join_faults(bursts, find_dropouts(track, assessed), jumps), tests


def _hidden(floor_db: float) -> str:
    return (
        f"not measurable with this tone: a burst shows only above {floor_db:.0f} dB re it; move "
        "slower, close the filter or take a steadier note, lower the noise"
    )


def _travel(
    track: ResidualTrack, lines: dict[str, Any], found: str, heard: Mask, faults: list[Fault]
) -> Travel:
    """Return the travel as the control tells it, dirt bridged."""
    control = lines["line"]
    rising = 0.5 - control if found == "width" else control  # from the square to the narrow pulse
    size = control.size
    top = float(np.quantile(track.tone_rms[heard], 0.98))
    audible = track.tone & (track.tone_rms > top * 10 ** (-AUDIBLE_DB / 20))
    inside = np.flatnonzero(audible & (np.arange(audible.size) <= np.flatnonzero(heard)[-1]))
    audible[: inside[0] + ATTACK_BINS], audible[inside[-1] + 1 :] = False, False  # no key, no foot
    known = (heard if found != "level" else audible)[: size * STEP : STEP]
    dirt = np.zeros(size, bool)
    for fault in faults:
        dirt[max(0, fault.first // STEP - 2) : fault.last // STEP + 3] = True
    unheard = UNHEARD if found == "timbre" else 0.0
    return travel_of(
        lines["time_s"],
        rising,
        known,
        events_mask=dirt,
        least=LEAST[found],
        unheard=unheard,
        fades=found == "level",
        may_turn=found == "timbre",
    )


def _by_bin(moving: Mask | None, size: int) -> Mask:
    if moving is None:
        return np.ones(size, bool)
    out = np.repeat(moving, STEP)
    return np.concatenate([out, np.zeros(max(0, size - out.size), bool)])[:size]


def _rate(number: int, exposure_s: float) -> Quantity:
    if exposure_s < LEAST_S:
        return not_measurable("1/s", "less than 1 s of movement could be assessed: move slower")
    u = math.sqrt(number) if number else 1.5
    return combine(number / exposure_s, "1/s", [Term("counting", u / exposure_s, "A")])


def _worst(hits: pd.DataFrame, floor: Quantity) -> Quantity:
    bursts = hits[hits["kind"] == "burst"]
    if bursts.empty:
        return not_measurable(
            "dB",
            f"no burst found above the floor of {floor.value:.0f} dB, which holds while the tone "
            f"is within {LOUD_DB:g} dB of its loudest",
        )
    worst = bursts.iloc[int(np.argmax(bursts["level_db"].to_numpy(float)))]
    term = Term("noise and ends of the burst", float(worst["u_level_db"]), "A")
    return combine(float(worst["level_db"]), "dB", [term])


def _largest_jump(events: pd.DataFrame, found: str) -> Quantity:
    if found != "pitch":
        return not_measurable("cents", "looked for on sliders of pitch only")
    return largest_jump(events)


def _not_assessed(track: ResidualTrack, assessed: Mask) -> Quantity:
    """Return the share of the sounding time that was not looked at; one bin may be off."""
    sounding = max(int(track.tone.sum()), 1)
    share = 100 * (1 - int((assessed & track.tone).sum()) / sounding)
    grid = Term("1 ms bins at the ends", 100 * 10 / sounding, "B")
    return combine(share, "%", [grid])


def _bounds(hits: pd.DataFrame, floor: Quantity, limit: Array | None) -> dict[str, Quantity]:
    """Return the bounds of what was looked for and not found; ``limit`` is that of pitch steps."""
    kinds = set(hits["kind"])
    out = {}
    if "burst" not in kinds:
        out["worst_level"] = floor
    if "dropout" not in kinds:
        grid = Term("bins of 1 ms at both ends", BIN_S / math.sqrt(6), "B")
        out["longest_dropout"] = combine(FOUND_DROP_S, "s", [grid])
    if limit is not None and "pitch jump" not in kinds:
        scatter = float(np.quantile(limit, MET)) / SIGMAS
        term = Term("scatter of the pitch's own steps", scatter, "A")
        out["largest_jump"] = combine((SIGMAS + MISSED) * scatter, "cents", [term])
    return out


UNITS = {
    "events_per_pass": "per pass",
    "event_rate": "1/s",
    "worst_level": "dB",
    "longest_dropout": "s",
    "largest_jump": "cents",
    "energy_ratio": "dB",
    "travel_affected": "%",
    "fixed_spots": "",
    "floor": "dB",
    "not_assessed": "%",
}
"""Unit of each answer."""


def _refused(
    source: Source, asked: str | None, reason: str, track: ResidualTrack | None
) -> SliderResult:
    answers: dict[str, Any] = {n: not_measurable(unit, reason) for n, unit in UNITS.items()}
    lines = residual_lines(track, None)
    del lines["tone_dbfs"]
    nothing = np.full(lines["time_s"].size, np.nan)
    events = pd.DataFrame([], columns=COLUMNS).astype({"kind": str, "moving": bool, "number": int})
    none = travel_of(np.zeros(0), np.zeros(0), np.zeros(0, bool), least=1.0).passes
    passes = passes_table(none, events, np.zeros(0), np.zeros(0, bool))
    return SliderResult(
        source=source,
        settings={"controls": asked},
        **answers,
        events=events,
        passes=passes,
        spots=spots_of(events, passes),
        recorder_faults=pd.DataFrame(columns=FAULT_COLUMNS),
        controls=asked or "",
        movement_s=math.nan,
        assessed_s=0.0,
        counts={},
        bounds={},
        control=nothing,
        travel_percent=nothing,
        **lines,
    )
