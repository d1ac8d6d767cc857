"""Keyboard: every key's pitch, dead, bouncing, stuck and unsteady keys, and the scale."""

from __future__ import annotations

import math
import operator
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from sigkit.captures.needed import takes_capture
from sigkit.captures.watch import watched
from sigkit.captures.wav import Capture
from sigkit.errors import InputError, SignalError
from sigkit.measures.cued import cued_order
from sigkit.measures.held_note import source_of
from sigkit.measures.keyboard.keys import MOST_KEYS, key_hz, key_name, key_number
from sigkit.measures.keyboard.numbers import (
    LATE,
    LINGERS,
    SILENT,
    SLOW,
    UNREAD,
    UNTOLD,
    answers_of,
    droop_of,
    is_hold,
)
from sigkit.measures.keyboard.order import Order, order_of
from sigkit.measures.keyboard.presses import LATE_S, Press, Presses, late_of, presses_of, slow_of
from sigkit.measures.keyboard.result import (
    COLUMNS,
    DOUBLE,
    MISSING,
    OK,
    STUCK,
    UNSTEADY,
    KeyboardResult,
)
from sigkit.measures.keyboard.scale import Scale, scale_of
from sigkit.measures.keyboard.words import faults_of, looked_for, remarks_of, why_missing
from sigkit.tracks.keyboard.notes import NoteFinder
from sigkit.tracks.keyboard.sound import key_sound
from sigkit.tracks.keyboard.voices import Stuck, without_stuck

BELOW, ABOVE = 0.9, 2.3
"""Pitches looked for re the nominal ones of the lowest and highest key."""
LOWEST_HZ, HIGHEST_HZ = 26.0, 5000.0
ODD_CENTS, ODD_SPREADS = 2.0, 4.0
"""A key is off by itself from the guide value on, if it is that many times the usual scatter."""
MOST_KEYS_ON = 0.4
"""Share of the notes that sound on, from which on it is the release, rather than a key."""
LEGATO = 0.5
"""Share of the notes that run into each other from which on a sweep is not separated."""
CLEAR, CLEARER = 0.1, 10.0
"""Presses of a key that are known so well, in cents, or at most so many times worse than the best
one, make its pitch together; one over which something else sounds would spoil the others."""
FULL_SCALE_SINE_DB = 10 * math.log10(2)
CENTS = 1200 / math.log(2)


@takes_capture
def measure_keyboard(
    capture: Capture, *, lowest_key: str | int | None = None, keys: int | None = None
) -> KeyboardResult:
    """Measure every key of a keyboard from a sweep over them.

    Parameters
    ----------
    capture : Capture
        One oscillator with a steady wave; every key from the lowest to the highest, perhaps back
        down, each held for 0.3 s or more (16 periods of its note) and let go before the next, with
        the fastest attack and a short release. Or, for the droop of a hold circuit, one or two
        notes left to sound for more than 4 s.
    lowest_key : str or int
        Lowest key, a name such as ``"C2"`` (C4 is middle C, 261.63 Hz) or a MIDI note number.
    keys : int
        Number of keys.

    Returns
    -------
    KeyboardResult
        See there for the quantities and the columns.

    Raises
    ------
    InputError
        ``lowest_key`` or ``keys`` missing or without sense.
    SignalError
        No note found, or the capture is longer than a sweep can be.

    See Also
    --------
    sigkit.measure_stability : How well a held note keeps its pitch.

    Notes
    -----
    Notes are found by level and rough pitch. One that goes on under the next ones is followed by
    its harmonics, named and taken out, and the others are found again in what is left. All are put
    to keys together, by order and pitch, so that a dead key, one played twice or two in the wrong
    order do not move the rest. The pitch of each is the slope of its phase, from all harmonics,
    once a period; where it comes to rest only after a while, an exponential approach is fitted too.
    An attack that one charging capacitor does not explain, and a touch with a second attack does,
    is a double trigger. Equal temperament: ISO 16:1975 for A4 = 440 Hz and the twelfth root of two.
    """
    lowest, count = _checked(lowest_key, keys, capture)
    low_hz = max(LOWEST_HZ, BELOW * key_hz(lowest) / 2)
    high_hz = min(HIGHEST_HZ, ABOVE * key_hz(lowest + count - 1))
    watching = watched(capture)
    whole = key_sound(watching, key_hz(lowest))
    finder = NoteFinder(whole.rate, low_hz, high_hz)
    notes = finder.find(whole, whole.power)
    if not notes:
        raise SignalError(
            "No note with a pitch was found.",
            where=capture.path.name,
            remedy="Play every key by itself with one oscillator, loud enough, filter open.",
        )
    hold = is_hold(notes)
    parted = float(np.mean([n.parted for n in notes])) > LEGATO or len(notes) == 1
    stuck: list[Stuck] = []
    original, seen_to = whole, list[float]()
    if parted and not hold:
        whole, notes, stuck, seen_to = without_stuck(whole, notes, finder)
    presses = presses_of(original, whole, notes, stuck, parted=parted and not hold)
    lingers = len(stuck) > MOST_KEYS_ON * len(notes)
    if lingers:
        presses = replace(presses, every=tuple(replace(p, stuck_for_s=0.0) for p in presses.every))
    order, by_cue = _order(capture, presses.every, lowest, count, hold=hold)
    table = _table(presses, order, lowest, count)
    remarks = remarks_of(presses, order, table, whole.mains_hz, hold=hold, parted=parted)
    remarks += [f"stuck keys {LINGERS}"] if lingers else looked_for(seen_to)
    remarks += [*by_cue, *faults_of(capture, watching, notes)]
    if hold:
        table = table[table["status"] != MISSING].reset_index(drop=True)
    scale = scale_of(*(table[c].to_numpy(float) for c in ("error_cents", "u_cents")))
    table["departure_cents"] = scale.departure
    _say_departures(table, scale)
    return KeyboardResult(
        source=source_of(capture),
        settings={"lowest_key": key_name(lowest), "keys": count},
        notes=tuple(remarks),
        **answers_of(table, scale, presses, parted=parted, hold=hold, lingers=lingers),
        hold_droop=droop_of(whole, notes),
        keys=table[list(COLUMNS)],
        line_cents=scale.line,
    )


