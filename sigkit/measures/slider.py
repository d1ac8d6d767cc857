"""Slider pass: bursts and dropouts of a level slider that is moved while a dark tone sounds."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sigkit.errors import InputError
from sigkit.measures.held_note import source_of
from sigkit.measures.result import Result, Source
from sigkit.measures.slider_tone import (
    HEADROOM_DB,
    LEAST_S,
    assessed_bins,
    movement,
    refuse_tone,
)
from sigkit.quantity import Quantity, Term, combine, not_measurable
from sigkit.tracks.faults import (
    NEAR_BINS,
    Fault,
    Test,
    box,
    find_bursts,
    find_dropouts,
    join_faults,
    residual_level,
    too_steep,
)
from sigkit.tracks.residual import BIN_S, TEMPLATE_S, ResidualTrack, track_residual

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from sigkit.captures.wav import Capture

Array = NDArray[np.floating]
Mask = NDArray[np.bool_]

CONTROLS = ("level", "pitch", "timbre", "width")
COLUMNS = [
    "start_s",
    "stop_s",
    "kind",
    "level_db",
    "u_level_db",
    "depth_db",
    "tone_dbfs",
    "floor_db",
    "moving",
]
WORST_FLOOR_DB = -25.0
"""A floor above this, re tone, cannot judge a slider."""
ENDS_BINS, GAIN_DB = 3.0, 0.8
"""Standard uncertainties of a level: both ends of the event together, and the tone below it."""
FLOOR_BINS, MET = 10, 0.9
"""Length of the bursts that the floor speaks of, and the share of the time in which it is met."""
DULLED = 1.26
"""Reading between samples takes up to 1 dB from a burst in the highest octave."""
LOUD_DB = 6.0


@dataclass(frozen=True, kw_only=True, eq=False)
class SliderResult(Result):
    """Bursts and dropouts of a level slider, and the floor above which they would be seen.

    Parameters
    ----------
    event_rate : Quantity
        Counted events per second of assessed movement (or of assessed tone, see ``notes``), 1/s.
    worst_level : Quantity
        Residual of the loudest counted burst re the tone around it, dB.
    floor : Quantity
        Level, re the tone around it, at which 19 of 20 wideband bursts of 10 ms are found while
        the slider moves (or while the tone sounds, see ``notes``) and the tone is within 6 dB of
        its loudest; met in nine tenths of that time, dB.
    events : DataFrame
        One row an event: ``start_s``, ``stop_s``, ``kind`` (``burst`` or ``dropout``),
        ``level_db`` and its standard uncertainty ``u_level_db`` (rms of the residual re the tone
        around it), ``depth_db`` (dropouts), ``tone_dbfs``, ``floor_db`` (floor at that
        place, re the tone there) and ``moving`` (False: the slider was at rest; not counted).
    controls : str
        What the slider controls.
    movement_s, assessed_s : float
        Seconds of movement, and of tone, in which events were looked for; nan: not seen.
    counts : mapping of str to (int, float)
        ``event_rate``: number of counted events and the exposure in seconds.
    time_s, tone_db, residual_db, found_above_db, assessed : ndarray, shape (n_points,)
        Every 10 ms: level of the tone re its loudest, residual above 400 Hz re the same, and the
        level above which a burst of 10 ms is found there, re the same (dB, nan: no tone, or not
        looked at), and whether events were looked for.
    """

    test: ClassVar[str] = "slider"

    event_rate: Quantity
    worst_level: Quantity
    floor: Quantity
    events: pd.DataFrame
    controls: str
    movement_s: float
    assessed_s: float
    counts: Mapping[str, tuple[int, float]]
    time_s: Array
    tone_db: Array
    residual_db: Array
    found_above_db: Array
    assessed: Mask

    def at_most(self) -> Mapping[str, Quantity]:
        """Return the floor as the bound of the loudest burst where none was found above it."""
        nothing = not self.worst_level.measurable and self.floor.measurable
        return {"worst_level": self.floor} if nothing else {}

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the level of the tone against time with the events below it; return the axes."""
        from sigkit.charts.slider import draw_slider

        return draw_slider(self, ax)


