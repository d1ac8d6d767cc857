"""What a bench test needs of a capture: a tone, notes, movement or quiet, for long enough."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sigkit.captures.problem import Problem
from sigkit.captures.survey import Survey

Real = NDArray[np.float64]

LEAST_S = {
    "stability": (2.0, 5.0),
    "warmup": (60.0, 120.0),
    "beating": (2.0, 5.0),
    "glide": (1.5, 3.0),
    "envelope": (1.5, 2.0),
    "slider": (3.0, 5.0),
    "keyboard": (5.0, 10.0),
    "noise": (2.0, 5.0),
    "waveform": (1.0, 1.5),
}
"""Seconds below which a test has to be recorded again, and below which that is remarked."""
WANTED = {
    "stability": "10 to 60 s of one held note",
    "warmup": "an hour of one held note, from switch-on",
    "beating": "10 to 60 s of two oscillators held",
    "glide": "two notes in turn, each held until it settles",
    "envelope": "five presses of one note",
    "slider": "the slider moved end to end several times",
    "keyboard": "every key in turn, each for a second",
    "noise": "10 to 30 s with no key held",
    "waveform": "2 to 10 s of one held note",
}
NEEDS_TONE = ("stability", "warmup", "beating", "glide", "keyboard", "waveform")
FEW = 0.05
"""Share of loud frames with a pitch below which there is no tone."""
STEADY_DB = 1.5
STEADY_CENTS = 12.0
NO_GLIDE_CENTS = 120.0
STAYS = 0.9
NO_NOTES_DB = 6.0
FEWEST_KEYS = 3
SEVERAL_NOTES = 4
QUIET_DBFS = -45.0


def too_short(duration_s: float, test: str | None) -> list[Problem]:
    """Compare a length with what the bench test needs; guide values, common practice."""
    if test is None:
        return []
    again_s, remark_s = LEAST_S[test]
    if duration_s >= remark_s:
        return []
    least_s = again_s if duration_s < again_s else remark_s
    how = f"{duration_s:.3g} s, {test} needs {least_s:g} s and more"
    remedy = f"Record {WANTED[test]}."
    severity = "record again" if duration_s < again_s else "remark"
    return [Problem("too short", "whole capture", how, (test,), remedy, severity)]  # type: ignore[arg-type]


def wrong_content(survey: Survey, test: str | None) -> list[Problem]:
    """Say where the sound is none that the named bench test can be made on."""
    if test is None or len(survey.power) < 6:
        return []
    said = _no_tone(survey, test) or _CHECKS.get(test, lambda _: "")(survey)
    if not said:
        return []
    remedy = f"Is it the right file? {test} needs {WANTED[test]}."
    kind = "wrong content"
    return [Problem(kind, "whole capture", said, (test,), remedy, "record again")]


def _no_tone(survey: Survey, test: str) -> str:
    loud = survey.loud()
    if test not in NEEDS_TONE or loud.sum() < 4:
        return ""
    share = float(survey.tonal()[loud].mean())
    return "noise, no tone in it" if share < FEW else ""


def _pitches(survey: Survey, within_db: float = 25.0) -> Real:
    """Return the rough pitch of loud, clear frames in cents."""
    use = survey.loud(within_db) & (survey.clarity > 0.8)
    cents: Real = 1200 * np.log2(np.maximum(survey.pitch_hz[use], 1.0))
    return cents


def _one_note(survey: Survey) -> str:
    """Find several notes where one should be held."""
    cents = _pitches(survey)
    if len(cents) < 10:
        return ""
    stays = np.abs(np.diff(cents)) < 40
    notes, count = np.unique(np.round(cents[1:][stays] / 100), return_counts=True)
    most = count.max() / max(1, count.sum()) if len(count) else 1.0
    held = notes[count >= 3]
    if len(held) < SEVERAL_NOTES or most > 0.4 or np.ptp(held) < 3:
        return ""
    return f"{len(held)} different notes, where one is held"


def _quiet(survey: Survey) -> str:
    """Find a held tone where there should be quiet."""
    level = survey.level_dbfs
    low, high = np.percentile(level, [5, 95])
    if low < QUIET_DBFS or high - low > 6 or (survey.contrast_db[:, 0] > 20).mean() < 0.9:
        return ""
    hz = float(np.median(survey.line_hz))
    pitch = float(np.median(survey.pitch_hz))
    if any(abs(pitch / mains - 1) < 0.015 for mains in (50.0, 60.0, 100.0, 120.0)):
        return ""
    return f"a tone at {hz:.0f} Hz and {low:.0f} dBFS throughout, no quiet"


def _keys(survey: Survey) -> str:
    """Find fewer notes than anyone plays on a keyboard."""
    cents = _pitches(survey)
    if len(cents) < 6:
        return ""
    stays = np.abs(np.diff(cents)) < 40
    _, count = np.unique(np.round(cents[1:][stays] / 100), return_counts=True)
    held = int((count >= 2).sum())
    if held >= FEWEST_KEYS:
        return ""
    return f"{held} different {'note' if held == 1 else 'notes'}, where every key is played"


def _moves(survey: Survey) -> str:
    """Find a sound that does not change while a slider should be moved."""
    loud = survey.loud()
    if loud.sum() < 8:
        return ""
    edge = np.flatnonzero(loud)
    inner = np.zeros_like(loud)
    inner[edge[0] + 2 : edge[-1] - 1] = True
    if np.ptp(survey.level_dbfs[inner]) > 12 or inner.sum() < 8:
        return ""
    bands = survey.bands_db[inner]
    strong = np.median(bands, axis=0) > np.median(bands, axis=0).max() - 40
    low, high = np.percentile(bands[:, strong], [4, 96], axis=0)
    swing_db = float((high - low).max())
    hz = survey.line_hz[inner]
    line_cents = 1200 * np.log2(np.maximum(hz, 1) / np.median(np.maximum(hz, 1)))
    line_swing = float(np.ptp(np.percentile(line_cents, [4, 96])))
    if swing_db > STEADY_DB or line_swing > STEADY_CENTS:
        return ""
    return f"nothing moves: level and timbre within {swing_db:.1f} dB"


def _glides(survey: Survey) -> str:
    """Find a pitch that stays where it should glide."""
    loud = survey.loud(25.0) & survey.tonal()
    if loud.sum() < 8:
        return ""
    cents = 1200 * np.log2(np.maximum(survey.line_hz[loud], 1.0))
    stays = float((np.abs(cents - np.median(cents)) < NO_GLIDE_CENTS / 2).mean())
    return f"the pitch stays where it is for {100 * stays:.0f} %" if stays > STAYS else ""


def _presses(survey: Survey) -> str:
    """Find a level that neither rises nor falls where notes should begin and end."""
    low, high = np.percentile(survey.level_dbfs, [1, 99])
    if high - low > NO_NOTES_DB:
        return ""
    return f"no note begins or ends: the level stays within {high - low:.1f} dB"


_CHECKS = {
    "stability": _one_note,
    "waveform": _one_note,
    "warmup": _one_note,
    "noise": _quiet,
    "keyboard": _keys,
    "slider": _moves,
    "glide": _glides,
    "envelope": _presses,
}
