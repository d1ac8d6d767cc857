"""How one file of a split take follows another: by what is given, by time stamps, by the sound."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import Literal

import numpy as np

from sigkit.captures.disk import opened
from sigkit.captures.header import find_data, time_reference
from sigkit.captures.remarks import spoken_time
from sigkit.captures.wav import Capture
from sigkit.errors import InputError

DAY_S = 86400.0
LONGEST_GAP_S = 3600.0
"""Parts further apart are no longer one take; common practice, no source."""
LONGEST_OVERLAP_S = 30.0
"""How far back an overlap is looked for in the sound."""
LEAST_OVERLAP, LEAST_CHANGES = 256, 32
"""Samples that must be equal, and changes among them: silence is equal everywhere."""

COARSE_S, SHORT_MS = 1.0, 100.0
"""From how many seconds on a stamp speaks against a given gap; lengths below are said in ms."""

How = Literal["given", "time stamps", "sound", "not known"]


@dataclass(frozen=True)
class Seam:
    """How one part follows another.

    Parameters
    ----------
    frames : int
        Frames missing between them, which read as silence; below zero those that both hold, which
        are used once.
    gap_s : float
        The same in seconds.
    how : {"given", "time stamps", "sound", "not known"}
        What tells.
    words : str
        The same in words.
    """

    frames: int
    gap_s: float
    how: How
    words: str


def stamp_of(capture: Capture) -> int | None:
    """Return the time stamp of a file, in samples since midnight."""
    with opened(capture.path) as file:
        size = os.fstat(file.fileno()).st_size
        layout = find_data(file, size)
        return None if layout is None else time_reference(file, layout)


def frames_between(before: Capture, one: int | None, two: int | None) -> int | None:
    """Return the frames between two parts by their time stamps, None where these tell nothing."""
    if one is None or two is None or one == two:
        return None
    gap = two - one - before.frames
    if two < one:  # the clock passed midnight
        day = round(DAY_S * before.rate)
        gap = (gap + day // 2) % day - day // 2
    return gap


def require_near(before: Capture, after: Capture, gap: int) -> None:
    """Raise where time stamps put two files in another order, or too far apart for one take."""
    if gap < -before.frames:
        raise InputError(
            "By its time stamp this part was begun before the part in front of it.",
            where=str(after.path),
            remedy="Number the parts in the order of recording, -p1, -p2 and so on.",
        )
    if gap > LONGEST_GAP_S * before.rate:
        raise InputError(
            f"By the time stamps {spoken_time(gap / before.rate)} lie between this part and the "
            "one before.",
            where=str(after.path),
            remedy="Number takes -t1, -t2; if it is one take, give the seconds between as gap_s.",
        )


def seam_of(
    before: Capture, after: Capture, given_s: float | None, told: int | None, *, whole: bool
) -> Seam:
    """Say how one part follows another: as given, by time stamps, by the sound, or unknown.

    Parameters
    ----------
    before, after : Capture
        The two parts.
    given_s : float or None
        Seconds missing between them, where the caller knows.
    told : int or None
        Frames between them by time stamps, as from `frames_between`.
    whole : bool
        Whether all time stamps are whole seconds, and known no better than that.
    """
    rate = before.rate
    if given_s is not None:
        words = f"gap of {spoken_time(given_s)} as given" if given_s else "no gap as given"
        if told is not None and abs(told / rate - given_s) > (1.0 if whole else COARSE_S):
            words += f" (time stamps say {told / rate:.1f} s)"
        return Seam(round(given_s * rate), given_s, "given", words)
    finest = rate if whole else 1
    if told is not None and told >= finest:
        if whole:
            words = f"gap of {spoken_time(told / rate)} by time stamps, known to 1 s"
        else:
            words = f"gap of {_length(told, rate)} by time stamps"
        return Seam(told, told / rate, "time stamps", words)
    exact = told is not None and not whole
    if told == 0 and exact:
        return Seam(0, 0.0, "time stamps", "no gap by time stamps")
    if exact and told is not None and _holds(before, after, -told):
        return _shared(-told, rate, "time stamps", "by time stamps")
    both = _overlap(before, after)
    if both:
        found = "found in the sound"
        if exact and told is not None:
            found += f" (time stamps say {_length(-told, rate)})"
        return _shared(both, rate, "sound", found)
    if told is None:
        why = "the recorder gave no time stamps of its own to each part"
    elif told > -finest:
        return Seam(0, 0.0, "time stamps", "no gap by time stamps, known to 1 s")
    else:
        why = f"time stamps say that {spoken_time(-told / rate)} overlap, but the sound does not"
    return Seam(0, 0.0, "not known", f"follows without a gap as far as can be told: {why}")


def _shared(frames: int, rate: int, how: How, found: str) -> Seam:
    return Seam(
        -frames, -frames / rate, how, f"overlap of {_length(frames, rate)} {found}, used once"
    )


def _length(frames: int, rate: int) -> str:
    """Return a length to one frame, such as ``1.7 s (81600 frames)``."""
    ms = 1000 * frames / rate
    said = f"{ms:.3g} ms" if ms < SHORT_MS else spoken_time(frames / rate)
    return f"{said} ({frames} frame{'' if frames == 1 else 's'})"


def _holds(before: Capture, after: Capture, count: int) -> bool:
    """Whether the last frames of one part, as many as given, are the first of the other."""
    return 0 < count <= min(before.frames, after.frames) and _equal(before, after, count)


def _overlap(before: Capture, after: Capture) -> int:
    """Return how many frames the start of one part repeats from the end of the other; else 0."""
    rate = before.rate
    longest = min(round(LONGEST_OVERLAP_S * rate), before.frames, after.frames)
    if longest < LEAST_OVERLAP:
        return 0
    tail = before.read((before.frames - longest) / rate)
    head = after.read(0.0, longest / rate)
    if np.count_nonzero(np.diff(head[:LEAST_OVERLAP])) < LEAST_CHANGES:
        return 0
    starts = np.arange(longest - LEAST_OVERLAP + 1)
    for i in range(LEAST_OVERLAP):
        starts = starts[tail[starts + i] == head[i]]
    found = 0
    for start in starts.tolist():
        if np.array_equal(tail[start:], head[: longest - start]):
            if found:
                return 0  # the sound repeats itself
            found = longest - start
    return found


def _equal(before: Capture, after: Capture, count: int) -> bool:
    """Whether the last frames of one part are the first of the other, sample for sample."""
    rate, step = before.rate, 10 * before.rate
    for first in range(0, count, step):
        last = min(first + step, count)
        begin = before.frames - count
        tail = before.read((begin + first) / rate, (begin + last) / rate)
        if not np.array_equal(tail, after.read(first / rate, last / rate)):
            return False
    return True
