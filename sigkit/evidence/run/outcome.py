"""What became of one capture of a job."""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass, field
from pathlib import Path

from sigkit.captures.copies import Fingerprint
from sigkit.errors import SigkitError
from sigkit.evidence.job.folder import Take
from sigkit.measures import Result


class MeasuringError(SigkitError):
    """What failed is sigkit itself, or the process that measured; not the capture."""


@dataclass(frozen=True, slots=True)
class File:
    """One file of a take.

    Parameters
    ----------
    key : str
        ``STAGE/NAME`` with forward slashes.
    sha256 : str
        Of the whole file, empty where it could not be read.
    size_bytes : int
        Its size.
    """

    key: str
    sha256: str = ""
    size_bytes: int = 0


@dataclass(frozen=True)
class Outcome:
    """What became of one capture.

    Parameters
    ----------
    take : Take
        The capture.
    result : Result or None
        Its measurement; None where it could not be used.
    error : SigkitError or None
        Why it was not used.
    remarks : tuple of str
        What its fitness check found, and other remarks.
    files : tuple of File
        The files it was read from.
    duration_s : float
        Length in seconds, nan where it could not be opened.
    joined : str
        How the parts of a take in several files follow each other; else empty.
    fingerprint : Fingerprint or None
        What tells a copy of it; None where it could not be read.
    kept : bool
        Whether an earlier run measured it, in the same way and with the same SHA-256.
    """

    take: Take
    result: Result | None = None
    error: SigkitError | None = None
    remarks: tuple[str, ...] = ()
    files: tuple[File, ...] = ()
    duration_s: float = math.nan
    joined: str = ""
    fingerprint: Fingerprint | None = field(default=None, compare=False, repr=False)
    kept: bool = field(default=False, compare=False)

    @property
    def sha256(self) -> str:
        """SHA-256 of the file, or of the SHA-256 of its parts, one a line; empty if unread."""
        codes = [file.sha256 for file in self.files]
        if len(codes) < 2 or not all(codes):
            return codes[0] if len(codes) == 1 else ""
        return hashlib.sha256("".join(f"{code}\n" for code in codes).encode("ascii")).hexdigest()

    @property
    def size_bytes(self) -> int:
        """Size of all its files."""
        return sum(file.size_bytes for file in self.files)

    @property
    def used(self) -> bool:
        """Whether there is a measurement."""
        return self.result is not None

    @property
    def measured(self) -> bool:
        """Whether any quantity of it has a value."""
        return self.result is not None and any(
            quantity.measurable for quantity in self.result.quantities().values()
        )

    @property
    def reason(self) -> str:
        """Why it was not used, and what to do, in one line."""
        if self.error is None:
            return ""
        return " ".join(part for part in (self.error.problem, self.error.remedy) if part)


def without_folder(text: str, folder: Path) -> str:
    """Return a text that names files of a job without the machine's path to the job."""
    return text.replace(f"{folder}/", "").replace(f"{folder}\\", "")
