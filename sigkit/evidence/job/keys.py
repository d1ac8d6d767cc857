"""The keys of job.toml and their values: known, of the right kind, and with sense."""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable, Mapping
from typing import Any

from sigkit.errors import InputError
from sigkit.evidence.job.names import suggestion
from sigkit.measures.keyboard.keys import key_number

FILE = "job.toml"
NUMBER = (float, int)
_WORDS = {
    str: "a text",
    int: "a whole number",
    float: "a number",
    dict: "a table",
    list: "a list",
    bool: "true",
    datetime.datetime: "a date with a time of day",
}


def check(table: Mapping[str, Any], known: Mapping[str, tuple[type, ...]], where: str) -> None:
    """Refuse unknown keys, and values of the wrong kind or without sense, in a table."""
    for key, value in table.items():
        if key not in known:
            raise InputError(
                f"Unknown key {key!r} in the job's settings.",
                where=f"{FILE}, [{where}]" if where else FILE,
                remedy=suggestion(key, known, "keys"),
            )
        check_kind(value, known[key], where, key)
        if key in _SENSE:
            makes_sense, wanted, remedy = _SENSE[key]
            if not makes_sense(value):
                raise wrong(value, wanted, where, key, remedy)


def check_kind(value: object, kinds: tuple[type, ...], section: str, key: str) -> None:
    """Refuse a value that is of none of the kinds, or a number that is not finite."""
    fits = isinstance(value, kinds) and (not isinstance(value, bool) or bool in kinds)
    if fits and isinstance(value, float) and not math.isfinite(value):
        fits = False
    if not fits:
        words = [_WORDS.get(k, "a date") for k in kinds if k is not int or float not in kinds]
        wanted = " or ".join(words)
        raise wrong(value, wanted, section, key, _advice(kinds, section, key))


def _advice(kinds: tuple[type, ...], section: str, key: str) -> str:
    """Return how a value of one of the kinds is written."""
    if key in _SENSE:
        return _SENSE[key][2]
    if dict in kinds:
        name = f"{section}.{key}" if section else f"{key}.NAME" if key != "private" else key
        return f"Write [{name}] on a line of its own, with its keys below."
    if float in kinds:
        return "Write numbers without quotation marks and with a decimal point."
    if int in kinds:
        return "Write whole numbers without quotation marks and without a decimal point."
    return "Write texts in quotation marks."


def wrong(value: object, wanted: str, section: str, key: str, remedy: str) -> InputError:
    """Return the error for a value that is not what was wanted."""
    shown = str(value) if isinstance(value, datetime.date) else repr(value)
    return InputError(
        f"{section}.{key} must be {wanted}; got {shown}."
        if section
        else f"{key} must be {wanted}; got {shown}.",
        where=f"{FILE}, [{section}], {key}" if section else f"{FILE}, {key}",
        remedy=remedy,
    )


def _is_key(value: Any) -> bool:
    """Whether it is a MIDI note number, or a note name of one (C4 is 60)."""
    try:
        key_number(value)
    except InputError:
        return False
    return True


def _is_date(value: Any) -> bool:
    if isinstance(value, datetime.date):
        return True
    try:
        datetime.datetime.fromisoformat(value)
    except ValueError:
        return False
    return True


_SENSE: Mapping[str, tuple[Callable[[Any], bool], str, str]] = {
    "mains_hz": (
        lambda value: 40 <= value <= 70,
        "from 40 to 70",
        "Give the frequency of the mains in hertz, without quotation marks: 50 or 60.",
    ),
    "clock_ppm": (
        lambda value: value > 0,
        "above 0",
        "Give the largest error of the sound card's clock in parts per million, such as 50.",
    ),
    "response_db": (
        lambda value: 0 <= value <= 6,
        "from 0 to 6",
        "Give the most that the recorder departs from flat, 20 Hz to 20 kHz, in dB, such as 0.1.",
    ),
    "keys": (
        lambda value: value >= 1,
        "1 or more",
        "Give the number of keys of the keyboard, without quotation marks.",
    ),
    "lowest_key": (
        _is_key,
        "a MIDI note number from 0 to 127 or a note name",
        'Write a note such as "C2" or "F#3" in quotation marks, or its MIDI note number.',
    ),
    "room_c": (
        lambda value: -30 <= value <= 60,
        "from -30 to 60",
        "Give the room temperature in degrees Celsius, without quotation marks.",
    ),
    "gap_s": (
        lambda value: all(
            isinstance(gap, NUMBER) and not isinstance(gap, bool) and 0 <= gap <= 3600
            for gap in (value if isinstance(value, list) else [value])
        ),
        "from 0 to 3600, or a list of such numbers",
        "Give the seconds missing between two parts of a take, or a list with one for each seam.",
    ),
    "date": (
        _is_date,
        "a date",
        "Write year, month and day, such as date = 2026-03-02.",
    ),
}
"""What a value must be to make sense: the check, the words for it, and what to do."""
