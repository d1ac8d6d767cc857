"""The folder that evidence is written to: never over anything else."""

from __future__ import annotations

from pathlib import Path

from sigkit.errors import InputError
from sigkit.evidence.manifest import FILE, is_evidence, sha256, verify


def refuse_other(folder: Path) -> None:
    """Refuse a place that holds anything but evidence."""
    occupied = folder.exists() and not (folder.is_dir() and not any(folder.iterdir()))
    if occupied and not is_evidence(folder):
        raise InputError(
            "The place for the evidence holds something else, which is left as it is.",
            where=str(folder),
            remedy="Choose a new or empty folder.",
        )


def same_evidence(draft: Path, folder: Path) -> bool:
    """Whether a folder holds this very evidence already, unchanged."""
    if not is_evidence(folder):
        return False
    return sha256(draft / FILE) == sha256(folder / FILE) and verify(folder).ok


def set_aside(folder: Path) -> None:
    """Move older evidence to the next free name; remove the folder where it is empty."""
    if not folder.exists():
        return
    if not any(folder.iterdir()):
        folder.rmdir()
        return
    number = 1
    while (older := folder.with_name(f"{folder.name}-{number}")).exists():
        number += 1
    folder.rename(older)
