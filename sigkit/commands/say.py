"""What every command says in the same way."""

from __future__ import annotations

import sys


def complain(problem: str, where: str, remedy: str) -> None:
    """Print an error as exactly three lines on stderr: what is wrong, where, what to do."""
    usual = ("", "sigkit", "See 'sigkit --help'.")
    for line, default in zip((problem, where, remedy), usual, strict=True):
        print(" ".join(line.split()) or default, file=sys.stderr)
