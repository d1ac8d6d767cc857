"""A change of note without the drop-outs beside it, or the one that spoils it."""

from __future__ import annotations

from dataclasses import dataclass, replace

from sigkit.tracks.gaps import gaps_of
from sigkit.tracks.note_changes import LEAST_HELD_S, NoteChange

LANDED_S = 0.3
"""Time for which a note has to be held, from where it is settled on, before a drop-out."""


@dataclass(frozen=True)
class Gap:
    """A drop-out in a glide: where it begins, from the start of the sound, and how long it is."""

    at_s: float
    seconds: float


def without_gaps(change: NoteChange) -> NoteChange | Gap:
    """Cut drop-outs in the held notes off a change of note; return the one that spoils it."""
    rate = change.rate
    low_hz = min(change.before[2], change.after[2])
    before, after, last_s = change.before, change.after, change.sound.size / rate
    first_s = 0.0
    for begin, end in gaps_of(change.sound, rate, low_hz):
        if end < before[1] - LEAST_HELD_S:
            first_s = end
        elif begin > change.settled_s + LANDED_S:
            last_s = min(last_s, begin)
        else:
            return Gap(begin, end - begin)
    first, last = round(first_s * rate), round(last_s * rate)
    if first == 0 and last == change.sound.size:
        return change
    off = first / rate
    stop = min(after[1], last / rate)
    return replace(
        change,
        sound=change.sound[first:last],
        start_s=change.start_s + off,
        before=(max(before[0] - off, 0.0), before[1] - off, before[2]),
        after=(min(after[0], stop - LANDED_S) - off, stop - off, after[2]),
        settled_s=change.settled_s - off,
    )
