"""What the pitch tests share: source, clock, and the checks that come before any number."""

from __future__ import annotations

import math

import numpy as np

from sigkit.captures.wav import Capture
from sigkit.errors import SignalError
from sigkit.measures.result import Source
from sigkit.quantity import Term
from sigkit.tracks.pitch import PitchTrack

CLOCK_PPM = 50.0
"""Largest deviation of a sound card's clock from its nominal rate, taken as rectangular."""
CLOCK = "sound-card clock"
"""Name of the budget term; it is shared by all captures of one interface."""


def clock_term(scale: float, clock_ppm: float = CLOCK_PPM) -> Term:
    """Uncertainty by the clock of something that scales with frequency (JCGM 100:2008, 4.3.7)."""
    return Term(CLOCK, abs(scale) * clock_ppm * 1e-6 / math.sqrt(3), "B")


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


def gap_note(track: PitchTrack) -> tuple[str, ...]:
    """Say where a tone that had begun was missing for longer than half a second."""
    voiced = np.flatnonzero(track.voiced)
    breaks = np.flatnonzero(np.diff(voiced) * track.hop_s > track.window_s + 0.5)
    spans = [
        f"{track.time_s[voiced[i]]:.1f} to {track.time_s[voiced[i + 1]]:.1f} s" for i in breaks
    ]
    if not spans:
        return ()
    shown = ", ".join(spans[:5]) + (f" and {len(spans) - 5} more" if len(spans) > 5 else "")
    return (f"no tone from {shown}",)
