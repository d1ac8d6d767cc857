"""What a report of a measurement has to say of itself: what, where, when, by whom, on what."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence

NOT_GIVEN = "not given"


def report_name(evidence: Evidence, code: str) -> str:
    """Return what tells this report from any other: the unit and the code of its results."""
    unit = evidence.job.settings.unit or "unit not named"
    return f"{unit}, results {code}" if code else unit


def dates_of(evidence: Evidence) -> str:
    """Return the first and last date of the captures, as the job gives them."""
    dates = [stage.date for stage in evidence.job.stages if stage.date]
    return " to ".join(dict.fromkeys([dates[0], dates[-1]])) if dates else "no dates given"


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
                f"{stage.name.replace('_', ' ')}: {stage.date or NOT_GIVEN}" for stage in job.stages
            ),
        ),
        ("issued", "Date of this report", told.get("issued") or NOT_GIVEN),
        (
            "selection",
            "What was recorded",
            f"{evidence.capture_count} captures, chosen by the restorer; all of them are listed, "
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


def _code(code: str) -> str:
    if not code:
        return ""
    return (
        "The code is the beginning of the SHA-256 of results.json, which the manifest lists; it "
        "stands on every page."
    )
