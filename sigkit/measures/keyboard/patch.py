"""What the patch does to all keys: glide, vibrato, a second oscillator; what pitches then tell."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from sigkit.arrays import Real
from sigkit.tracks.keyboard.detune import detuning_of
from sigkit.tracks.keyboard.notes import KeyNote
from sigkit.tracks.keyboard.pitch import NotePitch
from sigkit.tracks.keyboard.sound import KeySound

FEWEST = 4
MOST_KEYS = 0.4
"""Share of the notes from which on it is the patch, rather than a key."""
MOVES_CENTS = 0.3
"""Scatter of a held pitch from which on that matters."""
AS_STEP = 0.4
"""A bend is a glide where it differs from the step between the notes by less than this share."""
RESTS = 0.2
"""Scatter of a pitch about where it comes to rest re that about its mean, from which on down it
moves at its beginning only."""
SLOW_TURNS = 3
"""A pitch that crosses its mean so seldom does not average out over a note."""
OF_A_WAVE = 1.5
"""Standard uncertainty of a mean over part of a slow wave, re its usual scatter within notes."""
OF_A_BEND = 4e-5
"""Standard uncertainty of where a glide ends, re its size: what no exponential explains."""
OF_MOVES = 0.05
"""The same where none was fitted, re the scatter of the pitch: what is left of a glide that is too
short for it."""
GLIDES = "settling not testable: glide is on; set it to 0, measure again"
BENDS = (
    "settling not testable: the pitch of most keys moves as they are pressed; set glide to 0 and "
    "take envelopes off the pitch, measure again"
)
CENTS = 1200 / math.log(2)


def known_of(
    whole: KeySound,
    notes: Sequence[KeyNote],
    pitches: Sequence[NotePitch | None],
    *,
    changing: bool,
) -> tuple[list[NotePitch | None], tuple[str, ...], str]:
    """Return what is known of every pitch, given what all of them do, and what to say of that.

    And why it can't be told how keys settle; empty: it can.

    Parameters
    ----------
    whole : KeySound
        The sweep.
    notes : sequence of KeyNote
        Its notes.
    pitches : sequence of NotePitch or None
        Their pitches, each taken by itself.
    changing : bool
        Whether the waves of held notes change.
    """
    out, said, why = list(pitches), list[str](), ""
    alone = [p for n, p in zip(notes, pitches, strict=True) if p is not None and not n.under]
    moving = [p for p in alone if p.moves_cents > MOVES_CENTS]
    glides = _glides(pitches) > MOST_KEYS * len(alone)
    apart = _detuning(whole, notes, pitches) if changing and not glides else math.nan
    if math.isfinite(apart):
        said.append(
            "held notes swell and fade as where two oscillators sound together, some "
            f"{apart:.2g} cents apart: errors are uncertain by that; use one oscillator, no effects"
        )
        out = [_less_sure(_mean_of(p, 0.0), apart / math.sqrt(12)) for p in out]
    elif len(alone) >= FEWEST and len(moving) > MOST_KEYS * len(alone):
        usual = float(np.median([p.moves_cents for p in moving]))
        if glides:
            out = [_after_glide(p) for p in out]
            said.append("every note glides from the one before: set glide to 0, measure again")
            why = GLIDES
        elif _rests(moving):
            said.append(
                f"the pitch of most keys moves by some {usual:.1g} cents (rms) as they are "
                "pressed, and then rests: a short glide or an envelope on the pitch left on? "
                "errors are of where it rests"
            )
            out, why = [_after_glide(p) for p in out], BENDS
        elif float(np.median([p.turns for p in moving])) > SLOW_TURNS:
            said.append(_moves(usual))
        else:
            out = [_mean_of(p, usual) for p in pitches]
            said.append(f"{_moves(usual)}; each error is that of the mean over its note")
    return out, tuple(said), why


def _rests(moving: Sequence[NotePitch]) -> bool:
    """Whether most pitches move at their beginning only, too quickly for a bend to be fitted."""
    quick = [p for p in moving if not p.bend_cents and p.wander_cents < RESTS * p.moves_cents]
    return len(quick) > len(moving) / 2


def _after_glide(pitch: NotePitch | None) -> NotePitch | None:
    """Return where a glide ends; one that was not fitted is only known to be short."""
    if pitch is None:
        return None
    of_bend = OF_A_BEND * abs(pitch.bend_cents)
    return _less_sure(pitch, of_bend if pitch.bend_cents else OF_MOVES * pitch.moves_cents)


def _moves(usual: float) -> str:
    return (
        f"the pitch of most keys moves by some {usual:.1g} cents (rms) while they are held: "
        "vibrato, a glide or another modulation left on?"
    )


def _glides(pitches: Sequence[NotePitch | None]) -> int:
    """Count the notes that begin at the pitch of the one before."""
    known = [p for p in pitches if p is not None]
    hz: Real = np.array([p.hz for p in known])
    step = CENTS * np.diff(np.log(hz))
    bend = np.array([p.bend_cents for p in known[1:]])
    return int(np.count_nonzero(np.abs(bend + step) < AS_STEP * np.abs(step)))


def _mean_of(pitch: NotePitch | None, moves_cents: float) -> NotePitch | None:
    """Return the mean of a pitch that moves slowly, and how far its own middle may be from that."""
    if pitch is None:
        return None
    u_hz = math.hypot(pitch.u_mean_hz, OF_A_WAVE * moves_cents / CENTS * pitch.mean_hz)
    return replace(
        pitch,
        hz=pitch.mean_hz,
        u_hz=u_hz,
        settles_after_s=0.0,
        bend_cents=0.0,
        bend_s=math.nan,
        wander_cents=pitch.moves_cents,
    )


def _less_sure(pitch: NotePitch | None, u_cents: float) -> NotePitch | None:
    if pitch is None:
        return None
    return replace(pitch, u_hz=math.hypot(pitch.u_hz, u_cents / CENTS * pitch.hz))


def _detuning(
    whole: KeySound, notes: Sequence[KeyNote], pitches: Sequence[NotePitch | None]
) -> float:
    """Return how far two oscillators are apart in most notes, cents; nan: one sounds."""
    found = np.array(
        [
            detuning_of(whole, n, p)
            for n, p in zip(notes, pitches, strict=True)
            if p is not None and not n.under
        ]
    )
    known = found[np.isfinite(found)]
    if found.size < FEWEST or known.size < MOST_KEYS * found.size:
        return math.nan
    return float(np.median(known))
