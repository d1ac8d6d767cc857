"""What the manifest of evidence lists: versions, settings, stages, captures, outputs."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sigkit.evidence.chain import StageList
from sigkit.evidence.job.public_settings import public_settings
from sigkit.evidence.logs.own_causes import FILE as CAUSES
from sigkit.evidence.logs.readings import FILE as READINGS
from sigkit.evidence.logs.repairs import FILE as REPAIRS
from sigkit.evidence.manifest import KIND, SCHEMA, file_entry, outputs_of, sha256
from sigkit.evidence.run.edition import source_code
from sigkit.evidence.run.made_with import versions

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence
    from sigkit.evidence.run.outcome import Outcome

LOGS = {"readings_sha256": READINGS, "repairs_sha256": REPAIRS, "causes_sha256": CAUSES}
"""Tables beside the captures, by the name of their hash in the manifest."""


def manifest_of(evidence: Evidence, folder: Path, lists: Sequence[StageList]) -> dict[str, Any]:
    """Return the manifest of evidence whose other files lie in a folder."""
    job = evidence.job
    return {
        "kind": KIND,
        "schema": SCHEMA,
        "made_with": {**versions(), "sigkit_source": source_code()},
        "unit": job.settings.unit,
        "settings": {
            "job": public_settings(job.settings),
            **{key: _hash_of(job.folder / name) for key, name in LOGS.items()},
            "limits": {
                f"{row.test}.{row.judged.quantity}": row.limit.value
                for row in evidence.rows
                if row.limit is not None
            },
            "captures": {
                o.take.key: {
                    "channel": o.result.source.channel if o.result else o.take.channel,
                    **o.take.options,
                }
                for o in evidence.outcomes
            },
        },
        "stages": [one.to_dict() for one in lists],
        "captures": evidence.capture_list(),
        "outputs": [file_entry(folder / name, name) for name in outputs_of(folder)],
    }


def capture_entries(evidence: Evidence) -> list[dict[str, Any]]:
    """Return every file of the job, used or not, by name; see `Evidence.capture_list`."""
    listed = [
        {
            "path": file.key,
            "bytes": file.size_bytes,
            "sha256": file.sha256,
            "samples_sha256": _samples_sha256(o),
            "part": f"{number} of {len(o.files)}" if len(o.files) > 1 else "",
            "used": o.used,
            "why_not": o.reason,
        }
        for o in evidence.outcomes
        for number, file in enumerate(o.files, start=1)
    ]
    for problem in evidence.job.problems:
        path = evidence.job.folder / problem.where
        if path.is_file():
            entry = file_entry(path, problem.where)
            why = f"{problem.problem} {problem.remedy}"
            listed.append(
                {**entry, "samples_sha256": "", "part": "", "used": False, "why_not": why}
            )
    return sorted(listed, key=lambda entry: str(entry["path"]))


def _samples_sha256(outcome: Outcome) -> str:
    if outcome.fingerprint is None or len(outcome.files) != 1:
        return ""
    return outcome.fingerprint.samples_sha256


def _hash_of(path: Path) -> str:
    return sha256(path) if path.is_file() else ""
