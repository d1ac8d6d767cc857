"""``sigkit demo``: the sample job, made anew bit for bit."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from sigkit.commands.parser import add_command, add_json
from sigkit.commands.progress import Progress
from sigkit.commands.say import OK, print_json, typed


def add(commands: Any) -> None:
    """Add the command to those of ``sigkit``."""
    parser = add_command(
        commands,
        run,
        short="make the sample job, to try everything on",
        text="Writes a small job of three stages with planted faults, 29 MB of calculated sound; "
        "its README.md says what is planted.",
        example="sigkit demo my_demo",
    )
    parser.add_argument(
        "folder",
        nargs="?",
        type=Path,
        default=Path("sample_audio"),
        metavar="FOLDER",
        help="where; default: sample_audio",
    )
    parser.add_argument("--remake", action="store_true", help="replace files of it that differ")
    add_json(parser, "print the names of its files as JSON")


def run(call: argparse.Namespace) -> int:
    """Make it, and say what to do with it."""
    from sigkit.synth.demo import make_demo
    from sigkit.synth.scenario import SCENARIO

    progress = Progress("making the demo:", len(SCENARIO))
    try:
        files = make_demo(
            call.folder,
            remake=call.remake,
            watch=lambda done: progress(done, f"{done} of {len(SCENARIO)}"),
        )
    finally:
        progress.clear()
    if call.json:
        print_json("demo", {"folder": call.folder, "files": files})
        return OK
    print(f"{len(files)} files of the demo job are in {call.folder}")
    print(f"Measure them with: sigkit evidence {typed(call.folder)}")
    return OK
