"""readings.csv: what a technician reads off meters beside the captures, as a plain table."""

from __future__ import annotations

import datetime
import math
import re
import statistics
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from sigkit.errors import InputError
from sigkit.evidence.job.names import known_test, suggestion
from sigkit.evidence.logs.spreadsheet import as_clock, as_word, read_lines, wrong_line
from sigkit.measures import TESTS

FILE = "readings.csv"
TIMES = {"minutes": 60.0, "time_s": 1.0}
"""Columns of the time since switch-on, and their seconds."""
COLUMNS = ("stage", *TIMES, "date_time", "test", "subject", "room_c", "ripple_mv", "note")
RANGES = {"room_c": (-30.0, 60.0), "ripple_mv": (0.0, 1e6)}
RAIL_RANGE = (-1000.0, 1000.0)
UNITS = {"room_c": ("°C", "C"), "ripple_mv": ("mV",), "minutes": ("min",), "time_s": ("s",)}
"""Units that may stand behind a number, by its column; behind a rail, V."""
RAILS = "rail_NAME_v"

_RAIL = re.compile(r"rail_(.+)_v")
_NUMBER = re.compile(r"[+-]?\d+([.,]\d+)?")
_GROUPED = re.compile(r"([+-]?\d{1,3})((?:\s\d{3})+)")
"""Thousands set apart by spaces."""
_THOUSAND = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}")
"""A decimal mark, or one between thousands."""
_DASHES = str.maketrans(dict.fromkeys("\N{MINUS SIGN}\N{EN DASH}\N{HYPHEN}", "-"))


@dataclass(frozen=True, slots=True)
class Rail:
    """A supply rail as it was read.

    Parameters
    ----------
    volts : float
        Its voltage.
    resolution_v : float
        Step of the last digit that was written down.
    """

    volts: float
    resolution_v: float

    def __str__(self) -> str:
        places = max(0, math.ceil(-math.log10(self.resolution_v) - 1e-9))
        return f"{self.volts:+.{places}f}"


@dataclass(frozen=True)
class Reading:
    """One line of the readings.

    Parameters
    ----------
    line : int
        Its line in the file.
    stage, test, subject : str
        What it belongs to; an empty test or subject means all of them.
    time_s : float
        Seconds since switch-on; nan where the line gives none.
    clock : datetime or None
        Date and time of day.
    values : mapping of str to float
        What was read, by column: ``room_c``, ``ripple_mv``.
    rails : mapping of str to Rail
        Supply rails by name.
    """

    line: int
    stage: str
    test: str = ""
    subject: str = ""
    time_s: float = math.nan
    clock: datetime.datetime | None = None
    values: Mapping[str, float] = field(default_factory=dict)
    rails: Mapping[str, Rail] = field(default_factory=dict)

    def is_of(self, test: str, subject: str) -> bool:
        """Whether it belongs to a test and subject; an empty word asks for any."""
        pairs = ((self.test, test), (self.subject, subject))
        return all(not own or not asked or own == asked for own, asked in pairs)


def read_readings(path: Path, stages: Iterable[str]) -> tuple[Reading, ...]:
    """Read readings.csv; without the file there are none.

    Parameters
    ----------
    path : Path
        The file: one line of column names, then one line a reading. Columns are ``stage``, one of
        ``minutes`` and ``time_s`` (since switch-on) or ``date_time`` (see `as_clock`), ``test``,
        ``subject``, ``room_c``, ``ripple_mv``, ``note`` and ``rail_NAME_v`` for each supply rail.
        Comma, semicolon or tab between them; decimal commas and a byte-order mark are read.
    stages : iterable of str
        Names of the job's stages.

    Returns
    -------
    tuple of Reading
        In the order of the file. Notes stay in the file.

    Raises
    ------
    InputError
        An unknown column, stage or test, with a suggestion; a value that is no number; a line of
        another length.
    """
    lines = read_lines(
        path,
        COLUMNS,
        {"stage": "Name the stage of every reading, as its folder is named."},
        what="readings",
        pattern=_RAIL.pattern,
        example=RAILS,
    )
    known = list(stages)
    marks = _marks(cell for line in lines for cell in line.cells.values())
    return tuple(_reading(line.number, line.cells, known, marks) for line in lines)


def temperature(
    readings: Sequence[Reading], switched_on: datetime.datetime | None = None
) -> pd.DataFrame | None:
    """Return the room temperature over time since switch-on.

    Parameters
    ----------
    readings : sequence of Reading
        Those of one capture.
    switched_on : datetime, optional
        When it was switched on, to place readings that give date and time of day.

    Returns
    -------
    DataFrame or None
        Columns time_s (since switch-on) and room_c, in order of time; None where no reading gives
        both.
    """
    rows = []
    for reading in readings:
        time_s = reading.time_s
        if math.isnan(time_s) and reading.clock is not None and switched_on is not None:
            time_s = (reading.clock - switched_on).total_seconds()
        if "room_c" in reading.values and not math.isnan(time_s):
            rows.append((time_s, reading.values["room_c"]))
    if not rows:
        return None
    return pd.DataFrame(sorted(rows), columns=["time_s", "room_c"])


