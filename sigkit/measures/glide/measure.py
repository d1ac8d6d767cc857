"""Glide (portamento): how long each change of note takes, by which law, and how it lands."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, ClassVar

import numpy as np
import pandas as pd

from sigkit.captures.needed import takes_capture
from sigkit.captures.remarks import spoken_places
from sigkit.captures.watch import Watch, watched
from sigkit.captures.wav import Capture
from sigkit.errors import SignalError
from sigkit.measures.cued import unanswered
from sigkit.measures.glide.curve import Curve
from sigkit.measures.glide.fit import agreed
from sigkit.measures.glide.holds import with_holds
from sigkit.measures.glide.landing import SAME_NOTE_CENTS, landing_errors
from sigkit.measures.glide.laws import Law
from sigkit.measures.glide.numbers import (
    imbalance_of,
    largest_of,
    mean_time,
    number_of,
    spread_of,
)
from sigkit.measures.glide.rows import (
    GLIDE_COLUMNS,
    OTHER,
    Heard,
    Measured,
    hear_change,
    measured,
)
from sigkit.measures.glide.waver import Waver
from sigkit.measures.glide.weighing import weighed
from sigkit.measures.held_note import source_of
from sigkit.measures.result import Result
from sigkit.quantity import Quantity
from sigkit.tracks.note_changes import note_changes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FAULT_COLUMNS = ("glide", "kind", "time_s", "at_hz", "progress", "size_cents", "duration_s")


@dataclass(frozen=True, kw_only=True, eq=False)
class GlideResult(Result):
    """Glides between the notes of one capture.

    Parameters
    ----------
    glide_time : Quantity
        Mean of the 10-90 % times of all glides, s; taken in cents, that is in log frequency.
    time_up, time_down : Quantity
        The same of the glides up and of those down, s.
    up_down_difference : Quantity
        Time up against time down, 100 (up/down - 1), %.
    repeat_spread : Quantity
        Standard deviation of the times of repeats (same notes, same direction) as a share of their
        mean, %.
    time_constant : Quantity
        Mean time constant of the glides that end as a single pole, s.
    time_to_5_cents : Quantity
        Mean time from the start until within 5 cents of the pitch that the glide goes to, s.
    landing_error : Quantity
        Where a note stands after its glide, its mean pitch in the last 0.3 s held, against the
        median of where it stands otherwise in this capture; the largest of all glides, cents.
    overshoot : Quantity
        Largest overshoot beyond the pitch of the note, cents.
    glitches : Quantity
        Steps and plateaux in all glides, their number a glide.
    glides : DataFrame
        One row a glide: ``start_s``; ``from_hz`` and ``to_hz``, the pitch before and the pitch it
        goes to; ``interval_cents``, signed; ``glide_time_s`` from 10 to 90 % of that and
        ``u_glide_time_s``, without the sound card's clock, and its parts: ``u_scatter_s`` of the
        marks, ``u_jitter_s`` of the oscillator, ``u_filters_s`` on the way, ``u_drift_s``, and
        ``u_assumed_s`` of couplings and of notes not quite held, ``u_law_s`` of another law that
        explains the glides nearly as well; ``at_most_s``, a bound where the
        carrier is too low for a number; ``time_constant_s`` and its uncertainty (nan: constant
        rate); ``law``, ``exponential`` (a single pole in pitch), ``linear`` (constant rate in
        pitch), ``mixed`` (from the one into the other), the first two ``in hertz`` (of an
        oscillator with so many hertz a volt), or ``other``; ``misfit_cents``, the rms departure
        from it; ``time_to_5_cents_s``; ``overshoot_cents``; ``landing_error_cents`` and
        ``u_landing_error_cents``, without what the oscillator wanders from hold to hold;
        ``glitches``, its number of steps and plateaux; ``periods`` of the carrier from its start to
        99 % of the interval; ``before_from_s`` to ``before_to_s`` and ``after_from_s`` to
        ``after_to_s``, parts of the notes whose mean pitch says where they stand; ``whole``,
        whether the capture holds it from one held note to another without a drop-out: what it does
        not is left out of all means and counts; ``reason`` where it has no time.
    faults : DataFrame
        Steps and plateaux: ``glide`` (row of ``glides``), ``kind``, ``time_s``, ``at_hz``,
        ``progress`` (share of the interval, 0 to 1), ``size_cents`` of steps, ``duration_s`` of
        plateaux.
    curves : tuple of Curve
        Pitch from period to period of every glide, for drawing.
    """

    test: ClassVar[str] = "glide"

    glide_time: Quantity
    time_up: Quantity
    time_down: Quantity
    up_down_difference: Quantity
    repeat_spread: Quantity
    time_constant: Quantity
    time_to_5_cents: Quantity
    landing_error: Quantity
    overshoot: Quantity
    glitches: Quantity
    glides: pd.DataFrame
    faults: pd.DataFrame
    curves: tuple[Curve, ...] = field(repr=False)

    def at_most(self) -> Mapping[str, Quantity]:
        """Return the bound of the glide time where all glides are too fast for a number."""
        whole = counted(self.glides)
        times, bounds = whole["glide_time_s"], whole["at_most_s"]
        if times.notna().any() or bounds.isna().any() or bounds.empty:
            return {}
        highest = float(bounds.max())
        return {"glide_time": Quantity(highest, 0.5 * highest / 2, "s")}

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw all glides laid on one start, up and down apart, with 10 and 90 % marked."""
        from sigkit.charts.glide import draw_glide

        return draw_glide(self, ax)


