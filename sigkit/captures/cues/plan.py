"""What a cue track asks for, when: the capture protocols as data, and the tracks that there are."""

from __future__ import annotations

import csv
import difflib
import operator
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files

import numpy as np

from sigkit.captures.cues.code import BEEPS, TICK_S
from sigkit.errors import InputError

LEAD_S, TAIL_S = 3.0, 3.0
"""Ticks alone before the first beep and after the last one: silence of the instrument."""
GRID_S = 0.05
"""Times are multiples of this: whole samples at every rate."""
TEMPOS = tuple(range(50, 201, 10))
PLAIN_TEMPO = 100


@dataclass(frozen=True)
class Reach:
    """What can be asked of a test's cue track.

    Parameters
    ----------
    code : int
        Number of the test in the track's own number; never used again for another test.
    passes, keys, marks : (int, int)
        Usual number and largest one; (0, 0): not for this test.
    tempo : bool
        Whether the tempo can be chosen.
    """

    code: int
    passes: tuple[int, int] = (0, 0)
    keys: tuple[int, int] = (0, 0)
    marks: tuple[int, int] = (0, 0)
    tempo: bool = False


REACH: Mapping[str, Reach] = {
    "stability": Reach(1, passes=(1, 9)),
    "warmup": Reach(2, passes=(2, 4)),
    "beating": Reach(3),
    "glide": Reach(4, passes=(3, 10), marks=(1, 11), tempo=True),
    "envelope": Reach(5, passes=(5, 20), tempo=True),
    "slider": Reach(6, passes=(5, 20), tempo=True),
    "keyboard": Reach(7, passes=(2, 4), keys=(44, 128), tempo=True),
    "noise": Reach(8),
    "waveform": Reach(9, passes=(1, 9)),
}


@dataclass(frozen=True)
class Step:
    """One beep of a track and what is to be done until ``stop_s``.

    Parameters
    ----------
    item : int
        Number of the key, mark, press or pass, from 1; 0: before the first.
    kind : str
        ``up``, ``down``, ``next`` or ``stop``.
    start_s, stop_s : float
        When the beep begins and the action ends, seconds from the start of the track.
    from_percent, to_percent : float
        Where a movement begins and ends, % of the travel; nan: no movement.
    words : str
        What to do.
    """

    item: int
    kind: str
    start_s: float
    stop_s: float
    from_percent: float
    to_percent: float
    words: str


@dataclass(frozen=True)
class Plan:
    """One cue track: which test, how often, how fast.

    Parameters
    ----------
    test : str
        Name of the bench test.
    passes, keys, marks : int
        How often; 0 where the test has none.
    tempo : int
        Percent of the usual tempo.
    """

    test: str
    passes: int
    keys: int
    marks: int
    tempo: int

    @property
    def number(self) -> int:
        """The number that the track's third noise spells."""
        code = REACH[self.test].code
        return (
            (((code * 32 + self.passes) * 256 + self.keys) * 16) + self.marks
        ) * 256 + self.tempo

    @property
    def steps(self) -> tuple[Step, ...]:
        """Every beep in order, the last one ``stop``."""
        return tuple(_steps(self))

    @property
    def length_s(self) -> float:
        """Length of the track, whole ticks."""
        return float(np.ceil((self.steps[-1].stop_s + TAIL_S) / TICK_S) * TICK_S)

    def __str__(self) -> str:
        said = [
            f"{n} {word}"
            for n, word in ((self.keys, "keys"), (self.marks, "marks"), (self.passes, "passes"))
            if n
        ]
        if self.tempo != PLAIN_TEMPO:
            said.append(f"tempo {self.tempo} %")
        return ", ".join([self.test, *said])


@lru_cache(maxsize=1)
def protocol_rows() -> Mapping[str, tuple[Mapping[str, str], ...]]:
    """Return the rows of ``protocols.csv`` by test."""
    text = files("sigkit.captures.cues").joinpath("protocols.csv").read_text(encoding="utf-8")
    out: dict[str, tuple[Mapping[str, str], ...]] = {}
    for row in csv.DictReader(text.splitlines()):
        out[row["test"]] = (*out.get(row["test"], ()), row)
    return out


