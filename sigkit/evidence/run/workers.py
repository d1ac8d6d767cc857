"""Many captures measured at once: in processes of this machine, or where joblib is told to."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures.process import BrokenProcessPool

from sigkit.errors import InputError
from sigkit.evidence.job.folder import Take
from sigkit.evidence.run.edition import edition
from sigkit.evidence.run.one_take import measure_take, one_thread
from sigkit.evidence.run.outcome import MeasuringError, Outcome
from sigkit.measures import Result
from sigkit.tracks.second_opinion import prepare_second_opinion

Task = tuple[Take, Callable[..., Result]]
Numbered = tuple[int, Outcome]
SECOND_OPINION = frozenset({"stability", "warmup", "waveform"})
"""Tests whose pitch librosa is asked about; the others never load it."""
LOST_WORKER = "KilledWorker"
"""What Dask calls a task that every worker died of; Dask itself is not needed here."""


def measure_tasks(
    tasks: Sequence[Task], *, here: int = 0, meanwhile: Callable[[], object] = lambda: None
) -> Iterator[Numbered]:
    """Measure captures and yield number and outcome of each as soon as it is known.

    Where a process dies of a capture, those that are left are measured one at a time, each in a
    process that nothing else needs, so that only this one has no outcome but the reason.

    Parameters
    ----------
    tasks : sequence of Task
        Captures, and what measures them.
    here : int, optional
        So many, the first ones, are measured in this process while others start.
    meanwhile : callable, optional
        Is called while they start, before that.
    """
    left = dict(enumerate(tasks))
    first = _here([(n, left[n]) for n in range(min(here, len(tasks)))], meanwhile)
    if len(tasks) - here < 1 or len(tasks) == 1:
        yield from first if here else _here(list(left.items()), meanwhile)
        return
    try:
        others = {n: task for n, task in left.items() if n >= here}
        for number, outcome in _spread(others, own_jobs(len(others)), first):
            del left[number]
            yield number, outcome
    except Exception as error:
        if not lost_process(error):
            raise
    for number, task in left.items():
        yield number, _alone(number, task)


def _here(tasks: Sequence[tuple[int, Task]], meanwhile: Callable[[], object]) -> Iterator[Numbered]:
    meanwhile()
    with one_thread():
        for number, task in tasks:
            yield number, measure_take(*task)


def _spread(
    tasks: dict[int, Task], jobs: int | None, first: Iterable[Numbered] = ()
) -> Iterator[Numbered]:
    """Measure in processes; yield ``first`` what this one has measured while they started."""
    from joblib import Parallel, delayed

    own, prepared = edition(), any(asks_librosa(take) for take, _ in tasks.values())
    pool = Parallel(n_jobs=jobs, return_as="generator_unordered", batch_size=1)
    calls = (delayed(_in_worker)(n, task, own, prepared) for n, task in tasks.items())
    with one_thread():
        outcomes: Iterator[Numbered] = pool(calls)
        with contextlib.closing(outcomes):  # type: ignore[type-var]
            yield from first
            yield from outcomes


def _alone(number: int, task: Task) -> Outcome:
    try:
        ((_, outcome),) = _spread({number: task}, 2)
        return outcome
    except Exception as error:
        if not lost_process(error):
            raise
    take = task[0]
    return Outcome(
        take,
        error=MeasuringError(
            "The process that measured this capture was stopped from outside, twice.",
            where=take.key,
            remedy="Most often the memory ran out: close other programs, and run it again. "
            "The other captures do not depend on it.",
        ),
    )


def lost_process(error: Exception) -> bool:
    """Whether a process of the pool has died."""
    return isinstance(error, BrokenProcessPool) or type(error).__name__ == LOST_WORKER


def own_jobs(tasks: int) -> int | None:
    """Return the number of processes; None where joblib was told one."""
    from joblib.parallel import get_active_backend

    if get_active_backend()[1] is not None:
        return None
    cores = os.cpu_count() or 1
    return tasks if tasks < cores else -1


def asks_librosa(take: Take) -> bool:
    """Whether the pitch of a capture gets a second opinion."""
    return take.name.test in SECOND_OPINION


def _in_worker(number: int, task: Task, edition_asked: str, prepared: bool = False) -> Numbered:
    """Measure one capture in a process of the pool.

    Where a test of the job asks for a second opinion (``prepared``), what librosa loads is loaded
    first: a process that grows by so much later is taken for a leaking one and stopped by the pool.
    While another process compiles it, this one measures what needs none.
    """
    if edition() != edition_asked:
        raise InputError(
            "A worker would compute with other versions than this program.",
            where=f"worker: {edition()}; here: {edition_asked}",
            remedy="Start this program anew if sigkit changed since it started; on a cluster, "
            "install the same versions of sigkit and its libraries on every worker.",
        )
    if prepared:
        prepare_second_opinion(wait=asks_librosa(task[0]))
    return number, measure_take(*task)
