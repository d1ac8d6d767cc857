"""Every press of a sweep: its pitch, how it speaks, and whether its contact bounced."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sigkit.arrays import Flags, Real
from sigkit.measures.keyboard.patch import known_of
from sigkit.tracks.keyboard.attack import Attack, Touch, note_attack, second_attack
from sigkit.tracks.keyboard.beside import beaten, doubtful, pitch_beside
from sigkit.tracks.keyboard.notes import KeyNote
from sigkit.tracks.keyboard.pitch import NotePitch, note_pitch
from sigkit.tracks.keyboard.release import take_tail_out
from sigkit.tracks.keyboard.sound import KeySound
from sigkit.tracks.keyboard.voices import Stuck

LN9 = math.log(9)
SLOW_RISE_S = 0.02
"""Usual attack, 10 to 90 %, beyond which a bounce of the contact leaves too little to be seen."""
CHANGING, USUAL_LEFT_S = 0.03, 1e-4
"""Share of a usual held note that its own wave leaves, and what one attack leaves of a usual key,
from which on no second attack can be told: a filter, an echo, a tremolo."""
EXPLAINED_S, EXPLAINED = 1e-3, 0.2
"""What one attack, and its own wave, leave of a key, from which on they tell nothing."""
SUSPECT_S, TIMES_USUAL = 3e-5, 4.0
"""What one attack leaves from which on two are tried: at least, and re the other keys."""
TWO_LEAVE = 0.5
"""Share of that which two attacks may leave."""
LEAST_BETTER_S = 2e-5
MUCH_BETTER_S, LEAST_SHARE, CLEAR_TOUCH = 6e-5, 0.3, (0.2, 0.97)
"""Where other sound is left at the onset: by how much two attacks leave less, and how high the
touch reaches."""
UNDER_S = 0.02
"""For how long what other sound leaves of a held note may look like a second attack."""
HIDDEN_S = 3e-4
"""What is left of an onset that is taken for one attack, from which on it may hide a bounce."""
FADES_S = 0.5
WIDEST_S = 0.0405
"""Longest time between two attacks of one press, a contact and a gap of 20 ms; beyond, something
else is fitted."""
ROUGH = 0.002
"""Standard uncertainty of a rough pitch: 3.5 cents."""
EDGE_S = 0.08
UNSURE_S = 0.08
"""By how much a note that no attack explains may begin later than it seems to."""
UNSTEADY_S, UNSTEADY_CENTS = 0.04, 3.0
OF_A_BEAT = 0.43
CENTS = 1200 / math.log(2)
WANDER_CENTS, ODD_WANDER_CENTS, ODD_MISFIT = 3.0, 15.0, 0.3
SLOWER_S, SLOWER = 0.015, 3.0
"""A key is slow where it speaks so much later than the others, and so many times as late."""


EVEN_S, LATE_S = 0.015, 0.06
"""Scatter of an even rhythm, and from when on a key is late in it."""


@dataclass(frozen=True)
class Press:
    """One press, measured; nan where there is no number.

    Parameters
    ----------
    note : KeyNote
        Where it is.
    hz, u_hz : float
        Where its pitch comes to rest.
    onset_s, speaks_after_s, settles_after_s, bend_cents, open_s : float
        As the columns of a keyboard's table.
    stuck_for_s : float
        For how long it sounded on; 0: not.
    unsteady : bool
        Whether its pitch came to rest late, or never did.
    rough : bool
        Whether no phase could be followed: its pitch is that of its periodicity.
    untold : bool
        Whether other sound at its onset hides whether its contact bounced.
    unread : bool
        Whether what sounds under it hides how its pitch comes to rest.
    odd : bool
        Whether it has no pitch that a key would hold: speech, a knock.
    """

    note: KeyNote
    hz: float
    u_hz: float
    onset_s: float
    speaks_after_s: float
    settles_after_s: float
    bend_cents: float
    open_s: float
    stuck_for_s: float
    unsteady: bool
    rough: bool
    untold: bool
    unread: bool
    odd: bool


@dataclass(frozen=True)
class Presses:
    """All presses, and what the patch lets one tell.

    Parameters
    ----------
    every : tuple of Press
        In order of time.
    usual_rise_s : float
        Usual attack, 10 to 90 %; nan: not to be told.
    why_untestable : str
        Why double triggers could not be seen; empty: they could.
    why_unsettled : str
        Why it can't be told how keys settle; empty: it can.
    said : tuple of str
        What is to be said of the patch.
    """

    every: tuple[Press, ...]
    usual_rise_s: float
    why_untestable: str
    why_unsettled: str
    said: tuple[str, ...] = ()


def presses_of(
    original: KeySound,
    whole: KeySound,
    notes: Sequence[KeyNote],
    stuck: Sequence[Stuck],
    *,
    parted: bool,
) -> Presses:
    """Measure every press.

    Parameters
    ----------
    original, whole : KeySound
        The sweep; and without stuck notes, from where they were no longer alone (the same where
        there are none). What releases leave under the next notes is taken out of the latter.
    notes : sequence of KeyNote
        Its notes.
    stuck : sequence of Stuck
        Those that sounded on.
    parted : bool
        Whether the notes are separated; else only their pitch is measured.
    """
    pitches, attacks = _heard(original, whole, notes, stuck, parted=parted)
    usual = _Usual.of([a for a in attacks if a is not None])
    pitches, said, unsettled = known_of(whole, notes, pitches, changing=usual.misfit > CHANGING)
    every = [
        _press(whole, note, pitch, attack, usual, stuck, parted=parted)
        for note, pitch, attack in zip(notes, pitches, attacks, strict=True)
    ]
    if unsettled:
        every = [replace(p, unsteady=False) for p in every]
    return Presses(tuple(every), LN9 * usual.tau_s, usual.why, unsettled, said)


def _heard(
    original: KeySound,
    whole: KeySound,
    notes: Sequence[KeyNote],
    stuck: Sequence[Stuck],
    *,
    parted: bool,
) -> tuple[list[NotePitch | None], list[Attack | None]]:
    """Return pitch and attack of every note, releases taken out of the sound on the way."""
    until = {s.note.start_s for s in stuck}
    pitches: list[NotePitch | None] = []
    attacks: list[Attack | None] = []
    for number, note in enumerate(notes):
        pitch = note_pitch(whole, note if parted else _inside(note))
        alone = parted and (note.parted or bool(note.under))
        attack = note_attack(whole, note, pitch) if alone and pitch else None
        if pitch is not None and parted and doubtful(whole, note, pitch):
            onset = note.start_s + UNSURE_S
            if attack is not None and _explained(attack):
                onset = max(note.start_s, attack.onset_s)
            pitch = pitch_beside(original if note.under else whole, note, pitch, stuck, onset)
            attack = note_attack(whole, note, pitch) if alone else None
        pitches.append(pitch)
        attacks.append(attack)
        later = notes[number + 1].start_s if number + 1 < len(notes) else math.inf
        if pitch is not None and parted and math.isfinite(later) and note.start_s not in until:
            take_tail_out(whole, note, pitch, later)
    return pitches, attacks


@dataclass(frozen=True)
class _Usual:
    """What the attacks of a sweep are like: time constant, what is left of them and of the note."""

    tau_s: float
    left_s: float
    misfit: float
    why: str

    @classmethod
    def of(cls, attacks: Sequence[Attack]) -> _Usual:
        if not attacks:
            return cls(math.nan, math.inf, 0.0, _untestable(0, math.nan, 0.0, math.inf))
        values = np.array([(a.tau_s, a.left_s, a.misfit) for a in attacks])
        tau_s, left_s, misfit = (float(v) for v in np.median(values, axis=0))
        return cls(tau_s, left_s, misfit, _untestable(len(attacks), LN9 * tau_s, misfit, left_s))


def _press(
    whole: KeySound,
    note: KeyNote,
    pitch: NotePitch | None,
    attack: Attack | None,
    usual: _Usual,
    stuck: Sequence[Stuck],
    *,
    parted: bool,
) -> Press:
    """Put together what is known of one press."""
    late, wanders = _settling(pitch, alone=not note.under) if parted else (False, False)
    mixed = wanders and pitch is not None and beaten(whole, note, pitch)
    if pitch is not None and mixed:
        pitch = _less_sure(pitch)
    onset, speaks, open_s = note.start_s, math.nan, math.nan
    if attack is not None:
        clean = _clean(note, stuck)
        onset, speaks, open_s = _spoken(attack, usual, clean=clean, mixed=mixed)
    untold = parted and not usual.why and math.isnan(open_s) and (mixed or _hidden(attack))
    unread = mixed or (untold and bool(note.under) and not _explained(attack))
    own = (s for s in stuck if s.note.start_s == note.start_s)
    held = max(own, key=lambda s: s.until_s, default=None)
    return Press(
        note,
        pitch.hz if pitch else note.hz,
        pitch.u_hz if pitch else ROUGH * note.hz,
        onset,
        speaks,
        pitch.settles_after_s if pitch and parted else math.nan,
        pitch.bend_cents if pitch and parted else math.nan,
        open_s,
        held.until_s - held.note.stop_s if held is not None else 0.0,
        (late or wanders) and not unread,
        pitch is None,
        untold,
        unread,
        _odd(note, pitch, attack),
    )


def _spoken(
    attack: Attack, usual: _Usual, *, clean: bool, mixed: bool
) -> tuple[float, float, float]:
    """Return when a press began, after how long it spoke, and for how long its contact opened."""
    bar = max(SUSPECT_S, min(TIMES_USUAL * usual.left_s, MUCH_BETTER_S))
    if not usual.why and attack.left_s > bar and not mixed:
        touch = second_attack(attack, usual.tau_s)
        if touch.open_s < WIDEST_S and _is_second(attack, touch, clean=clean):
            return touch.onset_s, touch.open_s + math.log(10) * usual.tau_s, touch.open_s
    plain = usual.misfit <= CHANGING and usual.left_s <= USUAL_LEFT_S
    speaks = math.log(10) * attack.tau_s if plain and _explained(attack) else math.nan
    return attack.onset_s, speaks, math.nan


def _odd(note: KeyNote, pitch: NotePitch | None, attack: Attack | None) -> bool:
    """Whether a sound has no pitch, or no wave, that a key would hold."""
    if note.under:
        return attack is not None and attack.misfit > 1
    changes = attack is not None and attack.misfit > ODD_MISFIT
    return pitch is None or pitch.wander_cents > ODD_WANDER_CENTS or changes


def _hidden(attack: Attack | None) -> bool:
    """Whether too much is left at an onset to tell a bounce."""
    return attack is None or attack.left_s > HIDDEN_S


def _explained(attack: Attack | None) -> bool:
    return attack is not None and attack.left_s < EXPLAINED_S and attack.misfit < EXPLAINED


def _untestable(count: int, usual_rise_s: float, misfit: float, left_s: float) -> str:
    """Say why a touch and a second attack could not be told from one attack."""
    if count < 3 or usual_rise_s > SLOW_RISE_S:
        return "not testable with this patch: choose the fastest attack and the shortest release"
    if misfit > CHANGING or left_s > USUAL_LEFT_S:
        return (
            "not testable with this patch: wave or level change after the onset; choose a plain "
            "wave, the filter open and a gate-like envelope"
        )
    return ""


def _inside(note: KeyNote) -> KeyNote:
    """Return the steady part of a note that runs into its neighbours, whose ends are rough."""
    edge = min(EDGE_S, 0.25 * note.held_s)
    return replace(note, start_s=note.start_s + edge, stop_s=note.stop_s - edge)


def _is_second(attack: Attack, touch: Touch, *, clean: bool) -> bool:
    """Whether a touch and a second attack explain an onset far better than one attack."""
    better = attack.left_s - touch.left_s
    clear = CLEAR_TOUCH[0] < touch.level < CLEAR_TOUCH[1]
    if touch.left_s < TWO_LEAVE * attack.left_s:
        under = max(MUCH_BETTER_S, UNDER_S * attack.misfit)
        return better > LEAST_BETTER_S if clean else better > under and clear
    much = better > max(MUCH_BETTER_S, LEAST_SHARE * attack.left_s)
    return clean and much and clear


def _clean(note: KeyNote, stuck: Sequence[Stuck]) -> bool:
    """Whether no stuck note sounds, or fades away, at the onset of a note."""
    return not any(s.note.start_s < note.start_s < s.until_s + FADES_S for s in stuck)


def _settling(pitch: NotePitch | None, *, alone: bool) -> tuple[bool, bool]:
    """Whether the pitch comes to rest late, and whether it wanders while it is held."""
    if pitch is None:
        return False, False
    wanders = alone and pitch.wander_cents > WANDER_CENTS + 3 * pitch.u_cents
    return pitch.settles_after_s > UNSTEADY_S, wanders


def _less_sure(pitch: NotePitch) -> NotePitch:
    """Return a pitch over which another sound beats, with what that does to it.

    A wave of n turns in the phase of a note, its pitch moving by 1 cent rms, moves the slope of a
    line through it by up to 0.43 / n**2 cents, 0.3 / n**2 rms.
    """
    beats = max(pitch.turns, 2) / 2
    u_hz = OF_A_BEAT * pitch.moves_cents / beats**2 / CENTS * pitch.hz
    return replace(pitch, u_hz=math.hypot(pitch.u_hz, u_hz))


def slow_of(speaks_after_s: Real, doubled: Flags) -> Flags:
    """Say which keys speak slowly against the others, shape (n_keys,)."""
    single = np.where(doubled, np.nan, speaks_after_s)
    if not np.isfinite(single).any():
        return np.zeros(speaks_after_s.size, bool)
    usual = float(np.nanmedian(single))
    slow: Flags = np.nan_to_num(single, nan=0.0) > max(SLOWER * usual, usual + SLOWER_S)
    return slow


def late_of(onset_s: Real, key: NDArray[np.intp], run: NDArray[np.intp]) -> Real:
    """Return by how much each press comes late against an even rhythm; nan without one.

    Parameters
    ----------
    onset_s : ndarray, shape (n_presses,)
        Onsets in order of time.
    key, run : ndarray, shape (n_presses,)
        Key (-1: none) and sweep of each.
    """
    late = np.full(onset_s.size, np.nan)
    for number in set(run.tolist()):
        own = np.flatnonzero((run == number) & (key >= 0))
        if own.size < 8:
            continue
        k, t = np.abs(key[own] - key[own[0]]).astype(float), onset_s[own]
        # One that is out of order has no place in the rhythm.
        ordered = np.diff(k, prepend=k[0] - 1, append=k[-1] + 1) > 0
        for i in np.flatnonzero(ordered[:-1] & ordered[1:]).tolist():
            near = np.array([j for j in range(max(0, i - 4), min(own.size, i + 5)) if j != i])
            a, b = np.triu_indices(near.size, 1)
            apart = k[near[b]] - k[near[a]]
            if not (apart > 0).any():
                continue
            pace = np.median(((t[near[b]] - t[near[a]])[apart > 0]) / apart[apart > 0])
            late[own[i]] = t[i] - np.median(t[near] + pace * (k[i] - k[near]))
        if not np.isfinite(late[own]).any():
            continue
        spread = 1.4826 * np.nanmedian(np.abs(late[own]))
        if not spread < EVEN_S:
            late[own] = np.nan
    return late
