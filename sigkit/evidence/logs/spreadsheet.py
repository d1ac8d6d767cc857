"""Plain tables beside a job, as spreadsheets and hands write them."""

from __future__ import annotations

import codecs
import contextlib
import csv
import datetime
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from sigkit.errors import InputError
from sigkit.evidence.job.names import suggestion

LAST_MONTH = 12
_LOCAL_DATE = re.compile(r"(\d{1,2})([./])(\d{1,2})\2(\d{4})(?:,? (\d{1,2}:\d{2}(?::\d{2})?))?")
_MONTHS = (
    "jan feb mar apr may jun jul aug sep oct nov dec mär mrz mai okt dez janv févr fév avr juin "
    "juil août sept déc ene abr ago dic gen mag giu lug set ott mrt mei maj fev out "
    "january february march april june july august september october november december "
    "januar februar märz juni juli oktober dezember janvier février avril juillet"
)
_MONTH = "|".join(_MONTHS.split())
_SPOILT = re.compile(
    rf"\d{{1,2}}[.\- ]*({_MONTH})\.?([.\- ]*\d{{2,4}})?|({_MONTH})\.?[\- ]*\d{{1,4}}"
    r"|\d{1,2}\.\d{1,2}\.(\d{2,4})?|\d{1,2}/\d{1,2}/\d{2,4}",
    re.IGNORECASE,
)
"""Dates as spreadsheets of several languages shorten them."""


@dataclass(frozen=True)
class Line:
    """One line of a table.

    Parameters
    ----------
    number : int
        Its line in the file.
    cells : mapping of str to str
        What stands in it, by column; empty cells are left out.
    """

    number: int
    cells: Mapping[str, str]


def read_lines(
    path: Path,
    columns: Sequence[str],
    needed: Mapping[str, str],
    *,
    what: str,
    pattern: str = "",
    example: str = "",
) -> tuple[Line, ...]:
    """Read a table: one line of column names, then one line an entry.

    Parameters
    ----------
    path : Path
        The file. Comma, semicolon or tab between the columns; a byte-order mark, a line ``sep=``
        and UTF-16 are read.
    columns : sequence of str
        The columns there may be.
    needed : mapping of str to str
        The columns there must be, with what to do where one is missing.
    what : str
        What the table holds, in the plural, for errors.
    pattern : str, optional
        Regular expression of further columns.
    example : str, optional
        Such a column, for a suggestion.

    Returns
    -------
    tuple of Line
        In the order of the file, without its empty lines; none where there is no file.

    Raises
    ------
    InputError
        Not readable, no table, a missing, unknown or doubled column, a line with more cells than
        columns.
    """
    if not path.exists():
        return ()
    lines, separator = _split(path, what)
    first, width = lines[0], len(lines[0][1])
    while not first[1][-1]:
        first[1].pop()
    _check_heads(path.name, first, (columns, pattern, example), needed, what)
    heads = [as_word(head) for head in first[1]]
    read = []
    for number, cells in lines[1:]:
        shifted = separator == "," and len(cells) > width  # by a decimal comma
        if shifted or any(cells[len(heads) :]):
            raise wrong_line(
                path.name,
                number,
                f"The line has {len(cells)} cells, and there are {len(heads)} columns.",
                "Check separators: decimal commas need semicolons or tabs between the columns.",
            )
        given = {head: cell for head, cell in zip(heads, cells, strict=False) if cell}
        read.append(Line(number, given))
    return tuple(read)


def as_word(text: str) -> str:
    """Return a name as file names have it: small letters, underscores for spaces."""
    return re.sub(r"\s+", "_", text.strip().casefold())


