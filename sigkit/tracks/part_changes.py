"""Changes of note that a capture holds in part only: begun in silence, cut off, or interrupted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sigkit.arrays import Flags, Real

LEAST_CENTS = 70.0
"""Smaller changes are vibrato or a bend, not another note."""
FRAMES = 4
"""Frames over which a slide is seen, at least: quicker ones leave no trace in the rough pitch."""
AWAY_CENTS = 5.0
"""Change of the rough pitch that says that a note has been left."""
CONTRARY, AT_ONCE = 0.1, 0.7
"""Shares of a slide that may go against its way, and from one frame to the next."""
BEYOND = 0.35
"""Share of an interval by which a pitch has to leave it to have been on its way elsewhere: so far
no glide overshoots."""

NO_START = "it begins before its tone is heard: hold the amplifier open"
NO_LEAD = "it begins before the capture does: record half a second of the note before"
NO_TONE = "the tone stops before it has landed: hold the amplifier open"
NO_END = "the capture ends before its pitch has come to rest: hold the last note longer"
CUT_OFF = "another key is pressed before it has landed: hold each note until its pitch has settled"
NOT_HELD = "it sets out from a pitch on its way: hold each note until its pitch has settled"


@dataclass(frozen=True)
class PartChange:
    """A change of note without a held note at one of its ends.

    Parameters
    ----------
    start_s : float
        Where it begins, or is first heard, s from the start of the capture.
    from_hz, to_hz : float
        Rough pitch of the held notes; nan where none is held.
    reason : str
        What it lacks and what to do.
    """

    start_s: float
    from_hz: float
    to_hz: float
    reason: str


@dataclass(frozen=True)
class Part:
    """The same in frames: where it begins, the frames of its held notes (None: none)."""

    first: int
    before: int | None
    after: int | None
    reason: str


def parts_of(
    cents: Real, loud: Flags, before: int | None, after: int | None, move: tuple[int, int]
) -> list[Part]:
    """Find slides of the pitch at one move that lack a held note.

    Parameters
    ----------
    cents : ndarray, shape (n_frames,)
        Rough pitch, nan where there is none.
    loud : ndarray of bool, shape (n_frames,)
        Whether there is a tone.
    before, after : int or None
        Last frame of the held note before and first of that after; None where none is held.
    move : tuple of int
        First and last frame of the move.

    Returns
    -------
    list of Part
        Two where a slide turns back before it has landed; none where the pitch does not slide.
    """
    known = loud & np.isfinite(cents)
    if before is None and after is None:
        return []
    if before is None and after is not None:
        first = after
        while first > move[0] and known[first - 1]:
            first -= 1
        why = NO_START if first > 0 else NO_LEAD
        return [Part(first, None, after, why)] if slides(cents[first : after + 1]) else []
    if after is None and before is not None:
        last = before
        while last < move[1] and known[last + 1]:
            last += 1
        why = NO_TONE if last + 1 < cents.size else NO_END
        sets_out = _sets_out(cents, before, last)
        return [Part(sets_out, before, None, why)] if slides(cents[before : last + 1]) else []
    return _turned(cents, known, before or 0, after or 0)


def _turned(cents: Real, known: Flags, before: int, after: int) -> list[Part]:
    """Find a slide that turns back between two held notes before it has landed."""
    if not known[before : after + 1].all():
        return []
    way = cents[before : after + 1]
    low, high = sorted((float(way[0]), float(way[-1])))
    room = max(LEAST_CENTS, BEYOND * (high - low))
    beyond = np.maximum(way - high, low - way)
    turn = before + int(np.argmax(beyond))
    if beyond.max() < room:
        return []
    if not (slides(cents[before : turn + 1]) and slides(cents[turn : after + 1])):
        return []
    sets_out = _sets_out(cents, before, turn)
    return [Part(sets_out, before, None, CUT_OFF), Part(turn, None, after, NOT_HELD)]


def _sets_out(cents: Real, before: int, last: int) -> int:
    """Return the first frame whose pitch is no more that of the note before."""
    gone = np.abs(cents[before : last + 1] - cents[before]) > AWAY_CENTS
    return before + int(np.argmax(gone))


def slides(cents: Real) -> bool:
    """Whether a rough pitch slides one way: neither noise nor an octave taken wrongly."""
    if cents.size <= FRAMES:
        return False
    net = float(cents[-1] - cents[0])
    steps = np.diff(cents) * np.sign(net)
    against = -float(steps[steps < 0].sum())
    return bool(
        abs(net) >= LEAST_CENTS
        and against < CONTRARY * abs(net)
        and steps.max() < AT_ONCE * abs(net)
        and np.count_nonzero(steps > 0) >= FRAMES
    )
