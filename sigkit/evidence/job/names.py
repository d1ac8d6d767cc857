"""What the names in a job folder say: stages, and TEST-SUBJECT[-SETTING][-tN][-pN].wav."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import PurePath

from sigkit.errors import InputError
from sigkit.measures import TESTS, BenchTest

PATTERN = "TEST-SUBJECT[-SETTING][-tN][-pN].wav"
SUFFIXES = (".wav", ".w64", ".rf64")
LOSSLESS = (".aif", ".aiff", ".flac")
LOSSY = (".aac", ".m4a", ".mp3", ".ogg", ".opus", ".wma")

_TAKE, _PART = re.compile(r"t(\d+)"), re.compile(r"p(\d+)")
_PART_END = re.compile(r"\s*-\s*p\d+\s*$", re.IGNORECASE)
CLOSE = 0.75
"""Likeness of two words (difflib) from which one is suggested for the other."""

_WORD = re.compile(r"[^\W_]+(_[^\W_]+)*")
_RANKS = {"before": 0, "after": 2, "followup": 3}


@dataclass(frozen=True, slots=True)
class CaptureName:
    """What a capture's file name says.

    Parameters
    ----------
    test : str
        Name of the bench test.
    subject : str
        The part under test, words joined with underscores.
    setting : str
        Position of the control, empty where the name has none.
    take : int
        Number of the repeat, from 1.
    part : int
        Number of the file among those that the recorder split the take into, from 1; 0 where the
        take is one file.
    """

    test: str
    subject: str
    setting: str = ""
    take: int = 1
    part: int = 0


def read_name(filename: str, *, where: str = "") -> CaptureName:
    """Read a capture's file name; upper and lower case, spaces and underscores mean the same.

    Parameters
    ----------
    filename : str
        Name of the file, without its folder.
    where : str, optional
        What the error names as the place; default the file name.

    Returns
    -------
    CaptureName
        Test, subject, setting, take and part.

    Raises
    ------
    InputError
        The name does not follow the pattern, or names no bench test; with a suggestion.

    Examples
    --------
    >>> read_name("slider-filter_cutoff-t2.wav")
    CaptureName(test='slider', subject='filter_cutoff', setting='', take=2, part=0)
    """
    where = where or filename
    path = PurePath(filename)
    stem = unicodedata.normalize("NFC", path.stem).casefold()
    parts = re.sub(r"\s+", "_", stem.strip()).split("-")
    if len(parts) == 1 and (better := _first_hyphen(parts[0])):
        raise InputError(
            "The capture's name has no hyphen between its test and its subject.",
            where=where,
            remedy=f"Did you mean '{better}{path.suffix}'? Names are {PATTERN}.",
        )
    given = parts[1:]
    part = _number(parts, _PART, "part", where)
    take = _number(parts, _TAKE, "take", where) or 1
    if any(_TAKE.fullmatch(word) or _PART.fullmatch(word) for word in parts[1:]):
        what = "take" if any(_TAKE.fullmatch(word) for word in parts[1:]) else "part"
        raise InputError(
            f"The capture's name has its {what} in the wrong place.",
            where=where,
            remedy=f"Put the take last, and behind it the part of a split recording: {PATTERN}.",
        )
    if not 2 <= len(parts) <= 3 or not all(_WORD.fullmatch(part) for part in parts):
        raise InputError(
            "The capture's name does not say its test and subject.",
            where=where,
            remedy=f"Rename it to {PATTERN}, words joined with underscores; "
            f"tests: {', '.join(TESTS)}.",
        )
    if parts[0] not in TESTS and (near := closest(parts[0], TESTS)):
        better = "-".join([near, *given])
        raise InputError(
            f"There is no bench test named {parts[0]!r}.",
            where=where,
            remedy=f"Did you mean '{better}{path.suffix}'? Known tests: {', '.join(TESTS)}.",
        )
    known_test(parts[0], where=where)
    return CaptureName(parts[0], parts[1], parts[2] if len(parts) == 3 else "", take, part)


def without_part(stem: str) -> str:
    """Return a file name's stem without the part at its end.

    Examples
    --------
    >>> without_part("warmup-oscillator_1-t2-p3")
    'warmup-oscillator_1-t2'
    """
    return _PART_END.sub("", stem)


def _number(parts: list[str], pattern: re.Pattern[str], what: str, where: str) -> int:
    """Take the number of the take or part from the end of a name's words; 0 where it has none."""
    if any((match := pattern.fullmatch(word)) and int(match[1]) == 0 for word in parts[1:]):
        raise InputError(
            f"The capture's name has a {what} number of 0.",
            where=where,
            remedy=f"{what.capitalize()}s count from 1: -{what[0]}1, -{what[0]}2 and so on.",
        )
    if len(parts) > 2 and (match := pattern.fullmatch(parts[-1])):
        parts.pop()
        return int(match[1])
    return 0


def known_test(name: str, *, where: str) -> BenchTest:
    """Return the bench test of that name, or raise; only a really close name is suggested."""
    if name not in TESTS:
        raise InputError(
            f"There is no bench test named {name!r}.",
            where=where,
            remedy=suggestion(name, TESTS, "tests"),
        )
    return TESTS[name]


def stage_order(name: str) -> tuple[object, ...]:
    """Return the sort key of a stage: numbers by size, and before, others, after, follow-up.

    Examples
    --------
    >>> sorted(["after", "10_last", "before", "2_rails"], key=stage_order)
    ['before', '2_rails', '10_last', 'after']
    """
    text = name.casefold()
    rank = 1
    if not text[:1].isdigit():
        words = re.split(r"[\W_]+", text.replace("follow_up", "followup"))
        rank = next((_RANKS[word] for word in words if word in _RANKS), 1)
    pieces = [piece for piece in re.split(r"(\d+)", text) if piece]
    return rank, [(0, int(p), "") if p.isdecimal() else (1, 0, p) for p in pieces], name


def closest(word: str, known: Iterable[str]) -> str:
    """Return the known word that is nearest in spelling, empty where none is near."""
    near = difflib.get_close_matches(str(word).casefold(), list(known), n=1, cutoff=CLOSE)
    return near[0] if near else ""


def suggestion(word: str, known: Iterable[str], what: str) -> str:
    """Return the remedy for an unknown word: the nearest known one, and all of them."""
    known = list(known)
    near = closest(word, known)
    hint = f"Did you mean {near!r}? " if near else ""
    return f"{hint}Known {what}: {', '.join(known) if known else 'none'}."


def _first_hyphen(stem: str) -> str:
    head, _, tail = stem.partition("_")
    near = head if head in TESTS else closest(head, TESTS)
    return f"{near}-{tail}" if near and tail else ""
