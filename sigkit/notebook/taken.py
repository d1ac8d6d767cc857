"""A take that was just recorded: what was lost of it, how it looks, how it sounds."""

from __future__ import annotations

from sigkit.captures.recording import Recording
from sigkit.captures.wav import Capture
from sigkit.notebook.checking import beginning_of, course
from sigkit.notebook.listening import players
from sigkit.notebook.shown import Shown, picture, said, table

HEAD = ("at, s", "samples", "in its place", "why")


def lost_places(recording: Recording) -> Shown:
    """Return where sound is missing, and why; or that none is."""
    if not recording.lost:
        return said("Nothing was lost.")
    stands = {True: "zeros", False: "nothing: what follows comes too early"}
    rows = [
        [f"{place.at_s:.3f}", str(place.frames), stands[place.filled], place.cause]
        for place in recording.lost
    ]
    return table(HEAD, rows)


def look_at_take(capture: Capture) -> Shown:
    """Return the whole course of a take."""
    told = "Lowest and highest sample of every moment; flat tops at full scale are clipping."
    return picture(course(capture), told)


def listen_to_take(capture: Capture) -> Shown:
    """Return a player for the first seconds of a take."""
    return players([beginning_of(capture, capture.path.name)])
