"""Measuring the captures of a job: each once, at once, in a fixed order."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor

from sigkit.captures.parts import join_parts
from sigkit.errors import InputError, SigkitError
from sigkit.evidence.job.folder import Take
from sigkit.evidence.run.kept import KeptOutcomes, kept_outcomes, key_of
from sigkit.evidence.run.one_take import file_of, keywords, measure_take
from sigkit.evidence.run.outcome import File, Outcome, without_folder
from sigkit.evidence.run.progress import Progress
from sigkit.evidence.run.workers import Task, asks_librosa, measure_tasks
from sigkit.measures import TESTS

__all__ = ["File", "Outcome", "keywords", "measure_take", "measure_takes", "without_folder"]

EFFORT: Mapping[str, float] = {
    "beating": 0.2,
    "envelope": 0.08,
    "glide": 0.3,
    "keyboard": 0.11,
    "noise": 0.06,
    "slider": 0.1,
    "stability": 0.09,
    "warmup": 0.008,
    "waveform": 0.18,
}
"""Seconds of computing per second of sound, on the demo: for the order and the time left alone."""
FEW, LITTLE = 2, 4e5
"""So many captures, of so little effort in all (`effort_of`), are measured without processes."""
QUICK = 2.5e5
"""A capture of so little effort is measured while processes start, where a number is wanted soon;
where all take longer, the first ones are looked over."""


def measure_takes(
    takes: Sequence[Take], *, progress: bool = True, cache: bool = True, soon: bool = False
) -> tuple[Outcome, ...]:
    """Measure every capture and return the outcomes in the order of the takes.

    Parameters
    ----------
    takes : sequence of Take
        The captures.
    progress : bool, optional
        Show how far it has come, and the time left, where it takes more than three seconds.
    cache : bool, optional
        Take what an earlier run measured in the same way, of files with the same SHA-256, and keep
        what is measured now as soon as it is known.
    soon : bool, optional
        Whether somebody waits for the first number: a quick capture is measured in this process.
    """
    tasks = [(take, TESTS[take.name.test].measure) for take in takes]
    store = kept_outcomes() if cache else None
    outcomes: dict[int, Outcome] = {}
    keys: dict[int, str] = {}
    if store is not None:
        for number, (files, key, found) in enumerate(_looked_up(tasks, store, progress=progress)):
            keys[number] = key
            if found is not None:
                outcomes[number] = dataclasses.replace(found, files=files)
    for number, outcome in _measured(
        tasks, [n for n in range(len(tasks)) if n not in outcomes], progress=progress, soon=soon
    ):
        take, measure = tasks[number]
        outcomes[number] = outcome
        if store is not None and keys[number]:
            codes = [file.sha256 for file in outcome.files]
            if key_of(take, measure, codes) == keys[number]:
                store.put(keys[number], outcome)
            elif not all(codes):
                outcomes[number] = dataclasses.replace(outcome, error=_unseen(take))
    if store is not None:
        store.make_room()
    return tuple(outcomes[number] for number in range(len(tasks)))


def _looked_up(
    tasks: Sequence[Task], store: KeptOutcomes, *, progress: bool
) -> Iterator[tuple[tuple[File, ...], str, Outcome | None]]:
    """Yield the files of every capture, their SHA-256 computed now, and what was kept of them."""

    def looked_up(task: Task) -> tuple[tuple[File, ...], str, Outcome | None]:
        take, measure = task
        files = tuple(map(file_of, take.keys, take.paths))
        key = key_of(take, measure, [file.sha256 for file in files])
        return files, key, store.get(key, take) if key else None

    sizes = [_size_bytes(take) for take, _ in tasks]
    with (
        Progress("comparing", "captures", len(tasks), sum(sizes), shown=progress) as shown,
        ThreadPoolExecutor(min(4, os.cpu_count() or 1)) as pool,
    ):
        for size, found in zip(sizes, pool.map(looked_up, tasks), strict=True):
            shown.done(size)
            yield found


def _measured(
    tasks: Sequence[Task], numbers: Sequence[int], *, progress: bool, soon: bool
) -> Iterator[tuple[int, Outcome]]:
    """Measure some of the tasks, and yield each when it is known.

    Those that take longest come first, so that none is left at the end; only the shortest, of those
    that need no librosa if there are any, comes before them, so that there is a number soon.
    """
    efforts = {n: effort_of(tasks[n][0]) for n in numbers}
    soonest = min(numbers, key=lambda n: (asks_librosa(tasks[n][0]), efforts[n]), default=None)
    order = sorted(numbers, key=lambda n: (n != soonest, -efforts[n]))
    total = sum(efforts.values())
    few = len(order) <= FEW and total <= LITTLE
    here = 0 if not soon else len(order) if few else sum(efforts[n] <= QUICK for n in order[:1])
    with Progress("measuring", "captures", len(order), total, shown=progress, soon=soon) as shown:

        def look_over() -> None:
            for number in order[:FEW] if soon and not here else ():
                shown.tell(_verdict(tasks[number][0]))

        todo = [tasks[n] for n in order]
        for place, outcome in measure_tasks(todo, here=here, meanwhile=look_over):
            shown.done(efforts[order[place]], last=_leading_number(outcome))
            yield order[place], outcome


def _verdict(take: Take) -> str:
    """Return whether a capture is fit for its test, in a few words; nothing if it can't be read."""
    try:
        capture = join_parts(take.paths, take.channel, gap_s=take.gap_s)
        return f"{take.key}: {capture.fitness(take.name.test).verdict_for(take.name.test)}"
    except SigkitError:
        return ""


def _leading_number(outcome: Outcome) -> str:
    """Return the first quantity of a result that has a value, in a few words."""
    for judged in TESTS[outcome.take.name.test].judged:
        found = getattr(outcome.result, judged.quantity, None)
        if found is not None and found.measurable:
            return f"{outcome.take.key}: {judged.label} {found}"
    return outcome.take.key


def effort_of(take: Take) -> float:
    """Return how much work a capture is, against others."""
    return max(1, _size_bytes(take)) * EFFORT.get(take.name.test, 1.0)


def _size_bytes(take: Take) -> int:
    return sum(path.stat().st_size for path in take.paths if path.is_file())


def _unseen(take: Take) -> InputError:
    return InputError(
        "The process that measures cannot read this capture, though this program can.",
        where=take.key,
        remedy="On other machines the job's folder must lie at the same place: share it, and give "
        "its path there.",
    )
