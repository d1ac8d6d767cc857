"""Warm-up drift: how far and how long the pitch moves after switch-on, and whether it settled."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, ClassVar

import numpy as np
import pandas as pd

from sigkit.arrays import Real
from sigkit.captures.parts import JoinedCapture
from sigkit.captures.wav import Capture
from sigkit.errors import InputError, SignalError
from sigkit.measures.edges import value_at_edge
from sigkit.measures.held_note import (
    gap_note,
    require_number,
    require_one_note,
    require_tone,
    source_of,
)
from sigkit.measures.result import Result
from sigkit.measures.warmup.curve import Take, curve_of, table_of
from sigkit.measures.warmup.notes import cycle_note, power_on_note, shape_note, step_note
from sigkit.measures.warmup.numbers import (
    cycle_of,
    fitted_on,
    parts_of,
    residual_drift,
    settling_of,
    time_constant,
    with_clock,
)
from sigkit.measures.warmup.settling import NOT_SETTLED, why_unsettled
from sigkit.measures.warmup.shape import find_shape
from sigkit.measures.warmup.warmth import temperature_coefficient
from sigkit.quantity import Quantity, Term, combine, not_measurable
from sigkit.tracks.one_note import held_note
from sigkit.tracks.pitch import track_pitch
from sigkit.tracks.power_on import find_power_on
from sigkit.tracks.second_opinion import second_opinion

if TYPE_CHECKING:
    from matplotlib.axes import Axes


LEAST_S = 10.0
HOP_S, WINDOW_S = 0.05, 0.2
READINGS = ["time_s", "room_c"]
TIME_LOST = "the time that is missing between two parts of this recording is not known; give gap_s"


@dataclass(frozen=True, kw_only=True, eq=False)
class WarmupResult(Result):
    """Warm-up drift of a held note.

    Parameters
    ----------
    total_drift : Quantity
        Pitch at the end less pitch at the start of the tone, cents.
    drift_without_steps : Quantity
        The same without the steps listed in ``jumps``, cents.
    time_constant : Quantity
        Of the best exponential approach, of the larger one where two fit better, s.
    settling_time : Quantity
        From switch-on until the pitch enters, and never again leaves, the band around its final
        value, steps and a cycle taken out, s.
    residual_drift : Quantity
        Slope over the last quarter of the tone, steps and a cycle taken out, cents/min.
    cycle_period, cycle_cents : Quantity
        Period (s) and peak (cents) of a regular cycle of 2 to 20 min, such as of a room's heating.
    temperature_coefficient : Quantity
        Change of pitch by the temperature of the room, cents/°C, where it was read often enough.
    largest_step : Quantity
        The largest of ``jumps``, with its sign, cents.
    curve : DataFrame
        Columns time_s (since switch-on), frequency_hz, cents (against the end), u_cents; nan in
        gaps.
    jumps : DataFrame
        Columns time_s (since switch-on), size_cents, u_cents, duration_s, kind: moves within a
        second that stay. Kind is ``jump`` (faster than 0.1 s, such as a bad contact), ``move``
        (slower and above 2 cents, such as a knocked knob), or ``in a gap``.
    shape : DataFrame
        Columns part, cents, u_cents, time_constant_s, u_time_constant_s: one row for each
        exponential approach, its whole size from the start of the tone on.
    readings : DataFrame
        Columns time_s (since switch-on), room_c: the temperature of the room as given.
    fitted_cents : ndarray
        The exponentials and steps on the rows of the curve; nan where there are none.
    power_on_s : float
        Instant of switch-on in the capture, the middle where it is known as a range.
    power_on_range_s : tuple of float
        Earliest and latest instant of switch-on.
    switch_on : {"thump", "click", "tone", "given", "start"}
        What tells that instant; ``start``, of the recording, where nothing does.
    band_cents : float
        Half-width of the band of the settling time.
    take : Take
        The track behind it all.
    """

    test: ClassVar[str] = "warmup"

    total_drift: Quantity
    drift_without_steps: Quantity
    time_constant: Quantity
    settling_time: Quantity
    residual_drift: Quantity
    cycle_period: Quantity
    cycle_cents: Quantity
    temperature_coefficient: Quantity
    largest_step: Quantity
    curve: pd.DataFrame
    jumps: pd.DataFrame
    shape: pd.DataFrame
    readings: pd.DataFrame
    fitted_cents: Real
    power_on_s: float
    power_on_range_s: tuple[float, float]
    switch_on: str
    band_cents: float
    take: Take

    def until(self, seconds: float) -> WarmupResult:
        """Measure the same tone again as if it had ended so many seconds after switch-on.

        Parameters
        ----------
        seconds : float
            End, in seconds after switch-on (the middle of its range).

        Returns
        -------
        WarmupResult
            From the track of this one; the file is not read again.

        Raises
        ------
        SignalError
            Less than 10 s of tone until then.
        """
        take = self.take.until(float(seconds))
        tone_s = float(np.count_nonzero(take.track.voiced)) * take.track.hop_s
        if tone_s < LEAST_S:
            raise SignalError(
                f"Only {tone_s:.1f} s of tone lie within {seconds:g} s after switch-on; "
                f"{LEAST_S:g} s are needed.",
                where=self.source.name,
                remedy="Cut it later.",
            )
        return _evaluate(take)

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw cents against minutes since switch-on, with the band and the settling time."""
        from sigkit.charts.warmup import draw_warmup

        return draw_warmup(self, ax)


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
    return _evaluate(take)


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


