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
from sigkit.tracks.part_changes import LEAST_CENTS, PartChange, parts_of

LOWEST_HZ, HIGHEST_HZ = 27.0, 4500.0
HOP_S = 0.03
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


@dataclass
class _Move:
    first: int
    last: int
    sign: float


def note_changes(capture: Capture) -> Iterator[NoteChange | PartChange]:
    """Yield every change of note of a monophonic capture, in order, also those heard in part.

    Parameters
    ----------
    capture : Capture
        The recording; its chosen channel is read once, in blocks.
    """
    rate = capture.rate
    coarse = CoarsePitch(rate, LOWEST_HZ, min(HIGHEST_HZ, 0.45 * rate))
    hop = round(HOP_S * rate)
    held, begin = np.empty(0), 0  # sound, and the frame at which it begins
    cents: list[float] = []
    level: list[float] = []
    done = 0
    for block in [*_with_end(capture)]:
        ended = block is None
        if block is not None:
            held = np.concatenate([held, block])
        while (len(cents) - begin) * hop + coarse.size <= held.size:
            at = (len(cents) - begin) * hop
            frame = held[at : at + coarse.size]
            hz, _ = coarse(frame)
            cents.append(1200 * math.log2(hz) if hz > 0 else math.nan)
            level.append(float(np.sqrt(np.mean(frame**2))))
        moves, steady, loud = _moves(np.array(cents[begin:]), np.array(level[begin:]))
        count = len(cents) - begin
        for number, move in enumerate(moves):
            if begin + move.first < done:
                continue
            follows = moves[number + 1].first if number + 1 < len(moves) else count
            length = (move.last - move.first + 1) * HOP_S
            tail = (follows - 1 - move.last) * HOP_S
            heard = follows < count or tail >= max(TAIL_S, TAIL * length)
            if not heard and not ended:
                break
            previous = moves[number - 1].last + 1 if number else 0
            pitch = np.array(cents[begin:])
            done = begin + move.last + 1
            before = np.flatnonzero(steady[previous : move.first]) + previous
            after = np.flatnonzero(steady[move.last + 1 : follows]) + move.last + 1
            ends = (
                int(before[-1]) if before.size else None,
                int(after[0]) if after.size else None,
            )
            parts = parts_of(pitch, loud, *ends, (move.first, move.last))
            for part in parts:
                sides = [
                    math.nan if i is None else _hz(pitch[i]) for i in (part.before, part.after)
                ]
                at_s = ((begin + part.first) * hop + coarse.size // 2) / rate
                yield PartChange(at_s, sides[0], sides[1], part.reason)
            if parts or not before.size or not after.size:
                continue
            change = _change(
                held,
                begin,
                pitch,
                loud,
                before,
                after,
                previous,
                follows,
                hop,
                coarse.size,
                rate,
            )
            if change is not None:
                yield change
        busy = [m.first for m in moves if begin + m.first >= done]
        keep = (busy[0] if busy else count) - round(LEAD_S / HOP_S)
        keep = max(keep, count - round(LONGEST_S / HOP_S))
        if keep > 0:
            held, begin = held[keep * hop :], begin + keep


def _with_end(capture: Capture) -> Iterator[Real | None]:
    yield from capture.blocks(4.0)
    yield None


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


def _direction(cents: Real, steady: Flags, run: slice) -> float:
    """Return 1 where a move leads upwards, -1 downwards, 0 where that is not known."""
    before, after = np.flatnonzero(steady[: run.start]), np.flatnonzero(steady[run.stop :])
    if not before.size or not after.size:
        return 0.0
    return float(np.sign(cents[run.stop + after[0]] - cents[before[-1]]))


def _change(
    held: Real,
    begin: int,
    cents: Real,
    loud: Flags,
    before: NDArray[np.intp],
    after: NDArray[np.intp],
    previous: int,
    follows: int,
    hop: int,
    size: int,
    rate: int,
) -> NoteChange | None:
    """Cut out what lies around a move, if it leads from one held note to another."""
    settled = after[0]
    many = round(HELD_S / HOP_S)
    before, after = before[-many:], after[-many:]
    if abs(float(np.median(cents[after])) - float(np.median(cents[before]))) < LEAST_CENTS:
        return None
    middle = size // 2
    first = max(0, (max(previous, before[-1] - round(LEAD_S / HOP_S) + many)) * hop + middle)
    last = min(held.size, after[-1] * hop + middle + (hop if follows < cents.size else size // 2))
    spans = []
    for part, edge in ((before, before[-1]), (after, after[-1])):
        to = edge * hop + middle
        # A frame reaches half its length to both sides; its middle is what its pitch is of.
        least = max(part[0] * hop + middle, first)
        spans.append(((least - first) / rate, (to - first) / rate, _hz(cents[part])))
    a, b = before[-1], after[0]
    quiet = np.flatnonzero(~loud[a:b]) + a
    return NoteChange(
        sound=held[first:last],
        rate=rate,
        start_s=(begin * hop + first) / rate,
        before=spans[0],
        after=spans[1],
        settled_s=(settled * hop + middle - first) / rate,
        broken_s=((begin + int(quiet[0])) * hop + middle) / rate if quiet.size > 1 else None,
    )


def _hz(cents: Real) -> float:
    return float(2 ** (np.median(cents) / 1200))
