"""A job: a folder whose sub-folders are its stages, with their captures."""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from sigkit.errors import InputError
from sigkit.evidence.job.absent import check_absent
from sigkit.evidence.job.files import (
    is_sound,
    is_stage,
    misplaced,
    named_files,
    sounds,
    whole_takes,
)
from sigkit.evidence.job.names import CaptureName, closest, stage_order, without_part
from sigkit.evidence.job.settings import (
    FILE,
    Settings,
    capture_options,
    check_cleaned,
    check_complained,
    read_settings,
    toml_key,
)
from sigkit.evidence.job.stages import Stage, Take
from sigkit.evidence.logs.own_causes import FILE as CAUSES
from sigkit.evidence.logs.own_causes import read_causes
from sigkit.evidence.logs.readings import FILE as READINGS
from sigkit.evidence.logs.readings import (
    Reading,
    rails_of,
    read_readings,
    room_of,
    strangers,
    temperature,
)
from sigkit.evidence.logs.repairs import FILE as REPAIRS
from sigkit.evidence.logs.repairs import Repair, read_repairs, strange_subjects
from sigkit.judging.causes import Cause, Key
from sigkit.measures import TESTS

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence

__all__ = ["RESERVED", "Job", "Stage", "Take", "open_job"]

RESERVED = frozenset(
    {"test", "subject", "setting", "quantity", "unit", "change", "u_change", "verdict", "limit"}
    | {"limit_source", "limit_verdict", "p_within", "remarks", "low_change", "high_change"}
    | {"last_tested", "last_tested_verdict", "kind", "mark_percent"}
)
"""Columns of the results beside the stages."""


@dataclass(frozen=True)
class Job:
    """A folder of stages with captures, checked and ready to be measured.

    Parameters
    ----------
    folder : Path
        The job's folder.
    settings : Settings
        What job.toml says, without its private fields.
    stages : tuple of Stage
        In order, those with a reason instead of captures included.
    takes : tuple of Take
        Every capture whose name and settings are right, in order.
    problems : tuple of InputError
        Every capture that cannot be used because of its name or place, with what to do.
    causes : mapping
        The job's own lines of what a quantity outside its limit often comes from.
    repairs : tuple of Repair or None
        What was done at the bench; None where nobody wrote it down.
    """

    folder: Path
    settings: Settings
    stages: tuple[Stage, ...]
    takes: tuple[Take, ...]
    problems: tuple[InputError, ...] = ()
    causes: Mapping[Key, Cause] = field(default_factory=dict)
    repairs: tuple[Repair, ...] | None = None

    @property
    def recorded_on(self) -> list[str]:
        """Dates of the stages with captures, in order, each once."""
        return list(dict.fromkeys(s.date for s in self.stages if s.date and not s.reason))

    def measure(self, progress: bool = True, *, cache: bool = True) -> Evidence:
        """Measure every capture once and put the stages side by side.

        Parameters
        ----------
        progress : bool, optional
            Show how far it has come, and the time left, where it takes more than three seconds.
        cache : bool, optional
            Take what an earlier run measured of files with the same SHA-256, with the same
            settings, sources and libraries, and keep what is measured now, capture by capture; so
            a run that was interrupted goes on where it was. False measures everything anew and
            keeps nothing.

        Returns
        -------
        Evidence
            Values with uncertainty, changes, limits and problems. A capture that cannot answer is
            a row with its reason.

        Notes
        -----
        Captures are measured in parallel with joblib; a ``joblib.parallel_config`` around the call
        chooses another backend, such as ``"dask"`` for the cluster of a ``dask.distributed.Client``
        whose workers see the job's folder at the same path. The result does not depend on it.
        A capture that fails, whatever the reason, never stops the others.
        """
        from sigkit.evidence.evidence import Evidence
        from sigkit.evidence.run.takes import measure_takes

        return Evidence.of(self, measure_takes(self.takes, progress=progress, cache=cache))

    def __str__(self) -> str:
        stages = ", ".join(stage.name for stage in self.stages)
        return f"job of {len(self.takes)} captures in stages {stages}"


