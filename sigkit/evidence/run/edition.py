"""What numbers are computed with: the library's own sources, and the libraries below it."""

from __future__ import annotations

import functools
import hashlib
import importlib.metadata
import platform
import sys
import time
from pathlib import Path

import sigkit

HOUSE = Path(sigkit.__file__).parent
SOURCES = (".py", ".csv", ".toml")
LIBRARIES = ("numpy", "scipy", "pandas", "soundfile", "librosa")
DIGITS = 16
STARTED = time.time()


@functools.cache
def source_code() -> str:
    """Return the beginning of the SHA-256 of every source file of sigkit, tables included."""
    digest = hashlib.sha256()
    for path in sorted(HOUSE.rglob("*"), key=lambda path: path.relative_to(HOUSE).as_posix()):
        if path.suffix in SOURCES and path.is_file():
            content = hashlib.sha256(path.read_bytes()).hexdigest()
            digest.update(f"{content}  {path.relative_to(HOUSE).as_posix()}\n".encode())
    return digest.hexdigest()[:DIGITS]


@functools.cache
def edition() -> str:
    """Return one text for all that a number depends on beside sound and settings.

    Sources of sigkit, versions of Python and of the libraries that compute, kind of machine.
    """
    import soundfile

    versions = [f"{name} {importlib.metadata.version(name)}" for name in LIBRARIES]
    return "; ".join(
        [
            f"sigkit {sigkit.__version__} {source_code()}",
            f"python {platform.python_version()}",
            *versions,
            f"libsndfile {soundfile.__libsndfile_version__}",
            platform.machine(),
        ]
    )


def sources_are_those_in_use() -> bool:
    """Whether no source file changed since this program loaded it, as far as their times tell.

    Otherwise old numbers could be kept as those of the new sources.
    """
    loaded = [getattr(module, "__file__", None) for module in list(sys.modules.values())]
    own = {Path(name) for name in loaded if name and Path(name).is_relative_to(HOUSE)}
    return not any(path.stat().st_mtime > STARTED for path in own if path.is_file())
