"""Changes of note in one pass through a capture: a held note, the way to another, that one held.

The pitch of overlapping frames says where it stands still and where it moves or cannot be read.
What lies around each change is handed on as soon as it has been heard, so that a long capture needs
no more memory than its longest change.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from sigkit.arrays import Flags, Real
from sigkit.captures.wav import Capture
from sigkit.tracks.coarse import CoarsePitch
from sigkit.tracks.part_changes import LEAST_CENTS, Part, PartChange, parts_of

LOWEST_HZ, HIGHEST_HZ = 27.0, 4500.0
HOP_S = 0.03
BLOCK_S = 4.0
ACROSS, NARROW = 4, 2
"""Frames on either side between which the speed of the pitch is taken, and at the very ends."""
STILL = 40.0
"""Cents a second below which a note counts as held: a glide of 10 s over an octave has 96."""
LANDING, SOON_S = 0.06, 0.5
"""So does one that moves at this share of the speed that follows so soon: it has all but landed."""
PAUSE_S = 0.5
"""A pause shorter than this, between two moves the same way, is a plateau of one glide."""
SILENT = 0.05
"""Level of a frame, re the loud ones, that holds no tone."""
LEAD_S, HELD_S, LEAST_HELD_S = 4.0, 0.3, 0.1
"""Sound kept before a change, the part of it that shows the held note, and the least of that."""
TAIL_S, TAIL = 1.0, 3.2
"""A change has been heard when the note after it was held so long, or so many times its length."""
LONGEST_S = 90.0
"""A longer change is no glide: it is handed on as it is."""


@dataclass(frozen=True, eq=False)
class NoteChange:
    """Sound around one change of note.

    Parameters
    ----------
    sound : ndarray, shape (n_samples,)
        From the held note before to the held note after.
    rate : int
        Its sample rate in Hz.
    start_s : float
        Where it begins in the capture.
    before, after : tuple of float
        From and to (s from the start of ``sound``) and pitch (Hz) of the held notes.
    settled_s : float
        Where the note after begins to be held, s from the start of ``sound``.
    broken_s : float or None
        Where the tone was silent between the notes, s from the start of the capture.
    """

    sound: Real
    rate: int
    start_s: float
    before: tuple[float, float, float]
    after: tuple[float, float, float]
    settled_s: float
    broken_s: float | None = None


def note_changes(capture: Capture) -> Iterator[NoteChange | PartChange]:
    """Yield every change of note of a monophonic capture, in order, also those heard in part.

    Parameters
    ----------
    capture : Capture
        The recording; its chosen channel is read once, in blocks.
    """
    heard = _Heard(capture.rate)
    for block in capture.blocks(BLOCK_S):
        heard.add(block)
        yield from heard.changes(ended=False)
    yield from heard.changes(ended=True)


@dataclass
class _Move:
    """First and last frame of a pitch on its way, and upwards (1), downwards (-1) or unknown."""

    first: int
    last: int
    sign: float


@dataclass(frozen=True, eq=False)
class _Sides:
    """Frames on both sides of a move, up to the moves beside it; of them those of held notes."""

    first: int
    stop: int
    before: NDArray[np.intp]
    after: NDArray[np.intp]


class _Heard:
    """Sound of a capture as far as it is still needed, with its rough pitch frame by frame."""

    def __init__(self, rate: int) -> None:
        self._rate = rate
        self._coarse = CoarsePitch(rate, LOWEST_HZ, min(HIGHEST_HZ, 0.45 * rate))
        self._hop = round(HOP_S * rate)
        self._sound = np.empty(0)
        self._begin = 0  # the frame at which the sound begins
        self._cents: list[float] = []
        self._level: list[float] = []
        self._done = 0  # the frame up to which changes were handed on

    def add(self, block: Real) -> None:
        """Take in more sound."""
        self._sound = np.concatenate([self._sound, block])
        size = self._coarse.size
        while (at := len(self._cents) * self._hop) + size <= self._sound.size:
            frame = self._sound[at : at + size]
            hz, _ = self._coarse(frame)
            self._cents.append(1200 * math.log2(hz) if hz > 0 else math.nan)
            self._level.append(float(np.sqrt(np.mean(frame**2))))

    def changes(self, *, ended: bool) -> Iterator[NoteChange | PartChange]:
        """Hand on the changes that were heard out, or all at the end, and forget their sound."""
        cents, count = np.array(self._cents), len(self._cents)
        moves, steady, loud = _moves(cents, np.array(self._level))
        firsts = [0, *(move.last + 1 for move in moves)]
        stops = _stops(cents, moves, steady)
        for move, first, stop in zip(moves, firsts, stops, strict=False):
            if self._begin + move.first < self._done:
                continue
            if not (ended or stop < count or _rests(move, count)):
                break
            self._done = self._begin + move.last + 1
            before = np.flatnonzero(steady[first : move.first]) + first
            after = np.flatnonzero(steady[move.last + 1 : stop]) + move.last + 1
            held = before[-1:].tolist(), after[:1].tolist()
            ends = [frames[0] if frames else None for frames in held]
            parts = parts_of(cents, loud, ends[0], ends[1], (move.first, move.last))
            for part in parts:
                yield self._part(part, cents)
            if not parts and before.size and after.size:
                yield from self._change(cents, loud, _Sides(first, stop, before, after))
        busy = [move.first for move in moves if self._begin + move.first >= self._done]
        self._forget((busy[0] if busy else count) - round(LEAD_S / HOP_S))

    def _part(self, part: Part, cents: Real) -> PartChange:
        from_hz, to_hz = (
            math.nan if i is None else _hz(cents[i]) for i in (part.before, part.after)
        )
        return PartChange(self._in_capture_s(part.first), from_hz, to_hz, part.reason)

    def _change(self, cents: Real, loud: Flags, sides: _Sides) -> Iterator[NoteChange]:
        """Cut out what lies around a move, if it leads from one held note to another."""
        many = round(HELD_S / HOP_S)
        before, after = sides.before[-many:], sides.after[-many:]
        if abs(float(np.median(cents[after])) - float(np.median(cents[before]))) < LEAST_CENTS:
            return
        at = self._at
        first = max(0, at(max(sides.first, int(before[-1]) - round(LEAD_S / HOP_S) + many)))
        beyond = self._hop if sides.stop < cents.size else self._coarse.size // 2
        last = min(self._sound.size, at(int(after[-1])) + beyond)
        spans = [
            # A frame reaches half its length to both sides; its middle is what its pitch is of.
            (
                (max(at(int(note[0])), first) - first) / self._rate,
                (at(int(note[-1])) - first) / self._rate,
                _hz(cents[note]),
            )
            for note in (before, after)
        ]
        start, stop = int(before[-1]), int(sides.after[0])
        quiet = np.flatnonzero(~loud[start:stop]) + start
        yield NoteChange(
            sound=self._sound[first:last],
            rate=self._rate,
            start_s=(self._begin * self._hop + first) / self._rate,
            before=spans[0],
            after=spans[1],
            settled_s=(at(stop) - first) / self._rate,
            broken_s=self._in_capture_s(int(quiet[0])) if quiet.size > 1 else None,
        )

    def _at(self, frame: int) -> int:
        """Return the sample of the sound kept that is the middle of a frame."""
        return frame * self._hop + self._coarse.size // 2

    def _in_capture_s(self, frame: int) -> float:
        return (self._begin * self._hop + self._at(frame)) / self._rate

    def _forget(self, frames: int) -> None:
        frames = max(frames, len(self._cents) - round(LONGEST_S / HOP_S))
        if frames > 0:
            self._sound = self._sound[frames * self._hop :]
            self._begin += frames
            del self._cents[:frames], self._level[:frames]


def _rests(move: _Move, count: int) -> bool:
    """Whether the note after the last move has been held so long that nothing more follows."""
    length_s = (move.last - move.first + 1) * HOP_S
    return (count - 1 - move.last) * HOP_S >= max(TAIL_S, TAIL * length_s)


def _moves(cents: Real, level: Real) -> tuple[list[_Move], Flags, Flags]:
    """Return where the pitch moves, where it is held, and where there is a tone at all."""
    if cents.size < 2 * ACROSS + 1:
        return [], np.zeros(cents.size, bool), np.zeros(cents.size, bool)
    loud = level > SILENT * float(np.quantile(level, 0.9))
    known = np.isfinite(cents) & loud
    speed = np.full(cents.size, np.nan)
    speed[ACROSS:-ACROSS] = (cents[2 * ACROSS :] - cents[: -2 * ACROSS]) / (2 * ACROSS * HOP_S)
    for i in range(ACROSS):  # at the ends over what there is
        first, last = max(0, i - NARROW), i + NARROW
        seconds = (last - first) * HOP_S
        speed[i] = (cents[last] - cents[first]) / seconds
        speed[-1 - i] = (cents[-1 - first] - cents[-1 - last]) / seconds
    pace = np.abs(np.nan_to_num(speed))
    ahead = round(SOON_S / HOP_S)
    soon = np.lib.stride_tricks.sliding_window_view(np.pad(pace, (0, ahead)), ahead + 1).max(axis=1)
    steady = known & (np.abs(speed) < np.maximum(STILL, LANDING * soon))
    steady = ndimage.binary_opening(steady, np.ones(3, bool))
    out: list[_Move] = []
    for part in ndimage.find_objects(ndimage.label(~steady)[0]):
        run = _Move(part[0].start, part[0].stop - 1, _direction(cents, steady, part[0]))
        same = bool(out) and out[-1].sign * run.sign > 0
        if same and (run.first - out[-1].last) * HOP_S < PAUSE_S:
            out[-1].last = run.last
        else:
            out.append(run)
    return out, steady, loud


def _stops(cents: Real, moves: list[_Move], steady: Flags) -> list[int]:
    """Return until where the note after each move is held: a swing about it does not leave it."""
    stops, stop = [], cents.size
    for i in range(len(moves) - 1, -1, -1):
        stops.append(stop)
        begin = moves[i - 1].last + 1 if i else 0
        before = np.flatnonzero(steady[begin : moves[i].first]) + begin
        later = np.flatnonzero(steady[moves[i].last + 1 : stop]) + moves[i].last + 1
        swings = (
            before.size
            and later.size
            and abs(float(np.median(cents[later]) - np.median(cents[before]))) < LEAST_CENTS
        )
        if not swings:
            stop = moves[i].first
    return stops[::-1]


def _direction(cents: Real, steady: Flags, run: slice) -> float:
    """Return 1 where a move leads upwards, -1 downwards, 0 where that is not known."""
    before, after = np.flatnonzero(steady[: run.start]), np.flatnonzero(steady[run.stop :])
    if not before.size or not after.size:
        return 0.0
    return float(np.sign(cents[run.stop + after[0]] - cents[before[-1]]))


def _hz(cents: Real) -> float:
    return float(2 ** (np.median(cents) / 1200))