@takes_capture
def measure_glide(capture: Capture) -> GlideResult:
    """Measure every glide between the held notes of a capture.

    Parameters
    ----------
    capture : Capture
        One oscillator, its amplifier held open, notes an octave or more apart, each held until the
        pitch has settled and half a second longer, several times up and down.

    Returns
    -------
    GlideResult
        See there for the quantities and the columns.

    Raises
    ------
    SignalError
        No change of note from one held note to another.

    See Also
    --------
    sigkit.measure_stability : How well a held note keeps its pitch.
    sigkit.measure_envelope : The times of a loudness contour.

    Notes
    -----
    A window of fixed length is blind to a glide shorter than itself. Instead the sound is read
    where it crosses a level that both held notes cross once a period: each such mark is one turn of
    the oscillator, however fast the pitch slides, and no turn can be counted wrong. The phase of a
    single pole and of a constant rate, in log pitch and in hertz, and of a rate that runs into a
    single pole are fitted to the marks by least squares from several starts; the law with the
    smallest residuals is reported with them, each number that it has more counted against it. The
    glides of a capture follow one law, unless one of them speaks clearly for another; what a law
    that explains them nearly as well would say is in the uncertainty. Where none explains the
    marks, or the note held after the glide stands elsewhere than its law goes, the curve itself
    gives the time.

    The 10-90 % time is the transition duration of [1]_ between the pitch held before and the pitch
    that the glide goes to, in cents; of a single pole it is ln 9 time constants. Uncertainties
    follow [2]_, 5.1.2: scatter of the marks, jitter of the oscillator that adds up in its phase,
    filters left open (2 kHz or higher), which delay a high note more than a low one, coupling
    capacitors of 0 to 20 Hz, which move the marks of slow edges on low notes, and a drift of some
    cents a second at most. The last three are fitted with the law, so that they count by what the
    marks of all glides of the capture leave open of them, or as much as they may be where there are
    few periods. Fewer than 3 periods of
    the carrier between the start and 99 % of the interval give a bound. A vibrato that both notes
    have is taken out of the marks first. What the capture holds in part (a glide that begins in
    silence, is cut off by the next key or by the end, or that a drop-out hits) is listed with the
    reason, if it takes longer than a tenth of a second or so.

    References
    ----------
    .. [1] IEC 60469:2013, Transitions, pulses and related waveforms (terms, from memory).
    .. [2] JCGM 100:2008.
    """
    watch = watched(capture)
    heard = [one for one in map(hear_change, note_changes(watch)) if one is not None]
    fitted = [one for one in heard if isinstance(one, Heard)]
    fits = agreed([one.fit for one in fitted])
    fitted = with_holds([replace(one, fit=fit) for one, fit in zip(fitted, fits, strict=True)])
    fits = weighed([one.fit for one in fitted])
    own = iter([measured(one, fit) for one, fit in zip(fitted, fits, strict=True)])
    found = [next(own) if isinstance(one, Heard) else one for one in heard]
    if not any(one.stands for one in found):
        lost = "; ".join(dict.fromkeys(str(one.row["reason"]).split(":")[0] for one in found))
        raise SignalError(
            "No glide from one held note to another was found"
            + (f"; of {len(found)} heard in part: {lost}." if found else "."),
            where=capture.path.name,
            remedy="Hold the amplifier open and play a low and a high key in turn, each held until "
            "its pitch has settled and half a second longer.",
        )
    table = _table(found)
    faults = pd.DataFrame(
        [
            (number, f.kind, f.time_s, f.at_hz, f.progress, f.size_cents, f.duration_s)
            for number, one in enumerate(found)
            for f in one.faults
        ],
        columns=list(FAULT_COLUMNS),
    )
    whole = counted(table)
    up = ~(whole["interval_cents"] < 0)
    times = {"up": mean_time(whole[up], "up"), "down": mean_time(whole[~up], "down")}
    return GlideResult(
        source=source_of(capture),
        settings={},
        notes=(
            *_notes(table, faults, watch.watch, capture),
            *_in_hertz(table),
            *_vibrato([one.fit.waver for one in heard if isinstance(one, Heard)]),
            *unanswered(capture, "glide", table["start_s"].tolist(), ("up", "down"), "a glide"),
        ),
        glide_time=mean_time(whole, ""),
        time_up=times["up"],
        time_down=times["down"],
        up_down_difference=imbalance_of(times["up"], times["down"]),
        repeat_spread=spread_of(whole),
        time_constant=mean_time(
            whole,
            "",
            column="time_constant_s",
            why="a glide follows no law"
            if OTHER in set(whole["law"])
            else "a glide runs at constant rate to its end: it has no time constant",
        ),
        time_to_5_cents=mean_time(
            whole,
            "",
            column="time_to_5_cents_s",
            why="the pitch does not stay within 5 cents of where it is held: hold it longer, turn "
            "vibrato off",
        ),
        landing_error=largest_of(whole, "landing_error_cents"),
        overshoot=largest_of(whole, "overshoot_cents"),
        glitches=number_of(whole),
        glides=table,
        faults=faults,
        curves=tuple(one.curve for one in found),
    )


