"""What a key sweep hands back: every key with its error and state, and the keyboard's scale."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, ClassVar

import pandas as pd

from sigkit.arrays import Real
from sigkit.measures.result import Result
from sigkit.quantity import Quantity, Term

if TYPE_CHECKING:
    from matplotlib.axes import Axes

OK, MISSING, DOUBLE, STUCK, UNSTEADY = "ok", "missing", "double trigger", "stuck", "unsteady"
STATUSES = (OK, MISSING, DOUBLE, STUCK, UNSTEADY)
COUNTS = ("dead_keys", "double_triggers", "stuck_keys", "unsteady_keys", "slow_keys")
COLUMNS = (
    "key",
    "note",
    "nominal_hz",
    "frequency_hz",
    "error_cents",
    "u_cents",
    "status",
    "departure_cents",
    "level_dbfs",
    "level_db",
    "speaks_after_s",
    "late_s",
    "settles_after_s",
    "bend_cents",
    "open_s",
    "stuck_for_s",
    "up_cents",
    "u_up_cents",
    "down_cents",
    "u_down_cents",
    "presses",
    "onset_s",
    "reason",
)


@dataclass(frozen=True, kw_only=True, eq=False)
class KeyboardResult(Result):
    """The keys of a keyboard, from a sweep over them.

    Parameters
    ----------
    scale_error : Quantity
        Slope of the keys' errors against pitch, robust against odd keys, cents/octave.
    offset : Quantity
        That line at the lowest key, re equal temperament at A4 = 440 Hz (ISO 16), cents: a matter
        of the tune knob, not judged.
    curvature : Quantity
        By how much the highest key departs from the line through the keys below the top octave, by
        a parabola over that octave, cents.
    shift : Quantity
        By how much all keys from one on are off against those below, cents; no value where there is
        no such key.
    scatter : Quantity
        Standard deviation of the keys about line, shift and bend, odd keys left out, cents.
    worst_key : Quantity
        The largest departure of a key from these, cents, with its sign.
    up_down_difference : Quantity
        The largest difference of a key between the sweep up and the one down, cents.
    dead_keys, double_triggers, stuck_keys, unsteady_keys : Quantity
        Numbers of keys that did not sound, triggered twice, went on under the next ones, or whose
        pitch was not within 3 cents 40 ms after the onset.
    slow_keys : Quantity
        Number of keys that speak late or slowly.
    hold_droop : Quantity
        Slope of the pitch of a note that is left to sound for more than 4 s, cents/s.
    keys : DataFrame
        One row a key, from the lowest: ``key``, its number from 1; ``note``; ``nominal_hz``;
        ``frequency_hz``, where its pitch comes to rest; ``error_cents`` re equal temperament at A4
        = 440 Hz, and its standard uncertainty ``u_cents`` without the sound card's clock, which all
        keys share; ``status``: ok, missing, double trigger, stuck or unsteady, the gravest;
        ``departure_cents`` from the scale's line; ``level_dbfs`` and ``level_db`` re the median
        key; ``speaks_after_s``, from the first sound to 90 % of the held level; ``late_s`` against
        an even rhythm, nan without one; ``settles_after_s``, from the onset until within 3 cents;
        ``bend_cents``, from where it comes; ``open_s``, between the two attacks of a double
        trigger; ``stuck_for_s`` after the note was due to end; ``up_cents``, ``down_cents`` and
        their ``u_...``; ``presses``; ``onset_s`` of the first; ``reason``, what else is to be said
        of the key.
    """

    test: ClassVar[str] = "keyboard"

    scale_error: Quantity
    offset: Quantity
    curvature: Quantity
    shift: Quantity
    scatter: Quantity
    worst_key: Quantity
    up_down_difference: Quantity
    dead_keys: Quantity
    double_triggers: Quantity
    stuck_keys: Quantity
    unsteady_keys: Quantity
    slow_keys: Quantity
    hold_droop: Quantity
    keys: pd.DataFrame
    line_cents: Real = field(repr=False)

    def another_capture(self) -> Mapping[str, Term]:
        """Return by how much another capture may differ, by chance of the presses."""
        out = {}
        for name in COUNTS[1:]:
            count: Quantity = getattr(self, name)
            if count.measurable and float(count) > 0:
                out[name] = Term("chance of the presses", math.sqrt(float(count)), "A")
        return out

    def particulars(self) -> tuple[str, ...]:
        """Return every key that something is said of: number, note, state, error and why."""
        lines = []
        for row in self.keys[self.keys["reason"] != ""].to_dict("records"):
            error = f"{row['error_cents']:+.1f} cents" if math.isfinite(row["error_cents"]) else ""
            state = "" if row["status"] == OK else row["status"]
            told = ", ".join(dict.fromkeys(t for t in (state, error, row["reason"]) if t))
            lines.append(f"key {row['key']}, {row['note']}: {told}")
        return tuple(lines)

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the error of every key on a keyboard; return the axes."""
        from sigkit.charts.keyboard import draw_keyboard

        return draw_keyboard(self, ax)
