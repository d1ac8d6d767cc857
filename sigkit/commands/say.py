"""What every command says in the same way: errors, folded text, JSON; and its exit codes."""

from __future__ import annotations

import codecs
import json
import math
import os
import shlex
import sys
import textwrap
from collections.abc import Mapping
from pathlib import PurePath
from typing import Any

WIDTH = 80
OK, PROBLEMS, WRONG_CALL, INTERRUPTED = 0, 1, 2, 130
SCHEMA = 1
"""Version of what ``--json`` prints."""
CODE_DIGITS = 16
"""So many digits of a hash are shown as a code."""
PLAINER = {
    "\N{MINUS SIGN}": "-",
    "±": "+-",
    "°": " deg ",
    "…": "...",
    "\N{MULTIPLICATION SIGN}": "x",
}
"""Signs for terminals that do not know ours."""


def complain(problem: str, where: str, remedy: str) -> None:
    """Print an error as exactly three lines on stderr: what is wrong, where, what to do."""
    usual = ("", "sigkit", "See 'sigkit --help'.")
    for line, default in zip((problem, where, remedy), usual, strict=True):
        print(" ".join(line.split()) or default, file=sys.stderr)


def folded(text: str, first: str = "", rest: str = "  ") -> list[str]:
    """Return a text as lines of at most 80 columns, the first and the rest indented."""
    lines = textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=rest)
    return [line.replace("\N{NO-BREAK SPACE}", " ") for line in lines]


def typed(path: PurePath) -> str:
    """Return a path as it is typed in a command, in quotes where it needs them."""
    if os.name == "nt":
        return f'"{path}"' if " " in str(path) else str(path)
    return shlex.quote(str(path))


def print_json(command: str, document: Mapping[str, Any]) -> None:
    """Print what a command found as one JSON object, numbers in full, nan as null.

    Parameters
    ----------
    command : str
        Name of the command, which goes into the document beside the version of its form.
    document : mapping
        What was found.
    """
    import sigkit

    head = {"schema": SCHEMA, "command": command, "sigkit": sigkit.__version__}
    whole = {**head, **plain(document)}
    print(json.dumps(whole, indent=1, ensure_ascii=False, allow_nan=False))


def plain(value: Any) -> Any:
    """Return a value as JSON knows it: no nan, no infinity, no paths, no numbers of NumPy's."""
    if isinstance(value, Mapping):
        return {str(key): plain(one) for key, one in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(one) for one in value]
    if isinstance(value, PurePath):
        return str(value)
    if hasattr(value, "item") and not isinstance(value, (str, bytes)):
        value = value.item()
    return None if isinstance(value, float) and not math.isfinite(value) else value


def say_plainly() -> None:
    """Let a terminal or pipe that cannot write a sign get a plainer one instead of an error."""
    codecs.register_error("plainer", _plainer)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="plainer")


def _plainer(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    signs = error.object[error.start : error.end]
    return "".join(PLAINER.get(sign, "?") for sign in signs), error.end
