"""One capture measured at the bench, with the settings of its job where it lies in one."""

from __future__ import annotations

import re
import sys
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from sigkit.errors import InputError
from sigkit.evidence.evidence import Evidence
from sigkit.evidence.job.folder import Job, Stage, Take, open_job
from sigkit.evidence.job.keys import check_kind
from sigkit.evidence.job.names import CaptureName, known_test, read_name, suggestion
from sigkit.evidence.job.settings import FILE, Settings
from sigkit.evidence.run.takes import measure_takes
from sigkit.measures import BenchTest


def measure_one(
    path: str | Path,
    test: str,
    options: Mapping[str, Any] | None = None,
    *,
    channel: int | None = None,
) -> Evidence:
    """Measure one capture and hold it against the limits.

    Parameters
    ----------
    path : str or Path
        The WAV file. Where it lies in a stage of a job that has a ``job.toml``, the job's settings,
        readings and limits hold for it.
    test : str
        Name of the bench test.
    options : mapping, optional
        Options of the test, before those of the job.
    channel : int, optional
        0-based; None leaves the choice to the job or the reader.

    Returns
    -------
    Evidence
        Of one stage with one capture.

    Raises
    ------
    InputError
        No such test, file or option, or an option of the wrong kind.
    """
    kind = known_test(test, where="sigkit measure")
    path = Path(path).resolve()
    if not path.is_file():
        folder = path.is_dir()
        raise InputError(
            "This is a folder, not a capture." if folder else "There is no such file.",
            where=str(path),
            remedy="Name one WAV file in it; 'sigkit evidence' measures a whole job."
            if folder
            else "Name a WAV file of one capture.",
        )
    chosen = dict(options or {})
    _check_options(kind, chosen)
    job = _own_job(path, kind) or _bare_job(path, kind)
    take = job.takes[0]
    take = replace(
        take,
        options={**take.options, **{k: v for k, v in chosen.items() if k != "power_on_s"}},
        channel=take.channel if channel is None else channel,
    )
    if "power_on_s" in chosen:
        take = replace(take, power_on_s=(float(chosen["power_on_s"]),) * 2)
    return Evidence.of(
        replace(job, takes=(take,)), measure_takes([take], progress=sys.stderr.isatty())
    )


def _check_options(test: BenchTest, options: Mapping[str, Any]) -> None:
    for name, value in options.items():
        if name not in test.options:
            raise InputError(
                f"{test.title} has no option {name!r}.",
                where="sigkit measure",
                remedy=suggestion(name, test.options, "options"),
            )
        try:
            check_kind(value, test.options[name], "", name)
        except InputError as error:
            raise InputError(
                error.problem,
                where=f"sigkit measure, option {name}",
                remedy="Leave it out, or give a value of that kind.",
            ) from error


def _own_job(path: Path, test: BenchTest) -> Job | None:
    """Return the job around a capture, with that capture alone; None where there is none."""
    folder = path.parent.parent
    if not (folder / FILE).is_file():
        return None
    job = open_job(folder)
    takes = [take for take in job.takes if path in take.paths and take.name.test == test.name]
    if not takes:
        return None
    stages = tuple(stage for stage in job.stages if stage.name == takes[0].stage)
    return replace(job, stages=stages, takes=(takes[0],), problems=(), repairs=None)


def _bare_job(path: Path, test: BenchTest) -> Job:
    try:
        name = read_name(path.name)
    except InputError:
        name = None
    if name is None or name.test != test.name:
        subject = re.sub(r"[\W_]+", "_", path.stem.casefold()).strip("_") or "capture"
        name = CaptureName(test.name, subject)
    stage = Stage(path.parent.name or "here")
    return Job(path.parent.parent, Settings(), (stage,), (Take(stage.name, name, path),))
