"""A take that the recorder split into numbered files, read as one capture and never copied.

Recorders begin a new file where one reaches 2 or 4 GiB. Whether sound is missing between the two is
told by the time stamps that Broadcast WAV files carry [1]_; without them, the end of one file and
the start of the next can at least show that they overlap.

References
----------
.. [1] EBU Tech 3285 version 2 (2011), Specification of the Broadcast Wave Format.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import soundfile as sf
from numpy.typing import NDArray

from sigkit.captures.disk import decoder
from sigkit.captures.fitness import LEVEL_TESTS, Fitness, Problem
from sigkit.captures.remarks import spoken_place
from sigkit.captures.seams import (
    LONGEST_GAP_S,
    Seam,
    frames_between,
    require_near,
    seam_of,
    stamp_of,
)
from sigkit.captures.wav import Capture, open_capture
from sigkit.errors import InputError


@dataclass(frozen=True)
class Part:
    """One file of a joined capture.

    Parameters
    ----------
    capture : Capture
        The file.
    begin : int
        Frame of the joined capture at which it begins.
    skip : int
        Frames left out at its start, because the part before holds them too.
    """

    capture: Capture
    begin: int
    skip: int = 0

    @property
    def end(self) -> int:
        """Frame of the joined capture behind its last one."""
        return self.begin + self.capture.frames - self.skip


@dataclass(frozen=True, eq=False)
class JoinedCapture(Capture):
    """Several files of one take on one time axis; it reads like any other capture.

    Parameters
    ----------
    parts : tuple of Part
        The files in order, the first at frame 0.
    seams : tuple of Seam
        How each but the first follows the one before.

    Notes
    -----
    What is missing between two parts reads as silence of the same length. ``path`` is that of the
    first part. Make one with `join_parts`.
    """

    parts: tuple[Part, ...] = ()
    seams: tuple[Seam, ...] = ()

    @property
    def salvaged(self) -> bool:
        """Whether the header of any part is wrong and was put right in memory."""
        return any(part.capture.salvaged for part in self.parts)

    @cached_property
    def sha256(self) -> str:
        """SHA-256 of the files' own SHA-256, one a line in hexadecimal, in their order."""
        lines = "".join(f"{part.capture.sha256}\n" for part in self.parts)
        return hashlib.sha256(lines.encode("ascii")).hexdigest()

    def fitness(self, test: str | None = None) -> Fitness:
        """Say whether the capture is fit to measure; reads it once from start to end.

        A seam where sound is missing, or may be, harms the level tests: they would take it for
        something that the instrument did.
        """
        found = super().fitness(test)
        broken = [
            (part.begin / self.rate, seam.words)
            for part, seam in zip(self.parts[1:], self.seams, strict=True)
            if seam.gap_s > 0 or seam.how == "not known"
        ]
        if not broken:
            return found
        problem = Problem(
            "recorder began a new file",
            ", ".join(spoken_place(at_s, 1) for at_s, _ in broken),
            "; ".join(dict.fromkeys(words for _, words in broken)),
            LEVEL_TESTS,
            "Keep takes short enough for one file; pitch tests can use this one.",
            "record again",
        )
        return replace(found, problems=(problem, *found.problems))

    def _stretch(
        self, start: int, stop: int, size: int
    ) -> Iterator[tuple[int, NDArray[np.float64]]]:
        with contextlib.ExitStack() as stack:
            sounds: dict[int, sf.SoundFile] = {}
            for first in range(start, stop, size):
                last = min(first + size, stop)
                block = np.zeros((last - first, self.channels))
                for number, part in enumerate(self.parts):
                    begin, end = max(first, part.begin), min(last, part.end)
                    if begin >= end:
                        continue
                    at = begin - part.begin + part.skip
                    if number not in sounds:
                        opening = decoder(part.capture.path, part.capture.layout)
                        sounds[number] = stack.enter_context(opening)
                        sounds[number].seek(at)
                    frames = part.capture.frames_at(sounds[number], at, end - begin)
                    if len(frames) == len(block):
                        block = frames
                    else:
                        block[begin - first : end - first] = frames
                yield first, block