def _say_departures(table: pd.DataFrame, scale: Scale) -> None:
    """Say which key is off by itself, and from which one on all are."""
    if not scale.scale_error.measurable:
        return
    least = max(ODD_CENTS, ODD_SPREADS * float(scale.scatter))
    said = {
        k: f"this key alone is off by {scale.departure[k]:+.1f} cents"
        for k in np.flatnonzero(np.abs(np.nan_to_num(scale.departure)) > least).tolist()
    }
    if scale.shift_key >= 0:
        said[scale.shift_key] = f"this key and all above are off by {scale.shift.value:+.1f} cents"
    _say(table, said)


def _say(table: pd.DataFrame, said: Mapping[int, str]) -> None:
    """Add words to the reasons of keys, by their place in the table."""
    reasons = [str(r) for r in table["reason"]]
    table["reason"] = [_joined(r, said[k]) if k in said else r for k, r in enumerate(reasons)]


def _checked(lowest_key: str | int | None, keys: int | None, capture: Capture) -> tuple[int, int]:
    if lowest_key is None or keys is None:
        name = "lowest_key" if lowest_key is None else "keys"
        raise InputError(
            f"A keyboard test needs the lowest key and the number of keys; {name} is missing.",
            where=capture.path.name,
            remedy='Give them, or write into job.toml: lowest_key = "C2" and keys = 37.',
        )
    lowest = key_number(lowest_key)
    try:
        count = 0 if isinstance(keys, bool) else operator.index(keys)
    except TypeError:
        count = 0
    if not 1 <= count <= MOST_KEYS - lowest:
        raise InputError(
            f"keys must be a whole number from 1 to {MOST_KEYS - lowest} above that lowest key; "
            f"got {keys!r}.",
            where=capture.path.name,
            remedy="Count the keys of the keyboard.",
        )
    return lowest, count


def _order(
    capture: Capture, presses: tuple[Press, ...], lowest: int, count: int, *, hold: bool
) -> tuple[Order, list[str]]:
    hz = np.array([p.hz if math.isfinite(p.hz) else p.note.hz for p in presses])
    semitones = 12 * np.log2(hz / key_hz(lowest))
    order = order_of(semitones, count, np.array([p.odd for p in presses]))
    if hold:
        return order, []
    return cued_order(capture, order, [p.onset_s for p in presses], semitones, count)


def _table(presses: Presses, order: Order, lowest: int, count: int) -> pd.DataFrame:
    """Return one row a key, but for what the scale tells."""
    late = late_of(
        np.array([p.onset_s for p in presses.every]), np.array(order.key), np.array(order.run)
    )
    of_key: dict[int, list[int]] = defaultdict(list)
    for number, key in enumerate(order.key):
        of_key[key].append(number)
    rows = []
    for k in range(count):
        octaves = order.octaves(of_key[k][0]) if of_key[k] else 0
        own = []
        for i in of_key[k]:
            down = 2.0 ** (octaves - order.octaves(i))
            press = presses.every[i]
            press = replace(press, hz=press.hz * down, u_hz=press.u_hz * down)
            own.append((press, order.run[i], late[i]))
        rows.append(_row(k, own, lowest, octaves))
    for k, row in enumerate(rows):
        if not of_key[k]:
            row["reason"] = why_missing(k, presses, order)
    table = pd.DataFrame(rows)
    loud = table["level_dbfs"]
    table["level_db"] = loud - loud.median() if loud.notna().any() else loud
    doubled = (table["status"] == DOUBLE).to_numpy() | table["open_s"].notna().to_numpy()
    speaks, behind = (table[c].to_numpy(float) for c in ("speaks_after_s", "late_s"))
    slow = np.flatnonzero(slow_of(speaks, doubled)).tolist()
    _say(table, {k: f"{SLOW}: {1000 * speaks[k]:.0f} ms to 90 %" for k in slow})
    late_keys = np.flatnonzero(behind > LATE_S).tolist()
    _say(table, {k: f"{LATE}: {1000 * behind[k]:.0f} ms" for k in late_keys})
    return table


