"""The cue track of a bench test, written beside the notebook, and what its beeps ask for."""

from __future__ import annotations

from pathlib import Path

from sigkit.captures.cues.plan import plan_of
from sigkit.captures.cues.track import make_cue
from sigkit.notebook.shown import Shown, said, table, together

MOST_BEEPS = 8


def cue_beside(test: str, *, keys: int | None = None) -> Shown:
    """Write the cue track of a test into the current folder, unless it is there, and show it.

    Parameters
    ----------
    test : str
        Name of the bench test.
    keys : int, optional
        Keys of the keyboard, for its test.

    Raises
    ------
    InputError
        No such test, or the file cannot be written.
    """
    count = keys if test == "keyboard" else None
    path = Path(f"cue-{test}{'' if count is None else f'-{count}'}.wav")
    plan = plan_of(test, keys=count)
    if not path.exists():
        make_cue(test, path, keys=count)
    beeps = [[f"{step.start_s:.1f}", step.kind, step.words] for step in plan.steps]
    what = (
        f"{path.name} ({plan.length_s:.0f} s) lies beside this notebook. Play it in the "
        "headphones and loop the same output to input 2, some 20 dB below the instrument. One beep "
        "(rising): up, or press. Two (falling): down, or let go. Three: next. A long one: stop."
    )
    head = ["at, s", "beep", "what to do"]
    more = said(f"{len(beeps)} beeps in all.") if len(beeps) > MOST_BEEPS else Shown("", "")
    return together([said(what), table(head, beeps[:MOST_BEEPS]), more])
