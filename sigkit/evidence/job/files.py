"""The files in a job's folders: what is a capture, which belong together, what is wrong."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from sigkit.errors import InputError
from sigkit.evidence.job.names import (
    LOSSLESS,
    LOSSY,
    PATTERN,
    SUFFIXES,
    CaptureName,
    read_name,
    without_part,
)
from sigkit.evidence.manifest import is_evidence

SHEETS = "sheets"
"""Folder of a job for the sheets that are printed."""


def is_stage(path: Path) -> bool:
    """Whether a path is a folder of captures: not hidden, no evidence, no sheets."""
    hidden = path.name.startswith((".", "evidence")) or path.name == SHEETS
    return path.is_dir() and not hidden and not is_evidence(path)


def is_sound(path: Path) -> bool:
    """Whether a file is meant as a recording, whether it can be read or not."""
    return not path.name.startswith(".") and path.suffix.casefold() in SUFFIXES + LOSSLESS + LOSSY


def sounds(folder: Path) -> list[Path]:
    """Return every sound in a stage's folder, the ones in deeper folders too.

    Raises
    ------
    OSError
        The folder cannot be read; to look into it would show nothing.
    """
    next(folder.iterdir(), None)
    return sorted(
        (p for p in folder.rglob("*") if is_sound(p)),
        key=lambda p: (p.name.casefold(), p.as_posix()),
    )


def named_files(
    folder: Path, paths: Sequence[Path]
) -> tuple[dict[CaptureName, Path], list[InputError]]:
    """Return the files of a stage by what their names say, and what is wrong with the others."""
    named: dict[CaptureName, Path] = {}
    problems = []
    for path in paths:
        try:
            named[_name(path, path.relative_to(folder).as_posix(), named)] = path
        except InputError as error:
            problems.append(error)
    return named, problems


def whole_takes(
    stage: str, named: Mapping[CaptureName, Path]
) -> tuple[dict[CaptureName, list[Path]], list[InputError]]:
    """Return the files of each take in order, and the files of takes that miss a part."""
    takes: dict[CaptureName, dict[int, Path]] = {}
    for name, path in named.items():
        takes.setdefault(replace(name, part=0), {})[name.part] = path
    whole, problems = {}, []
    for name, parts in takes.items():
        if sorted(parts) in ([0], list(range(1, len(parts) + 1))):
            whole[name] = [parts[number] for number in sorted(parts)]
        else:
            problems += [_incomplete(f"{stage}/{path.name}", parts) for path in parts.values()]
    return whole, problems


def _incomplete(key: str, parts: Mapping[int, Path]) -> InputError:
    """Return the error for a file of a take that is not there from its first part on."""
    some = next(iter(parts.values()))
    stem = without_part(some.stem)
    if 0 in parts:
        other = next(path for number, path in parts.items() if number)
        return InputError(
            f"The take is there whole and in parts: {parts[0].name} beside {other.name}.",
            where=key,
            remedy=f"If it is the first part, name it '{stem}-p1{parts[0].suffix}'; other takes "
            "are numbered -t1, -t2 and so on.",
        )
    there = sorted(parts)
    missing = next(number for number in range(1, max(there)) if number not in parts)
    several = "is part" if len(there) == 1 else "are parts"
    return InputError(
        f"Part {missing} of this take is missing; there {several} {', '.join(map(str, there))}.",
        where=key,
        remedy=f"Add '{stem}-p{missing}{some.suffix}'; if nothing is missing, number the parts "
        "from 1 on.",
    )


def _name(path: Path, key: str, taken: Mapping[CaptureName, Path]) -> CaptureName:
    """Read the name of a capture, and refuse one in the wrong place, of another kind or twice."""
    _, *deeper = key.split("/")
    if len(deeper) > 1:
        raise misplaced(key, "lies deeper than its stage's folder")
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
    if name in taken:
        raise InputError(
            f"The stage already has this {'part' if name.part else 'take'}: {taken[name].name}.",
            where=key,
            remedy="Number the takes -t1, -t2 and so on.",
        )
    return name


def misplaced(key: str, how: str) -> InputError:
    """Return the error for a capture that lies in the wrong place."""
    return InputError(
        f"The capture {how}.",
        where=key,
        remedy=f"Move it into its stage's folder and name it {PATTERN}.",
    )
