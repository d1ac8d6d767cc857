"""One list of captures for each stage, chained: every list holds the hash of the one before.

A stage that is added later adds a list and changes none. The lists are plain text as ``sha256sum``
of GNU coreutils reads it, so that captures can be checked without this library. Nothing but names
and hashes stands in them: another version, or another setting, gives the same bytes.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

FOLDER = "stages"
SUFFIX = ".sha256"
_BEFORE = re.compile(r"# List of the stage before: (none|[0-9a-f]{64})")
_PLAIN = {"n": "\n", "r": "\r", "\\": "\\"}
_ENTRY = re.compile(r"(\\?)([0-9a-f]{64})  (.*)")


@dataclass(frozen=True)
class StageList:
    """The captures of one stage.

    Parameters
    ----------
    stage : str
        Name of the stage.
    previous : str
        SHA-256 of the list of the stage before; empty for the first.
    content : bytes
        The list itself.
    """

    stage: str
    previous: str
    content: bytes

    @property
    def path(self) -> str:
        """Where it lies in a folder of evidence."""
        return f"{FOLDER}/{self.stage}{SUFFIX}"

    @property
    def sha256(self) -> str:
        """Its own SHA-256."""
        return hashlib.sha256(self.content).hexdigest()

    def to_dict(self) -> dict[str, str]:
        """Return what the manifest says of it."""
        return {
            "stage": self.stage,
            "list": self.path,
            "sha256": self.sha256,
            "previous_sha256": self.previous,
        }


def stage_lists(stages: Sequence[str], captures: Sequence[Mapping[str, Any]]) -> list[StageList]:
    """Return the chained lists of a job.

    Parameters
    ----------
    stages : sequence of str
        Names of all stages in order, those without captures included.
    captures : sequence of mapping
        Entries of the manifest, with ``path`` and ``sha256``.
    """
    lists: list[StageList] = []
    for stage in stages:
        previous = lists[-1].sha256 if lists else ""
        lines = [
            f"# Captures of stage {stage}; check them in the job's folder with: sha256sum -c",
            f"# List of the stage before: {previous or 'none'}",
            *(_line(e) for e in captures if str(e["path"]).partition("/")[0] == stage),
        ]
        lists.append(StageList(stage, previous, "".join(f"{line}\n" for line in lines).encode()))
    return lists


def chain_breaks(
    folder: Path, stages: Sequence[Mapping[str, Any]], captures: Mapping[str, str]
) -> list[tuple[str, str]]:
    """Check the chained lists of a folder of evidence.

    Parameters
    ----------
    folder : Path
        The evidence.
    stages : sequence of mapping
        What its manifest says of each stage's list.
    captures : mapping of str to str
        SHA-256 of every capture by name, as the manifest has it.

    Returns
    -------
    list of (str, str)
        Every stage at which the chain breaks, with the reason; empty where it holds.
    """
    breaks: list[tuple[str, str]] = []
    before = ""
    for number, entry in enumerate(stages):
        stage, path = str(entry["stage"]), folder / str(entry["list"])
        if not path.is_file():
            breaks.append((stage, "its list is missing"))
            before = str(entry["sha256"])
            continue
        content = path.read_bytes()
        code = hashlib.sha256(content).hexdigest()
        plain = content.replace(b"\r\n", b"\n")
        ends = code != entry["sha256"] == hashlib.sha256(plain).hexdigest()
        if ends:
            content, code = plain, entry["sha256"]
        named, listed = _parsed(content)
        own = {name: c for name, c in captures.items() if name.partition("/")[0] == stage}
        why = ["only its line ends are others (CRLF)"] if ends else []
        if code != entry["sha256"]:
            why.append("its list is not the one that the manifest names")
        if not named == entry["previous_sha256"] == before:
            other = f"that of {stages[number - 1]['stage']}" if number else "none"
            why.append(f"its list names another list before it than {other}")
        if listed != {name: c for name, c in own.items() if c}:
            why.append("its list holds other captures than the manifest")
        breaks += [(stage, "; ".join(why))] if why else []
        before = code
    return breaks


def against_earlier(
    stages: Sequence[Mapping[str, Any]], earlier: Sequence[Mapping[str, Any]]
) -> tuple[list[str], list[str]]:
    """Return which stages of earlier evidence are the same now, list for list, and which not."""
    now = {entry["stage"]: entry["sha256"] for entry in stages}
    same = [str(e["stage"]) for e in earlier if now.get(e["stage"]) == e["sha256"]]
    return same, [str(e["stage"]) for e in earlier if str(e["stage"]) not in same]


def _line(entry: Mapping[str, Any]) -> str:
    """Return a capture's line; odd characters as GNU coreutils writes them."""
    name, code = str(entry["path"]), str(entry["sha256"])
    if not code:
        return f"# not readable: {name!r}"
    escaped = name.replace("\\", "\\\\").replace("\n", "\\n").replace("\r", "\\r")
    return f"{'' if escaped == name else chr(92)}{code}  {escaped}"


def _parsed(content: bytes) -> tuple[str, dict[str, str]]:
    """Return the hash of the list before, and SHA-256 by name; of no list at all, nothing."""
    previous, listed = "?", {}
    for line in content.decode("utf-8", "replace").split("\n"):
        if found := _BEFORE.fullmatch(line):
            previous = "" if found[1] == "none" else found[1]
        elif found := _ENTRY.fullmatch(line):
            name = found[3]
            if found[1]:
                name = re.sub(r"\\([nr\\])", lambda match: _PLAIN[match[1]], name)
            listed[name] = found[2]
    return previous, listed