def as_clock(cell: str) -> datetime.datetime | None:
    """Return a date, with a time of day or without; None where it is none, or may be two.

    Read are ISO 8601 (``2026-03-02 10:15``), day.month.year, and dates with slashes where one of
    the first two numbers is above 12 and therefore the day.

    Examples
    --------
    >>> as_clock("2.3.2026 10:15") == as_clock("2026-03-02 10:15")
    True
    >>> as_clock("03/02/2026") is None
    True
    """
    text = " ".join(cell.split())
    with contextlib.suppress(ValueError):
        return datetime.datetime.fromisoformat(text).replace(tzinfo=None)
    found = _LOCAL_DATE.fullmatch(text)
    if found is None:
        return None
    first, second, year = int(found[1]), int(found[3]), int(found[4])
    day, month = (first, second) if found[2] == "." or first > LAST_MONTH else (second, first)
    if found[2] == "/" and first <= LAST_MONTH and second <= LAST_MONTH and first != second:
        return None
    with contextlib.suppress(ValueError):
        iso = f"{year:04}-{month:02}-{day:02}"
        return datetime.datetime.fromisoformat(f"{iso} {found[5]:0>5}" if found[5] else iso)
    return None


def spoilt_fraction(cell: str) -> bool:
    """Whether a cell looks like the date that a spreadsheet makes of a fraction such as 1/4.

    Examples
    --------
    >>> spoilt_fraction("01. Apr"), spoilt_fraction("1/4 W"), spoilt_fraction("2026-04-01")
    (True, False, True)
    """
    return bool(_SPOILT.fullmatch(" ".join(cell.split()))) or as_clock(cell) is not None


def wrong_line(file: str, line: int, problem: str, remedy: str) -> InputError:
    """Return the error for a line of a table."""
    return InputError(problem, where=f"{file}, line {line}", remedy=remedy)


def _check_heads(
    file: str,
    first: tuple[int, list[str]],
    known: tuple[Sequence[str], str, str],
    needed: Mapping[str, str],
    what: str,
) -> None:
    columns, pattern, example = known
    number, heads = first[0], [as_word(head) for head in first[1]]
    for head in heads:
        if head not in columns and not (pattern and re.fullmatch(pattern, head)):
            names = (*columns, example) if example else tuple(columns)
            raise wrong_line(
                file,
                number,
                f"Unknown column {head!r} in the {what}.",
                suggestion(head, names, "columns"),
            )
        if heads.count(head) > 1:
            problem = f"Column {head!r} is there twice."
            raise wrong_line(file, number, problem, "Remove one of them.")
    for head, remedy in needed.items():
        if head not in heads:
            raise wrong_line(file, number, f"The {what} have no column {head!r}.", remedy)


def _split(path: Path, what: str) -> tuple[list[tuple[int, list[str]]], str]:
    """Return the cells of each line that is not empty, with its number; and the separator."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise InputError(
            f"The {what} cannot be read: {error.strerror}.",
            where=path.name,
            remedy="Check that it is a file that you may read.",
        ) from error
    number, text, separator = headed(decoded(data))
    try:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
        lines = [(number + reader.line_num - 1, [c.strip() for c in cells]) for cells in reader]
    except csv.Error as error:
        problem = f"The {what} are no table: {error}."
        raise wrong_line(path.name, 1, problem, "Save them as CSV again.") from None
    lines = [(at, cells) for at, cells in lines if any(cells)]
    if not lines:
        remedy = f"Write column names and {what}, or remove it."
        raise wrong_line(path.name, 1, f"The {what} are empty.", remedy)
    return lines, separator


def encoding_of(data: bytes) -> str:
    """Return how a spreadsheet has written a text; a byte-order mark stands before it still."""
    for mark, name in ((codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be")):
        if data.startswith(mark):
            return name
    if 0 in data[:2]:  # UTF-16 without its mark
        return "utf-16-be" if data[0] == 0 else "utf-16-le"
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


def decoded(data: bytes) -> str:
    """Return the text, from whatever a spreadsheet writes."""
    return data.decode(encoding_of(data), errors="replace").removeprefix("\N{BOM}")


def headed(text: str) -> tuple[int, str, str]:
    """Return the number of the line with the column names, the text from there on, the separator.

    Spreadsheets write a line ``sep=;`` before it for themselves.
    """
    number = 1
    if text[:4].casefold() == "sep=":
        text, number = text.partition("\n")[2], 2
    first = text.partition("\n")[0]
    return number, text, max(";\t,", key=first.count)
