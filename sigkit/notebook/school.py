"""A school of faults: twelve planted ones, each shown, played and measured beside a healthy one."""

from __future__ import annotations

import functools
import math
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sigkit.captures.wav import open_capture
from sigkit.errors import InputError
from sigkit.evidence.job.folder import Take
from sigkit.evidence.job.names import CaptureName, suggestion
from sigkit.evidence.report.pictures import draw_stages
from sigkit.evidence.report.wording import MINUS
from sigkit.evidence.run.takes import Outcome
from sigkit.measures import TESTS, Result
from sigkit.measures.result import words
from sigkit.notebook.checking import course
from sigkit.notebook.faults import FAULTS, Fault
from sigkit.notebook.listening import heard_stages
from sigkit.notebook.shown import Shown, listed, picture, said, table, together
from sigkit.synth.sound import Sound, write_wav

HEALTHY, FAULTY = "healthy", "with_the_fault"


@dataclass(frozen=True)
class Lesson:
    """One fault beside its healthy twin.

    Parameters
    ----------
    fault : Fault
        What was planted.
    planted : float
        The truth, in the unit of the number that is looked at.
    healthy, faulty : float
        What was measured of both.
    shown : Shown
        What it is, numbers, pictures, players, and what it often comes from.
    """

    fault: Fault
    planted: float
    healthy: float
    faulty: float
    shown: Shown

    @property
    def agrees(self) -> bool:
        """Whether what was measured is what was planted, and the healthy twin has none of it."""
        near = [abs(x - self.planted) <= self.fault.within for x in (self.healthy, self.faulty)]
        return near == [False, True]

    def __str__(self) -> str:
        return str(self.shown)

    def __repr__(self) -> str:
        return str(self.shown)

    def _repr_html_(self) -> str:
        return self.shown.markup


def plant_fault(name: str) -> Lesson:
    """Plant a fault in a made sound, measure it and its healthy twin, and show both.

    Parameters
    ----------
    name : str
        Such as ``"crackle"``; see ``sigkit.notebook.faults.FAULTS``.

    Returns
    -------
    Lesson
        Shows itself in a notebook; ``agrees`` says whether the planted number was found.

    Raises
    ------
    InputError
        There is no such fault.

    Examples
    --------
    >>> lesson = plant_fault("pitch jump")
    >>> lesson.planted, round(lesson.faulty), lesson.agrees
    (8.0, 8, True)
    """
    if name not in FAULTS:
        raise InputError(
            f"There is no fault {name!r} in this school.",
            where="plant_fault, name",
            remedy=suggestion(name, FAULTS, "faults"),
        )
    fault = FAULTS[name]
    pair = {HEALTHY: _twin(fault.healthy), FAULTY: _twin(fault.faulty)}
    results = {stage: _measured(path, fault) for stage, (path, _) in pair.items()}
    numbers = {stage: fault.number(result) for stage, result in results.items()}
    planted = float(fault.truth(pair[FAULTY][1]))
    told = [_told(number, fault.within) for number in (planted, *numbers.values())]
    head = ["", "planted", "measured, healthy", "measured, with the fault"]
    outcomes = {stage: _outcome(stage, pair[stage][0], fault, results[stage]) for stage in pair}
    shown = [
        said(fault.line),
        table(head, [[fault.label, *told]]),
        *_pictures(outcomes, fault),
        heard_stages(outcomes),
        listed("Often comes from (experience of the trade)", [fault.often]),
    ]
    return Lesson(fault, planted, numbers[HEALTHY], numbers[FAULTY], together(shown))


def _told(number: float, within: float) -> str:
    """Return a number with the digits that matter where it is asked for to within so much.

    Examples
    --------
    >>> _told(71.718, 1.0), _told(0.0058, 0.3), _told(47.2413, 0.05)
    ('72', '0', '47.24')
    """
    digits = max(0, -math.floor(math.log10(within)))
    return f"{round(number, digits) + 0.0:g}".replace("-", MINUS)


@functools.cache
def _twin(make: Callable[[], Sound]) -> tuple[Path, Mapping[str, Any]]:
    """Write a sound into a folder of its own that the system clears away; return its truth too."""
    sound = make()
    path = Path(tempfile.mkdtemp(prefix="sigkit_school_")) / f"{make.__name__}.wav"
    write_wav(path, sound)
    return path, sound.truth


def _measured(path: Path, fault: Fault) -> Result | Any:
    capture = open_capture(path)
    if fault.test == "fitness":
        return capture.fitness()
    return TESTS[fault.test].measure(capture, **fault.options)


def _outcome(stage: str, path: Path, fault: Fault, result: Any) -> Outcome:
    test = "stability" if fault.test == "fitness" else fault.test
    take = Take(stage, CaptureName(test, fault.name.replace(" ", "_")), path)
    if fault.test == "fitness":
        result = TESTS[test].measure(open_capture(path))
    return Outcome(take, result=result)


def _pictures(outcomes: Mapping[str, Outcome], fault: Fault) -> list[Shown]:
    if fault.test == "fitness":
        return [
            picture(course(open_capture(o.take.path)), f"The whole capture, {words(stage)}.")
            for stage, o in outcomes.items()
        ]
    return [picture(draw_stages(list(outcomes.values())), fault.look)]
