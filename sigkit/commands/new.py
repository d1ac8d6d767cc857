"""``sigkit new``: the folder of a new job."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from sigkit.commands.parser import add_command, add_json
from sigkit.commands.say import OK, print_json, typed
from sigkit.errors import InputError

MAINS_HZ = (40, 70)


def add(commands: Any) -> None:
    """Add the command to those of ``sigkit``."""
    parser = add_command(
        commands,
        run,
        short="make the folder of a new job",
        text="Makes a folder with settings to fill in, empty logs, a first stage, and a sheet to "
        "print for every test. What is there already is left as it is.",
        example="sigkit new my_job --unit K14 --mains 50",
    )
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="the new job's folder")
    parser.add_argument("--unit", default="", metavar="CODE", help="of the unit; no serial number")
    parser.add_argument("--mains", type=float, metavar="HZ", help="50 or 60")
    parser.add_argument(
        "--stages", nargs="+", default=["1_before"], metavar="NAME", help="default: 1_before"
    )
    parser.add_argument("--paper", choices=("a4", "letter"), default="a4", help="default: a4")
    parser.add_argument("--no-sheets", action="store_true", help="leave the sheets out")
    add_json(parser, "print what was made as JSON")


def run(call: argparse.Namespace) -> int:
    """Make it, and say what to do next."""
    from sigkit.evidence.job.new_job import new_job

    if call.mains is not None and not MAINS_HZ[0] <= call.mains <= MAINS_HZ[1]:
        raise InputError(
            f"--mains must be from {MAINS_HZ[0]} to {MAINS_HZ[1]} Hz; got {call.mains:g}.",
            where="sigkit new",
            remedy="Give 50 or 60, or leave it out: it is then found from the sound.",
        )
    made = new_job(
        call.folder,
        unit=call.unit,
        mains_hz=call.mains,
        stages=list(dict.fromkeys(call.stages)),
        sheets=not call.no_sheets,
        paper=call.paper,
    )
    if call.json:
        print_json("new", {"folder": call.folder, "made": made})
        return OK
    print("\n".join(f"made        {path}" for path in made))
    first = Path(call.folder, call.stages[0])
    print("\nNext: fill in job.toml, print the sheets you need, and record, for instance:")
    print(f"sigkit record {typed(first)} warmup oscillator_1")
    return OK