def join_parts(
    paths: Sequence[str | os.PathLike[str]],
    channel: int | None = None,
    *,
    gap_s: float | Sequence[float] | None = None,
) -> Capture:
    """Open the numbered files of one take as one capture; copies nothing.

    Parameters
    ----------
    paths : sequence of str or path-like
        The files in the order in which they were recorded; at least one.
    channel : int, optional
        0-based channel to read, the same in all; None takes the only one, or the louder one of the
        first part.
    gap_s : float or sequence of float, optional
        Seconds missing between two parts where you know them: one number for every seam, or one
        number for each. None looks at the time stamps, then at the sound.

    Returns
    -------
    Capture
        One capture over all parts; ``notes`` says how they follow each other. A single file is
        opened like any other.

    Raises
    ------
    InputError
        No file; parts of another rate, format or number of channels; parts whose time stamps lie
        in another order or more than an hour apart; a part that holds nothing new; a gap that is
        none.
    SignalError
        A part cannot be read, as `open_capture` says.

    See Also
    --------
    sigkit.open_capture : One file.

    Notes
    -----
    Time stamps are the TimeReference of Broadcast WAV files [1]_, samples since midnight. Where all
    of them are whole seconds they are taken to be no finer than that. An overlap, by time stamps or
    without, counts only where both parts hold the same samples, and only where one length of it
    fits: a sound that repeats itself sample for sample tells nothing.

    References
    ----------
    .. [1] EBU Tech 3285 version 2 (2011), Specification of the Broadcast Wave Format.

    Examples
    --------
    >>> import tempfile, wave
    >>> names = [tempfile.mkdtemp() + f"/warmup-oscillator_1-p{n}.wav" for n in (1, 2)]
    >>> for name in names:
    ...     with wave.open(name, "wb") as file:
    ...         file.setparams((1, 2, 48000, 0, "NONE", ""))
    ...         file.writeframes(bytes(2 * 48000))
    >>> capture = join_parts(names, gap_s=1.7)
    >>> capture.duration_s, capture.notes
    (3.7, ('recorded in 2 parts, gap of 1.7 s as given',))
    """
    if isinstance(paths, (str, bytes, os.PathLike)) or not len(paths):
        raise InputError(
            "Parts are wanted: the paths of one or more files, in a list.",
            where=str(paths),
            remedy="Give them in the order of recording; a single file opens with open_capture.",
        )
    first = open_capture(paths[0], channel)
    captures = [first, *(open_capture(path, first.channel) for path in paths[1:])]
    given = _given(gap_s, len(captures) - 1, first)
    if len(captures) == 1:
        return first
    for capture in captures[1:]:
        _require_alike(first, capture)
    stamps = [stamp_of(capture) for capture in captures]
    whole = all(stamp is None or stamp % first.rate == 0 for stamp in stamps)
    parts, seams = [Part(first, 0)], []
    for i, after in enumerate(captures[1:]):
        before = captures[i]
        told = frames_between(before, stamps[i], stamps[i + 1])
        if told is not None and given[i] is None:
            require_near(before, after, told)
        seam = seam_of(before, after, given[i], told, whole=whole)
        shift = seam.frames
        if after.frames <= -shift:
            raise InputError(
                "The part holds nothing that the part before it does not hold already.",
                where=str(after.path),
                remedy="Find out which recording is the next part; this one may be a copy.",
            )
        parts.append(Part(after, parts[-1].end + max(0, shift), max(0, -shift)))
        seams.append(seam)
    return JoinedCapture(
        first.path,
        first.rate,
        first.channels,
        parts[-1].end,
        first.channel,
        _notes(captures, seams),
        first.container,
        first.subtype,
        parts=tuple(parts),
        seams=tuple(seams),
    )


def _notes(captures: Sequence[Capture], seams: Sequence[Seam]) -> tuple[str, ...]:
    """Say how the parts follow each other, and what the reader remarked on each."""
    count = len(captures)
    if count == 2:
        joined = f"recorded in 2 parts, {seams[0].words}"
    else:
        every = [f"{i} to {i + 1}: {seam.words}" for i, seam in enumerate(seams, start=1)]
        joined = f"recorded in {count} parts ({'; '.join(every)})"
    said = [f"part {i}: {n}" for i, c in enumerate(captures[1:], start=2) for n in c.notes]
    return (joined, *captures[0].notes, *said)


def _given(gap_s: object, seams: int, first: Capture) -> list[float | None]:
    """Return the gap of every seam as the caller knows it."""
    if gap_s is None:
        return [None] * seams
    every = list(gap_s) if isinstance(gap_s, (list, tuple)) else [gap_s] * seams
    numbers = [g for g in every if isinstance(g, (int, float)) and not isinstance(g, bool)]
    sound = len(numbers) == len(every) and all(0 <= g <= LONGEST_GAP_S for g in numbers)
    if seams == 0 or len(every) != seams or not sound:
        wanted = "one number" if seams == 1 else f"one number, or {seams} of them"
        raise InputError(
            f"gap_s must be {wanted} from 0 to {LONGEST_GAP_S:g} s; got {gap_s!r}."
            if seams
            else "gap_s is for a take in several parts; this one has one.",
            where=str(first.path),
            remedy="Give the seconds missing between two parts, or leave it out.",
        )
    return [float(g) for g in numbers]


def _require_alike(first: Capture, other: Capture) -> None:
    """Raise where two files cannot be parts of one take."""
    for name, one, two in (
        ("sample rate", f"{first.rate} Hz", f"{other.rate} Hz"),
        ("number of channels", str(first.channels), str(other.channels)),
        ("sample format", first.subtype, other.subtype),
    ):
        if one != two:
            raise InputError(
                f"The parts do not belong together: {name} is {one}, then {two}.",
                where=str(other.path),
                remedy="Parts of one take are alike; number other takes -t1, -t2 and so on.",
            )
