"""What the pitch tests share: source, clock, and the checks that come before any number."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from sigkit.captures.remarks import spoken_span
from sigkit.captures.wav import Capture
from sigkit.errors import InputError, SignalError
from sigkit.measures.result import Source
from sigkit.quantity import Quantity, Term, combine
from sigkit.tracks.pitch import PitchTrack

CLOCK_PPM = 50.0
"""Largest deviation of a sound card's clock from its nominal rate, taken as rectangular."""
ONE_NOTE_CENTS, ELSEWHERE = 300.0, 0.1
"""A held note stays within a minor third for nine tenths of its time, even with a bad contact."""
CLOCK = "sound-card clock"
"""Name of the budget term; it is shared by all captures of one interface."""


def clock_term(scale: float, clock_ppm: float = CLOCK_PPM) -> Term:
    """Uncertainty by the clock of something that scales with frequency (JCGM 100:2008, 4.3.7)."""
    return Term(CLOCK, abs(scale) * clock_ppm * 1e-6 / math.sqrt(3), "B")


def in_hz(rough_hz: float, away_cents: float, terms: Sequence[Term]) -> Quantity:
    """Return a pitch in hertz, the sound card's clock in its uncertainty.

    Parameters
    ----------
    rough_hz : float
        What the pitch was measured against.
    away_cents : float
        How far it lies from that.
    terms : sequence of Term
        Components of the uncertainty of that, cents.
    """
    value_hz = rough_hz * 2 ** (away_cents / 1200)
    per_cent_hz = value_hz * math.log(2) / 1200
    by_track = [Term(term.source, term.u * per_cent_hz, term.evaluation) for term in terms]
    return combine(value_hz, "Hz", [*by_track, clock_term(value_hz)])


def source_of(capture: Capture) -> Source:
    """Say which sound was measured."""
    return Source(
        name=capture.path.name,
        rate=capture.rate,
        channel=capture.channel,
        duration_s=capture.duration_s,
        notes=tuple(capture.notes),
    )


def require_tone(capture: Capture, track: PitchTrack, least_s: float) -> None:
    """Raise where the capture holds too little steady tone to answer.

    Raises
    ------
    SignalError
        Less than ``least_s`` seconds of tone.
    """
    tone_s = float(np.count_nonzero(track.voiced)) * track.hop_s
    if tone_s >= least_s:
        return
    raise SignalError(
        f"Only {tone_s:.1f} s of {capture.duration_s:.1f} s hold a tone with a pitch; "
        f"{least_s:g} s are needed.",
        where=capture.path.name,
        remedy="Hold one note of one oscillator, loud enough, without noise or a second tone.",
    )


def require_one_note(capture: Capture, track: PitchTrack) -> None:
    """Raise where the capture holds several notes, or a pitch that is not one note's.

    Raises
    ------
    SignalError
        More than a tenth of the pitch lies further than a minor third from its median.
    """
    known = track.frequency_hz[track.voiced]
    cents = np.abs(1200 * np.log2(known / np.median(known)))
    if np.mean(cents > ONE_NOTE_CENTS) <= ELSEWHERE:
        return
    low, high = np.quantile(known, [0.02, 0.98])
    raise SignalError(
        f"This is not one held note: its pitch lies between {low:.1f} and {high:.1f} Hz.",
        where=capture.path.name,
        remedy="Hold one note of one oscillator, and record nothing else.",
    )


def require_number(name: str, value: object, capture: Capture) -> None:
    """Raise where an option is not a number.

    Raises
    ------
    InputError
        Something else than a number.
    """
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return
    raise InputError(
        f"{name} must be a number; got {value!r}.",
        where=capture.path.name,
        remedy="Give frequencies in Hz, times in seconds and pitch in cents.",
    )


def gap_note(track: PitchTrack) -> tuple[str, ...]:
    """Say where a tone that had begun was missing for longer than half a second."""
    voiced = np.flatnonzero(track.voiced)
    breaks = np.flatnonzero(np.diff(voiced) * track.hop_s > track.window_s + 0.5)
    spans = [spoken_span(track.time_s[voiced[i]], track.time_s[voiced[i + 1]]) for i in breaks]
    if not spans:
        return ()
    shown = ", ".join(spans[:5]) + (f" and {len(spans) - 5} more" if len(spans) > 5 else "")
    return (f"no tone from {shown}",)