def room_of(readings: Sequence[Reading]) -> float | None:
    """Return the mean room temperature of some readings, None where none gives it."""
    read = [reading.values["room_c"] for reading in readings if "room_c" in reading.values]
    return statistics.fmean(read) if read else None


def rails_of(readings: Sequence[Reading]) -> dict[str, Rail]:
    """Return the rails by name: the median over some readings, at the coarsest digit."""
    names = dict.fromkeys(name for reading in readings for name in reading.rails)
    every = {n: [r.rails[n] for r in readings if n in r.rails] for n in names}
    return {
        name: Rail(
            statistics.median(rail.volts for rail in rails),
            max(rail.resolution_v for rail in rails),
        )
        for name, rails in every.items()
    }


def _reading(line: int, given: Mapping[str, str], stages: list[str], marks: str) -> Reading:
    stage, test = given.get("stage", ""), as_word(given.get("test", ""))
    if stage not in stages:
        raise _wrong(f"There is no stage {stage!r}.", line, suggestion(stage, stages, "stages"))
    if test:
        known_test(test, where=f"{FILE}, line {line}")
    numbers = {
        head: _number(cell, head, line, marks)
        for head, cell in given.items()
        if head in TIMES or head in RANGES or _RAIL.fullmatch(head)
    }
    times = [numbers[head][0] * scale for head, scale in TIMES.items() if head in numbers]
    if len(times) > 1:
        raise _wrong(
            "The line gives the time since switch-on twice.", line, "Give minutes or time_s."
        )
    return Reading(
        line,
        stage,
        test,
        as_word(given.get("subject", "")),
        times[0] if times else math.nan,
        _clock(given["date_time"], line) if "date_time" in given else None,
        {head: numbers[head][0] for head in RANGES if head in numbers},
        {m[1]: Rail(*numbers[head]) for head in numbers if (m := _RAIL.fullmatch(head))},
    )


def _marks(cells: Iterable[str]) -> str:
    """Return the decimal marks of a table, as far as its numbers leave no doubt."""
    found = [_plain(cell) for cell in cells]
    sure = [t for t in found if _NUMBER.fullmatch(t) and not _THOUSAND.fullmatch(t)]
    return "".join(mark for mark in ".," if any(mark in text for text in sure))


def _plain(cell: str, head: str = "") -> str:
    """Return a number without its unit, and with plain signs."""
    text = " ".join(cell.split()).translate(_DASHES)
    for unit in UNITS.get(head, ("V",)):
        text = text.removesuffix(unit).rstrip()
    grouped = _GROUPED.match(text)
    return text.replace(" ", "") if grouped else text


def _number(cell: str, head: str, line: int, marks: str) -> tuple[float, float]:
    """Return a number and the step of its last digit."""
    text = _plain(cell, head)
    if not _NUMBER.fullmatch(text):
        unit = " or ".join(UNITS.get(head, ("V",)))
        remedy = f"Write digits with a decimal point or comma, in {unit}."
        raise _wrong(f"{head} must be a number; got {cell!r}.", line, remedy)
    low, high = RANGES.get(head, RAIL_RANGE if _RAIL.fullmatch(head) else (-math.inf, math.inf))
    many = float(re.sub("[.,]", "", text))
    if _THOUSAND.fullmatch(text) and low <= many <= high and not (marks and marks in text):
        raise _wrong(
            f"{head} may be {text.replace(',', '.')} or {many:g}; got {cell!r}.",
            line,
            "Write it without a mark between thousands, or with one decimal more.",
        )
    value = float(text.replace(",", "."))
    if not low <= value <= high:
        raise _wrong(
            f"{head} must lie from {low:g} to {high:g}; got {cell}.", line, "Check the unit."
        )
    return value, 10.0 ** -len(re.split("[.,]", text + ".")[1])


def _clock(cell: str, line: int) -> datetime.datetime:
    clock = as_clock(cell)
    if clock is None or ":" not in cell:
        raise _wrong(
            f"date_time must be a date and a time of day; got {cell!r}.",
            line,
            "Write year, month, day and time, such as 2026-03-02 10:15.",
        )
    return clock


def _wrong(problem: str, line: int, remedy: str) -> InputError:
    return wrong_line(FILE, line, problem, remedy)


def strangers(readings: Sequence[Reading], subjects: Mapping[str, set[str]]) -> list[InputError]:
    """Return an error for each reading whose test has no capture of its subject.

    Parameters
    ----------
    readings : sequence of Reading
        All readings.
    subjects : mapping of str to set of str
        Subjects of the job's captures by bench test.
    """
    found = []
    for reading in readings:
        tests = [reading.test] if reading.test else list(TESTS)
        known = sorted({s for test in tests for s in subjects.get(test, set())})
        if reading.subject and reading.subject not in known:
            problem = (
                f"There is no capture of {reading.subject!r} that the reading could belong to."
            )
            found.append(
                _wrong(problem, reading.line, suggestion(reading.subject, known, "subjects"))
            )
    return found
