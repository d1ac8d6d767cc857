"""The manifest: SHA-256 of every capture and output, and the check of it."""

from __future__ import annotations

import dataclasses
import hashlib
import html
import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sigkit.errors import InputError

FILE = "manifest.json"
KIND = "sigkit evidence"

MEANING = (
    "A matching SHA-256 shows that a file is unchanged since the manifest was made. It does not "
    "show when the sound was recorded, nor that it comes from this instrument. Give the manifest's "
    "own code to someone else early, so that a later manifest can be told from this one."
)


@dataclass(frozen=True)
class Verification:
    """Whether evidence, and the captures where asked for, still match the manifest.

    Parameters
    ----------
    code : str
        SHA-256 of the manifest itself; compare it with the code published earlier.
    matched, changed, missing, added : tuple of str
        Names of files. ``added`` are captures or outputs that the manifest does not list.
    renamed : tuple of (str, str)
        Added files whose content the manifest lists under another name.
    captures_checked : bool
        Whether captures were compared too.
    stranger : str
        The one file that was asked for, where the manifest lists no capture with its content.
    """

    code: str
    matched: tuple[str, ...]
    changed: tuple[str, ...]
    missing: tuple[str, ...]
    added: tuple[str, ...]
    renamed: tuple[tuple[str, str], ...] = ()
    captures_checked: bool = False
    stranger: str = ""

    @property
    def ok(self) -> bool:
        """Whether nothing is changed, missing, added or renamed."""
        return not (self.changed or self.missing or self.added or self.renamed)

    def lines(self) -> list[str]:
        """Return what was found, one finding a line."""
        found = [f"changed: {name}" for name in self.changed]
        found += [f"missing: {name}" for name in self.missing]
        found += [f"not in the manifest: {name}" for name in self.added if name != self.stranger]
        if self.stranger:
            found.append(f"not in the list: {self.stranger} has the content of no listed capture")
        found += [f"renamed: {new} has the content of {old}" for new, old in self.renamed]
        what = "outputs and captures" if self.captures_checked else "outputs (captures not checked)"
        found.append(f"{len(self.matched)} files match: {what}")
        return found

    def __str__(self) -> str:
        return "\n".join([*self.lines(), f"manifest's own SHA-256: {self.code}", MEANING])

    def _repr_html_(self) -> str:
        items = "".join(f"<li>{html.escape(line)}</li>" for line in self.lines())
        return (
            f"<ul>{items}</ul><p>manifest's own SHA-256: <code>{self.code}</code></p>"
            f"<p>{html.escape(MEANING)}</p>"
        )


def file_entry(path: Path, name: str) -> dict[str, Any]:
    """Return name, size in bytes and SHA-256 of a file."""
    return {"path": name, "bytes": path.stat().st_size, "sha256": sha256(path)}


def sha256(path: Path) -> str:
    """Return the SHA-256 of a file in hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def outputs_of(folder: Path) -> list[str]:
    """Return the names of all files of an evidence folder except its manifest, in order."""
    names = [p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()]
    return sorted(name for name in names if name != FILE)


def is_evidence(folder: Path) -> bool:
    """Whether a folder holds evidence that was written by this library."""
    try:
        return bool(_load(folder / FILE)["kind"] == KIND)
    except (OSError, ValueError, KeyError, TypeError):
        return False


def verify(folder: str | Path, captures: str | Path | None = None) -> Verification:
    """Check that evidence, and its captures where given, still match the manifest.

    Parameters
    ----------
    folder : str or Path
        The evidence folder.
    captures : str or Path, optional
        The job folder, to compare its captures too; or one WAV file, to ask which capture it is:
        the names of all captures with its content are then among ``matched``.

    Returns
    -------
    Verification
        Names of files that match, changed, are missing, were added or renamed.

    Raises
    ------
    InputError
        The folder holds no readable manifest, or there are no such captures.

    Notes
    -----
    SHA-256 (FIPS 180-4) shows that a file is unchanged since the manifest was made, not when it was
    recorded or from which instrument.
    """
    folder = Path(folder)
    try:
        document = _load(folder / FILE)
        if document["kind"] != KIND:
            raise ValueError
        listed = {e["path"]: e["sha256"] for e in document["outputs"]}
        listed_captures = {e["path"]: e["sha256"] for e in document["captures"]}
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputError(
            "The folder holds no readable manifest of evidence.",
            where=str(folder),
            remedy="Name the folder that 'sigkit evidence' wrote, the one with manifest.json.",
        ) from error
    found = {name: sha256(folder / name) for name in outputs_of(folder)}
    stranger = ""
    if captures is not None:
        root = Path(captures)
        if not (root.is_file() or root.is_dir()):
            raise InputError(
                "There are no captures at that place.",
                where=str(root),
                remedy="Name the job folder with the captures, or one WAV file.",
            )
        if root.is_file():
            code = sha256(root)
            sounds = {name: c for name, c in listed_captures.items() if c == code}
            listed_captures = sounds
            stranger = "" if sounds else root.name
        else:
            sounds = _captures_of(root)
        listed |= listed_captures
        found |= sounds
    result = _compare(
        listed,
        found,
        code=sha256(folder / FILE),
        captures_checked=captures is not None and not stranger,
    )
    if not stranger:
        return result
    added = _names({*result.added, stranger})
    return dataclasses.replace(result, added=added, stranger=stranger)


def _compare(
    listed: dict[str, str], found: dict[str, str], *, code: str, captures_checked: bool
) -> Verification:
    missing = {name for name in listed if name not in found}
    old_names = {listed[name]: name for name in missing}
    added = sorted(name for name in found if name not in listed)
    renamed = [(name, old_names[found[name]]) for name in added if found[name] in old_names]
    return Verification(
        code=code,
        matched=_names(n for n in listed if n in found and found[n] == listed[n]),
        changed=_names(n for n in listed if n in found and found[n] != listed[n]),
        missing=_names(missing - {old for _, old in renamed}),
        added=_names(set(added) - {new for new, _ in renamed}),
        renamed=tuple(renamed),
        captures_checked=captures_checked,
    )


def _captures_of(root: Path) -> dict[str, str]:
    from sigkit.evidence.job.names import SUFFIXES

    paths = [
        path
        for path in root.rglob("*")
        if path.is_file()
        and path.suffix.casefold() in SUFFIXES
        and not any(part.startswith((".", "evidence")) for part in path.relative_to(root).parts)
    ]
    return {path.relative_to(root).as_posix(): sha256(path) for path in paths}


def _names(names: Iterable[str]) -> tuple[str, ...]:
    return tuple(sorted(names))


def _load(path: Path) -> Any:
    if not path.is_file():
        raise FileNotFoundError(path)
    return json.loads(path.read_text(encoding="utf-8"))