def _row(
    key: int, own: list[tuple[Press, int, float]], lowest: int, octaves: int
) -> dict[str, Any]:
    """Return the row of one key from its presses, each with its sweep and how late it was."""
    number = lowest + key
    nominal = key_hz(number)
    row: dict[str, Any] = dict.fromkeys(COLUMNS, math.nan)
    row |= {
        "key": key + 1,
        "note": key_name(number),
        "nominal_hz": nominal,
        "status": MISSING,
        "presses": len(own),
        "reason": "",
        "stuck_for_s": 0.0,
    }
    if not own:
        row["reason"] = SILENT
        return row
    presses = [press for press, _, _ in own]
    clear = [(p, r) for p, r, _ in own if not p.rough]
    known = clear or [(p, r) for p, r, _ in own]
    error, u = _mean([(p.hz, p.u_hz) for p, _ in known], nominal * 2**octaves)
    row["error_cents"], row["u_cents"] = error, u
    row["frequency_hz"] = nominal * 2 ** (octaves + error / 1200)
    for name, odd in (("up", 0), ("down", 1)):
        part = [(p.hz, p.u_hz) for p, run in known if run % 2 == odd]
        row[f"{name}_cents"], row[f"u_{name}_cents"] = _mean(part, nominal * 2**octaves)
    power = float(np.mean([p.note.power for p in presses]))
    row["level_dbfs"] = 10 * math.log10(power) + FULL_SCALE_SINE_DB if power > 0 else math.nan
    row["onset_s"] = presses[0].onset_s
    for name in ("speaks_after_s", "settles_after_s", "open_s"):
        row[name] = _largest([getattr(p, name) for p in presses])
    row["late_s"] = _largest([late for _, _, late in own])
    row["bend_cents"] = max((p.bend_cents for p in presses), key=lambda b: abs(np.nan_to_num(b)))
    row["stuck_for_s"] = max(p.stuck_for_s for p in presses)
    _judge(row, presses)
    return row


def _judge(row: dict[str, Any], presses: list[Press]) -> None:
    """Give a key its status, and say what was seen."""
    said = []
    if any(p.unsteady for p in presses):
        row["status"] = UNSTEADY
        said.append(
            f"settles after {1000 * row['settles_after_s']:.0f} ms"
            if row["settles_after_s"] > 0
            else "its pitch wanders while it is held"
        )
    if math.isfinite(row["open_s"]):
        row["status"] = DOUBLE
        said.append(f"two attacks, {1000 * row['open_s']:.0f} ms apart")
    if row["stuck_for_s"] > 0:
        row["status"] = STUCK
        said.append(f"sounds on for {row['stuck_for_s']:.1f} s")
    if row["status"] == MISSING:
        row["status"] = OK
    if len(presses) > 1:
        counts = [sum(math.isfinite(p.open_s) for p in presses)]
        if row["status"] == DOUBLE and counts[0] < len(presses):
            said.append(f"in {counts[0]} of {len(presses)} presses")
    if row["status"] != DOUBLE and any(p.untold for p in presses):
        said.append(f"{UNTOLD}: other sound at its onset")
    if row["status"] != UNSTEADY and any(p.unread for p in presses):
        said.append(f"{UNREAD}: other sound under it")
    if all(p.rough for p in presses):
        said.append("rough pitch only: hold it longer, play a plain wave")
    row["reason"] = "; ".join(said)


def _mean(pitches: list[tuple[float, float]], nominal_hz: float) -> tuple[float, float]:
    """Mean error of presses in cents, and its standard uncertainty with their scatter."""
    if not pitches:
        return math.nan, math.nan
    hz, u_hz = np.array(pitches).T
    clear = u_hz < max(CLEARER * float(u_hz.min()), CLEAR / CENTS * nominal_hz)
    hz, u_hz = hz[clear], u_hz[clear]
    cents, u = CENTS * np.log(hz / nominal_hz), CENTS * u_hz / hz
    noise = float(np.sqrt(np.mean(u**2) / u.size))
    if cents.size == 1:
        return float(cents[0]), noise
    apart = float(np.std(cents, ddof=1)) / math.sqrt(cents.size)
    return float(cents.mean()), max(noise, apart)


def _largest(values: list[float]) -> float:
    known = [v for v in values if math.isfinite(v)]
    return max(known) if known else math.nan


def _joined(first: str, second: str) -> str:
    return f"{first}; {second}" if first else second
