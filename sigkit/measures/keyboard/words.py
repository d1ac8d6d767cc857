"""What a reader of the keyboard test should know, in words."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np
import pandas as pd

from sigkit.captures.remarks import spoken_place
from sigkit.captures.watch import WatchedCapture
from sigkit.captures.wav import Capture
from sigkit.measures.keyboard.keys import MOST_KEYS, key_name, key_number
from sigkit.measures.keyboard.numbers import SILENT
from sigkit.measures.keyboard.order import Order
from sigkit.measures.keyboard.presses import Presses
from sigkit.tracks.keyboard.notes import KeyNote
from sigkit.tracks.recorder import faults_seen

MOST = 0.9
"""Share of the keys that a level is told of."""
NOT_PARTED = "notes not separated"
HIDDEN = "not heard under a key that sounds on: mend that, measure again"


def remarks_of(
    presses: Presses,
    order: Order,
    table: pd.DataFrame,
    mains_hz: float,
    *,
    hold: bool,
    parted: bool,
) -> list[str]:
    """Return what is to be said of a sweep: of its patch, its order, its hum."""
    said = []
    if hold:
        said.append("notes left to sound: only the keys that were played are listed")
    elif not parted:
        said.append(f"{NOT_PARTED}: pitches where they are steady, nothing on how keys speak")
    elif presses.why_untestable:
        said.append(f"double triggers {presses.why_untestable}")
    said += presses.said
    if order.shift and order.shift % 12 == 0:
        said.append(
            f"everything sounds {abs(order.shift) // 12} octave(s) "
            f"{'above' if order.shift > 0 else 'below'} its keys: errors are re that octave"
        )
    elif order.shift:
        said.append(f"everything sounds {order.shift:+d} semitone(s) off: is that the lowest key?")
    said += _switches(order, table) + _strangers(presses, order, table)
    if order.by_pitch:
        said.append(
            "keys were not played in order: each note is put to the key nearest in pitch, which is "
            "wrong for one that is off by half a semitone; play from the lowest to the highest"
        )
    again = _again(order)
    if again and not order.by_pitch:
        said.append(
            "played more than once in a sweep: " + ", ".join(table["note"][k] for k in again)
        )
    turned = _turned(order)
    if turned and not order.by_pitch:
        names = ", ".join(f"{table['note'][a]} before {table['note'][b]}" for a, b in turned[:4])
        said.append(f"out of order: {names}; put to keys by their pitch")
    if math.isfinite(mains_hz):
        said.append(f"hum at {mains_hz:.2f} Hz and its multiples was taken out")
    return said


def looked_for(seen_to: Sequence[float]) -> list[str]:
    """Say down to which level keys that sound on would have been seen.

    Parameters
    ----------
    seen_to : sequence of float
        Of every key that did not, its amplitude re its own down to which that would have shown.
    """
    if not seen_to:
        return []
    least_db = -20 * math.log10(float(np.quantile(seen_to, MOST)))
    return [
        f"stuck keys would be seen down to {least_db:.0f} dB below themselves (9 keys in 10); "
        "of the last one played it can't be told"
    ]


def _switches(order: Order, table: pd.DataFrame) -> list[str]:
    """Say where an octave switch was turned on the way."""
    said = []
    for i in range(1, len(order.octave)):
        by = order.octave[i] - order.octave[i - 1]
        if by:
            where = f"{table['note'][order.key[i]]} on" if order.key[i] >= 0 else f"note {i + 1} on"
            said.append(
                f"from {where} everything sounds {abs(by)} octave(s) "
                f"{'higher' if by > 0 else 'lower'}, as if a switch had been turned: errors are "
                "re that octave"
            )
    return said


def _strangers(presses: Presses, order: Order, table: pd.DataFrame) -> list[str]:
    """Say which notes belong to no key."""
    said = []
    if order.beyond:
        lowest = key_number(str(table["note"][0]))
        names = ", ".join(key_name(lowest + k) for k in order.beyond if 0 <= lowest + k < MOST_KEYS)
        said.append(
            f"keys beyond those told of are played too ({names}): are lowest_key and keys right?"
        )
    alone = [i for i, k in enumerate(order.key) if k < 0]
    odd = [presses.every[i] for i in alone if presses.every[i].odd]
    if odd:
        at = ", ".join(f"{p.note.start_s:.1f}" for p in odd[:4])
        more = ", ..." if len(odd) > 4 else ""
        said.append(
            f"{len(odd)} sound(s) without a steady pitch, such as speech or a knock, at {at}{more} "
            "s were left out"
        )
    rest = len(alone) - len(odd)
    if rest and not order.beyond:
        said.append(f"{rest} note(s) belong to no key")
    return said


def _again(order: Order) -> list[int]:
    seen: set[tuple[int, int]] = set()
    out = []
    for key, run in zip(order.key, order.run, strict=True):
        if key >= 0 and (key, run) in seen:
            out.append(key)
        seen.add((key, run))
    return sorted(set(out))


def _turned(order: Order) -> list[tuple[int, int]]:
    """Pairs of keys that sounded in the wrong order within a sweep."""
    own = [(k, r) for k, r in zip(order.key, order.run, strict=True) if k >= 0]
    up = order.key[0] <= order.key[-1] or max(order.run) > 0
    first_up = own[0][0] <= own[len(own) // 4][0] if len(own) > 8 else up
    out = []
    for (a, r), (b, s) in itertools.pairwise(own):
        rising = first_up ^ bool(r % 2)
        if r == s and a != b and (b < a) == rising:
            out.append((a, b))
    return out


def faults_of(capture: Capture, watching: WatchedCapture, notes: list[KeyNote]) -> list[str]:
    """Say what the recorder did during the sweep."""
    found = faults_seen(capture, watching.watch, notes[0].start_s, notes[-1].stop_s)
    if found.empty:
        return []
    told = zip(found["kind"][:4], found["time_s"].to_numpy(float), strict=False)
    at = ", ".join(f"{kind} at {spoken_place(time_s)}" for kind, time_s in told)
    return [f"{len(found)} fault(s) of the recorder during the sweep, not taken out: {at}"]


def why_missing(key: int, presses: Presses, order: Order) -> str:
    """Say why nothing is heard of a key: by what sounds where it was due."""
    every = list(zip(order.key, presses.every, strict=True))
    near = [(k, p) for k, p in every if k >= 0]
    within = any(k < key for k, _ in near) and any(k > key for k, _ in near)
    if not within and any(k < 0 and p.note.under for k, p in every):
        return HIDDEN  # a sound without a pitch may be that of the first or the last key
    for (a, before), (b, after) in itertools.pairwise(near):
        if not min(a, b) < key < max(a, b):
            continue
        start_s, stop_s = before.onset_s, after.onset_s
        for _, press in near:
            ends = press.note.stop_s + press.stuck_for_s
            over = ends > max(press.note.stop_s, before.note.stop_s) + 0.1
            if press.stuck_for_s and press.onset_s <= start_s and over:
                return HIDDEN
        if any(k < 0 and start_s < p.onset_s < stop_s for k, p in every):
            return "no sound of its own: where it was due is one that belongs to no key"
    return SILENT
