"""Outcomes of earlier runs, kept so that no capture is measured twice in the same way.

An outcome is found again by the SHA-256 of every file of its capture, by its names and settings,
and by what computed it: sources, libraries, machine. It lies in the user's own cache folder, never
in a job, as it is read with pickle: what a stranger sends is never read that way.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import inspect
import io
import json
import os
import pickle
import sys
import tempfile
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path, PurePath
from typing import Any

from sigkit.errors import SigkitError, SignalError
from sigkit.evidence.job.folder import Take
from sigkit.evidence.manifest import sha256
from sigkit.evidence.run.edition import HOUSE, edition, sources_are_those_in_use
from sigkit.evidence.run.one_take import keywords
from sigkit.evidence.run.outcome import Outcome
from sigkit.measures import Result

PLACE = "SIGKIT_CACHE"
"""Environment variable with another folder for what is kept; empty to keep nothing."""
SUFFIX = ".outcome"
HEAD = b"sigkit outcome 1\n"
LIMIT_BYTES = 500_000_000
KEPT_FIELDS = ("result", "error", "remarks", "duration_s", "joined", "fingerprint")
ROOMS = ("sigkit",)
"""Where the classes of an outcome come from."""
DATA = frozenset(
    {"dtype", "ndarray", "_reconstruct", "scalar", "_frombuffer", "DataFrame", "Series", "Index"}
    | {"RangeIndex", "StringDtype", "StringArray", "__pyx_unpickle_NDArrayBacked", "BlockManager"}
    | {"SingleBlockManager", "_unpickle_block", "_new_Index", "new_block"}
)
"""What of numpy and pandas an outcome is made of; nothing else of them is loaded."""


class KeptOutcomes:
    """A folder of outcomes, each in a file named by its key.

    Parameters
    ----------
    folder : Path
        Of this user alone; made when the first outcome is put in.
    limit_bytes : int, optional
        Size at which those that were not asked for longest are removed.

    Notes
    -----
    Whatever cannot be read or written is as if it had not been there: a capture is then measured.
    """

    def __init__(self, folder: Path, limit_bytes: int = LIMIT_BYTES) -> None:
        self.folder = folder
        self.limit_bytes = limit_bytes

    def get(self, key: str, take: Take) -> Outcome | None:
        """Return what was kept under a key, as the outcome of this take without its files."""
        path = self._path(key)
        try:
            if not _own(self.folder):
                return None
            content = path.read_bytes()
            data = content[len(HEAD) + 65 :]
            if content[: len(HEAD) + 65] != _head(key, data):
                return None
            found = _Reader(io.BytesIO(data), take.path.parents[1]).load()
            outcome = Outcome(take, kept=True, **dict(zip(KEPT_FIELDS, found, strict=True)))
            os.utime(path)
        except Exception:  # damaged, foreign, or of classes that are no longer there
            return None
        return outcome

    def put(self, key: str, outcome: Outcome) -> None:
        """Keep an outcome; in one step, so that an interruption leaves no half of one."""
        if outcome.error is not None and not isinstance(outcome.error, SignalError):
            return  # may be gone the next time, such as a missing permission
        folder = outcome.take.path.parents[1]
        buffer = io.BytesIO()
        try:
            values = tuple(getattr(outcome, name) for name in KEPT_FIELDS)
            _Writer(buffer, folder).dump(values)
            data = buffer.getvalue()
            if str(folder).encode() in data:  # it would tell another job where this one lay
                return
            self.folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            if not _own(self.folder):
                return
            descriptor, draft = tempfile.mkstemp(dir=self.folder)
            try:
                with os.fdopen(descriptor, "wb") as file:
                    file.write(_head(key, data) + data)
                Path(draft).replace(self._path(key))
            except BaseException:
                Path(draft).unlink(missing_ok=True)
                raise
        except (OSError, pickle.PicklingError, TypeError, AttributeError):
            return

    def make_room(self) -> None:
        """Remove what was not asked for longest, down to the limit."""
        with contextlib.suppress(OSError):
            found = [(p.stat(), p) for p in self.folder.glob(f"*{SUFFIX}")]
            size = sum(stat.st_size for stat, _ in found)
            for stat, path in sorted(found, key=lambda pair: pair[0].st_mtime):
                if size <= self.limit_bytes:
                    break
                path.unlink(missing_ok=True)
                size -= stat.st_size

    def _path(self, key: str) -> Path:
        return self.folder / f"{key}{SUFFIX}"


def kept_outcomes() -> KeptOutcomes | None:
    """Return what earlier runs of this user kept; None where nothing is to be kept."""
    place = os.environ.get(PLACE)
    if place == "" or not sources_are_those_in_use():
        return None
    with contextlib.suppress(RuntimeError):  # no home
        return KeptOutcomes(Path(place) if place else _cache_folder() / "sigkit")
    return None


def key_of(take: Take, measure: Callable[..., Result], codes: Sequence[str]) -> str:
    """Return the key of a capture's outcome; empty where it cannot be told.

    Parameters
    ----------
    take : Take
        The capture with its settings.
    measure : callable
        What measures it.
    codes : sequence of str
        SHA-256 of each of its files, computed from their content.
    """
    if not all(codes):
        return ""
    try:
        told = {
            "edition": edition(),
            "measure": _told_function(measure),
            "test": take.name.test,
            "files": list(zip(take.keys, codes, strict=True)),
            "channel": take.channel,
            "gap_s": _told(take.gap_s),
            "options": {k: _told(v) for k, v in sorted(keywords(take, measure).items())},
            "remarks": list(take.remarks),
        }
    except (SigkitError, TypeError, OSError):
        return ""
    return hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()


def _told_function(measure: Callable[..., Result]) -> str:
    """Return a function's name; of one that is not sigkit's own with the hash of its source."""
    name = f"{measure.__module__}.{measure.__qualname__}"
    source = Path(inspect.getfile(measure))
    return name if source.is_relative_to(HOUSE) else f"{name} {sha256(source)}"


def _told(value: Any) -> Any:
    """Return a setting as text that tells it from every other; files by their content."""
    if value is None or isinstance(value, (bool, int, float, str)):
        return [type(value).__name__, repr(value)]
    if isinstance(value, PurePath):
        return ["file", value.name, sha256(Path(value))]
    if isinstance(value, (list, tuple)):
        return [_told(item) for item in value]
    if isinstance(value, Mapping):
        return {str(key): _told(item) for key, item in value.items()}
    if hasattr(value, "to_dict") and hasattr(value, "columns"):
        return {str(name): [repr(item) for item in value[name].tolist()] for name in value.columns}
    raise TypeError(f"no text for {type(value).__name__}")


def _head(key: str, data: bytes) -> bytes:
    return HEAD + hashlib.sha256(key.encode() + data).hexdigest().encode() + b"\n"


def _own(folder: Path) -> bool:
    """Whether nobody else can put anything into a folder."""
    if not hasattr(os, "getuid"):
        return folder.is_dir()
    stat = folder.stat()
    return stat.st_uid == os.getuid() and not stat.st_mode & 0o022


def _cache_folder() -> Path:
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches"
    given = Path(os.environ.get("XDG_CACHE_HOME", ""))
    return given if given.is_absolute() else Path.home() / ".cache"


class _Writer(pickle.Pickler):
    """Writes paths into the job relative to its folder: a job may lie elsewhere the next time."""

    def __init__(self, file: io.BytesIO, folder: Path) -> None:
        super().__init__(file, protocol=5)
        self.folder = folder

    def persistent_id(self, value: object) -> str | None:
        if not isinstance(value, PurePath):
            return None
        if not value.is_relative_to(self.folder):
            raise pickle.PicklingError("a path that leads out of the job")
        return value.relative_to(self.folder).as_posix()

    def reducer_override(self, value: object) -> Any:
        """Write errors as they say themselves, whatever another library has made of exceptions."""
        return value.__reduce__() if isinstance(value, SigkitError) else NotImplemented


class _Reader(pickle.Unpickler):
    """Reads paths into the job's folder, and loads nothing but results and their data."""

    def __init__(self, file: io.BytesIO, folder: Path) -> None:
        super().__init__(file)
        self.folder = folder

    def persistent_load(self, name: str) -> Path:
        return self.folder / name

    def find_class(self, module: str, name: str) -> Any:
        room = module.partition(".")[0]
        if room in ("numpy", "pandas") and name in DATA:
            return super().find_class(module, name)
        if (module, name) in (("builtins", "slice"), ("sigkit.errors", "_rebuild")):
            return super().find_class(module, name)
        found = super().find_class(module, name) if room in ROOMS else None
        if not isinstance(found, type) or not (
            dataclasses.is_dataclass(found) or issubclass(found, SigkitError)
        ):
            raise pickle.UnpicklingError(f"{module}.{name} is no part of an outcome")
        return found
