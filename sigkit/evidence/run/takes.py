"""Measuring the captures of a job: each once, in parallel, in a fixed order."""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import inspect
import math
import os
from collections.abc import Callable, Iterable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sigkit.captures.copies import Fingerprint
from sigkit.captures.parts import join_parts
from sigkit.errors import InputError, SigkitError, SignalError
from sigkit.evidence.job.folder import Take
from sigkit.evidence.manifest import sha256
from sigkit.measures import TESTS, Result
from sigkit.tracks.second_opinion import prepare_second_opinion

if TYPE_CHECKING:
    from sigkit.captures.fitness import Fitness


@dataclass(frozen=True, slots=True)
class File:
    """One file of a take.

    Parameters
    ----------
    key : str
        ``STAGE/NAME`` with forward slashes.
    sha256 : str
        Of the whole file, empty where it could not be read.
    size_bytes : int
        Its size.
    """

    key: str
    sha256: str = ""
    size_bytes: int = 0


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
    files : tuple of File
        The files it was read from.
    duration_s : float
        Length in seconds, nan where it could not be opened.
    joined : str
        How the parts of a take in several files follow each other; else empty.
    fingerprint : Fingerprint or None
        What tells a copy of it; None where it could not be read.
    """

    take: Take
    result: Result | None = None
    error: SigkitError | None = None
    remarks: tuple[str, ...] = ()
    files: tuple[File, ...] = ()
    duration_s: float = math.nan
    joined: str = ""
    fingerprint: Fingerprint | None = field(default=None, compare=False, repr=False)

    @property
    def sha256(self) -> str:
        """SHA-256 of the file, or of the SHA-256 of its parts, one a line; empty if unread."""
        codes = [file.sha256 for file in self.files]
        if len(codes) < 2 or not all(codes):
            return codes[0] if len(codes) == 1 else ""
        return hashlib.sha256("".join(f"{code}\n" for code in codes).encode("ascii")).hexdigest()

    @property
    def size_bytes(self) -> int:
        """Size of all its files."""
        return sum(file.size_bytes for file in self.files)

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
    outcome = Outcome(take, files=tuple(map(_file, take.keys, take.paths)))
    try:
        capture = join_parts(take.paths, take.channel, gap_s=take.gap_s)
        outcome = dataclasses.replace(
            outcome,
            duration_s=capture.duration_s,
            remarks=(*take.remarks, *capture.notes),
            joined=capture.notes[0] if take.more else "",
        )
        fitness = capture.fitness(take.name.test)
        found = tuple(f"{p.kind}, {p.where}: {p.how_much}." for p in fitness.problems)
        outcome = dataclasses.replace(
            outcome, remarks=outcome.remarks + found, fingerprint=fitness.fingerprint
        )
        if unfit := _unfit(take, fitness):
            raise unfit
        with _one_thread():
            result = measure(capture, **keywords(take, measure))
        return dataclasses.replace(outcome, result=result)
    except SigkitError as error:
        folder = take.path.parents[1]
        problem, remedy = (without_folder(t, folder) for t in (error.problem, error.remedy))
        named = [
            k for k, path in zip(take.keys, take.paths, strict=True) if str(path) in error.where
        ]
        kept = type(error)(problem, where=named[0] if named else take.key, remedy=remedy)
        return dataclasses.replace(outcome, error=kept)


def keywords(take: Take, measure: Callable[..., Result]) -> dict[str, Any]:
    """Return the options of a measurement: what the job sets, as far as the measure knows it.

    A power-on time that is known only as earliest and latest is given as both.
    """
    known = inspect.signature(measure).parameters
    chosen = dict(take.options)
    if take.power_on_s is not None:
        earliest_s, latest_s = take.power_on_s
        chosen["power_on_s"] = earliest_s
        if latest_s > earliest_s:
            chosen["power_on_latest_s"] = latest_s
    if take.room is not None:
        chosen["readings"] = take.room
    if "reference" in chosen:
        chosen["reference"] = _reference(take, chosen["reference"])
    job_wide = {"power_on_s", "power_on_latest_s", "readings"} - set(take.options)
    return {key: value for key, value in chosen.items() if key in known or key not in job_wide}


def _reference(take: Take, name: str) -> Path:
    """Return the file of another capture of the same stage: gain changes between stages."""
    own = name.removeprefix(f"{take.stage}/")
    path = take.path.parent / (own if Path(own).suffix else f"{own}{take.path.suffix}")
    if "/" in own or not path.is_file():
        raise InputError(
            f"There is no capture {name!r} in this stage to be the reference.",
            where=take.key,
            remedy="Name a capture of the full tone in the same stage, such as reference = "
            '"stability-oscillator_1-t1".',
        )
    return path


def _file(key: str, path: Path) -> File:
    if path.is_file():
        with contextlib.suppress(OSError):
            return File(key, sha256(path), path.stat().st_size)
    return File(key)


def without_folder(text: str, folder: Path) -> str:
    """Return a text that names files of a job without the machine's path to the job."""
    return text.replace(f"{folder}/", "").replace(f"{folder}\\", "")


def _outcomes(takes: Sequence[Take]) -> Iterable[Outcome]:
    tasks = [(take, TESTS[take.name.test].measure) for take in takes]
    if len(tasks) < 2:
        return (measure_take(*task) for task in tasks)
    from joblib import Parallel, delayed

    cores = os.cpu_count() or 1
    prepare_second_opinion()
    pool = Parallel(n_jobs=len(tasks) if len(tasks) < cores else -1, return_as="generator")
    outcomes: Iterable[Outcome] = pool(delayed(_in_worker)(*task) for task in tasks)
    return outcomes


def _in_worker(take: Take, measure: Callable[..., Result]) -> Outcome:
    """Measure one capture in a process of the pool.

    What librosa loads is loaded first: a process that grows by so much later is taken for a leaking
    one and stopped by the pool.
    """
    prepare_second_opinion()
    return measure_take(take, measure)


def _one_thread() -> AbstractContextManager[object]:
    """Keep linear algebra in one thread: its last digits depend on the number of threads."""
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

    limits: AbstractContextManager[object] = threadpool_limits(1)
    return limits


def _unfit(take: Take, fitness: Fitness) -> SignalError | None:
    """Return why a capture is not measured.

    Content or length that this test alone can't use are left to the measure, which looks closer.
    """
    test = take.name.test
    bad = [p for p in fitness.problems if p.severity == "record again" and test in p.harms]
    bad = [p for p in bad if p.harms != (test,)]
    if not bad:
        return None
    return SignalError(
        "Record again: " + "; ".join(f"{p.kind}, {p.where}: {p.how_much}" for p in bad) + ".",
        where=take.key,
        remedy=" ".join(dict.fromkeys(p.remedy for p in bad)),
    )
