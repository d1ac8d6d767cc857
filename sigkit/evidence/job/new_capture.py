"""Where the next recording of a test goes, by the rule that captures are named by."""

from __future__ import annotations

import re
import unicodedata
from pathlib import Path

from sigkit.captures.recording import ENDING
from sigkit.errors import InputError
from sigkit.evidence.job.files import is_sound, is_stage
from sigkit.evidence.job.folder import RESERVED
from sigkit.evidence.job.names import PATTERN, CaptureName, known_test, read_name
from sigkit.evidence.job.settings import FILE


def new_capture(
    folder: str | Path, test: str, subject: str, setting: str = "", *, take: int | None = None
) -> Path:
    """Return the path for a new capture; makes nothing.

    Parameters
    ----------
    folder : str or Path
        The stage's folder; it need not be there yet, the job's folder around it must.
    test, subject, setting : str
        What is recorded; spaces become underscores.
    take : int, optional
        Number of the repeat; None takes the next one that is free.

    Returns
    -------
    Path
        Such as ``1_before/warmup-oscillator_1-t2.wav``; the first take carries no number.

    Raises
    ------
    InputError
        No such job, a folder that is no stage, an unknown test, a subject or setting that a job
        would not read back as it is, or a take that is there already.
    """
    folder = Path(folder)
    _require_stage(folder)
    words = _joined(test), _joined(subject), _joined(setting)
    known_test(words[0], where="TEST")
    meant = [word.casefold() for word in words]
    there = _takes(folder, CaptureName(meant[0], meant[1], meant[2]))
    if take is None:
        take = max(there, default=0) + 1
    elif take in there:
        raise InputError(
            f"The stage has a take {take} of this already; nothing is ever written over.",
            where=str(folder),
            remedy=f"Leave the number out: the next one is {max(there) + 1}.",
        )
    stem = "-".join(word for word in (*words, f"t{take}" if take != 1 else "") if word)
    wanted = CaptureName(meant[0], meant[1], meant[2], take)
    if read_name(f"{stem}.wav") != wanted:
        raise InputError(
            "A job would read this name as something else.",
            where=f"{stem}.wav",
            remedy=f"Take other words, without hyphens, and none like t2 or p2: {PATTERN}.",
        )
    return folder / f"{stem}.wav"


def _joined(word: str) -> str:
    return re.sub(r"\s+", "_", unicodedata.normalize("NFC", word).lower().strip())


def _takes(folder: Path, wanted: CaptureName) -> set[int]:
    """Return the numbers of the takes that are there, or of which only the list is left."""
    found = set()
    for path in folder.iterdir() if folder.is_dir() else ():
        name = path.name
        if name.casefold().endswith(ENDING):
            name = name[: -len(ENDING)] + ".wav"
        elif not is_sound(path):
            continue
        try:
            given = read_name(name)
        except InputError:
            continue
        if (given.test, given.subject, given.setting) == (
            wanted.test,
            wanted.subject,
            wanted.setting,
        ):
            found.add(given.take)
    return found


def _require_stage(folder: Path) -> None:
    """Raise unless a job would take captures from there."""
    name = folder.absolute().name
    if (folder / FILE).is_file():
        raise InputError(
            "This is the job's folder; captures lie in one of its stages.",
            where=str(folder),
            remedy="Name the stage's folder, such as "
            f"{folder / '1_before'}; it is made if it is not there.",
        )
    if not folder.exists() and not folder.absolute().parent.is_dir():
        raise InputError(
            "There is no such job folder.",
            where=str(folder.absolute().parent),
            remedy="Make it first; the stage's folder in it is made for you.",
        )
    stage_like = not name.startswith((".", "evidence")) and name not in RESERVED
    if not stage_like or (folder.exists() and not is_stage(folder)):
        raise InputError(
            "A job takes no captures from a folder of that name or kind.",
            where=str(folder),
            remedy="Name a stage's folder, such as 1_before or 2_cleaned.",
        )
