"""``sigkit record``: from the sound card into a stage of a job."""

from __future__ import annotations

import argparse
import contextlib
import dataclasses
import math
import os
import shutil
import signal
import sys
import textwrap
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sigkit.commands.parser import add_command, add_json
from sigkit.commands.say import INTERRUPTED, OK, PROBLEMS, WIDTH, complain, print_json, typed
from sigkit.errors import InputError, SigkitError

if TYPE_CHECKING:
    from sigkit.captures.recording import Recording
    from sigkit.captures.sources import Source

LONG_S = 120.0


def add(commands: Any) -> None:
    """Add the command to those of ``sigkit``."""
    parser = add_command(
        commands,
        run,
        short="record a test into a stage of a job",
        text="Records from a sound input to STAGE/TEST-SUBJECT[-SETTING][-tN].wav until Ctrl-C; "
        "takes are numbered by themselves, and nothing is ever written over.",
        example="sigkit record my_job/1_before slider volume --seconds 60",
    )
    parser.add_argument("stage", nargs="?", type=Path, metavar="STAGE", help="folder of the stage")
    parser.add_argument("test", nargs="?", metavar="TEST", help="bench test, such as warmup")
    parser.add_argument("subject", nargs="?", metavar="SUBJECT", help="such as oscillator_1")
    parser.add_argument("setting", nargs="?", default="", metavar="SETTING", help="such as half")
    parser.add_argument("--seconds", type=float, metavar="N", help="stop by itself after N seconds")
    parser.add_argument("--take", type=int, metavar="N", help="number of the take")
    parser.add_argument("--device", metavar="D", help="input: its number, or a part of its name")
    parser.add_argument("--channels", type=int, metavar="N", help="default: 2, or the only one")
    parser.add_argument("--rate", type=int, default=48000, metavar="HZ", help="default: 48000")
    parser.add_argument("--bits", type=int, default=24, choices=(16, 24, 32), help="default: 24")
    parser.add_argument("--devices", action="store_true", help="list the sound inputs and end")
    add_json(parser, "with --devices: as JSON (a take has its list beside it as JSON anyway)")


def run(call: argparse.Namespace, source: Source | None = None) -> int:
    """Record, from another source than a sound input where one is given, and say how it went."""
    from sigkit.captures.level_line import LevelLine
    from sigkit.captures.record import record_capture
    from sigkit.captures.sound_card import SoundCard
    from sigkit.evidence.job.new_capture import new_capture

    if call.devices:
        return _list_devices(as_json=call.json)
    if call.json:
        raise InputError(
            "Only the list of sound inputs is printed as JSON here.",
            where="sigkit record --json",
            remedy="Add --devices; what became of a take stands beside it, in .recording.json.",
        )
    if not (call.stage and call.test and call.subject):
        raise InputError(
            "The stage's folder, the test and the subject are needed.",
            where="sigkit record",
            remedy="For instance: sigkit record my_job/1_before warmup oscillator_1",
        )
    if call.take is not None and call.take < 1:
        raise InputError(
            "Takes count from 1.", where="--take", remedy="Leave it out to take the next one."
        )
    if call.seconds is not None and not 0 < call.seconds < math.inf:
        raise InputError(
            f"--seconds must be above 0; got {call.seconds:g}.",
            where="sigkit record",
            remedy="Leave it out to record until Ctrl-C.",
        )
    path = new_capture(call.stage, call.test, call.subject, call.setting, take=call.take)
    running = set(threading.enumerate())
    with _own_terminal():
        if source is None:
            source = SoundCard(call.device, rate=call.rate, channels=call.channels, bits=call.bits)
        line = LevelLine(sys.stdout.isatty())
        with _stage(path.parent), _ended_by_signals() as stop:
            _announce(path, source, call.seconds)
            recording = record_capture(path, source, seconds=call.seconds, stop=stop, watch=line)
        line.end()
    for text in recording.lines():
        _say(text)
    fit = _check(recording, path, call.test)
    if recording.problem:
        complain(recording.problem, str(path), recording.remedy)
    if recording.problem or recording.lost or not fit:
        return _leave(PROBLEMS, running)
    early = call.seconds and recording.ended == "stopped"
    return _leave(INTERRUPTED if early else OK, running)


