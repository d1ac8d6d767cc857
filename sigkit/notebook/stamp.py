"""Whether the files that results depend on are still those that were measured."""

from __future__ import annotations

from sigkit.evidence.job.files import is_stage, sounds
from sigkit.evidence.job.folder import Job
from sigkit.evidence.job.settings import FILE
from sigkit.evidence.logs.own_causes import FILE as CAUSES
from sigkit.evidence.logs.readings import FILE as READINGS
from sigkit.evidence.logs.repairs import FILE as REPAIRS

Stamp = dict[str, tuple[int, int]]
"""Size and time of the last change of every file that the results depend on, by name."""


def stamp_of(job: Job, test: str | None) -> Stamp:
    """Return size and time of each file of the test, and of the job's own files."""
    files = [job.folder / name for name in (FILE, READINGS, REPAIRS, CAUSES)]
    for stage in sorted(job.folder.iterdir()) if job.folder.is_dir() else ():
        if is_stage(stage):
            files += [p for p in sounds(stage) if test is None or p.name.startswith(f"{test}-")]
    stamp = {}
    for path in files:
        if path.is_file():
            found = path.stat()
            stamp[path.relative_to(job.folder).as_posix()] = (found.st_size, found.st_mtime_ns)
    return stamp


def change_since(before: Stamp, now: Stamp) -> str:
    """Return what has changed in words, such as ``job.toml has changed``; empty if nothing has."""
    for name in sorted(before.keys() | now.keys()):
        if name not in now:
            return f"{name} is gone"
        if name not in before:
            return f"{name} is new"
        if before[name] != now[name]:
            return f"{name} has changed"
    return ""
