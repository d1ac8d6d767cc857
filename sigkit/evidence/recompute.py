"""The numbers of evidence computed again from the captures, and compared with those it states."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sigkit.errors import InputError
from sigkit.evidence.rows.shown_rows import QUANTITY

if TYPE_CHECKING:
    from sigkit.evidence.job.folder import Job

ROW = ("test", "subject", "setting", "quantity", "unit")
RESULTS = "results.csv"
KIND = "kind"
"""Column that tells quantities from other lines; an older table holds quantities alone."""
Cells = dict[tuple[str, ...], dict[str, str]]
"""Cells of each line by the name of their column."""
MOST_SHOWN = 40


@dataclass(frozen=True)
class Difference:
    """One cell of results.csv that comes out otherwise.

    Parameters
    ----------
    row : str
        Test, subject, setting and quantity.
    column : str
        Name of the column.
    listed, now : str
        What the evidence states, and what was computed now; empty where there is nothing.
    """

    row: str
    column: str
    listed: str
    now: str

    @property
    def by(self) -> float:
        """How much larger it is now; nan where one of them is no number."""
        try:
            return float(self.now) - float(self.listed)
        except ValueError:
            return math.nan

    def __str__(self) -> str:
        by = "" if math.isnan(self.by) else f", by {self.by:+.3g}"
        return (
            f"{self.row}, {self.column}: listed {self.listed or 'nothing'}, "
            f"now {self.now or 'nothing'}{by}"
        )


@dataclass(frozen=True)
class Recomputed:
    """How the numbers of evidence stand to those computed again.

    Parameters
    ----------
    numbers : int
        Numbers that were compared, each at its nine digits.
    differences : tuple of Difference
        Cells that differ, numbers and words.
    other_versions : tuple of str
        What computed the listed numbers and is another version here.
    remarks : tuple of str
        What else the comparison depends on, such as settings that are no longer the same.
    """

    numbers: int
    differences: tuple[Difference, ...]
    other_versions: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()

    @property
    def ok(self) -> bool:
        """Whether every number and word is the same."""
        return not self.differences

    def lines(self) -> list[str]:
        """Return what was found, one finding a line."""
        shown = self.differences[:MOST_SHOWN]
        found = [f"computed again, differs: {difference}" for difference in shown]
        if len(shown) < len(self.differences):
            found.append(f"and {len(self.differences) - len(shown)} more that differ")
        if not self.differences:
            found.append(f"computed again from the captures: all {self.numbers} numbers the same")
        found += [f"other version: {text}" for text in self.other_versions]
        return found + [f"remark: {text}" for text in self.remarks]


def recompute(
    folder: Path, captures: Path, document: Mapping[str, Any], *, progress: bool = False
) -> Recomputed:
    """Measure the captures of evidence again, all of them, and compare with its results.csv.

    Parameters
    ----------
    folder, captures : Path
        The evidence and the job's folder.
    document : mapping
        The manifest of the evidence.
    progress : bool, optional
        Show how far it has come, and the time left, where it takes more than three seconds.

    Raises
    ------
    InputError
        The evidence has no results.csv, or the captures are no job.

    Notes
    -----
    Nothing that an earlier run kept is used. Stages that were added later are left out. Where the
    job's settings are not beside the captures, those of the manifest hold.
    """
    if not captures.is_dir():
        raise InputError(
            "Numbers can be computed again from a whole job only.",
            where=str(captures),
            remedy="Name the job's folder behind --captures.",
        )
    try:
        text = (folder / RESULTS).read_text(encoding="utf-8")
        listed, known = _cells(text), _columns(text)
    except (OSError, ValueError, KeyError) as error:
        raise InputError(
            "The evidence has no results.csv that can be read.",
            where=str(folder / RESULTS),
            remedy="Name a whole folder of evidence, as 'sigkit evidence' wrote it.",
        ) from error
    job, remarks = _job(captures, document)
    evidence = job.measure(progress, cache=False)
    again = evidence.results()["results.csv"].decode()
    now = _as_known(_cells(again), known)
    if more := [name for name in _columns(again) if name not in known]:
        remarks.append(f"not compared, as the older {RESULTS} does not have it: {', '.join(more)}")
    rows = dict.fromkeys([*listed, *now])
    differences = tuple(
        Difference(" ".join(filter(None, row[:4])), column, old, new)
        for row in rows
        for column in dict.fromkeys([*listed.get(row, {}), *now.get(row, {})])
        if (old := listed.get(row, {}).get(column, "")) != (new := now.get(row, {}).get(column, ""))
    )
    return Recomputed(
        sum(_is_number(cell) for cells in listed.values() for cell in cells.values()),
        differences,
        _other_versions(document.get("made_with", {})),
        tuple(remarks),
    )


def changed_settings(captures: Path, document: Mapping[str, Any]) -> list[str]:
    """Return which settings and logs of a job are not those that evidence was made with."""
    from sigkit.evidence.job.public_settings import public_settings
    from sigkit.evidence.job.settings import FILE, read_settings
    from sigkit.evidence.listed import LOGS
    from sigkit.evidence.manifest import sha256

    settings = document.get("settings", {})
    changed = []
    for key, name in LOGS.items():
        path = captures / name
        code = sha256(path) if path.is_file() else ""
        if key in settings and settings[key] != code:
            how = (
                "has changed" if code and settings[key] else "is missing" if not code else "is new"
            )
            changed.append(f"{name} {how} since this evidence was made")
    known = settings.get("job")
    if known is not None and (captures / FILE).is_file():
        now = public_settings(read_settings(captures / FILE))
        stages = set(_stages(document))
        for name in ("stages", "captures"):  # what belongs to a later stage changes nothing here
            now[name] = {k: v for k, v in now[name].items() if k.partition("/")[0] in stages}
        parts = [name for name in now if now[name] != known.get(name, now[name])]
        if parts:
            changed.append(f"{FILE} has changed since this evidence was made: {', '.join(parts)}")
    return changed


def _job(captures: Path, document: Mapping[str, Any]) -> tuple[Job, list[str]]:
    """Return the job as it was when the evidence was made, as far as that can be known."""
    from sigkit.evidence.job.folder import open_job
    from sigkit.evidence.job.public_settings import settings_from
    from sigkit.evidence.job.settings import FILE

    remarks = changed_settings(captures, document)
    settings = None
    known = document.get("settings", {}).get("job")
    if not (captures / FILE).is_file() and known is not None:
        settings = settings_from(known)
        remarks.append(f"there is no {FILE} beside the captures: settings of the manifest used")
    job = open_job(captures, settings=settings)
    stages = _stages(document)
    later = [stage.name for stage in job.stages if stage.name not in stages]
    if later:
        remarks.append(f"left out, as added later: {', '.join(later)}")
    return (
        replace(
            job,
            stages=tuple(stage for stage in job.stages if stage.name in stages),
            takes=tuple(take for take in job.takes if take.stage in stages),
            problems=tuple(p for p in job.problems if p.where.partition("/")[0] not in later),
        ),
        remarks,
    )


def _stages(document: Mapping[str, Any]) -> Sequence[str]:
    """Return the stages of a manifest; of one without a chain those that have captures."""
    if "stages" in document:
        return [str(entry["stage"]) for entry in document["stages"]]
    return list(dict.fromkeys(str(e["path"]).partition("/")[0] for e in document["captures"]))


def _cells(text: str) -> Cells:
    rows = csv.DictReader(io.StringIO(text))
    return {
        tuple(row[name] for name in ROW): {k: v for k, v in row.items() if k not in ROW}
        for row in rows
    }


def _columns(text: str) -> list[str]:
    return next(csv.reader(io.StringIO(text)))


def _as_known(cells: Cells, known: Sequence[str]) -> Cells:
    """Return of some cells those that an older table could hold: its columns, and its lines."""
    return {
        row: {name: cell for name, cell in own.items() if name in known}
        for row, own in cells.items()
        if KIND in known or own[KIND] == QUANTITY
    }


def _is_number(cell: str) -> bool:
    try:
        return math.isfinite(float(cell))
    except ValueError:
        return False


def _other_versions(made_with: Mapping[str, str]) -> tuple[str, ...]:
    from sigkit.evidence.run.edition import source_code
    from sigkit.evidence.run.made_with import versions

    here = {**versions(), "sigkit_source": source_code()}
    told = {"sigkit_source": "sources of sigkit"}
    return tuple(
        f"{told.get(name, name)} {made_with[name]} then, {version} now"
        for name, version in here.items()
        if made_with.get(name, version) != version
    )
