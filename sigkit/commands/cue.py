"""``sigkit cue``: write the track of beeps that leads through a bench test."""

from __future__ import annotations

import argparse
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sigkit.captures.cues.plan import Plan

WIDTH = 80


def add(commands: Any) -> None:
    """Add the command to the sub-parsers of ``sigkit``."""
    parser = commands.add_parser(
        "cue", help="write a track of beeps to follow, for headphones and input 2"
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
    parser.set_defaults(run=run)


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
    print("\n".join(lines_of(plan)))
    print(f"Written: {path}")
    return 0


def lines_of(plan: Plan) -> list[str]:
    """Return what the beeps of a track ask for, in order, repeats said once."""
    from sigkit.captures.remarks import spoken_time

    lines = [f"Cue of {plan}: {spoken_time(plan.length_s)}, {len(plan.steps)} beeps"]
    beeps = {"up": "one beep", "down": "two beeps", "next": "three beeps", "stop": "a long beep"}
    for kind, words in dict.fromkeys((step.kind, step.words) for step in plan.steps):
        lines += textwrap.wrap(
            words, WIDTH, initial_indent=f"  {beeps[kind]:13}", subsequent_indent=" " * 15
        )
    return lines
