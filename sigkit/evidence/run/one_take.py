"""Measuring one capture of a job with the settings of the job."""

from __future__ import annotations

import contextlib
import dataclasses
import inspect
import threading
import traceback
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sigkit.captures.parts import join_parts
from sigkit.errors import InputError, SigkitError, SignalError
from sigkit.evidence.job.folder import Take
from sigkit.evidence.manifest import sha256
from sigkit.evidence.run.outcome import File, MeasuringError, Outcome, without_folder
from sigkit.measures import Result

if TYPE_CHECKING:
    from sigkit.captures.fitness import Fitness


_threads = threading.Lock()
_running: list[object] = []
_limits: list[Any] = []


def measure_take(take: Take, measure: Callable[..., Result]) -> Outcome:
    """Check and measure one capture; whatever is raised becomes its reason, and stops no other."""
    stamps = _stamps(take)
    outcome = Outcome(take, files=tuple(map(file_of, take.keys, take.paths)))
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
        with one_thread():
            result = measure(capture, **keywords(take, measure))
        if _stamps(take) != stamps:
            raise InputError(
                "The file changed while it was measured.",
                remedy="Wait until nothing writes to it any more, and run it again.",
            )
        return dataclasses.replace(outcome, result=result)
    except Exception as error:
        return dataclasses.replace(outcome, error=_kept(take, error))


def _kept(take: Take, error: Exception) -> SigkitError:
    """Return an error with the capture as its place, and without the machine's path to it."""
    if not isinstance(error, SigkitError):
        frame = traceback.extract_tb(error.__traceback__)[-1]
        at = f"{'/'.join(Path(frame.filename).parts[-2:])}, line {frame.lineno}"
        what = f"{type(error).__name__}: {error}".rstrip(": ")
        error = MeasuringError(
            f"sigkit failed on this capture: {what} ({at}).",
            remedy="This is a mistake in sigkit: report it with this line. "
            "The other captures do not depend on it.",
        )
    folder = take.path.parents[1]
    problem, remedy = (without_folder(t, folder) for t in (error.problem, error.remedy))
    named = [k for k, path in zip(take.keys, take.paths, strict=True) if str(path) in error.where]
    return type(error)(problem, where=named[0] if named else take.key, remedy=remedy)


@contextlib.contextmanager
def one_thread() -> Iterator[None]:
    """Keep linear algebra in one thread: its last digits depend on the number of threads.

    The limit holds for the whole process. Each that enters sets it again, for libraries that were
    loaded since; the last that leaves lifts it.
    """
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

    with _threads:
        _limits.append(threadpool_limits(1))
        _running.append(None)
    try:
        yield
    finally:
        with _threads:
            _running.pop()
            while _limits and not _running:
                _limits.pop().restore_original_limits()


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


def file_of(key: str, path: Path) -> File:
    """Return a file with the SHA-256 of its content; without one where it cannot be read."""
    if path.is_file():
        with contextlib.suppress(OSError):
            return File(key, sha256(path), path.stat().st_size)
    return File(key)


def _stamps(take: Take) -> list[tuple[int, int]]:
    """Return size and time of the last change of every file."""
    stamps = []
    for path in take.paths:
        with contextlib.suppress(OSError):
            stat = path.stat()
            stamps.append((stat.st_size, stat.st_mtime_ns))
    return stamps


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
