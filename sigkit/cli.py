"""The ``sigkit`` command: its parser, and how every run of it ends."""

from __future__ import annotations

import _thread
import os
import signal
import sys
import threading
import traceback
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from sigkit.commands.parser import Parser
from sigkit.commands.say import (
    INTERRUPTED,
    OK,
    WRONG_CALL,
    complain,
    folded,
    print_json,
    say_plainly,
)
from sigkit.errors import SigkitError

if TYPE_CHECKING:
    import argparse

ABOUT = """\
Bench tests of analogue keyboard synthesizers, recorded as WAV, measured with uncertainty and set \
side by side as evidence.
"""
AGAIN_S = 0.1
ENDS = """\
example:
  sigkit evidence sample_audio

exit codes:
  0    done
  1    done, with problems: they are printed
  2    wrong call, or nothing could be done
  130  interrupted with Ctrl-C

'sigkit COMMAND --help' tells more about each command."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the ``sigkit`` command.

    Parameters
    ----------
    arguments : sequence of str, optional
        What follows ``sigkit`` on the command line; None takes the program's own.

    Returns
    -------
    int
        0 done, 1 done with problems, 2 the call is wrong or nothing could be done, 130 interrupted.
    """
    try:
        say_plainly()
        try:
            with _warnings_last(), _interrupts_kept():
                return _run(arguments)
        finally:
            if sys.stdout is not None:
                sys.stdout.flush()
    except BrokenPipeError:  # the reader has seen enough
        _no_more_output()
        return OK
    except OSError as error:
        _no_more_output()
        remedy = "Make room, or send the output somewhere else."
        complain(f"The output cannot be written: {error.strerror or error}.", "output", remedy)
        return WRONG_CALL


def _run(arguments: Sequence[str] | None) -> int:
    call = None
    try:
        if not (sys.argv[1:] if arguments is None else arguments):
            _parser().print_help()
            return WRONG_CALL
        call = _parsed(arguments)
        return int(call.run(call))
    except SigkitError as error:
        kept = error
    except KeyboardInterrupt:
        print("Interrupted: nothing is half-written; run it again to finish.", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:
        raise
    except Exception as error:
        kept = _unforeseen(error)
        kept.__cause__ = error
    if call is not None and call.traceback:
        traceback.print_exception(kept, file=sys.stderr)
    if call is not None and getattr(call, "json", False):
        names = ("problem", "where", "remedy")
        print_json(call.command, {"error": {name: getattr(kept, name) for name in names}})
    complain(kept.problem, kept.where, kept.remedy)
    return WRONG_CALL


def _unforeseen(error: Exception) -> SigkitError:
    """Return what is said of an error that nobody foresaw: of the system's, or a fault of ours."""
    if isinstance(error, OSError):
        return SigkitError(
            f"The computer refused: {error.strerror or error}.",
            where=str(error.filename or ""),
            remedy="Check the drive, its free space and your permissions, and run it again.",
        )
    if isinstance(error, MemoryError):
        return SigkitError(
            "There is not enough memory.",
            remedy="Close other programs, or measure fewer captures at a time.",
        )
    return SigkitError(
        f"A fault of sigkit itself, not of your files: {type(error).__name__}: {error}.",
        where=_last_place(error),
        remedy="Run it again with --traceback, and send what it prints to who looks after sigkit.",
    )


def _last_place(error: Exception) -> str:
    frames = traceback.extract_tb(error.__traceback__)
    return f"{Path(frames[-1].filename).name}, line {frames[-1].lineno}" if frames else ""


IDLE_WORKER = "A worker stopped while some jobs were given to the executor."
"""What joblib warns of where a process had nothing to do for minutes; no capture is lost by it."""


@contextmanager
def _warnings_last() -> Iterator[None]:
    """Keep what libraries warn of until the end of the run, and say it once there."""
    with warnings.catch_warnings(record=True) as kept:
        try:
            yield
        finally:
            said = dict.fromkeys(" ".join(str(one.message).split()) for one in kept)
            for text in said:
                if text.startswith(IDLE_WORKER):
                    continue
                print("\n".join(folded(f"Remark of the program: {text}")), file=sys.stderr)


@contextmanager
def _interrupts_kept() -> Iterator[None]:
    """Interrupt again where a library has swallowed Ctrl-C, as those do that call back from C."""
    before = sys.unraisablehook
    waiting: list[threading.Timer] = []

    def again(what: sys.UnraisableHookArgs) -> None:
        if issubclass(what.exc_type, KeyboardInterrupt):
            waiting.append(threading.Timer(AGAIN_S, _interrupt_main))
            waiting[-1].start()
        else:
            before(what)

    sys.unraisablehook = again
    try:
        yield
    finally:
        sys.unraisablehook = before
        for timer in waiting:  # one that comes while the program ends would end it without a word
            timer.cancel()


def _interrupt_main() -> None:
    """Interrupt the main thread, also where it waits."""
    if hasattr(signal, "pthread_kill"):
        signal.pthread_kill(threading.main_thread().ident or 0, signal.SIGINT)
    else:
        _thread.interrupt_main()


def _no_more_output() -> None:
    """Let nothing more be said of an output that is gone, not even at the end of the program."""
    try:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    except (OSError, ValueError, AttributeError):
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: PTH123, SIM115


def _parsed(arguments: Sequence[str] | None) -> argparse.Namespace:
    call, rest = _parser().parse_known_args(arguments)
    if rest:
        call.parser.error(f"unrecognized arguments: {' '.join(rest)}")
    return call


def _parser() -> Parser:
    import sigkit
    from sigkit.commands import (
        check,
        completion,
        cue,
        demo,
        evidence,
        measure,
        new,
        record,
        sheet,
        verify,
    )

    parser = Parser(prog="sigkit", description=ABOUT, epilog=ENDS)
    parser.add_argument("--version", action="version", version=f"sigkit {sigkit.__version__}")
    commands = parser.add_subparsers(required=True, metavar="COMMAND", title="commands")
    for command in (new, sheet, cue, record, check, measure, evidence, verify, demo, completion):
        command.add(commands)
    return parser
