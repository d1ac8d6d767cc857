"""repairs.csv: what was found and done at the bench, one line after the other."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sigkit.errors import InputError
from sigkit.evidence.job.names import closest, suggestion
from sigkit.evidence.logs.spreadsheet import (
    Line,
    as_clock,
    as_word,
    read_lines,
    spoilt_fraction,
    wrong_line,
)
from sigkit.measures.result import words

FILE = "repairs.csv"
COLUMNS = ("date", "stage", "section", "subject", "found", "done", "part", "note", "corrects")
TEXTS = ("section", "subject", "found", "done", "part")
NONE_LOGGED = "no repair of it is logged between the two stages"


@dataclass(frozen=True, slots=True)
class Repair:
    """One line of the repairs that stands, none that a later line corrects.

    Parameters
    ----------
    line : int
        Its line in the file.
    stage : str
        The first stage that was recorded after it.
    date : str
        Its date as written, ISO 8601; empty where none is given.
    section : str
        Section of the instrument, such as ``power supply``.
    subjects : tuple of str
        Subjects of captures that it may change; none means all of them.
    found, done, part : str
        What was wrong, what was done, which part was fitted.
    corrects : int or None
        The line that this one corrects.
    """

    line: int
    stage: str
    date: str
    section: str
    subjects: tuple[str, ...]
    found: str
    done: str
    part: str
    corrects: int | None

    def may_change(self, subject: str) -> bool:
        """Whether it may have changed what was measured of a subject."""
        return not self.subjects or subject in self.subjects

    def __str__(self) -> str:
        place = self.section or ", ".join(map(words, self.subjects))
        return f"{self.done} ({place})" if place else self.done

    def to_dict(self) -> dict[str, Any]:
        """Return the line, ready for JSON."""
        return {
            "line": self.line,
            "stage": self.stage,
            "date": self.date,
            "section": self.section,
            "subjects": list(self.subjects),
            "found": self.found,
            "done": self.done,
            "part": self.part,
            "corrects": self.corrects,
        }


def read_repairs(path: Path, dates: Mapping[str, str]) -> tuple[Repair, ...] | None:
    """Read repairs.csv; None without the file.

    Parameters
    ----------
    path : Path
        The file: a line of column names, then one line a repair. Columns are ``done``, and
        ``stage`` (the first one recorded after it) or ``date``, ``section``, ``subject`` (of the
        captures that it may change, several with commas; none for all), ``found``, ``part``,
        ``note`` and ``corrects`` (the line of the file that this one puts right). Comma, semicolon
        or tab between them.
    dates : mapping of str to str
        The job's stages in order, each with its date or an empty word.

    Returns
    -------
    tuple of Repair or None
        In the order of the file, without lines that a later one corrects. Notes stay in the file.

    Raises
    ------
    InputError
        An unknown column or stage, with a suggestion; a date that can be read in two ways; a line
        that says neither stage nor date; a cell in which a spreadsheet has turned a fraction into
        a date.
    """
    if not path.exists():
        return None
    needed = {"done": "Say of every repair what was done."}
    lines = read_lines(path, COLUMNS, needed, what="repairs")
    read = [_repair(line, dates) for line in lines]
    numbers = {repair.line for repair in read}
    for repair in read:
        if repair.corrects is not None and not (
            repair.corrects in numbers and repair.corrects < repair.line
        ):
            raise wrong_line(
                FILE,
                repair.line,
                f"It corrects line {repair.corrects}, which is no earlier repair.",
                "Write the number of the line it puts right, column names being line 1.",
            )
    corrected = {repair.corrects for repair in read}
    return tuple(repair for repair in read if repair.line not in corrected)


def between(
    repairs: Iterable[Repair], subject: str, stages: Sequence[str], first: str, last: str
) -> list[Repair]:
    """Return the repairs between two stages that may have changed a subject.

    Parameters
    ----------
    repairs : iterable of Repair
        All of them.
    subject : str
        Subject of the captures.
    stages : sequence of str
        Names of the job's stages in order.
    first, last : str
        The two stages.
    """
    after = set(stages[stages.index(first) + 1 : stages.index(last) + 1])
    return [r for r in repairs if r.stage in after and r.may_change(subject)]


def attribution(found: Sequence[Repair]) -> str:
    """Return what may be said of the repairs behind a change, as a remark."""
    if not found:
        return NONE_LOGGED
    if len(found) == 1:
        return f"one repair that may have changed it is logged in between: {found[0]}"
    told = "; ".join(map(str, found))
    return (
        f"{len(found)} repairs lie between the two stages ({told}): the change cannot be put down "
        "to one of them"
    )


def strange_subjects(repairs: Iterable[Repair], subjects: Iterable[str]) -> list[InputError]:
    """Return an error for each subject that is written nearly as one that was recorded."""
    known = sorted(set(subjects))
    return [
        wrong_line(
            FILE,
            repair.line,
            f"There is no capture of {subject!r}, but one of {near!r}.",
            suggestion(subject, known, "subjects"),
        )
        for repair in repairs
        for subject in repair.subjects
        if subject not in known
        and (near := closest(subject, known))
        and _digits(subject) == _digits(near)
    ]


def _digits(word: str) -> str:
    return re.sub(r"\D", "", word)


def _repair(line: Line, dates: Mapping[str, str]) -> Repair:
    cells = line.cells
    if "done" not in cells:
        raise wrong_line(
            FILE, line.number, "The line does not say what was done.", "Fill in 'done'."
        )
    for column in TEXTS:
        if spoilt_fraction(cells.get(column, "")):
            raise wrong_line(
                FILE,
                line.number,
                f"{column} holds {cells[column]!r}: it looks like a fraction such as 1/4 that a "
                "spreadsheet turned into a date.",
                "Write it again with its unit, such as 0.25 W, or as text.",
            )
    corrects = cells.get("corrects", "")
    if corrects and not (corrects.isascii() and corrects.isdigit()):
        raise wrong_line(
            FILE, line.number, f"corrects must be a line; got {corrects!r}.", "Write its number."
        )
    date = _date(line)
    return Repair(
        line.number,
        _stage(line, date, dates),
        date,
        cells.get("section", ""),
        tuple(as_word(s) for s in re.split(r"[,;]", cells.get("subject", "")) if s.strip()),
        cells.get("found", ""),
        cells["done"],
        cells.get("part", ""),
        int(corrects) if corrects else None,
    )


def _date(line: Line) -> str:
    if "date" not in line.cells:
        return ""
    clock = as_clock(line.cells["date"])
    if clock is None:
        raise wrong_line(
            FILE,
            line.number,
            f"{line.cells['date']!r} is no date, or one that can be read in two ways.",
            "Write year, month and day, such as 2026-03-02.",
        )
    return clock.date().isoformat()


def _stage(line: Line, date: str, dates: Mapping[str, str]) -> str:
    """Return the first stage that was recorded after a repair."""
    given = line.cells.get("stage", "")
    if given:
        if given not in dates:
            problem = f"There is no stage {given!r}."
            raise wrong_line(FILE, line.number, problem, suggestion(given, dates, "stages"))
        if date and date > (dates[given] or date):
            problem = f"The repair of {date} is said to come before {given}, of {dates[given]}."
            raise wrong_line(FILE, line.number, problem, "Put right the date, or the stage.")
        return given
    if not date or not all(dates.values()):
        raise wrong_line(
            FILE,
            line.number,
            "The line does not say before which stage the repair was done.",
            "Fill in 'stage', the first one recorded after it; or its date, with a date for "
            "every stage in job.toml.",
        )
    if date in dates.values():
        raise wrong_line(
            FILE,
            line.number,
            f"A stage was recorded on the same day, {date}.",
            "Fill in 'stage': the first one recorded after the repair.",
        )
    return next((name for name, day in dates.items() if day > date), "")
