"""The parser of the command line: errors of three lines, and help alike for every command."""

from __future__ import annotations

import argparse
import difflib
import re
import shutil
import textwrap
from collections.abc import Callable
from typing import Any, NoReturn

from sigkit.commands.say import WIDTH, WRONG_CALL, complain

LABEL = 14
"""So much is kept free for the names, or the longest command would get a line of its own."""
_CHOICE = re.compile(r"argument (\S+): invalid choice: '(.*?)' \(choose from (.*)\)")
_KIND = re.compile(r"argument (\S+): invalid (int|float) value: (.*)")
_NOTHING = re.compile(r"argument (\S+): expected (at least )?one argument")
_UNKNOWN = "unrecognized arguments: "


class Help(argparse.HelpFormatter):
    """Help of at most 80 columns, whatever the terminal; indented lines stay as they are."""

    def __init__(self, prog: str) -> None:
        width = min(shutil.get_terminal_size().columns, WIDTH) - 1
        super().__init__(prog, max_help_position=22, width=width)
        self._action_max_length = LABEL

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        lines = [
            line if line.startswith(" ") or not line else textwrap.fill(line, width)
            for line in text.splitlines()
        ]
        return textwrap.indent("\n".join(lines), indent)


class Parser(argparse.ArgumentParser):
    """A parser whose errors have three lines like all others."""

    def __init__(self, **options: Any) -> None:
        super().__init__(**{"formatter_class": Help, "allow_abbrev": False, **options})
        self.color = False  # newer Pythons colour their help; nothing else here has colours
        self._positionals.title = "what to give"

    def error(self, message: str) -> NoReturn:
        """Print the error and end with 2."""
        problem, remedy = f"{message[:1].upper()}{message[1:]}.", f"See '{self.prog} --help'."
        if choice := _CHOICE.match(message):
            name, given, known = choice.groups()
            names = [word.strip(" '") for word in known.split(",")]
            what = "command" if name == "COMMAND" else "choice"
            problem = f"There is no {what} {given!r}" + (
                "." if name == "COMMAND" else f" for {name}."
            )
            remedy = f"{_meant(given, names)}Choose from: {', '.join(names)}."
        elif kind := _KIND.match(message):
            name, wanted, given = kind.groups()
            number = "a whole number" if wanted == "int" else "a number"
            problem = f"{name} must be {number}; got {given}."
        elif nothing := _NOTHING.match(message):
            problem = f"{nothing[1]} needs a value behind it."
        elif message.startswith(_UNKNOWN):
            given = message.removeprefix(_UNKNOWN)
            word = given.split()[0].partition("=")[0]
            known = [name for name in self._option_string_actions if name.startswith("--")]
            problem = f"This is one word too many, or no option here: {given}."
            remedy = f"{_meant(word, known) if word.startswith('-') else ''}{remedy}"
        complain(problem, self.prog, remedy)
        raise SystemExit(WRONG_CALL)


def add_command(
    commands: Any, run: Callable[[argparse.Namespace], int], *, short: str, text: str, example: str
) -> argparse.ArgumentParser:
    """Add one command, with the help that all have alike.

    Parameters
    ----------
    commands : argparse's sub-parsers
        Those of ``sigkit``.
    run : callable
        Runs the command and returns its exit code; its module has the name of the command.
    short : str
        What it does, for the list of commands.
    text : str
        What it does, for its own help.
    example : str
        A call of it.

    Returns
    -------
    argparse.ArgumentParser
        For what the command can be given.
    """
    name = run.__module__.rpartition(".")[2]
    parser: argparse.ArgumentParser = commands.add_parser(
        name, help=short, description=text, epilog=f"example:\n  {example}"
    )
    parser.add_argument(
        "--traceback", action="store_true", help="after an error, say where in the program it arose"
    )
    parser.set_defaults(run=run, parser=parser, command=name)
    return parser


def add_json(parser: argparse.ArgumentParser, what: str = "print the whole result as JSON") -> None:
    """Add the option ``--json`` to a command."""
    parser.add_argument("--json", action="store_true", help=what)


def _meant(word: str, known: list[str]) -> str:
    near = difflib.get_close_matches(word, known, n=1)
    return f"Did you mean {near[0]!r}? " if near else ""
