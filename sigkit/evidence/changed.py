"""What a changed file, or an edited manifest, still shows: how it differs from what was listed."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from sigkit.errors import SigkitError

MOST_BYTES = 50_000_000
"""Files above that are no text."""


def how_changed(
    names: Sequence[str], paths: Mapping[str, Path], document: Mapping[str, Any]
) -> Iterator[tuple[str, str]]:
    """Yield changed files of which more can be said, with what differs.

    Parameters
    ----------
    names : sequence of str
        Files whose SHA-256 is not the one that the manifest lists.
    paths : mapping of str to Path
        Where they lie.
    document : mapping
        The manifest.
    """
    listed = {str(e["path"]): e for e in (*document["outputs"], *document["captures"])}
    for name in names:
        entry = listed[name]
        if only_line_ends(paths[name], str(entry["sha256"])):
            yield name, "only its line ends: an editor or a transfer made CRLF of LF"
        elif (own := entry.get("samples_sha256")) and samples_of(paths[name]) == own:
            yield name, "every sample is the same: only its header or format is another"


def only_line_ends(path: Path, code: str) -> bool:
    """Whether a file has the SHA-256 once its line ends are LF again."""
    if path.stat().st_size > MOST_BYTES:
        return False
    content = path.read_bytes()
    plain = content.replace(b"\r\n", b"\n")
    return plain != content and hashlib.sha256(plain).hexdigest() == code


def samples_of(path: Path) -> str:
    """Return the SHA-256 of the samples of a sound file; empty where it cannot be read."""
    from sigkit.captures.wav import open_capture

    try:
        known_by = open_capture(path).fitness().fingerprint
    except SigkitError:
        return ""
    return "" if known_by is None else known_by.samples_sha256


def edited(document: Mapping[str, Any], paths: Mapping[str, Path]) -> tuple[str, ...]:
    """Return where a manifest contradicts files that have the SHA-256 that it lists.

    Parameters
    ----------
    document : mapping
        The manifest.
    paths : mapping of str to Path
        Files by name whose SHA-256 is the one listed.
    """
    return tuple(
        f"it gives {name} {entry['bytes']} bytes, the file "
        f"with the listed SHA-256 has {path.stat().st_size}"
        for entry in (*document["outputs"], *document["captures"])
        if (path := paths.get(name := str(entry["path"]))) is not None
        and entry.get("bytes", path.stat().st_size) != path.stat().st_size
    )