def counted(table: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of a table of glides that count: those that the capture holds whole, if any.

    Leaving one out favours none: it is the recording that lacks it, or a key that came too soon.
    """
    whole = table["whole"].to_numpy(bool)
    return table[whole] if whole.any() else table


def _table(found: Sequence[Measured]) -> pd.DataFrame:
    """Lay the rows together, with where each note stands against where it stands otherwise."""
    table = pd.DataFrame([one.row for one in found], columns=list(GLIDE_COLUMNS))
    table["whole"] = table["whole"].astype(bool)
    held = [(number, one.stands) for number, one in enumerate(found) if one.stands]
    errors = landing_errors([stands for _, stands in held])
    columns = ["landing_error_cents", "u_landing_error_cents"]
    columns += ["before_from_s", "before_to_s", "after_from_s", "after_to_s"]
    for (number, (before, after)), error in zip(held, errors, strict=True):
        spans = [before.from_s, before.to_s, after.from_s, after.to_s]
        table.loc[number, columns] = [*error, *spans]
    return table


def _notes(
    table: pd.DataFrame, faults: pd.DataFrame, watch: Watch, capture: Capture
) -> tuple[str, ...]:
    notes = []
    unmeasured = table[table["reason"] != ""]
    for reason, same in unmeasured.groupby("reason", sort=False):
        many = "glide" if len(table) == 1 else "glides"
        said = f"{len(same)} of {len(table)} {many} without a time"
        if table["whole"].any() and not same["whole"].any():
            said += f" and left out (at {spoken_places(same['start_s'].head(5))})"
        notes.append(f"{said}: {reason}")
    laws = sorted(set(table["law"]) - {""})
    if len(laws) > 1:
        notes.append(f"the glides follow different laws: {', '.join(laws)}")
    if OTHER in laws:
        notes.append("where no law fits, the time is read off the curve itself")
    if len(faults):
        notes.append(_where(faults, len(table)))
    spoilt = [*(s.first for s in watch.silences if s.beside > 0), *(g.at for g in watch.glitches)]
    if spoilt:
        at = spoken_places(first / capture.rate for first in sorted(spoilt)[:5])
        notes.append(f"the recorder silenced or spoilt samples at {at}")
    return tuple(notes)


def _in_hertz(table: pd.DataFrame) -> tuple[str, ...]:
    """Say what a single pole in hertz does to the times up and down, which are taken in cents."""
    own = table[table["law"] == "exponential in hertz"]
    if own.empty:
        return ()
    octaves = float(own["interval_cents"].abs().median()) / 1200
    up, down = (1 / Law(0.0, way * octaves).time_constant for way in (1, -1))
    return (
        f"{len(own)} of {len(table)} glides run as a single pole in hertz: in cents, one up then "
        f"takes {100 * (1 - up / down):.0f} % less time than one down of the same time constant",
    )


def _vibrato(wavers: Sequence[Waver | None]) -> tuple[str, ...]:
    """Say what vibrato was taken out of the times."""
    found = [waver for waver in wavers if waver]
    if not found:
        return ()
    cents = float(np.median([waver.cents for waver in found]))
    rate = float(np.median([waver.rate_hz for waver in found]))
    return (
        f"the held notes waver by ±{cents:.1f} cents at {rate:.1f} Hz beside {len(found)} of "
        f"{len(wavers)} glides: taken out of what a law is fitted to; turn vibrato off",
    )


def _where(faults: pd.DataFrame, glides: int) -> str:
    """Say whether steps and plateaux come back at one pitch."""
    cents = 1200 * np.log2(faults["at_hz"].to_numpy(np.float64))
    best = max(
        (len(set(faults["glide"][np.abs(cents - at) < SAME_NOTE_CENTS])) for at in cents), default=0
    )
    what = f"{len(faults)} steps or plateaux in {faults['glide'].nunique()} of {glides} glides"
    if best >= max(2, 0.5 * faults["glide"].nunique()):
        return f"{what}; {best} of them at the same pitch: a contact rather than the slider"
    return f"{what}, at different pitches"