def _steps(plan: Plan) -> Iterator[Step]:
    at = LEAD_S
    for item, row in _asked(plan):
        scale = PLAIN_TEMPO / plan.tempo
        move, rest = (_grid(float(row[name]) * scale) for name in ("seconds", "rest_s"))
        begin, end = (float(row[name] or "nan") for name in ("from_percent", "to_percent"))
        yield Step(
            item, row["kind"], _grid(at), _grid(at + (move or rest)), begin, end, row["words"]
        )
        at = _grid(at + move + rest)
    length = BEEPS["stop"][0][1]
    nowhere = float("nan")
    yield Step(0, "stop", _grid(at), _grid(at + length), nowhere, nowhere, "done, hands off")


def _grid(time_s: float) -> float:
    return round(round(time_s / GRID_S) * GRID_S, 6)


def _asked(plan: Plan) -> Iterator[tuple[int, Mapping[str, str]]]:
    """Yield item and row of every step, in order."""
    every = protocol_rows()[plan.test]
    rows = {w: [r for r in every if r["where"] == w] for w in {r["where"] for r in every}}
    yield from enumerate(rows.get("once", ()), start=1)
    if plan.keys:
        yield from _sweeps(plan, rows)
        return
    for mark in range(1, max(plan.marks, 1) + 1):
        for row in rows.get("mark", ()):
            if row["kind"] != "next" or plan.marks > 1:
                yield mark, row
        for number in range(1, plan.passes + 1):
            for row in rows.get("pass", ()):
                yield mark if plan.marks else number, row


def _sweeps(
    plan: Plan, rows: Mapping[str, list[Mapping[str, str]]]
) -> Iterator[tuple[int, Mapping[str, str]]]:
    for sweep in range(plan.passes):
        if sweep:
            yield 0, rows["turn"][0]
        keys = range(1, plan.keys + 1)
        for key in reversed(keys) if sweep % 2 else keys:
            yield key, rows["key_back" if sweep % 2 else "key"][0]


def plan_of(
    test: str,
    *,
    passes: int | None = None,
    keys: int | None = None,
    marks: int | None = None,
    tempo: float = 1.0,
) -> Plan:
    """Return the track of a test as asked for.

    Raises
    ------
    InputError
        No such test, or an option out of reach.
    """
    if test not in REACH:
        near = difflib.get_close_matches(str(test).lower(), REACH, n=1, cutoff=0.6)
        raise InputError(
            f"There is no cue track for a test named {test!r}.",
            where="cue",
            remedy=f"{f'Did you mean {near[0]!r}? ' if near else ''}Tests: {', '.join(REACH)}.",
        )
    reach = REACH[test]
    n_passes, n_keys, n_marks = (
        _count(test, name, asked, *getattr(reach, name))
        for name, asked in (("passes", passes), ("keys", keys), ("marks", marks))
    )
    return Plan(test, n_passes, n_keys, n_marks, _percent(test, tempo, reach))


def _count(test: str, name: str, asked: object, usual: int, most: int) -> int:
    if asked is None:
        return usual
    try:
        number = -1 if isinstance(asked, bool) else operator.index(asked)  # type: ignore[arg-type]
    except TypeError:
        number = -1
    if not most:
        raise InputError(
            f"The cue track of {test} has no {name}.",
            where=f"cue {test}, {name}",
            remedy=f"Leave {name} out.",
        )
    if not 1 <= number <= most:
        raise InputError(
            f"{name} must be a whole number from 1 to {most}; got {asked!r}.",
            where=f"cue {test}, {name}",
            remedy=f"Leave it out for the usual {usual}.",
        )
    return number


def _percent(test: str, tempo: float, reach: Reach) -> int:
    percent = 100 * tempo if isinstance(tempo, (int, float)) else float("nan")
    allowed = TEMPOS if reach.tempo else (PLAIN_TEMPO,)
    if not any(abs(percent - one) < 1e-6 for one in allowed):
        raise InputError(
            f"tempo must be {'0.5 to 2 in steps of 0.1' if reach.tempo else '1'}; got {tempo!r}.",
            where=f"cue {test}, tempo",
            remedy="1 is the usual tempo, 0.5 takes twice as long.",
        )
    return round(percent)


@lru_cache(maxsize=1)
def every_plan() -> tuple[Plan, ...]:
    """Return every track that can be made, some ten thousand."""
    out = []
    for test, reach in REACH.items():
        spans = [
            range(1, most + 1) if most else (0,)
            for _, most in (reach.passes, reach.keys, reach.marks)
        ]
        for passes in spans[0]:
            for keys in spans[1]:
                for marks in spans[2]:
                    for tempo in TEMPOS if reach.tempo else (PLAIN_TEMPO,):
                        out.append(Plan(test, passes, keys, marks, tempo))
    return tuple(out)