def _evaluate(take: Take) -> WarmupResult:
    """Measure a take; in one thread, as small matrices are slower in several, and not the same."""
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

    with threadpool_limits(1):
        return _measured(take)


def _measured(take: Take) -> WarmupResult:
    curve = curve_of(take)
    t, window = curve.time_s, take.track.window_s
    start, u_start = value_at_edge(
        t, curve.cents, curve.begin_s, noise=curve.noise, window_s=window
    )
    final, u_final = value_at_edge(
        t[::-1], curve.cents[::-1], curve.end_s, noise=curve.noise, window_s=window
    )
    ends = [Term("pitch at the start", u_start, "A"), Term("pitch at the end", u_final, "A")]
    total = combine(final - start, "cents", ends)
    inner = curve.steps[curve.steps["time_s"].between(curve.begin_s, curve.end_s)]
    by_steps = [
        Term(f"step at {at_s:.0f} s", float(u), "A")
        for at_s, u in inner[["time_s", "u_cents"]].to_numpy(float)
    ]
    known = np.isfinite(curve.level)
    t, steady = t[known], curve.level[known] - final
    shape = find_shape(
        t - curve.begin_s, curve.cents[known], inner["time_s"].to_numpy() - curve.begin_s
    )
    if shape.cycle is not None:
        at_end = float(shape.cycle.at(np.array(curve.length_s)))
        steady = steady - shape.cycle.at(t - curve.begin_s) + at_end
    residual = residual_drift(t, steady, shape, curve)
    u_level = math.hypot(u_final, *(term.u for term in by_steps))
    settling = settling_of(take, t, steady, curve, u_level, shape)
    to_go = 0.0
    if shape.fit is not None:
        to_go = float(shape.fit.values[shape.fit.parts] - shape.at(np.array(curve.length_s)))
    why_not = why_unsettled(
        settling,
        residual,
        to_go=to_go,
        end_s=curve.end_s,
        length_s=curve.length_s,
        band=take.band_cents,
    )
    period, size = cycle_of(shape, curve)
    if not why_not and size.measurable and size.value > take.band_cents:
        why_not = (
            f"{NOT_SETTLED}: it goes up and down by ±{size.value:.1f} cents every "
            f"{period.value / 60:.1f} min"
        )
    constant = time_constant(shape, curve.length_s)
    known_s = take.known_until_s - take.zero_s
    if known_s < curve.end_s and constant.measurable:
        constant = not_measurable("s", TIME_LOST)
    if known_s < curve.end_s and not why_not and settling.value > known_s:
        why_not = TIME_LOST
    notes = [
        *take.notes,
        *step_note(curve.steps),
        *shape_note(shape, curve),
        *cycle_note(shape, take.band_cents),
    ]
    if take.power_on_s[0] < take.power_on_s[1] and not why_not:
        half = (take.power_on_s[1] - take.power_on_s[0]) / 2
        notes.append(
            f"settled between {(settling.value - half) / 60:.1f} and "
            f"{(settling.value + half) / 60:.1f} min after switch-on, whose instant is a range"
        )
    table = table_of(take, curve, final)
    return WarmupResult(
        source=take.source,
        settings=take.settings,
        notes=tuple(notes),
        total_drift=total,
        drift_without_steps=combine(
            total.value - float(inner["size_cents"].sum()), "cents", [*ends, *by_steps]
        ),
        time_constant=constant,
        settling_time=not_measurable("s", why_not) if why_not else with_clock(settling),
        largest_step=_largest(inner),
        residual_drift=residual,
        cycle_period=period,
        cycle_cents=size,
        temperature_coefficient=temperature_coefficient(shape, take.readings, curve.begin_s),
        curve=table,
        jumps=curve.steps,
        shape=parts_of(shape),
        readings=take.readings,
        fitted_cents=fitted_on(table, shape, curve, final),
        power_on_s=take.zero_s,
        power_on_range_s=take.power_on_s,
        switch_on=take.switch_on,
        band_cents=take.band_cents,
        take=take,
    )


def _largest(steps: pd.DataFrame) -> Quantity:
    if steps.empty:
        return not_measurable("cents", "no step of pitch found")
    row = int(np.argmax(steps["size_cents"].abs()))
    size, u = steps[["size_cents", "u_cents"]].to_numpy(float)[row]
    return combine(float(size), "cents", [Term("pitch beside the step", float(u), "A")])
