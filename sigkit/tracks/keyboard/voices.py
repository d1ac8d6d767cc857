"""Notes that go on sounding under the next ones: found by their harmonics, and taken out."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

import numpy as np

from sigkit.arrays import Real
from sigkit.tracks.keyboard.notes import KeyNote, NoteFinder
from sigkit.tracks.keyboard.sound import KeySound, power_of
from sigkit.tracks.keyboard.voice import RELEASED_S, SOFT_HOLDS, STUCK, SURE, Voice

QUIET, MORE = 3.0, 1.1
"""Power re the noise below which nothing sounds; and re a note's own from which on another one
sounds too."""
LATER, WIDTH = 1.05, 0.9
"""When, from its start, and for how long a note is looked for, in times from key to key."""
AFTER_S, HALF = 0.03, 0.45
"""The same for one that ends within the next note: when after its start, and for how long."""
FADES = 1 / SOFT_HOLDS
"""How much more one has to stand out for that to be told too."""
OWN_CENTS, AGAIN_CENTS, REPEAT_HELD = 30.0, 6.0, 0.6
END_S, END_HELD, NEXT_CENTS = 0.1, 0.3, 90.0
"""A note that ends so near the end of a stuck one is that end, where it is as short, in times for
which one is held, and so near in pitch."""
TAKEN_OUT = 300.0
"""Power of what sounds under a note re its own, from which on a short one is a residue of that."""
FRAMES_S = 0.02
"""Frames of the level before the end of a note."""
RISEN = 0.1
JOINED_S = 0.03


@dataclass(frozen=True)
class Stuck:
    """A note that sounded on.

    Parameters
    ----------
    note : KeyNote
        The note, its stop being where it no longer sounds alone.
    until_s : float
        When it ended.
    hz : float
        Its pitch while it is alone.
    """

    note: KeyNote
    until_s: float
    hz: float


def usual_times(notes: list[KeyNote]) -> tuple[float, float]:
    """Return the usual time from note to note and for which one is held, s."""
    held = np.array([n.held_s for n in notes if n.parted])
    steps = np.diff([n.start_s for n in notes if n.parted])
    # Not over notes that run into each other: where one sounds on, others seem to be longer.
    lone = [b.start_s - a.start_s for a, b in itertools.pairwise(notes) if a.parted and b.parted]
    steps = np.array(lone) if len(lone) >= 3 else steps
    if steps.size < 2:
        return float("nan"), float(np.median(held)) if held.size else float("nan")
    return _usual(steps), _usual(held)


def _usual(seconds: Real) -> float:
    """Median of times weighed by themselves: what two notes that beat are cut into counts less."""
    order = np.sort(seconds)
    mass = np.cumsum(order)
    return float(order[np.searchsorted(mass, mass[-1] / 2)])


def without_stuck(
    whole: KeySound, notes: list[KeyNote], finder: NoteFinder
) -> tuple[KeySound, list[KeyNote], list[Stuck], list[float]]:
    """Take notes out that sound on under others, and find the others again.

    Parameters
    ----------
    whole : KeySound
        The sweep.
    notes : list of KeyNote
        Its notes, as found with all of them sounding.
    finder : NoteFinder
        Finds the notes in what is left.

    Returns
    -------
    KeySound, list of KeyNote, list of Stuck, list of float
        What is left after each stuck note was alone, the notes in it, the stuck ones, and for each
        of the others the amplitude re its own down to which it would have been one.

    Notes
    -----
    Half an amplitude of a note, at its own pitch and averaged over a whole time from key to key
    after its own, is more than a release leaves. Over that time harmonics that lie 3 Hz apart are
    told from each other. Amplitudes and phases of a stuck note are followed with a window of half a
    second or 60 periods, so that a slow drift of its pitch is followed too.
    """
    step_s, held_s = usual_times(notes)
    if not step_s > 0:
        return whole, notes, [], []
    seen_to: list[float] = []
    notes, found = _without_returns(notes, held_s)
    first, sound = whole, whole.sound
    at = 0
    while at < len(notes):
        note = notes[at]
        at += 1
        if not note.parted and not _fresh(note, found):
            continue
        alone = replace(note, stop_s=min(note.stop_s, note.start_s + held_s))
        voice = Voice.of(sound, whole.rate, alone)
        if voice is None:
            continue
        end_s = min(_quiet_s(first, alone), _again_s(whole, alone, notes[at:], held_s))
        heard = _sounding_on(first, sound, voice, note, notes[at:], (step_s, end_s))
        if heard is None:
            seen_to += _seen_to(first, sound, voice, alone, step_s, end_s)
            continue
        sound = sound.copy() if sound is first.sound else sound
        alone_until = alone.stop_s + (RELEASED_S if heard.softly else 0.0)
        until = voice.take_out(sound, alone_until, heard.until_s, anew=heard.softly)
        power = power_of(sound, whole.rate, max(0.01, 1 / finder.low_hz))
        whole = replace(whole, sound=sound, power=power)
        notes[at - 1] = alone
        found.append(Stuck(alone, until, voice.hz))
        again = finder.find(whole, power, alone.stop_s)
        # What is left of one stuck note may show only once another one is gone.
        again = [n for n in again if not any(_leftover(n, s, held_s) for s in found)]
        notes = [_with_under(whole, n, found) for n in notes[:at] + again]
        notes = [n for n in notes if not _residue(n, held_s)]
    return whole, notes, found, seen_to


def _seen_to(
    whole: KeySound, sound: Real, voice: Voice, alone: KeyNote, step_s: float, end_s: float
) -> list[float]:
    """Return the amplitude re its own down to which a note would be heard to sound on.

    Nothing where none comes after it.
    """
    begin = alone.start_s + LATER * step_s
    if begin + WIDTH * step_s > whole.end_s:
        return []
    if end_s < begin + 0.5 * WIDTH * step_s:
        return [math.sqrt(QUIET * whole.floor / alone.power)]
    return [min(FADES * voice.softest(sound, begin, WIDTH * step_s), STUCK)]


@dataclass(frozen=True)
class _Heard:
    """Until when at most a note sounds on, and whether softly."""

    until_s: float
    softly: bool


def _sounding_on(
    whole: KeySound,
    sound: Real,
    voice: Voice,
    note: KeyNote,
    later: list[KeyNote],
    bounds_s: tuple[float, float],
) -> _Heard | None:
    """Say until when a note sounds on under the next ones; None: not so.

    ``bounds_s``: the usual time from key to key, and when it has ended at the latest.
    """
    step_s, end_s = bounds_s
    begin = note.start_s + LATER * step_s
    width_s = min(WIDTH * step_s, end_s - begin)
    long_enough = width_s > 0.5 * step_s
    short = not (long_enough and voice.sounds(sound, begin, width_s))
    softly = short and long_enough and voice.sounds_softly(sound, begin, width_s)
    if short and not softly:
        # It may end within the next note: then it fills half of that time.
        within = bool(later) and _within(sound, voice, note, later[0], HALF * step_s, end_s)
        if not within and not _runs_on(whole, note, later, step_s):
            return None
    last = begin
    least = SOFT_HOLDS * voice.share(sound, begin, width_s) if softly else STUCK
    while last + 0.6 * step_s < end_s and voice.share(sound, last, WIDTH * step_s) >= least:
        last += step_s
    return _Heard(min(last + WIDTH * step_s, end_s), softly)


def _within(
    sound: Real, voice: Voice, note: KeyNote, following: KeyNote, width_s: float, end_s: float
) -> bool:
    """Whether a note sounds through half of the next one, of another key."""
    after = following.start_s + AFTER_S
    own = abs(1200 * np.log2(following.hz / note.hz)) < OWN_CENTS
    if own or after + width_s > end_s:
        return False
    return voice.sounds(sound, after, width_s, least=SURE)


def _quiet_s(whole: KeySound, alone: KeyNote) -> float:
    """Return when nothing sounds any more after a note, s, or the end of the capture."""
    first = round(alone.stop_s / whole.frame_s)
    still = np.flatnonzero(whole.power[first:] < QUIET * whole.floor)
    return (first + int(still[0])) * whole.frame_s if still.size else whole.end_s


def _without_returns(notes: list[KeyNote], held_s: float) -> tuple[list[KeyNote], list[Stuck]]:
    """Take out what a stuck note shows between the others where one sounds at a time."""
    found: list[Stuck] = []
    gone: set[int] = set()
    for i, note in enumerate(notes):
        if i in gone or note.held_s < REPEAT_HELD * held_s:
            continue
        back = []
        for j in range(i + 2, min(i + 12, len(notes))):
            other, before = notes[j], notes[j - 1]
            same = abs(1200 * np.log2(other.hz / note.hz)) < AGAIN_CENTS
            joined = other.start_s - before.stop_s < JOINED_S and not other.parted
            if same and joined and other.held_s < REPEAT_HELD * held_s:
                back.append(j)
        if back and notes[i + 1].start_s - note.stop_s < JOINED_S:
            gone.update(back)
            found.append(Stuck(note, notes[back[-1]].stop_s, note.hz))
    return [n for i, n in enumerate(notes) if i not in gone], found


def _fresh(note: KeyNote, found: list[Stuck]) -> bool:
    return any(s.note.stop_s - 0.05 <= note.start_s <= s.until_s for s in found)


def _again_s(whole: KeySound, note: KeyNote, later: list[KeyNote], held_s: float) -> float:
    """Return when the same key is pressed again after some quiet, s; inf: never."""
    for number, other in enumerate(later):
        same = abs(1200 * np.log2(other.hz / note.hz)) < AGAIN_CENTS
        if same and other.parted and other.held_s > REPEAT_HELD * held_s:
            a, b = (round(t / whole.frame_s) for t in (note.stop_s, other.start_s))
            low = float(whole.power[max(a - 1, 0) : b + 2].min())
            if low < (0.1 * note.power if number == 0 else 10 * whole.floor):
                return other.start_s
    return math.inf


def _runs_on(whole: KeySound, note: KeyNote, later: list[KeyNote], step_s: float) -> bool:
    """Whether a note goes on for longer than from key to key, and with another one in it."""
    if not later or note.held_s < LATER * step_s:
        return False
    if later[0].start_s - note.stop_s < JOINED_S:
        return True
    a, b = (round(t / whole.frame_s) for t in (note.start_s + step_s, note.stop_s))
    alone = whole.power[round((note.start_s + 0.2 * step_s) / whole.frame_s) :]
    alone = alone[: round(0.3 * step_s / whole.frame_s)]
    return float(whole.power[a:b].mean()) > MORE * float(alone.mean())


def _leftover(note: KeyNote, stuck: Stuck, held_s: float) -> bool:
    """Whether a note is only what the release of a stuck one leaves."""
    cents = abs(1200 * np.log2(note.hz / stuck.note.hz))
    near = stuck.note.stop_s - FRAMES_S <= note.start_s < stuck.until_s + 0.3 * held_s
    last = abs(note.stop_s - stuck.until_s) < END_S and cents < NEXT_CENTS
    short = REPEAT_HELD if cents < OWN_CENTS else END_HELD
    return bool((cents < OWN_CENTS or last) and near and note.held_s < short * held_s)


def _residue(note: KeyNote, held_s: float) -> bool:
    """Whether a note is only what is left of stuck ones that were taken out."""
    return note.under > TAKEN_OUT and note.held_s < REPEAT_HELD * held_s


def _with_under(whole: KeySound, note: KeyNote, found: list[Stuck]) -> KeyNote:
    """Say how much sounds under a note, and begin it where it itself does."""
    under = sum(
        s.note.power
        for s in found
        if s.note.stop_s - 0.1 <= note.start_s < s.until_s and s.note.start_s < note.start_s
    )
    if not under:
        return note
    a, b = (round(t / whole.frame_s) for t in (note.start_s, note.stop_s))
    loud = np.flatnonzero(whole.power[a:b] > RISEN * note.power)
    late = int(loud[0]) * whole.frame_s if loud.size else 0.0
    late = late if late < 0.4 * note.held_s else 0.0
    return replace(note, start_s=note.start_s + late, under=under / max(note.power, 1e-30))