def open_job(folder: str | Path, *, settings: Settings | None = None) -> Job:
    """Open a job: a folder whose sub-folders are stages that hold captures.

    Parameters
    ----------
    folder : str or Path
        The job's folder. Its sub-folders are the stages, in natural order; folders named
        ``evidence...`` and hidden ones are left out. Captures are named
        ``TEST-SUBJECT[-SETTING][-tN].wav``, and the files of a take that the recorder split end in
        ``-p1.wav``, ``-p2.wav`` and so on. An optional ``job.toml`` adds what names can't say, an
        optional ``readings.csv`` what was read off meters, an optional ``repairs.csv`` what was
        done, an optional ``causes.csv`` what a quantity outside its limit often comes from at this
        bench.
    settings : Settings, optional
        Instead of those of ``job.toml``, which is then not read.

    Returns
    -------
    Job
        With its stages, captures, and every capture that was left out and why.

    Raises
    ------
    InputError
        No folder, no stage, a wrong key, test or stage in job.toml or readings.csv, or a stage that
        has neither captures nor a reason.

    Notes
    -----
    A capture with a wrong name does not stop the others: it is listed in ``problems``.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise InputError(
            "The job is not a folder." if folder.exists() else "There is no such job folder.",
            where=str(folder),
            remedy="Name a folder with one sub-folder of WAV captures per stage.",
        )
    folder = folder.resolve()
    settings = read_settings(folder / FILE) if settings is None else settings
    try:
        found = {path.name: sounds(path) for path in folder.iterdir() if is_stage(path)}
        loose = sorted(p for p in folder.iterdir() if p.is_file() and is_sound(p))
    except OSError as error:
        raise InputError(
            f"The job folder cannot be read: {error.strerror}.",
            where=str(folder),
            remedy="Check that you may read it and its sub-folders.",
        ) from error
    names = _stage_names(found, settings)
    if not names:
        raise InputError(
            "The job folder has no stages.",
            where=str(folder),
            remedy="Put the captures in sub-folders such as 'before' and 'after'.",
        )
    readings = read_readings(folder / READINGS, names)
    stages = tuple(_stage(name, found, settings, readings) for name in names)
    problems = [misplaced(path.name, "lies outside every stage") for path in loose]
    takes: list[Take] = []
    for stage in stages:
        named, wrong = named_files(folder, found.get(stage.name, []))
        whole, broken = whole_takes(stage.name, named)
        problems += wrong + broken
        takes += [_take(stage, name, paths, settings) for name, paths in whole.items()]
    _check_capture_keys(settings, found, takes)
    tested = {f"{take.name.test}-{take.name.subject}": take.key for take in takes}
    check_absent(settings, tested)
    check_complained(settings, set(tested))
    check_cleaned(settings, {t.name.subject for t in takes if t.name.test == "slider"})
    subjects = {test: {t.name.subject for t in takes if t.name.test == test} for test in TESTS}
    problems += strangers(readings, subjects)
    repairs = read_repairs(folder / REPAIRS, {stage.name: stage.date for stage in stages})
    problems += strange_subjects(repairs or (), {s for found in subjects.values() for s in found})
    causes = read_causes(folder / CAUSES)
    return Job(folder, settings, stages, tuple(takes), tuple(problems), causes, repairs)


def _stage_names(found: Mapping[str, list[Path]], settings: Settings) -> list[str]:
    for name in {*found, *settings.stages} & RESERVED:
        raise InputError(
            f"A stage cannot be named {name!r}: that is a column of the results.",
            where=name,
            remedy="Rename the folder, for instance with a number in front.",
        )
    for name, entry in settings.stages.items():
        if name not in found and "reason" not in entry:
            near = closest(name, found)
            raise InputError(
                f"The stage {name!r} of the job's settings has no folder.",
                where=f"{FILE}, [stages.{name}]",
                remedy=f"Did you mean {near!r}?"
                if near
                else 'Add the folder, or say why there is none: reason = "not safe to power".',
            )
    return sorted({*found, *settings.stages}, key=stage_order)


def _stage(
    name: str, found: Mapping[str, list[Path]], settings: Settings, readings: Sequence[Reading]
) -> Stage:
    entry = settings.stages.get(name, {})
    reason = entry.get("reason", "").strip()
    if not found.get(name) and not reason:
        raise InputError(
            "The stage has no captures, and no reason for that.",
            where=name,
            remedy=f"Add captures; or write in {FILE} under [stages.{toml_key(name)}]: "
            'reason = "not safe to power"; or, if it is no stage, move the folder elsewhere.',
        )
    if found.get(name) and reason:
        raise InputError(
            "The stage has captures, and a reason why it has none.",
            where=f"{FILE}, [stages.{toml_key(name)}], reason",
            remedy="Remove the reason or the captures.",
        )
    date = entry.get("date", "")
    if isinstance(date, datetime.datetime):
        date = date.date()
    own = tuple(reading for reading in readings if reading.stage == name)
    rails_v = {rail: read.volts for rail, read in rails_of(own).items()}
    return Stage(
        name,
        date=str(date),
        room_c=entry.get("room_c", room_of(own)),
        rails_v=entry.get("rails_v", rails_v),
        reason=reason,
        readings=own,
        gain_db=entry.get("gain_db"),
    )


def _take(stage: Stage, name: CaptureName, paths: Sequence[Path], settings: Settings) -> Take:
    keys = _entries(stage.name, paths)
    given = [key for key in keys if key in settings.captures]
    own = settings.captures[given[0]] if given else {}
    key = given[0] if given else keys[0]
    options, power_on_s = capture_options(TESTS[name.test], settings, own, key)
    if "gap_s" in own and len(paths) == 1:
        raise InputError(
            "gap_s is for a take in several parts; this one has one.",
            where=f'{FILE}, [captures."{key}"], gap_s',
            remedy="Remove it, or name the parts -p1, -p2 and so on.",
        )
    switched_on = own.get("switched_on")
    if switched_on is not None:
        switched_on = switched_on.replace(tzinfo=None)
    readings = stage.readings_of(name.test, name.subject)
    room = temperature(readings, switched_on)
    remarks = []
    if len(paths) == 1 and without_part(paths[0].stem) != paths[0].stem:
        remarks.append("named as part 1 of a take, and no part 2 lies beside it")
    unplaced = switched_on is None and any(math.isnan(r.time_s) and r.clock for r in readings)
    if name.test == "warmup" and unplaced:
        remarks.append(
            f"times of day in {READINGS} not used: {FILE} does not say under "
            f'[captures."{keys[1]}"] when it was switched_on'
        )
    return Take(
        stage.name,
        name,
        paths[0],
        own.get("channel"),
        options,
        power_on_s,
        tuple(paths[1:]),
        own.get("gap_s"),
        room,
        tuple(remarks),
    )


def _entries(stage: str, paths: Sequence[Path]) -> list[str]:
    """Return the names that job.toml may give a take: with suffix or without, and no part."""
    first = paths[0]
    stems = [first.stem]
    if without_part(first.stem) != first.stem:
        stems.insert(0, without_part(first.stem))
    return [f"{stage}/{stem}{suffix}" for stem in stems for suffix in (first.suffix, "")]


def _check_capture_keys(
    settings: Settings, found: Mapping[str, list[Path]], takes: Sequence[Take]
) -> None:
    own = {key: take for take in takes for key in _entries(take.stage, take.paths)}
    later = {
        k for t in takes for p in t.more for k in (f"{t.stage}/{p.name}", f"{t.stage}/{p.stem}")
    }
    known = [f"{stage}/{path.name}" for stage, paths in found.items() for path in paths]
    stems = [key.rpartition(".")[0] for key in known]
    for key in settings.captures:
        if key in later:
            raise InputError(
                f"{key!r} is a part of a take.",
                where=f'{FILE}, [captures."{key}"]',
                remedy="Settings go to the whole take: leave out the number of the part.",
            )
        if key not in own and key not in known and key not in stems:
            near = closest(key, [*own, *known])
            raise InputError(
                f"There is no capture {key!r}.",
                where=f'{FILE}, [captures."{key}"]',
                remedy=f"Did you mean {near!r}?" if near else 'Write it as "STAGE/NAME.wav".',
            )
    for take in takes:
        given = [key for key in _entries(take.stage, take.paths) if key in settings.captures]
        if len(given) > 1:
            raise InputError(
                f"Two entries are for the same take: {given[0]!r} and {given[1]!r}.",
                where=f'{FILE}, [captures."{given[1]}"]',
                remedy="Put all settings of a take into one of them.",
            )
