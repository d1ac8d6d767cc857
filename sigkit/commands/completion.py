"""``sigkit completion``: what the Tab key offers, in bash, zsh, fish and PowerShell."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Mapping, Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any

from sigkit.commands.parser import add_command
from sigkit.commands.say import OK
from sigkit.errors import InputError

SHELLS = ("bash", "zsh", "fish", "powershell")
FILES, FOLDERS, WORDS = "files", "folders", "words"
"""First line of an answer: the shell is to offer its own files or folders, or the words below."""
TEST_ARGUMENTS = ("test", "tests")


def add(commands: Any) -> None:
    """Add the command to those of ``sigkit``."""
    parser = add_command(
        commands,
        run,
        short="print a script for the Tab key",
        text="Prints a script that lets the Tab key complete commands, options, tests, subjects "
        "and files. For bash, put the example's line into ~/.bashrc; for zsh the same with zsh "
        "into ~/.zshrc, behind compinit; for fish:\n"
        "  sigkit completion fish > ~/.config/fish/completions/sigkit.fish\n"
        "and for PowerShell, in its profile:\n"
        "  sigkit completion powershell | Out-String | Invoke-Expression",
        example='eval "$(sigkit completion bash)"',
    )
    parser.add_argument("shell", metavar="SHELL", help=", ".join(SHELLS))
    words = parser.add_argument("words", nargs=argparse.REMAINDER, help=argparse.SUPPRESS)
    words.required = False
    parser.set_defaults(every=commands.choices)


def run(call: argparse.Namespace) -> int:
    """Print the script; or for ``words``, which the scripts ask for, what fits the last word."""
    if call.shell == WORDS:
        given = call.words[1:] if call.words[:1] == ["--"] else call.words
        print("\n".join(answer(given or [""], call.every)))
        return OK
    if call.shell not in SHELLS:
        raise InputError(
            f"There is no script for a shell {call.shell!r}.",
            where="sigkit completion",
            remedy=f"Name one of {', '.join(SHELLS)}.",
        )
    script = files("sigkit.commands").joinpath(f"completion.{call.shell}")
    print(script.read_text(encoding="utf-8"), end="")
    return OK


def answer(words: Sequence[str], every: Mapping[str, argparse.ArgumentParser]) -> list[str]:
    """Return what the Tab key can offer.

    Parameters
    ----------
    words : sequence of str
        What was typed behind ``sigkit``; the last word is being completed and may be empty.
    every : mapping of str to ArgumentParser
        The parser of every command.

    Returns
    -------
    list of str
        ``files``, ``folders`` or ``words``, and the words that begin like the last one.
    """
    kind, offered = _offered(every, words[:-1], words[-1])
    return [kind, *(word for word in offered if word.startswith(words[-1]))]


def _offered(
    every: Mapping[str, argparse.ArgumentParser], before: Sequence[str], begun: str
) -> tuple[str, list[str]]:
    if not before:
        return WORDS, [*every, "--help", "--version"]
    if before[0] not in every:
        return WORDS, []
    own = every[before[0]]
    options = own._option_string_actions
    if begun.startswith("-"):
        return WORDS, [name for name in options if name.startswith("--")]
    if (option := options.get(before[-1])) is not None and option.nargs != 0:
        return _values(option, before)
    positionals = [a for a in own._actions if not a.option_strings and a.help != argparse.SUPPRESS]
    number = len(list(_plain_words(before[1:], options)))
    if positionals and positionals[-1].nargs in ("*", "+"):
        number = min(number, len(positionals) - 1)
    return _values(positionals[number], before) if number < len(positionals) else (WORDS, [])


def _plain_words(words: Sequence[str], options: dict[str, argparse.Action]) -> Iterator[str]:
    """Yield the words that are no options and belong to none."""
    taken = False
    for word in words:
        option = options.get(word)
        if option is None and not taken and not word.startswith("-"):
            yield word
        taken = option is not None and option.nargs != 0


def _values(action: argparse.Action, before: Sequence[str]) -> tuple[str, list[str]]:
    """Return what an option or a place can be given."""
    from sigkit.measures import TESTS

    if action.choices is not None:
        return WORDS, [str(choice) for choice in action.choices]
    if action.dest in TEST_ARGUMENTS:
        return WORDS, list(TESTS)
    if action.dest == "shell":
        return WORDS, list(SHELLS)
    if action.dest == "set":
        return WORDS, [
            f"{name}=" for test in before if test in TESTS for name in TESTS[test].options
        ]
    if action.dest in ("subject", "setting"):
        return WORDS, _known_names(action.dest, before)
    if action.type is Path:
        folder = action.metavar in ("FOLDER", "DIR", "STAGE")
        return (FOLDERS if folder else FILES), []
    return WORDS, []


def _known_names(what: str, before: Sequence[str]) -> list[str]:
    """Return the subjects or settings that the job's captures have, so that stages are alike."""
    from sigkit.evidence.job.names import read_name
    from sigkit.measures import TESTS

    test = next((word for word in before if word in TESTS), "")
    stage = next((Path(word) for word in before[1:] if not word.startswith("-")), Path())
    found = set()
    for path in stage.absolute().parent.glob("*/*.[wW][aA][vV]"):
        try:
            name = read_name(path.name)
        except InputError:
            continue
        if name.test == test and (what == "subject" or name.subject in before):
            found.add(name.subject if what == "subject" else name.setting)
    return sorted(found - {""})