def _leave(code: int, before: set[threading.Thread]) -> int:
    """Return the code; but where a driver hangs, leave at once, or the program would hang too."""
    from sigkit.captures.record import STOPPING

    if any(thread.name == STOPPING for thread in set(threading.enumerate()) - before):
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)
    return code


def _list_devices(*, as_json: bool) -> int:
    from sigkit.captures.sound_card import input_devices

    devices = input_devices()
    if as_json:
        print_json("record", {"devices": [dataclasses.asdict(one) for one in devices]})
        return OK if devices else PROBLEMS
    if not devices:
        print("This computer has no sound input. Connect the interface and ask again.")
        return PROBLEMS
    print("number  channels  own rate   sound input")
    for one in devices:
        usual = ", the usual one" if one.usual else ""
        text = f"{one.name} ({one.system}{usual})"
        print(f"{one.number:6d}  {one.channels:8d}  {one.rate_hz:5.0f} Hz   {text}"[:WIDTH])
    return OK


@contextmanager
def _stage(folder: Path) -> Iterator[None]:
    """Make the stage's folder if it is not there; take it away again if nothing came into it."""
    new = not folder.exists()
    if new:
        folder.mkdir()
        print(f"new stage   {folder}")
    try:
        yield
    except BaseException:
        if new:
            with contextlib.suppress(OSError):
                folder.rmdir()
        raise


def _announce(path: Path, source: Source, seconds: float | None) -> None:
    from sigkit.captures.level_line import time_left
    from sigkit.captures.recording import clock

    per_s = source.rate * source.channels * source.bits / 8
    left = time_left(shutil.disk_usage(path.parent).free / per_s)
    print(f"recording   {path}")  # whole, to be copied
    _say(f"from        {source.name}")
    channels = f"{source.channels} {'channel' if source.channels == 1 else 'channels'}"
    _say(f"format      {source.rate} Hz, {source.bits} bits, {channels}; the disk lasts {left}")
    end = f"by itself after {clock(seconds)}, or with Ctrl-C" if seconds else "with Ctrl-C"
    _say(f"stops       {end}")
    sys.stdout.flush()


def _check(recording: Recording, path: Path, test: str) -> bool:
    """Print the verdict on the new capture; return whether it is fit for its test."""
    from sigkit.captures.wav import open_capture

    if recording.duration_s > LONG_S:
        print("checking the capture; Ctrl-C leaves it unchecked", flush=True)
    try:
        found = open_capture(path).fitness()
        verdict = found.verdict_for(test.casefold().strip())
    except KeyboardInterrupt:
        print(f"not checked: use sigkit check {typed(path)}")
        return True
    except SigkitError as error:
        _say(f"verdict     record again: {error.problem} {error.remedy}")
        return False
    _say(f"verdict     {verdict}")
    for problem in found.problems:
        print(textwrap.indent(str(problem), "  "))
    return verdict != "record again"


def _say(text: str) -> None:
    """Print one entry, folded under its first column."""
    for line in textwrap.wrap(text, WIDTH, subsequent_indent=" " * 12, break_on_hyphens=False):
        print(line)


@contextmanager
def _ended_by_signals() -> Iterator[threading.Event]:
    """End the recording properly when the terminal is closed or the system shuts down."""
    stop = threading.Event()
    names = [name for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]
    if threading.current_thread() is not threading.main_thread():
        names = []
    before = {name: signal.signal(getattr(signal, name), lambda *_: stop.set()) for name in names}
    try:
        yield stop
    finally:
        for name, handler in before.items():
            signal.signal(getattr(signal, name), handler)


@contextmanager
def _own_terminal() -> Iterator[None]:
    """Keep what the sound system writes past Python off the terminal while it is in use."""
    try:
        keep, number = sys.stderr, sys.stderr.fileno()
        copy = os.dup(number)
    except (OSError, ValueError, AttributeError):  # no terminal behind it, as in tests
        yield
        return
    if number != 2:
        os.close(copy)
        yield
        return
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)
    os.close(nowhere)
    sys.stderr = os.fdopen(copy, "w", encoding=keep.encoding, errors=keep.errors)
    try:
        yield
    finally:
        with contextlib.suppress(OSError):
            sys.stderr.flush()
        os.dup2(copy, 2)
        sys.stderr.close()
        sys.stderr = keep
