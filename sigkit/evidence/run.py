"""Measuring the captures of a job: each once, in parallel, in a fixed order."""

from __future__ import annotations

import contextlib
import dataclasses
import math
import os
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sigkit.captures.wav import open_capture
from sigkit.errors import SigkitError, SignalError
from sigkit.evidence.job import Take
from sigkit.evidence.manifest import sha256
from sigkit.measures import TESTS, Result
from sigkit.quantity import Quantity, Term, combine

if TYPE_CHECKING:
    from sigkit.captures.fitness import Fitness

FROM_POWER_ON = frozenset({"settling_time"})
"""Quantities that count from the power-on instant: its uncertainty is theirs."""


@dataclass(frozen=True)
class Outcome:
    """What became of one capture.

    Parameters
    ----------
    take : Take
        The capture.
    result : Result or None
        Its measurement; None where it could not be used.
    error : SigkitError or None
        Why it was not used.
    remarks : tuple of str
        What its fitness check found, and other remarks.
    sha256 : str
        Of the whole file, empty where it could not be read.
    size_bytes : int
        Size of the file.
    duration_s : float
        Length in seconds, nan where it could not be opened.
    """

    take: Take
    result: Result | None = None
    error: SigkitError | None = None
    remarks: tuple[str, ...] = ()
    sha256: str = ""
    size_bytes: int = 0
    duration_s: float = math.nan

    @property
    def used(self) -> bool:
        """Whether there is a measurement."""
        return self.result is not None

    @property
    def measured(self) -> bool:
        """Whether any quantity of it has a value."""
        return self.result is not None and any(
            quantity.measurable for quantity in self.result.quantities().values()
        )

    @property
    def reason(self) -> str:
        """Why it was not used, and what to do, in one line."""
        if self.error is None:
            return ""
        return " ".join(part for part in (self.error.problem, self.error.remedy) if part)


def measure_takes(takes: Sequence[Take], *, progress: bool = True) -> tuple[Outcome, ...]:
    """Measure every capture and return the outcomes in the order of the takes."""
    from tqdm.auto import tqdm

    bar = tqdm(
        _outcomes(takes),
        total=len(takes),
        desc="measuring",
        unit="capture",
        disable=not progress or not takes,
    )
    with _one_thread():
        return tuple(bar)


def measure_take(take: Take, measure: Callable[..., Result]) -> Outcome:
    """Check and measure one capture; only errors that sigkit raises on purpose are kept."""
    outcome = Outcome(take)
    if take.path.is_file():
        with contextlib.suppress(OSError):
            outcome = Outcome(take, sha256=sha256(take.path), size_bytes=take.path.stat().st_size)
    try:
        capture = open_capture(take.path, take.channel)
        outcome = dataclasses.replace(
            outcome, duration_s=capture.duration_s, remarks=tuple(capture.notes)
        )
        fitness = capture.fitness()
        found = tuple(f"{p.kind}, {p.where}: {p.how_much}." for p in fitness.problems)
        outcome = dataclasses.replace(outcome, remarks=outcome.remarks + found)
        if fitness.verdict_for(take.name.test) == "record again":
            raise _unfit(take, fitness)
        with _one_thread():
            result = _widen(measure(capture, **take.options), take.power_on_width_s)
        return dataclasses.replace(outcome, result=result)
    except SigkitError as error:
        folder = take.path.parents[1]
        problem, remedy = (without_folder(t, folder) for t in (error.problem, error.remedy))
        kept = type(error)(problem, where=take.key, remedy=remedy)
        return dataclasses.replace(outcome, error=kept)


def without_folder(text: str, folder: Path) -> str:
    """Return a text that names files of a job without the machine's path to the job."""
    return text.replace(f"{folder}/", "").replace(f"{folder}\\", "")


def _outcomes(takes: Sequence[Take]) -> Iterable[Outcome]:
    tasks = [(take, TESTS[take.name.test].measure) for take in takes]
    if len(tasks) < 2:
        return (measure_take(*task) for task in tasks)
    from joblib import Parallel, delayed

    cores = os.cpu_count() or 1
    pool = Parallel(n_jobs=len(tasks) if len(tasks) < cores else -1, return_as="generator")
    outcomes: Iterable[Outcome] = pool(delayed(measure_take)(*task) for task in tasks)
    return outcomes


def _one_thread() -> AbstractContextManager[object]:
    """Keep linear algebra in one thread: its last digits depend on the number of threads."""
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

    limits: AbstractContextManager[object] = threadpool_limits(1)
    return limits


def _unfit(take: Take, fitness: Fitness) -> SignalError:
    test = take.name.test
    bad = [p for p in fitness.problems if p.severity == "record again" and test in p.harms]
    return SignalError(
        "Record again: " + "; ".join(f"{p.kind}, {p.where}: {p.how_much}" for p in bad) + ".",
        where=take.key,
        remedy=" ".join(dict.fromkeys(p.remedy for p in bad)),
    )


def _widen(result: Result, width_s: float) -> Result:
    """Add the uncertainty of the power-on instant to what counts from it (JCGM 100:2008, 4.3.7)."""
    if width_s <= 0:
        return result
    term = Term("power-on instant", width_s / math.sqrt(12), "B")
    wider: dict[str, Any] = {
        name: combine(q.value, q.unit, (*(q.budget or (_whole(q),)), term))
        for name, q in result.quantities().items()
        if name in FROM_POWER_ON and q.measurable
    }
    note = f"The power-on time is known to {width_s:g} s only; times count from its middle."
    return dataclasses.replace(result, notes=(*result.notes, note), **wider)


def _whole(quantity: Quantity) -> Term:
    return Term("measurement", quantity.u, "B", quantity.dof)
