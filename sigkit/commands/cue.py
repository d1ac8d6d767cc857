"""``sigkit cue``: write the track of beeps that leads through a bench test."""

from __future__ import annotations

import argparse
import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sigkit.commands.parser import add_command, add_json
from sigkit.commands.say import OK, folded, print_json

if TYPE_CHECKING:
    from sigkit.captures.cues.plan import Plan


def add(commands: Any) -> None:
    """Add the command to those of ``sigkit``."""
    parser = add_command(
        commands,
        run,
        short="write a track of beeps that leads both hands",
        text="Writes a WAV file to play in the headphones, and to loop to input 2, while a test is "
        "recorded: its beeps say when to press, let go, move and stop.",
        example="sigkit cue slider --passes 5",
    )
    parser.add_argument("test", metavar="TEST", help="bench test, such as slider or keyboard")
    parser.add_argument("--out", type=Path, metavar="FILE", help="default: cue-TEST.wav")
    parser.add_argument("--passes", type=int, metavar="N", help="passes, presses or repeats")
    parser.add_argument("--keys", type=int, metavar="N", help="keys of the keyboard")
    parser.add_argument("--marks", type=int, metavar="N", help="marks of a glide slider")
    parser.add_argument(
        "--tempo", type=float, default=1.0, metavar="X", help="0.5 (slow) to 2; default: 1"
    )
    parser.add_argument(
        "--rate", type=int, default=48000, metavar="HZ", help="sample rate; default: 48000"
    )
    add_json(parser, "print what its beeps ask for, and when, as JSON")


def run(call: argparse.Namespace) -> int:
    """Write the track and say what its beeps ask for."""
    from sigkit.captures.cues.track import make_cue

    path = Path(f"cue-{call.test}.wav") if call.out is None else call.out
    plan = make_cue(
        call.test,
        path,
        passes=call.passes,
        keys=call.keys,
        marks=call.marks,
        tempo=call.tempo,
        rate=call.rate,
    )
    if call.json:
        steps = [dataclasses.asdict(step) for step in plan.steps]
        print_json("cue", {"file": path, **dataclasses.asdict(plan), "steps": steps})
        return OK
    print("\n".join(lines_of(plan)))
    print(f"Written: {path}")
    return OK


def lines_of(plan: Plan) -> list[str]:
    """Return what the beeps of a track ask for, in order, repeats said once."""
    from sigkit.captures.remarks import spoken_time

    lines = [f"Cue of {plan}: {spoken_time(plan.length_s)}, {len(plan.steps)} beeps"]
    beeps = {"up": "one beep", "down": "two beeps", "next": "three beeps", "stop": "a long beep"}
    for kind, words in dict.fromkeys((step.kind, step.words) for step in plan.steps):
        lines += folded(words, f"  {beeps[kind]:13}", " " * 15)
    return lines