def measure_slider(capture: Capture, *, controls: str | None = None) -> SliderResult:
    """Count the bursts and dropouts of a level slider moved by hand under a dark tone.

    Parameters
    ----------
    capture : Capture
        One held note, 60 to 1100 Hz, dull (filter closed, triangle or sine), while the slider
        goes up and down. A bright tone, noise, no tone, silence or clipping is refused with a
        reason.
    controls : {"level", "pitch", "timbre", "width"}, optional
        What the slider controls; None means it is taken to be the level. Only ``"level"`` is
        assessed in this version; the others give results that are not measurable.

    Returns
    -------
    SliderResult
        Events, their rate, the loudest burst and the detection floor.

    Raises
    ------
    InputError
        ``controls`` is none of the four words.

    Notes
    -----
    The tone's own waveform is taken out (`sigkit.tracks.residual`); bursts are where what is left
    rises above its own running floor, in two bands over 1, 3, 10 and 30 ms, at thresholds set for
    one false alarm in 20 min from the spread of this capture's own residual. Dropouts are where
    the gain of the waveform falls by more than 7.5 dB and returns, steeply, within 0.3 s. Not
    looked at: 0.15 s after a note begins and before it ends, its release; tone 40 dB below its
    loudest or less than 20 dB above its residual; for bursts also 0.15 s about dropouts and
    about flicks faster than 12 dB in 0.1 s.
    Events nearer than 20 ms are one.

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
    if controls not in (None, "level"):
        reason = f"{controls} sliders are not assessed in this version"
        return _refused(source, controls, str(controls), reason, None)
    clipped = [p for p in capture.fitness().problems if p.kind == "clipped"]
    if clipped:
        reason = f"the capture is clipped, {clipped[0].how_much}: {clipped[0].remedy}"
        return _refused(source, controls, "level", reason, None)
    track = track_residual(capture)
    return assess_slider(track, source, controls)


def assess_slider(track: ResidualTrack, source: Source, controls: str | None) -> SliderResult:
    """Judge the tone of a residual track, then find, size and count its events."""
    reason = refuse_tone(track)
    if reason:
        return _refused(source, controls, "level", reason, track)
    heard = assessed_bins(track)
    dropouts = find_dropouts(track, heard)
    assessed = heard & ~too_steep(track, dropouts)
    if assessed.sum() * BIN_S < LEAST_S:
        short = (
            f"less than {LEAST_S:g} s of tone stands {HEADROOM_DB:g} dB above its noise: "
            "play louder or longer, move slower"
        )
        return _refused(source, controls, "level", short, track)
    bursts, tests = find_bursts(track, assessed)
    floor_db = floor_by_bin(track, tests)
    moving = movement(track, assessed)
    seen = moving is not None
    where = moving if moving is not None else np.ones_like(assessed)
    floor = _floor(track, floor_db, assessed, where, tests)
    if floor.value > WORST_FLOOR_DB:
        high = (
            f"not measurable with this tone: a burst shows only above {floor.value:.0f} dB re "
            "it; close the filter, use a steady dull note, lower the noise"
        )
        return _refused(source, controls, "level", high, track)
    events = _table(track, join_faults(bursts, dropouts), floor_db, where)
    counted = events[events["moving"]]
    exposure = float((assessed & where).sum() * BIN_S)
    return SliderResult(
        source=source,
        settings={"controls": controls},
        notes=_notes(track, events, floor_db, assessed, seen, exposure),
        event_rate=_rate(len(counted), exposure),
        worst_level=_worst(counted, floor),
        floor=floor,
        events=events,
        controls="level",
        movement_s=exposure if seen else math.nan,
        assessed_s=float(assessed.sum() * BIN_S),
        counts={"event_rate": (len(counted), exposure)},
        **_lines(track, _shown(assessed, heard, dropouts), floor_db),
    )


def _shown(assessed: Mask, heard: Mask, dropouts: list[Fault]) -> Mask:
    """Return where events were looked for, the stretches about dropouts included."""
    out = assessed.copy()
    for fault in dropouts:
        out[max(0, fault.first - NEAR_BINS) : fault.last + NEAR_BINS] = True
    return out & heard


def floor_by_bin(track: ResidualTrack, tests: list[Test]) -> Array:
    """Return the level re tone at which 19 of 20 wideband bursts of 10 ms are found, in dB."""
    least = np.full(track.power.size, np.inf)
    tone = np.maximum(track.tone_rms.astype(np.float64), 1e-9) ** 2
    for test in tests:
        if test.bins != FLOOR_BINS:
            continue
        low, high = track.bands_hz[test.band]
        width = high - low
        own = 1 - 1.64 / math.sqrt(width * FLOOR_BINS * BIN_S)  # the burst's own scatter, 5 %
        floor = box(getattr(track, f"{test.band}_floor"), FLOOR_BINS) / FLOOR_BINS
        floor = np.where(floor > 0, floor, np.inf)
        needed = DULLED * test.ratio * floor / max(own, 0.3)
        least = np.minimum(least, needed * (track.rate / 2 / width) / tone)
    out: Array = 10 * np.log10(np.clip(least, 1e-15, 1e15))
    return out


def _floor(
    track: ResidualTrack, floor_db: Array, assessed: Mask, moving: Mask, tests: list[Test]
) -> Quantity:
    top = np.quantile(track.tone_rms[assessed], 0.98)
    loud = assessed & (track.tone_rms > top * 10 ** (-LOUD_DB / 20))
    if (loud & moving).any():
        loud &= moving
    keenest = min((t for t in tests if t.bins == FLOOR_BINS), key=lambda t: t.ratio)
    windows = TEMPLATE_S / (FLOOR_BINS * BIN_S)
    running = 10 / math.log(10) * math.sqrt(math.pi / (windows * keenest.dof))
    terms = (
        Term("running floor, a median over 0.4 s", running, "A", dof=windows - 1),
        Term("spectrum of a burst taken as even", 1.0, "B"),
    )
    return combine(float(np.quantile(floor_db[loud], MET)), "dB", terms)


def _table(
    track: ResidualTrack, faults: list[Fault], floor_db: Array, moving: Mask
) -> pd.DataFrame:
    rows = []
    for fault in faults:
        got, background, tone = residual_level(track, fault)
        excess = max(got - background, 1e-15)
        bins = fault.last - fault.first
        freedom = max(2.0, bins * BIN_S * track.rate / 4)
        noise = 10 / math.log(10) * math.sqrt(4 * background / excess / freedom)
        ends = 10 / math.log(10) * math.log1p(ENDS_BINS / bins)
        a, b = max(0, fault.first - 300), fault.last + 300
        rows.append(
            {
                "start_s": fault.first * BIN_S,
                "stop_s": fault.last * BIN_S,
                "kind": fault.kind,
                "level_db": 10 * math.log10(excess / tone),
                "u_level_db": math.hypot(min(noise, 10.0), ends, GAIN_DB),
                "depth_db": fault.depth_db,
                "tone_dbfs": 10 * math.log10(2 * tone),
                "floor_db": float(np.median(floor_db[fault.first : fault.last])),
                "moving": bool(moving[a:b].any()),
            }
        )
    table = pd.DataFrame(rows, columns=COLUMNS)
    return table.astype({"kind": str, "moving": bool})


def _rate(number: int, exposure_s: float) -> Quantity:
    if exposure_s < LEAST_S:
        return not_measurable("1/s", "less than 1 s of movement could be assessed: move slower")
    u = math.sqrt(number) if number else 1.5
    return combine(number / exposure_s, "1/s", [Term("counting", u / exposure_s, "A")])


def _worst(counted: pd.DataFrame, floor: Quantity) -> Quantity:
    bursts = counted[counted["kind"] == "burst"]
    if bursts.empty:
        return not_measurable(
            "dB",
            f"no burst found above the floor of {floor.value:.0f} dB, which holds while the tone "
            f"is within {LOUD_DB:g} dB of its loudest",
        )
    worst = bursts.iloc[int(np.argmax(bursts["level_db"].to_numpy(float)))]
    term = Term("noise and ends of the burst", float(worst["u_level_db"]), "A")
    return combine(float(worst["level_db"]), "dB", [term])


def _notes(
    track: ResidualTrack,
    events: pd.DataFrame,
    floor_db: Array,
    assessed: Mask,
    seen: bool,
    exposure: float,
) -> tuple[str, ...]:
    quiet = float(np.quantile(floor_db[assessed], 0.9))
    notes = [
        f"Events per second of slider movement; {exposure:.1f} s of movement assessed."
        if seen
        else f"No movement seen in the level: events per second of tone, {exposure:.1f} s.",
        f"Nine tenths of the assessed time: floor below {quiet:.0f} dB re the tone there.",
    ]
    left = float((track.tone & ~assessed).sum() * BIN_S)
    if left > 0.5:
        notes.append(
            f"{left:.1f} s of tone not assessed: too soft, too fast, or at the ends of a note."
        )
    resting = int((~events["moving"]).sum())
    if resting:
        notes.append(f"{resting} event(s) while the slider was at rest: listed, not counted.")
    return tuple(notes)


def _lines(
    track: ResidualTrack | None, assessed: Mask | None, floor_db: Array | None = None
) -> dict[str, Any]:
    """Return the lines to draw, one point each 10 ms."""
    if track is None or not track.power.size:
        empty = np.zeros(0)
        names = ("time_s", "tone_db", "residual_db", "found_above_db")
        return {**dict.fromkeys(names, empty), "assessed": np.zeros(0, bool)}
    step = 10
    size = track.power.size // step
    with np.errstate(divide="ignore", invalid="ignore"):
        tone = np.where(track.tone, track.tone_rms, np.nan)[: size * step : step].astype(float)
        top = np.nanmax(tone) if np.isfinite(tone).any() else 1.0
        power = (track.mid + track.high)[: size * step].reshape(size, step).max(axis=1)
        residual = np.where(np.isfinite(tone), power, np.nan).astype(float)
        lines: dict[str, Any] = {
            "time_s": np.arange(size) * step * BIN_S,
            "tone_db": 20 * np.log10(np.maximum(tone / top, 1e-6)),
            "residual_db": 10 * np.log10(np.maximum(residual / top**2, 1e-12)),
        }
    known = np.zeros(size, bool) if assessed is None else assessed[: size * step : step].copy()
    above = np.full(size, np.nan) if floor_db is None else floor_db[: size * step : step]
    lines["found_above_db"] = np.where(known, above + lines["tone_db"], np.nan)
    lines["assessed"] = known
    return lines


def _refused(
    source: Source, asked: str | None, controls: str, reason: str, track: ResidualTrack | None
) -> SliderResult:
    events = pd.DataFrame([], columns=COLUMNS).astype({"kind": str, "moving": bool})
    return SliderResult(
        source=source,
        settings={"controls": asked},
        event_rate=not_measurable("1/s", reason),
        worst_level=not_measurable("dB", reason),
        floor=not_measurable("dB", reason),
        events=events,
        controls=controls,
        movement_s=math.nan,
        assessed_s=0.0,
        counts={},
        **_lines(track, None),
    )
