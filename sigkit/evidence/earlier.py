"""New evidence beside older evidence of the same job: what is the same in both."""

from __future__ import annotations

from pathlib import Path

from sigkit.errors import InputError
from sigkit.evidence.chain import against_earlier
from sigkit.evidence.manifest import is_evidence, read_manifest

RESULTS = "results.csv"


def earlier_evidence(folder: Path) -> list[Path]:
    """Return other evidence that lies beside a folder of evidence, by name."""
    own = folder.resolve()
    beside = (path for path in own.parent.iterdir() if path.is_dir() and path != own)
    return sorted(path for path in beside if is_evidence(path))


def beside_earlier(folder: Path) -> list[str]:
    """Return how older evidence stands to the new one, one sentence for each folder beside it.

    Parameters
    ----------
    folder : Path
        The new evidence.
    """
    now = read_manifest(folder)
    told = []
    for earlier in earlier_evidence(folder):
        try:
            then = read_manifest(earlier)
            same, other = against_earlier(now["stages"], then.get("stages", []))
        except (InputError, LookupError, TypeError, AttributeError):
            told.append(f"Beside {earlier.name}, whose manifest cannot be read.")
            continue
        found = [f"the same captures in {', '.join(same)}"] if same else []
        found += [f"other captures in {', '.join(other)}"] if other else []
        results = [{e["path"]: e["sha256"] for e in m["outputs"]} for m in (now, then)]
        if results[0].get(RESULTS) == results[1].get(RESULTS):
            found.append("the same results, number for number")
        told.append(f"Beside {earlier.name}, untouched{': ' if found else ''}{'; '.join(found)}.")
    return told
