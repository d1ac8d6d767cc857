"""The manifest: SHA-256 of every capture and output, and the check of it."""

from __future__ import annotations

import dataclasses
import hashlib
import html
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sigkit.errors import InputError
from sigkit.evidence.changed import edited, how_changed, samples_of

if TYPE_CHECKING:
    from sigkit.evidence.recompute import Recomputed

FILE = "manifest.json"
KIND = "sigkit evidence"
SCHEMA = 2
"""Of the manifest; 1 had no chain of stages."""

CODE_DIGITS = 16
MEANING = (
    "A matching SHA-256 shows that a file is unchanged since the manifest was made. It does not "
    "show when the sound was recorded, by whom, with which instrument, nor that the manifest "
    "itself is the first one: whoever holds the folder can make a new manifest. So give the "
    "manifest's own code to someone else early: put it into the listing, send it by e-mail, or "
    "have manifest.json stamped by an outside time-stamping service (RFC 3161). Then it shows "
    "that all this existed by then."
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
    same_samples : tuple of str
        Captures whose every sample that file has, though its other bytes differ.
    asked : str
        The one file that was asked for, where the manifest lists its content.
    asked_matches : tuple of str
        Captures with its content.
    chain : tuple of str
        Stages whose lists of captures are chained; empty in a manifest without a chain.
    breaks : tuple of (str, str)
        Stages at which the chain breaks, and why.
    later : tuple of str
        Stages with captures that were added after this evidence was made, and are no part of it.
    remarks : tuple of str
        Settings and logs beside the captures that are not those the evidence was made with.
    results_code : str
        SHA-256 of results.json, whose beginning is the code in the listing.
    how : tuple of (str, str)
        Changed files of which more can be said: only the line ends, or only the header.
    edited : tuple of str
        Where the manifest contradicts files that have the SHA-256 that it lists.
    recomputed : Recomputed or None
        How the numbers stand to those computed again, where that was asked for.
    """

    code: str
    matched: tuple[str, ...]
    changed: tuple[str, ...]
    missing: tuple[str, ...]
    added: tuple[str, ...]
    renamed: tuple[tuple[str, str], ...] = ()
    captures_checked: bool = False
    stranger: str = ""
    same_samples: tuple[str, ...] = ()
    asked: str = ""
    asked_matches: tuple[str, ...] = ()
    chain: tuple[str, ...] = ()
    breaks: tuple[tuple[str, str], ...] = ()
    later: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    results_code: str = ""
    how: tuple[tuple[str, str], ...] = ()
    edited: tuple[str, ...] = ()
    recomputed: Recomputed | None = None

    @property
    def ok(self) -> bool:
        """Whether nothing is changed, missing, added or renamed, and numbers come out the same."""
        found = self.changed or self.missing or self.added or self.renamed or self.breaks
        found = found or self.edited
        return not found and (self.recomputed is None or self.recomputed.ok)

    def lines(self) -> list[str]:
        """Return what was found, one finding a line."""
        found = [f"{self.asked} matches capture {name}, unchanged" for name in self.asked_matches]
        how = dict(self.how)
        found += [
            f"changed: {name}" + (f" ({how[name]})" if name in how else "") for name in self.changed
        ]
        found += [f"the manifest was edited by hand: {text}" for text in self.edited]
        found += [f"missing: {name}" for name in self.missing]
        found += [f"not in the manifest: {name}" for name in self.added if name != self.stranger]
        if self.stranger:
            found.append(f"not in the list: {self.stranger} has the content of no listed capture")
        found += [
            f"but every sample of it is that of {name}: only its header, or what else lies beside "
            "the sound, is another"
            for name in self.same_samples
        ]
        found += [f"renamed: {new} has the content of {old}" for new, old in self.renamed]
        found += [f"the chain breaks at stage {stage}: {why}" for stage, why in self.breaks]
        if self.chain and not self.breaks:
            stages = ", ".join(self.chain)
            found.append(f"chain of stages whole, each list names the one before: {stages}")
        found += [
            f"added later, no part of this evidence: captures of stage {name}"
            for name in self.later
        ]
        found += [f"remark: {text}" for text in self.remarks]
        found += [] if self.recomputed is None else self.recomputed.lines()
        what = "outputs and captures" if self.captures_checked else "outputs (captures not checked)"
        what = "outputs, and the capture that was asked for" if self.asked else what
        found.append(f"{len(self.matched)} files match: {what}")
        return found

    def codes(self) -> list[str]:
        """Return the codes to compare with what was published, one a line."""
        told = [f"manifest's own SHA-256: {self.code}"]
        if self.results_code:
            told.append(f"code in the listing: {self.results_code[:CODE_DIGITS]}")
        return told

    def __str__(self) -> str:
        return "\n".join([*self.lines(), *self.codes(), MEANING])

    def _repr_html_(self) -> str:
        items = "".join(f"<li>{html.escape(line)}</li>" for line in self.lines())
        codes = "<br>".join(html.escape(line) for line in self.codes())
        return f"<ul>{items}</ul><p>{codes}</p><p>{html.escape(MEANING)}</p>"


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


def read_manifest(folder: Path) -> dict[str, Any]:
    """Return the manifest of a folder of evidence.

    Raises
    ------
    InputError
        There is none that can be read.
    """
    return _lists(folder)[0]


def verify(
    folder: str | Path,
    captures: str | Path | None = None,
    *,
    recompute: bool = False,
    progress: bool = False,
) -> Verification:
    """Check that evidence, and its captures where given, still match the manifest.

    Parameters
    ----------
    folder : str or Path
        The evidence folder.
    captures : str or Path, optional
        The job folder, to compare its captures too; or one WAV file, to ask which capture it is,
        whatever its name: all captures with its content are then in ``asked_matches``.
    recompute : bool, optional
        Measure the captures of the job folder again, and compare with results.csv.
    progress : bool, optional
        Show how far it has come, and the time left, where it takes more than three seconds.

    Returns
    -------
    Verification
        Names of files that match, changed, are missing, were added or renamed; where the chain of
        stages breaks; which numbers come out otherwise.

    Raises
    ------
    InputError
        The folder holds no readable manifest, or there are no such captures.

    Notes
    -----
    SHA-256 (FIPS 180-4) shows that a file is unchanged since the manifest was made, not when it was
    recorded or from which instrument. Nothing is asked of a network.
    """
    folder = Path(folder)
    document, listed, own = _lists(folder)
    root = None if captures is None else Path(captures)
    if root is not None and not (root.is_file() or root.is_dir()):
        raise InputError(
            "There are no captures at that place.",
            where=str(root),
            remedy="Name the job folder with the captures, or one WAV file.",
        )
    if recompute and (root is None or not root.is_dir()):
        raise InputError(
            "Numbers can be computed again from a whole job only.",
            where="recompute",
            remedy="Name the job folder with the captures too: --captures DIR.",
        )
    whole = root is not None and root.is_dir()
    paths = {name: folder / name for name in outputs_of(folder)}
    others: dict[str, Path] = {}
    if root is not None and whole:
        sounds = _captures_of(root) | {n: root / n for n in own if (root / n).is_file()}
        others = _later(sounds, document, own)
        paths |= {name: path for name, path in sounds.items() if name not in others}
        listed |= own
    found = _hashes(paths, progress=progress)
    gone = {code for name, code in listed.items() if name not in found}
    if gone:  # perhaps they lie in a folder of another name
        moved = _hashes(others, progress=progress)
        found |= {name: code for name, code in moved.items() if code in gone}
    later = {name.partition("/")[0] for name in others if name not in found}
    result = _compare(listed, found, code=_code(folder / FILE), captures_checked=whole)
    result = dataclasses.replace(result, **_chain(folder, document, own), later=_names(later))
    same = {name: path for name, path in paths.items() if name in result.matched}
    result = dataclasses.replace(
        result,
        results_code=found.get("results.json", ""),
        how=tuple(how_changed(result.changed, paths, document)),
        edited=edited(document, same),
    )
    if root is None:
        return result
    if not whole:
        return _asked(result, root, document, own)
    from sigkit.evidence import recompute as again

    if not recompute:
        return dataclasses.replace(result, remarks=tuple(again.changed_settings(root, document)))
    numbers = again.recompute(folder, root, document, progress=progress)
    return dataclasses.replace(result, recomputed=numbers)


def _lists(folder: Path) -> tuple[dict[str, Any], dict[str, str], dict[str, str]]:
    """Return the manifest, and SHA-256 by name of its outputs and of its captures."""
    try:
        document = _load(folder / FILE)
        if document["kind"] != KIND:
            raise ValueError
        outputs = {e["path"]: e["sha256"] for e in document["outputs"]}
        return document, outputs, {e["path"]: e["sha256"] for e in document["captures"]}
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputError(
            "The folder holds no readable manifest of evidence."
            if folder.exists()
            else "There is no such folder of evidence.",
            where=str(folder),
            remedy="Name the folder that 'sigkit evidence' wrote, the one with manifest.json.",
        ) from error


def _later(
    sounds: Mapping[str, Path], document: Mapping[str, Any], own: Mapping[str, str]
) -> dict[str, Path]:
    """Return the captures that lie in stages of which the manifest knows nothing."""
    stages = {name.partition("/")[0] for name in own if "/" in name}
    stages |= {str(entry["stage"]) for entry in document.get("stages", ())}
    return {n: p for n, p in sounds.items() if "/" in n and n.partition("/")[0] not in stages}


def _hashes(paths: Mapping[str, Path], *, progress: bool) -> dict[str, str]:
    from sigkit.evidence.run.progress import Progress

    sizes = {name: path.stat().st_size + 1 for name, path in paths.items()}
    found = {}
    with Progress("comparing", "files", len(paths), sum(sizes.values()), shown=progress) as shown:
        for name, path in paths.items():
            found[name] = _code(path)
            shown.done(sizes[name])
    return found


def _code(path: Path) -> str:
    try:
        return sha256(path)
    except OSError as error:
        raise InputError(
            f"The file cannot be read: {error.strerror}.",
            where=str(path),
            remedy="Check that you may read it and that its drive is connected, and verify again.",
        ) from error


def _chain(folder: Path, document: Mapping[str, Any], own: Mapping[str, str]) -> dict[str, Any]:
    from sigkit.evidence.chain import chain_breaks

    stages = document.get("stages", [])
    try:
        breaks = chain_breaks(folder, stages, own)
        names = tuple(str(entry["stage"]) for entry in stages)
    except (KeyError, TypeError, AttributeError):
        names, breaks = (), [("all", "the manifest's own list of stages cannot be read")]
    return {"chain": names, "breaks": tuple(breaks)}


def _asked(
    result: Verification, path: Path, document: Mapping[str, Any], own: Mapping[str, str]
) -> Verification:
    """Say which captures one file is, by its content; its name does not matter."""
    code = _code(path)
    same = _names(name for name, listed in own.items() if listed == code)
    if same:
        matched = _names({*result.matched, *same})
        return dataclasses.replace(
            result, matched=matched, captures_checked=True, asked=path.name, asked_matches=same
        )
    samples = samples_of(path)
    alike = _names(
        e["path"] for e in document["captures"] if samples and e.get("samples_sha256") == samples
    )
    added = _names({*result.added, path.name})
    return dataclasses.replace(result, added=added, stranger=path.name, same_samples=alike)


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


def _captures_of(root: Path) -> dict[str, Path]:
    from sigkit.evidence.job.names import SUFFIXES

    paths = [
        path
        for path in root.rglob("*")
        if path.is_file()
        and path.suffix.casefold() in SUFFIXES
        and not any(part.startswith((".", "evidence")) for part in path.relative_to(root).parts)
    ]
    return {path.relative_to(root).as_posix(): path for path in paths}


def _names(names: Iterable[str]) -> tuple[str, ...]:
    return tuple(sorted(names))


def _load(path: Path) -> Any:
    if not path.is_file():
        raise FileNotFoundError(path)
    return json.loads(path.read_text(encoding="utf-8"))
