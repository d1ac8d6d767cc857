"""A job: a folder whose sub-folders are its stages, with their captures."""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sigkit.errors import InputError
from sigkit.evidence.manifest import is_evidence
from sigkit.evidence.names import (
    LOSSLESS,
    LOSSY,
    PATTERN,
    SUFFIXES,
    CaptureName,
    closest,
    read_name,
    stage_order,
)
from sigkit.evidence.settings import FILE, Settings, capture_options, read_settings
from sigkit.measures import TESTS

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence

RESERVED = frozenset(
    {"test", "subject", "setting", "quantity", "unit", "change", "u_change", "verdict", "limit"}
    | {"limit_source", "limit_verdict", "p_within", "remarks"}
)
"""Columns of the results beside the stages."""


@dataclass(frozen=True)
class Stage:
    """One stage of a job.

    Parameters
    ----------
    name : str
        Name of its folder.
    date : str
        Date as the job gives it, empty where it gives none.
    room_c : float or None
        Room temperature in degrees Celsius.
    rails_v : mapping of str to float
        Supply rails in volts by name.
    reason : str
        Why the stage has no captures; empty where it has some.
    """

    name: str
    date: str = ""
    room_c: float | None = None
    rails_v: Mapping[str, float] = field(default_factory=dict)
    reason: str = ""


@dataclass(frozen=True)
class Take:
    """One capture of a job, by its name.

    Parameters
    ----------
    stage : str
        Name of the stage.
    name : CaptureName
        Test, subject, setting and number of the take.
    path : Path
        The file.
    channel : int or None
        0-based channel; None leaves the choice to the reader.
    options : mapping
        Keyword options for the measure.
    power_on_width_s : float
        Seconds between the earliest and the latest power-on time, 0 where it is known.
    """

    stage: str
    name: CaptureName
    path: Path
    channel: int | None = None
    options: Mapping[str, Any] = field(default_factory=dict)
    power_on_width_s: float = 0.0

    @property
    def key(self) -> str:
        """``STAGE/NAME`` with forward slashes, the same on every machine."""
        return f"{self.stage}/{self.path.name}"


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
    """

    folder: Path
    settings: Settings
    stages: tuple[Stage, ...]
    takes: tuple[Take, ...]
    problems: tuple[InputError, ...] = ()

    def measure(self, progress: bool = True) -> Evidence:
        """Measure every capture once and put the stages side by side.

        Parameters
        ----------
        progress : bool, optional
            Show a progress bar.

        Returns
        -------
        Evidence
            Values with uncertainty, changes, limits and problems. A capture that cannot answer is
            a row with its reason.

        Notes
        -----
        Captures are measured in parallel with joblib; a ``joblib.parallel_config`` around the call
        chooses another backend. The result does not depend on it.
        """
        from sigkit.evidence.evidence import Evidence
        from sigkit.evidence.run import measure_takes

        return Evidence.of(self, measure_takes(self.takes, progress=progress))

    def __str__(self) -> str:
        stages = ", ".join(stage.name for stage in self.stages)
        return f"job of {len(self.takes)} captures in stages {stages}"


def open_job(folder: str | Path) -> Job:
    """Open a job: a folder whose sub-folders are stages that hold captures.

    Parameters
    ----------
    folder : str or Path
        The job's folder. Its sub-folders are the stages, in natural order; folders named
        ``evidence...`` and hidden ones are left out. Captures are named
        ``TEST-SUBJECT[-SETTING][-tN].wav``. An optional ``job.toml`` adds what names can't say.

    Returns
    -------
    Job
        With its stages, captures, and every capture that was left out and why.

    Raises
    ------
    InputError
        No folder, no stage, a wrong key, test or stage in job.toml, or a stage that has neither
        captures nor a reason.

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
    settings = read_settings(folder / FILE)
    try:
        found = {path.name: _sounds(path) for path in folder.iterdir() if _is_stage(path)}
        loose = sorted(p for p in folder.iterdir() if p.is_file() and _is_sound(p))
    except OSError as error:
        raise InputError(
            f"The job folder cannot be read: {error.strerror}.",
            where=str(folder),
            remedy="Check that you may read it and its sub-folders.",
        ) from error
    stages = tuple(_stage(name, found, settings) for name in _stage_names(found, settings))
    if not stages:
        raise InputError(
            "The job folder has no stages.",
            where=str(folder),
            remedy="Put the captures in sub-folders such as 'before' and 'after'.",
        )
    _check_capture_keys(settings, found)
    problems = [_misplaced(path.name, "lies outside every stage") for path in loose]
    takes: dict[tuple[str, CaptureName], Take] = {}
    for stage in stages:
        for path in found.get(stage.name, []):
            key = path.relative_to(folder).as_posix()
            try:
                name = _name(path, key, takes.get)
            except InputError as error:
                problems.append(error)
                continue
            takes[stage.name, name] = _take(stage.name, name, path, settings)
    return Job(folder, settings, stages, tuple(takes.values()), tuple(problems))


