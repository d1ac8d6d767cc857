"""The quantities of a key sweep: counts, the worst key, up against down, droop of a held note."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd

from sigkit.measures.keyboard.presses import Presses
from sigkit.measures.keyboard.result import DOUBLE, MISSING, STUCK, UNSTEADY
from sigkit.measures.keyboard.scale import Scale
from sigkit.quantity import Quantity, Term, combine, not_measurable
from sigkit.tracks.keyboard.notes import KeyNote
from sigkit.tracks.keyboard.sound import KeySound
from sigkit.tracks.slopes import Window, pitch_in_windows
from sigkit.tracks.stretch import measure_stretch

COUNT_U = 0.2
"""Standard uncertainty of a count of keys: 1 in 25 captures may be off by one."""
HOLD_S, HOLD_NOTES = 4.0, 6
"""A note so long, and so few of them, are a test of the hold circuit."""
AFTER_S = 1.2
"""When a held note's droop begins to count: its key was held for 1 s."""
CENTS = 1200 / math.log(2)
SLOW, LATE = "slow to speak", "late against an even rhythm"
LINGERS = (
    "not testable with this patch: most notes sound on under the next ones; choose the shortest "
    "release, and wait between keys"
)
SILENT = "no sound"
UNTOLD, UNREAD = "double trigger not testable", "settling of the pitch not testable"


def is_hold(notes: Sequence[KeyNote]) -> bool:
    """Whether notes were left to sound, rather than swept over."""
    return len(notes) <= HOLD_NOTES and max(n.held_s for n in notes) > HOLD_S


def answers_of(
    table: pd.DataFrame,
    scale: Scale,
    presses: Presses,
    *,
    parted: bool,
    hold: bool,
    lingers: bool = False,
) -> dict[str, Quantity]:
    """Return the quantities by name, but for the droop.

    Parameters
    ----------
    table : DataFrame
        One row a key, with its departure from the scale.
    scale : Scale
        The scale.
    presses : Presses
        What was measured of each press.
    parted, hold : bool
        Whether the notes are separated, and whether they were left to sound.
    lingers : bool
        Whether most notes sound on under the next ones.
    """
    why = "notes left to sound: play a sweep" if hold else ""
    legato = "" if parted else "notes not separated: let each key go before the next"
    slow = presses.why_untestable
    reasons = table["reason"]
    dead = table["status"] == MISSING
    late = reasons.str.contains(f"{SLOW}|{LATE}").sum()
    return {
        "scale_error": scale.scale_error,
        "offset": scale.offset,
        "curvature": scale.curvature,
        "shift": scale.shift,
        "scatter": scale.scatter,
        "worst_key": scale.worst_key,
        "up_down_difference": _up_down(table),
        "dead_keys": _count(int(dead.sum()), why, hidden=int((dead & (reasons != SILENT)).sum())),
        "double_triggers": _count(
            int((table["open_s"].notna() | (table["status"] == DOUBLE)).sum()),
            why or legato or slow,
            untold=int(reasons.str.contains(UNTOLD).sum()),
        ),
        "stuck_keys": _count(
            int(((table["stuck_for_s"] > 0) | (table["status"] == STUCK)).sum()),
            why or legato or (LINGERS if lingers else ""),
        ),
        "unsteady_keys": _count(
            int((table["status"] == UNSTEADY).sum()),
            why or legato or presses.why_unsettled,
            untold=int(reasons.str.contains(UNREAD).sum()),
        ),
        "slow_keys": _count(int(late), why or legato),
    }


def _count(number: int, why: str, *, hidden: int = 0, untold: int = 0) -> Quantity:
    """Return a count of keys.

    Of those counted some may only be hidden by other sound; of others it cannot be told.
    """
    if why:
        return not_measurable("", why)
    terms = [Term("keys taken for others", COUNT_U, "B")]
    if hidden:
        terms.append(Term("keys hidden by other sound", hidden / 2, "B", side=-1))
    if untold:
        terms.append(Term("keys of which it cannot be told", untold / 2, "B", side=1))
    return combine(float(number), "", terms)


def _up_down(table: pd.DataFrame) -> Quantity:
    apart = (table["up_cents"] - table["down_cents"]).to_numpy(float)
    if not np.isfinite(apart).any():
        return not_measurable("cents", "one sweep only: play up and back down")
    at = int(np.nanargmax(np.abs(apart)))
    u = math.hypot(float(table["u_up_cents"].iloc[at]), float(table["u_down_cents"].iloc[at]))
    return combine(float(apart[at]), "cents", [Term("pitch of the key", max(u, 1e-6), "A")])


def droop_of(whole: KeySound, notes: Sequence[KeyNote]) -> Quantity:
    """Slope of the pitch of notes that are left to sound, the largest, cents/s."""
    found = []
    for note in notes:
        if note.held_s <= HOLD_S:
            continue
        part = whole.part(note.start_s + AFTER_S, note.stop_s).astype(np.float64)
        phase = measure_stretch(part, whole.rate, note.hz, Window(0.2, 8), whole=True)
        if phase is None:
            continue
        at = np.arange(0.15, part.size / whole.rate, 0.2)
        hz, u_hz = pitch_in_windows(phase, at, Window(0.2, 8))
        known = np.isfinite(hz)
        if known.sum() < 8:
            continue
        t, cents = at[known], CENTS * np.log(hz[known] / note.hz)
        slope, level = np.polyfit(t, cents, 1)
        rest = cents - slope * t - level
        spread = math.sqrt(float(np.sum((t - t.mean()) ** 2)))
        own = max(float(np.std(rest, ddof=2)), CENTS * float(np.mean(u_hz[known])) / note.hz)
        r = float(rest[1:] @ rest[:-1]) / max(float(rest @ rest), 1e-30)
        hang = math.sqrt((1 + max(r, 0)) / max(1 - max(r, 0), 0.05))
        term = Term("scatter of the pitch", max(own * hang / spread, 1e-7), "A", t.size - 2)
        found.append(combine(float(slope), "cents/s", [term]))
    if not found:
        return not_measurable(
            "cents/s", "no note was left to sound for 4 s: press a key for 1 s with a long release"
        )
    return max(found, key=lambda q: abs(q.value))
