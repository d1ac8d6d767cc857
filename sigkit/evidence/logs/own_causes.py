"""causes.csv: what a quantity outside its limit often comes from, as this bench has learnt it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

from sigkit.evidence.job.names import known_test, suggestion
from sigkit.evidence.logs.spreadsheet import Line, read_lines, wrong_line
from sigkit.judging.causes import (
    ABOVE,
    ALL,
    ANY,
    BELOW,
    COLUMNS,
    MOST_CAUSES,
    Cause,
    Key,
    causes_from,
)
from sigkit.judging.next_step import cautions

FILE = "causes.csv"
TURN = re.compile(r"clockwise", re.IGNORECASE)
CHOICES = {"sign": (ABOVE, BELOW, ANY), "alike": (ALL, ANY)}


def read_causes(path: Path) -> Mapping[Key, Cause]:
    """Read the job's own causes; without the file there are none.

    Parameters
    ----------
    path : Path
        The file, in the columns of the shipped ``causes.csv``. ``often`` holds up to four causes
        with semicolons between them; ``sign`` (above, below) and ``alike`` (all) may be left out.

    Returns
    -------
    mapping
        Cause by bench test, quantity, sign and alike.

    Raises
    ------
    InputError
        An unknown column, test, quantity, sign or caution, with a suggestion; a line without
        causes or step, with too many causes or a trimmer's turn, or for what another is for.
    """
    needed = dict.fromkeys(COLUMNS[:2], "Take the shipped causes.csv as a pattern.")
    needed |= dict.fromkeys(("often", "step"), "Take the shipped causes.csv as a pattern.")
    lines = read_lines(path, COLUMNS, needed, what="causes")
    first: dict[tuple[str, ...], int] = {}
    for line in lines:
        _check(line)
        key = *(line.cells[c] for c in COLUMNS[:2]), *(line.cells.get(c, ANY) for c in CHOICES)
        if first.setdefault(key, line.number) != line.number:
            problem = f"Line {first[key]} is for the same quantity, sign and alike."
            raise wrong_line(FILE, line.number, problem, "Put both into one line, or remove one.")
    blank = dict.fromkeys(COLUMNS, "")
    return causes_from([blank | dict(line.cells) for line in lines])


def _check(line: Line) -> None:
    where = f"{FILE}, line {line.number}"
    test = known_test(line.cells.get("test", ""), where=where)
    quantities = [judged.quantity for judged in test.judged if judged.better != "none"]
    quantity = line.cells.get("quantity", "")
    if quantity not in quantities:
        problem = f"{test.title} has no quantity {quantity!r} that is judged."
        raise wrong_line(FILE, line.number, problem, suggestion(quantity, quantities, "quantities"))
    for column, choices in CHOICES.items():
        word = line.cells.get(column, ANY)
        if word not in choices:
            problem = f"{column} cannot be {word!r}."
            raise wrong_line(FILE, line.number, problem, f"Write one of {', '.join(choices)}.")
    told = cautions()
    for name in line.cells.get("cautions", "").split():
        if name not in told:
            problem = f"There is no caution named {name!r}."
            raise wrong_line(FILE, line.number, problem, suggestion(name, told, "cautions"))
    often = [cause for cause in line.cells.get("often", "").split(";") if cause.strip()]
    if not 1 <= len(often) <= MOST_CAUSES:
        problem = f"The line names {len(often)} causes."
        remedy = f"Name one to {MOST_CAUSES}, with semicolons between them."
        raise wrong_line(FILE, line.number, problem, remedy)
    if not line.cells.get("step", ""):
        problem = "The line names no next step."
        raise wrong_line(FILE, line.number, problem, "Write what to do next at the bench.")
    if TURN.search(" ".join(line.cells.values())):
        problem = "The line says which way to turn a trimmer."
        remedy = "Leave it to the service document: it differs from unit to unit."
        raise wrong_line(FILE, line.number, problem, remedy)