def _is_stage(path: Path) -> bool:
    hidden = path.name.startswith((".", "evidence"))
    return path.is_dir() and not hidden and not is_evidence(path)


def _is_sound(path: Path) -> bool:
    return not path.name.startswith(".") and path.suffix.casefold() in SUFFIXES + LOSSLESS + LOSSY


def _sounds(folder: Path) -> list[Path]:
    """Return every sound in a stage's folder, the ones in deeper folders too."""
    return sorted(
        (p for p in folder.rglob("*") if _is_sound(p)),
        key=lambda p: (p.name.casefold(), p.as_posix()),
    )


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


def _stage(name: str, found: Mapping[str, list[Path]], settings: Settings) -> Stage:
    entry = settings.stages.get(name, {})
    reason = entry.get("reason", "").strip()
    if not found.get(name) and not reason:
        raise InputError(
            "The stage has no captures, and no reason for that.",
            where=name,
            remedy=f"Add captures; or write in {FILE} under [stages.{_toml_key(name)}]: "
            'reason = "not safe to power"; or, if it is no stage, move the folder elsewhere.',
        )
    if found.get(name) and reason:
        raise InputError(
            "The stage has captures, and a reason why it has none.",
            where=f"{FILE}, [stages.{_toml_key(name)}], reason",
            remedy="Remove the reason or the captures.",
        )
    date = entry.get("date", "")
    if isinstance(date, datetime.datetime):
        date = date.date()
    return Stage(
        name,
        date=str(date),
        room_c=entry.get("room_c"),
        rails_v=entry.get("rails_v", {}),
        reason=reason,
    )


def _toml_key(name: str) -> str:
    """Return a name as a key of TOML, in quotation marks where it needs them."""
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else f'"{name}"'


def _name(
    path: Path, key: str, taken: Callable[[tuple[str, CaptureName]], Take | None]
) -> CaptureName:
    """Read the name of a capture, and refuse one in the wrong place, of another kind or twice."""
    stage, *deeper = key.split("/")
    if len(deeper) > 1:
        raise _misplaced(key, "lies deeper than its stage's folder")
    if not path.is_file():
        what = "a folder" if path.is_dir() else "not a regular file"
        what = what if path.exists() else "a link to nothing"
        raise InputError(
            f"A capture must be a WAV file; this is {what}.",
            where=key,
            remedy="Put the WAV file itself there, or move this out of the job's folder.",
        )
    if path.suffix.casefold() in LOSSLESS:
        raise InputError(
            f"A job takes WAV files only; this one is {path.suffix!r}.",
            where=key,
            remedy="Export it as WAV without changing rate or level, and keep the original.",
        )
    if path.suffix.casefold() not in SUFFIXES:
        raise InputError(
            f"A capture must be a WAV file; this one is {path.suffix!r}.",
            where=key,
            remedy="Record WAV: a compressed copy no longer shows what was recorded.",
        )
    name = read_name(path.name, where=key)
    if (first := taken((stage, name))) is not None:
        raise InputError(
            f"The stage already has this take: {first.path.name}.",
            where=key,
            remedy="Number the takes -t1, -t2 and so on.",
        )
    return name


def _take(stage: str, name: CaptureName, path: Path, settings: Settings) -> Take:
    key = f"{stage}/{path.name}"
    own = settings.captures.get(key, settings.captures.get(f"{stage}/{path.stem}", {}))
    options, width = capture_options(TESTS[name.test], settings, own, key)
    return Take(stage, name, path, own.get("channel"), options, width)


def _misplaced(key: str, how: str) -> InputError:
    return InputError(
        f"The capture {how}.",
        where=key,
        remedy=f"Move it into its stage's folder and name it {PATTERN}.",
    )


def _check_capture_keys(settings: Settings, found: Mapping[str, list[Path]]) -> None:
    known = [f"{stage}/{path.name}" for stage, paths in found.items() for path in paths]
    stems = [key.rpartition(".")[0] for key in known]
    for key in settings.captures:
        if key not in known and key not in stems:
            near = closest(key, known)
            raise InputError(
                f"There is no capture {key!r}.",
                where=f'{FILE}, [captures."{key}"]',
                remedy=f"Did you mean {near!r}?" if near else 'Write it as "STAGE/NAME.wav".',
            )
