"""The folder that evidence is written to: new, or empty, and never an older one."""

from __future__ import annotations

import datetime
from pathlib import Path

from sigkit.errors import InputError
from sigkit.evidence.manifest import is_evidence


def free_place(folder: Path) -> Path:
    """Return where evidence goes that is asked for at a place.

    Parameters
    ----------
    folder : Path
        The place asked for.

    Returns
    -------
    Path
        That place where nothing lies there; beside older evidence a folder of the same name with
        today's date, such as ``evidence_2026-03-02``, and ``_2``, ``_3`` behind it where that is
        taken too.

    Raises
    ------
    InputError
        The place holds something else.
    """
    if _free(folder):
        return folder
    if not is_evidence(folder):
        raise InputError(
            "The place for the evidence holds something else, which is left as it is.",
            where=str(folder),
            remedy="Choose a new or empty folder.",
        )
    if not folder.name.strip("."):
        folder = folder.resolve()
    dated = folder.with_name(f"{folder.name}_{datetime.date.today().isoformat()}")
    place, number = dated, 1
    while not _free(place):
        number += 1
        place = dated.with_name(f"{dated.name}_{number}")
    return place


def move_in(draft: Path, folder: Path) -> Path:
    """Move finished evidence to the first free place, in one step, and return that place."""
    while True:
        place = free_place(folder)
        try:
            if place.exists():
                place.rmdir()
            draft.rename(place)
        except OSError:
            if _free(place):
                raise
            continue  # taken by another run in the meantime
        return place


def _free(folder: Path) -> bool:
    return not folder.exists() or (folder.is_dir() and not any(folder.iterdir()))
