"""One change of note, measured: its row in the table of glides, its faults and its curve."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from sigkit.arrays import Real
from sigkit.captures.remarks import spoken_place
from sigkit.measures.glide.colour import corners_of
from sigkit.measures.glide.curve import (
    BAND_CENTS,
    Curve,
    Fault,
    Read,
    curve_of,
    faults_of,
    misfit_cents,
    read_off,
)
from sigkit.measures.glide.fit import fit_glide
from sigkit.measures.glide.gaps import Gap, without_gaps
from sigkit.measures.glide.landing import Stand, rough_stand, stands_of
from sigkit.measures.glide.model import LINEAR, Fit
from sigkit.measures.glide.over import overshoot_of
from sigkit.measures.glide.terms import COLUMNS, SCATTER
from sigkit.measures.glide.waver import waver_of
from sigkit.tracks.marks import Marks, find_marks
from sigkit.tracks.note_changes import NoteChange
from sigkit.tracks.part_changes import PartChange

FEWEST_PERIODS = 3.0
"""Periods of the carrier, from the start to 99 % of the interval, that a glide time needs."""
SURE = 0.25
"""Relative standard uncertainty from which a glide time is a bound and no number."""
CYCLE = 0.25
"""Periods by which the marks may depart from a law before the fit may be on a wrong period."""
WORSE, AT_ODDS = 2.0, 1.5
"""A second family of marks is left out where it scatters this many times more, or where residuals
of both, in variances of the marks, are above that and those of the better one half as large."""
ELSEWHERE_CENTS, DRIFTS_CENTS_S = 3.0, 1.5
"""Where the note held may stand beside the law, and by how much more it may drift a second."""
LEAP_CENTS, BACKWARDS = 100.0, 0.5
"""Leaps against its way, and their sum in parts of the interval, from which on a curve is none of
one oscillator: marks of two that beat are gained and lost."""
LAST_PART = 0.02
"""Share of a time read off the curve within which the pitch enters the band, at a small slope."""
OTHER = "other"
DRAWN = 400
"""Points of a curve that are kept for drawing."""

GLIDE_COLUMNS = (
    "start_s",
    "from_hz",
    "to_hz",
    "interval_cents",
    "glide_time_s",
    "u_glide_time_s",
    *COLUMNS.values(),
    "at_most_s",
    "time_constant_s",
    "u_time_constant_s",
    "law",
    "misfit_cents",
    "time_to_5_cents_s",
    "u_time_to_5_cents_s",
    "overshoot_cents",
    "u_overshoot_cents",
    "landing_error_cents",
    "u_landing_error_cents",
    "glitches",
    "periods",
    "before_from_s",
    "before_to_s",
    "after_from_s",
    "after_to_s",
    "whole",
    "reason",
)


@dataclass(frozen=True, eq=False)
class Heard:
    """One change of note, its law fitted to its marks.

    Parameters
    ----------
    change : NoteChange
        The change, without its sound.
    marks : Marks
        The better family of marks.
    fit : Fit
        What was fitted to them.
    """

    change: NoteChange
    marks: Marks
    fit: Fit


@dataclass(frozen=True, eq=False)
class Measured:
    """One change of note, measured.

    Parameters
    ----------
    row : dict
        Its row of the table of glides.
    stands : tuple of Stand, or None
        Where the notes before and after stand; None where one of them is not held.
    faults : list of Fault
        Steps and plateaux, times from the start of the capture.
    curve : Curve
        Its pitch from period to period, for drawing.
    """

    row: dict[str, object]
    stands: tuple[Stand, Stand] | None = None
    faults: list[Fault] = field(default_factory=list)
    curve: Curve = field(default_factory=lambda: Curve(np.empty(0), np.empty(0), np.empty(0)))


def hear_change(change: NoteChange | PartChange) -> Heard | Measured | None:
    """Fit one change of note; None where it is none, its row where there is nothing to fit."""
    if isinstance(change, PartChange):
        return Measured(_part_row(change))
    if change.broken_s is not None:
        return _without_time(
            change,
            f"the tone stops at {spoken_place(change.broken_s)}, between the notes: hold the "
            "amplifier open",
            whole=False,
        )
    trimmed = without_gaps(change)
    if isinstance(trimmed, Gap):
        return _without_time(
            change,
            f"the sound drops out for {_ms(trimmed.seconds)} at "
            f"{spoken_place(change.start_s + trimmed.at_s)}, in it or beside it: record it again",
            whole=False,
        )
    change = trimmed
    rate, before, after = change.rate, change.before, change.after
    marks = find_marks(change.sound, rate, before, after)
    if not marks:
        if _same_after_all(change, rate):
            return None
        return _without_time(
            change,
            "no level is crossed once a period on both notes: play one oscillator, filter open",
        )
    if len(marks) == 2 and _scatter(marks[1]) > WORSE * _scatter(marks[0]):
        marks = marks[:1]
    waver = waver_of(marks[0].time_s, before[1], (change.settled_s, after[1]))
    fit = fit_glide(marks, before[2], after[2], waver)
    if len(marks) == 2 and fit.reduced > AT_ODDS:
        alone = fit_glide(marks[:1], before[2], after[2], waver)
        fit = alone if alone.reduced < fit.reduced / 2 else fit
    corners = corners_of(change.sound, rate, marks[0], before, after)
    fit = replace(fit, corners=corners, rate=rate, waver=waver)
    return Heard(replace(change, sound=np.empty(0)), marks[0], fit)


def measured(heard: Heard, fit: Fit) -> Measured:
    """Measure one change of note by its weighed fit."""
    change, marks = heard.change, heard.marks
    before, after = change.before, change.after
    row = _row(change)
    curve = curve_of(marks, fit)
    read = None
    if fit.departs or _goes_on(curve, fit, after):
        read = read_off(curve, float(fit.numbers[2]), before[:2], after[:2])
    if read and _falls_back(curve, read) > BACKWARDS:
        return _without_time(
            change,
            "its pitch leaps back and forth between the notes: play one oscillator, filter open",
        )
    row |= _of_curve(read, curve, fit) if read else _of_law(fit, curve)
    start_s, low = (read.start_s, read.from_log2) if read else (fit.start_s, float(fit.numbers[2]))
    end_s = read.end_s if read else fit.start_s + fit.law.when(0.99) * fit.seconds
    curve = replace(curve, cents=curve.cents - 1200 * (low - float(fit.numbers[2])))
    high = read.to_log2 if read else float(fit.numbers[3])
    faults = []
    if not row["reason"]:
        faults = faults_of(curve, 1200 * (high - low), start_s, end_s, low)
        row |= _over(curve, read, fit, marks)
    row |= {"start_s": change.start_s + start_s, "glitches": len(faults)}
    return Measured(
        row,
        stands_of(marks, fit, before, after, change.start_s),
        _later(faults, change.start_s),
        _drawn(curve, start_s, end_s),
    )


def _over(curve: Curve, read: Read | None, fit: Fit, marks: Marks) -> dict[str, object]:
    """Row of how far a pitch goes beyond where it lands."""
    late_s = read.late_s if read else fit.start_s + fit.law.when(0.9) * fit.seconds
    late = curve.time_s > late_s
    way = 1 if fit.numbers[3] > fit.numbers[2] else -1
    span = 1200 * abs(float(fit.numbers[3] - fit.numbers[2]))
    to_go = span * (1 - fit.law.progress((curve.time_s[late] - fit.start_s) / fit.seconds))
    over, u_over = overshoot_of(
        curve.time_s[late],
        way * curve.cents[late],
        read.seconds if read else fit.seconds,
        0 * to_go if read else to_go,
        marks.fine_sd[1],
    )
    return {"overshoot_cents": over, "u_overshoot_cents": u_over}


def _falls_back(curve: Curve, read: Read) -> float:
    """Return by how much a pitch leaps against its way, in parts of the interval."""
    span = 1200 * (read.to_log2 - read.from_log2)
    inside = (curve.time_s > read.start_s) & (curve.time_s < read.end_s)
    leaps = -np.diff(curve.cents[inside]) * np.sign(span)
    return float(leaps[leaps > LEAP_CENTS].sum()) / abs(span)


def _goes_on(curve: Curve, fit: Fit, after: tuple[float, float, float]) -> bool:
    """Whether the note held after a glide stands elsewhere than its law says.

    So does one that goes on slowly once the law has all but landed: the law's time is then not
    that of the interval, and its landing not that of the pitch.
    """
    held = (curve.time_s >= after[0]) & (curve.time_s <= after[1])
    if np.count_nonzero(held) < FEWEST_PERIODS:
        return False
    t = curve.time_s[held]
    law = 1200 * (fit.log2_at(t) - float(fit.numbers[2]))
    away = abs(float(np.median(curve.cents[held] - law)))
    end_s = fit.start_s + fit.law.when(0.99) * fit.seconds
    return away > ELSEWHERE_CENTS + DRIFTS_CENTS_S * max(0.0, float(t.mean()) - end_s)


def _part_row(change: PartChange) -> dict[str, object]:
    """Row of a change of note that the capture does not hold whole."""
    return dict.fromkeys(GLIDE_COLUMNS, math.nan) | {
        "start_s": change.start_s,
        "from_hz": change.from_hz,
        "to_hz": change.to_hz,
        "law": "",
        "glitches": 0,
        "whole": False,
        "reason": change.reason,
    }


def _row(change: NoteChange, reason: str = "") -> dict[str, object]:
    """Row of a change of note before it is measured."""
    before, after = change.before, change.after
    return dict.fromkeys(GLIDE_COLUMNS, math.nan) | {
        "start_s": change.start_s + before[1],
        "from_hz": before[2],
        "to_hz": after[2],
        "interval_cents": 1200 * math.log2(after[2] / before[2]),
        "law": "",
        "glitches": 0,
        "whole": True,
        "reason": reason,
    }


def _without_time(change: NoteChange, reason: str, *, whole: bool = True) -> Measured:
    before, after = (rough_stand(held, change.start_s) for held in (change.before, change.after))
    row = _row(change, reason) | {"whole": whole}
    return Measured(row, (before, after))


def _of_curve(read: Read, curve: Curve, fit: Fit) -> dict[str, object]:
    """Row of a glide that follows no law."""
    inside = (curve.time_s > read.start_s) & (curve.time_s < read.end_s)
    return {
        "from_hz": 2.0**read.from_log2,
        "to_hz": 2.0**read.to_log2,
        "interval_cents": 1200 * (read.to_log2 - read.from_log2),
        "glide_time_s": read.seconds,
        "u_glide_time_s": read.u_seconds,
        **dict.fromkeys(COLUMNS.values(), 0.0),
        COLUMNS[SCATTER]: read.u_seconds,
        "law": OTHER,
        "misfit_cents": misfit_cents(curve, fit),
        "time_to_5_cents_s": read.settled_s,
        "u_time_to_5_cents_s": math.hypot(
            max(read.u_seconds, LAST_PART * read.seconds), read.u_start_s, read.u_settled_s
        )
        if math.isfinite(read.settled_s)
        else math.nan,
        "periods": float(np.count_nonzero(inside)),
    }


def _of_law(fit: Fit, curve: Curve) -> dict[str, object]:
    """Row of a glide that follows a law, or why it has no time."""
    span = 1200 * float(fit.numbers[3] - fit.numbers[2])
    seconds, terms = fit.seconds, fit.u_of(lambda numbers: math.exp(numbers[1]))
    u_seconds = math.hypot(*terms.values())
    end_s = fit.start_s + fit.law.when(0.99) * seconds
    at = np.linspace(fit.start_s, end_s, 400)
    periods = float(np.mean(2.0 ** fit.log2_at(at))) * (end_s - fit.start_s)
    out: dict[str, object] = {
        "from_hz": 2.0 ** float(fit.numbers[2]),
        "to_hz": 2.0 ** float(fit.numbers[3]),
        "interval_cents": span,
        "misfit_cents": misfit_cents(curve, fit),
        "periods": periods,
    }
    if periods < FEWEST_PERIODS or not u_seconds < SURE * seconds:
        longest = FEWEST_PERIODS / 2.0 ** float(min(fit.numbers[2:4]))
        if periods >= FEWEST_PERIODS or u_seconds < SURE * seconds:
            longest = max(longest, seconds + 2 * u_seconds)
        why = f"fewer than {FEWEST_PERIODS:g} periods of the carrier in it"
        if periods >= FEWEST_PERIODS:
            why = "its marks scatter too much"
        return out | {
            "at_most_s": longest,
            "reason": f"at most {_ms(longest)}: {why}; play an octave higher",
        }
    if float(np.max(np.abs(fit.residual - np.median(fit.residual)), initial=0.0)) > CYCLE:
        return out | {
            "reason": "the pitch follows no law of a glide to within a quarter of a period: "
            "play one oscillator, an octave higher",
        }
    out |= {"law": fit.law_name, "glide_time_s": seconds, "u_glide_time_s": u_seconds}
    out |= {COLUMNS[name]: u for name, u in terms.items()}
    return out | _times_after(fit, span)


def _times_after(fit: Fit, span: float) -> dict[str, object]:
    """Time constant, where there is one, and time to within 5 cents, with uncertainties."""

    def constant(numbers: Real) -> float:
        return fit.model.law_of(numbers).time_constant * math.exp(numbers[1])

    def settled(numbers: Real) -> float:
        band = BAND_CENTS / (1200 * abs(numbers[3] - numbers[2]))
        return fit.model.law_of(numbers).when(1 - band) * math.exp(numbers[1])

    wanted = {}
    if not fit.law_name.startswith(LINEAR):
        wanted["time_constant_s"] = constant
    if abs(span) > 2 * BAND_CENTS:
        wanted["time_to_5_cents_s"] = settled
    out: dict[str, object] = {}
    for name, value in wanted.items():
        out |= {
            name: value(fit.numbers),
            f"u_{name}": math.hypot(*fit.u_of(value).values()),
        }
    return out


def _ms(seconds: float) -> str:
    ms = 1000 * seconds
    return f"{ms:.0f} ms" if ms >= 10 else f"{ms:.2g} ms"


def _scatter(marks: Marks) -> float:
    return math.hypot(marks.before_sd, marks.after_sd)


def _same_after_all(change: NoteChange, rate: int) -> bool:
    """Whether both notes are one: the rough pitch was wrong by octaves on one side."""
    for hz in (change.before[2], change.after[2]):
        sides = [(a, b, hz) for a, b, _ in (change.before, change.after)]
        if find_marks(change.sound, rate, sides[0], sides[1]):
            return True
    return False


def _later(faults: list[Fault], seconds: float) -> list[Fault]:
    return [
        Fault(f.kind, f.time_s + seconds, f.at_hz, f.progress, f.size_cents, f.duration_s)
        for f in faults
    ]


def _drawn(curve: Curve, start_s: float, end_s: float) -> Curve:
    """Thin the curve around the glide, its time counted from the start."""
    t, length = curve.time_s - start_s, end_s - start_s
    near = np.flatnonzero((t > -0.3 * length - 0.02) & (t < 1.3 * length + 0.05))
    near = near[:: max(1, math.ceil(near.size / DRAWN))]
    return Curve(t[near], curve.cents[near], curve.u_cents[near])
