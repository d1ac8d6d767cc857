"""What a report of a measurement has to say of itself: what, where, when, by whom, on what."""

from __future__ import annotations

import datetime
import textwrap
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence

NOT_GIVEN = "not given"
ISO_DAY = 10
"""Length of a date without a time of day, ISO 8601."""
MOST_COMPLAINT = 240
"""Characters of the owner's words on page one; the whole of them stands behind it."""


def report_name(evidence: Evidence, code: str) -> str:
    """Return what tells this report from any other: the unit and the code of its results."""
    unit = evidence.job.settings.unit or "unit not named"
    return f"{unit}, results {code}" if code else unit


def dates_of(evidence: Evidence) -> str:
    """Return the first and last date of the captures, as the job gives them."""
    dates = evidence.job.recorded_on
    return " to ".join(dict.fromkeys([dates[0], dates[-1]])) if dates else "no dates given"


def last_day(evidence: Evidence) -> str:
    """Return the latest day that stages, repairs and readings give, ISO 8601; empty for none."""
    job = evidence.job
    found = [stage.date for stage in job.stages]
    found += [repair.date for repair in job.repairs or ()]
    clocks = [reading.clock for stage in job.stages for reading in stage.readings]
    found += [clock.date().isoformat() for clock in clocks if clock is not None]
    return max((day[:ISO_DAY] for day in found if _is_day(day[:ISO_DAY])), default="")


def issued_on(evidence: Evidence) -> str:
    """Return the date of the report as the job gives it, and how it stands to the job's own dates.

    The day on which it is written is left out: the same captures give the same report at any time.
    """
    given, last = evidence.job.settings.report.get("issued", ""), last_day(evidence)
    if given and last and _is_day(given) and given < last:
        return f"{given}, which is before the last date in this job, {last}: one of them is wrong"
    if given:
        return given
    if last:
        return f"{NOT_GIVEN}; not before {last}, the last date in this job"
    return f"{NOT_GIVEN}, and nothing in this job is dated"


def quoted(text: str) -> str:
    """Return words of somebody in quotation marks, on one line."""
    return f"\N{LEFT DOUBLE QUOTATION MARK}{' '.join(text.split())}\N{RIGHT DOUBLE QUOTATION MARK}"


def complaint_told(evidence: Evidence) -> str:
    """Return the owner's complaint for page one, quoted and cut where it is long; or nothing."""
    words = evidence.job.settings.report.get("complaint", "")
    return quoted(textwrap.shorten(words, MOST_COMPLAINT, placeholder=" ...")) if words else ""


def _is_day(text: str) -> bool:
    try:
        return bool(datetime.date.fromisoformat(text))
    except ValueError:
        return False


def running_head(evidence: Evidence, code: str) -> str:
    """Return what stands at the top of every printed page."""
    return f"Bench evidence, {report_name(evidence, code)}, {dates_of(evidence)}"


def about(evidence: Evidence, code: str) -> list[tuple[str, str, str]]:
    """Return what the report says of itself: anchor, name and text of each item, in order."""
    job = evidence.job
    settings = job.settings
    told = dict(settings.report)
    return [
        ("report-name", "This report", f"{report_name(evidence, code)}. {_code(code)}"),
        ("made-by", "Measured and reported by", told.get("by") or NOT_GIVEN),
        ("made-at", "Place of the work", told.get("place") or NOT_GIVEN),
        (
            "customer",
            "Made for",
            told.get("made_for") or "not named: owners and buyers are private",
        ),
        (
            "unit",
            "Unit under test",
            ": ".join(t for t in (settings.unit or "not named", settings.description) if t),
        ),
        (
            "complaint",
            "What the owner said was wrong",
            quoted(told["complaint"]) if told.get("complaint") else "not written down",
        ),
        (
            "condition",
            "Its condition when it came",
            told.get("condition")
            or "as the first stage and the log of repairs show; no more was written down",
        ),
        ("received", "Received", told.get("received") or NOT_GIVEN),
        (
            "capture-dates",
            "Recorded",
            "; ".join(
                f"{stage.name.replace('_', ' ')}: "
                + ("nothing" if stage.reason else stage.date or NOT_GIVEN)
                for stage in job.stages
            ),
        ),
        ("issued", "Date of this report", issued_on(evidence)),
        (
            "selection",
            "What was recorded",
            f"{_captures(evidence.capture_count)}, chosen by the restorer; all of them are listed, "
            "used or not. The first usable take of each stage is drawn.",
        ),
        (
            "outside-work",
            "Results from others",
            "none: every figure was computed from the captures listed here. Dates, temperatures, "
            "rails, repairs and names are as the restorer wrote them down and were not checked.",
        ),
        (
            "only-this-unit",
            "What the results hold for",
            "only the unit named above, in the state, at the settings and in the room in which it "
            "was recorded.",
        ),
        (
            "whole",
            "Copies",
            "Parts of this report may mislead: pass it on whole, up to its last line.",
        ),
    ]


def _captures(count: int) -> str:
    return "1 capture" if count == 1 else f"{count} captures"


def _code(code: str) -> str:
    if not code:
        return ""
    return (
        "The code is the beginning of the SHA-256 of results.json, which the manifest lists; it "
        "stands on every page."
    )
