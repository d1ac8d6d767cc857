"""Repairs written down at the bench: each a new line, none ever changed."""

from __future__ import annotations

import csv
import datetime
import io
import os
import re
from collections.abc import Iterable, Mapping
from pathlib import Path

from sigkit.errors import InputError
from sigkit.evidence.logs.repairs import COLUMNS, FILE
from sigkit.evidence.logs.spreadsheet import as_word, decoded, encoding_of, headed


def log_repair(
    folder: str | Path,
    done: str,
    *,
    stage: str = "",
    date: str = "",
    section: str = "",
    subject: str = "",
    found: str = "",
    part: str = "",
    note: str = "",
    corrects: int | None = None,
) -> int:
    """Write a repair below those that a job has; nothing that stands there is changed.

    Parameters
    ----------
    folder : str or Path
        The job's folder; ``repairs.csv`` is begun where there is none.
    done : str
        What was done.
    stage : str, optional
        The first stage recorded after it, be it there already or not yet; else it goes by its date.
    date : str, optional
        Such as ``"2026-03-09"``; today where it is not given.
    section, subject, found, part, note : str, optional
        See `read_repairs`.
    corrects : int, optional
        Line of the file that this one puts right.

    Returns
    -------
    int
        Line of the file.

    Raises
    ------
    InputError
        No such folder, nothing done, neither stage nor date, or a file whose columns have no place
        for a cell.
    """
    path = Path(folder) / FILE
    if not path.parent.is_dir():
        raise InputError(
            "There is no such job folder.", where=str(folder), remedy="Name the job's folder."
        )
    if not done.strip():
        raise InputError("Nothing was done.", where=FILE, remedy="Say in a few words what was.")
    if not stage and not date:
        raise InputError(
            "The repair does not say before which stage it was done.",
            where=FILE,
            remedy="Give the stage that is recorded next, or its date.",
        )
    cells = {
        "date": date or datetime.date.today().isoformat(),
        "stage": stage,
        "section": section,
        "subject": subject,
        "found": found,
        "done": done,
        "part": part,
        "note": note,
        "corrects": "" if corrects is None else str(corrects),
    }
    return _append(path, cells, [name for name in cells if name != "date" or date])


def _append(path: Path, cells: Mapping[str, str], asked: Iterable[str]) -> int:
    """Write one line at the end of the file, in the columns that it has."""
    data = path.read_bytes() if path.exists() else b""
    text, encoding = decoded(data), encoding_of(data)
    heads, separator = list(COLUMNS), ","
    if text.strip():
        _, rest, separator = headed(text.lstrip())
        first = rest.lstrip().splitlines()[0]
        heads = [as_word(head) for head in next(csv.reader([first], delimiter=separator))]
    left = [name for name in asked if cells[name] and name not in heads]
    if left:
        raise InputError(
            f"The repairs have no column {left[0]!r}.",
            where=f"{FILE}, line 1",
            remedy="Add it at the end of the line of column names.",
        )
    out = io.StringIO()
    writer = csv.writer(out, delimiter=separator, lineterminator="\n")
    if not text.strip():
        writer.writerow(heads)
    elif not text.endswith("\n"):
        out.write("\n")
    writer.writerow([re.sub(r"\s+", " ", cells.get(head, "")).strip() for head in heads])
    try:
        new = out.getvalue().encode(encoding)
    except UnicodeEncodeError as error:
        raise InputError(
            f"The file is in an old encoding that has no {error.object[error.start]!r}.",
            where=str(path),
            remedy="Save it as CSV UTF-8 first, or write it with other letters.",
        ) from None
    try:
        with path.open("ab") as file:
            file.write(new)
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise InputError(
            f"The repair cannot be written: {error.strerror}.",
            where=str(path),
            remedy="Close it in the spreadsheet, or see that you may write to it.",
        ) from error
    return len(re.split(r"\r\n|\r|\n", (text + out.getvalue()).removesuffix("\n")))
