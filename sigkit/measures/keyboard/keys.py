"""Keys by number and by name, and their pitch in equal temperament."""

from __future__ import annotations

import re

from sigkit.errors import InputError

A4_HZ, A4_KEY = 440.0, 69
MOST_KEYS = 128
NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_NOTE = re.compile(r"([A-G])([#b]?)(-1|\d)", re.IGNORECASE)
_STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}


def key_number(value: str | int) -> int:
    """Return the MIDI number of a key, given by that or by its name (C4 is 60, middle C).

    Raises
    ------
    InputError
        No such key.

    Examples
    --------
    >>> key_number("C4"), key_number("F#2"), key_number("Bb3"), key_number(21)
    (60, 42, 58, 21)
    """
    number = -1
    if isinstance(value, int) and not isinstance(value, bool):
        number = value
    elif isinstance(value, str) and (match := _NOTE.fullmatch(value.strip())) is not None:
        sign = {"#": 1, "": 0}.get(match[2], -1)
        number = 12 * (int(match[3]) + 1) + _STEPS[match[1].upper()] + sign
    if not 0 <= number <= 127:
        raise InputError(
            f"lowest_key must be a note name or a MIDI note number from 0 to 127; got {value!r}.",
            where="lowest_key",
            remedy='Write a note such as "C2" or "F#3" (C4 is middle C), or its MIDI note number.',
        )
    return number


def key_name(number: int) -> str:
    """Return the name of a key.

    Examples
    --------
    >>> key_name(60), key_name(42)
    ('C4', 'F#2')
    """
    return f"{NAMES[number % 12]}{number // 12 - 1}"


def key_hz(number: float) -> float:
    """Return the pitch of a key in equal temperament, A4 = 440 Hz (ISO 16:1975).

    Examples
    --------
    >>> round(key_hz(60), 5)
    261.62557
    """
    return float(A4_HZ * 2.0 ** ((number - A4_KEY) / 12))
