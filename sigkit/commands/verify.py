"""``sigkit verify``: whether evidence is what it was when it was written."""

from __future__ import annotations

import argparse
import dataclasses
from pathlib import Path
from typing import Any

from sigkit.commands.parser import add_command, add_json
from sigkit.commands.say import OK, PROBLEMS, folded, print_json, typed
from sigkit.errors import InputError


def add(commands: Any) -> None:
    """Add the command to those of ``sigkit``."""
    parser = add_command(
        commands,
        run,
        short="check that evidence and captures are unchanged",
        text="Compares the files of an evidence folder, and its captures where you name them, with "
        "the hashes in its manifest.",
        example="sigkit verify my_job/evidence --captures my_job",
    )
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="the evidence folder")
    parser.add_argument(
        "--captures", type=Path, metavar="PATH", help="the job folder, or one WAV file"
    )
    parser.add_argument(
        "--recompute", action="store_true", help="measure again and compare with results.csv"
    )
    add_json(parser)


def run(call: argparse.Namespace) -> int:
    """Compare, and print what differs."""
    from sigkit.evidence.manifest import FILE, MEANING, verify

    inside = call.folder / "evidence"
    if (inside / FILE).is_file() and not (call.folder / FILE).is_file():
        raise InputError(
            "This is a job, not its evidence.",
            where=str(call.folder),
            remedy=f"Did you mean: sigkit verify {typed(inside)} --captures {typed(call.folder)}",
        )
    found = verify(call.folder, call.captures, recompute=call.recompute, progress=True)
    if call.json:
        print_json("verify", {"ok": found.ok, **dataclasses.asdict(found), "meaning": MEANING})
        return OK if found.ok else PROBLEMS
    for line in (*found.lines(), *found.codes()):
        print("\n".join(folded(line)))
    print("\n".join(folded(MEANING, rest="")))
    return OK if found.ok else PROBLEMS
