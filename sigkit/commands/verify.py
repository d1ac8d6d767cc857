"""``sigkit verify``: whether evidence is what it was when it was written."""

from __future__ import annotations

import argparse
import dataclasses
from pathlib import Path
from typing import Any

from sigkit.commands.parser import add_command, add_json
from sigkit.commands.progress import waiting
from sigkit.commands.say import CODE_DIGITS, OK, PROBLEMS, folded, print_json

BYTES_PER_S = 300e6
"""What is read and hashed of a usual disk; for the time that is shown meanwhile."""


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
    add_json(parser)


def run(call: argparse.Namespace) -> int:
    """Compare, and print what differs."""
    from sigkit.evidence.job.names import SUFFIXES
    from sigkit.evidence.manifest import MEANING, verify

    size = sum(map(_size, (call.folder, call.captures)))
    with waiting("reading the files", size / BYTES_PER_S):
        found = verify(call.folder, call.captures)
    if call.json:
        print_json("verify", {"ok": found.ok, **dataclasses.asdict(found), "meaning": MEANING})
        return OK if found.ok else PROBLEMS
    if call.captures is not None and call.captures.is_file():
        same = [name for name in found.matched if name.casefold().endswith(SUFFIXES)]
        for name in same:
            print(f"{call.captures.name} has the content of capture {name}, unchanged")
    print("\n".join(found.lines()))
    print(f"manifest's own SHA-256, first {CODE_DIGITS} digits: {found.code[:CODE_DIGITS]}")
    print("\n".join(folded(MEANING, rest="")))
    return OK if found.ok else PROBLEMS


def _size(path: Path | None) -> int:
    if path is None:
        return 0
    files = path.rglob("*") if path.is_dir() else [path]
    return sum(file.stat().st_size for file in files if file.is_file())
