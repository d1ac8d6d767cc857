"""The folder of evidence: every file of it, written beside its place, and moved there at once."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from sigkit.errors import InputError
from sigkit.evidence.chain import stage_lists
from sigkit.evidence.exported import json_bytes
from sigkit.evidence.listed import manifest_of
from sigkit.evidence.manifest import CODE_DIGITS, FILE, sha256
from sigkit.evidence.place import free_place, move_in
from sigkit.evidence.report.pdf import pdf_of
from sigkit.evidence.run.outcome import without_folder
from sigkit.evidence.run.progress import Progress

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence

RESULTS_JSON = "results.json"
KIT_EFFORT = 0.6
"""Of the listing kit, in that of the report's pictures; for the time left alone."""


def write_evidence(
    evidence: Evidence, folder: Path, *, pdf: bool, paper: str, progress: bool
) -> Path:
    """Write a folder of evidence and return its place; see `Evidence.write`."""
    free_place(folder)
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        draft = Path(tempfile.mkdtemp(prefix=".evidence-", dir=folder.parent))
        try:
            draft.chmod(0o755)
            count = len({row.group for row in evidence.rows})
            effort = count * (1 + KIT_EFFORT + pdf)
            with Progress("drawing", "pictures", count, effort, shown=progress) as shown:
                _fill(evidence, draft, paper if pdf else "", shown)
            return move_in(draft, folder)
        finally:
            shutil.rmtree(draft, ignore_errors=True)
    except OSError as error:
        raise InputError(
            f"The evidence cannot be written: {error.strerror}.",
            where=str(folder),
            remedy="Choose a folder that you may write to, with space left.",
        ) from error


def _fill(evidence: Evidence, folder: Path, paper: str, shown: Progress) -> None:
    from sigkit.evidence.listing.kit import kit_of
    from sigkit.evidence.report.front_charts import draw_front
    from sigkit.evidence.report.pages import report_html
    from sigkit.evidence.report.pictures import draw_groups

    for name, data in evidence.results().items():
        (folder / name).write_bytes(data)
    code = sha256(folder / RESULTS_JSON)[:CODE_DIGITS]
    pictures = draw_groups(evidence, lambda: shown.done(1))
    (folder / "charts").mkdir()
    for name, picture in pictures.items():
        (folder / "charts" / f"{name}.png").write_bytes(picture)
    html = report_html(evidence, pictures | draw_front(evidence), code)
    report = without_folder(html, evidence.job.folder)
    (folder / "report.html").write_bytes(report.encode())
    if paper:
        (folder / "report.pdf").write_bytes(pdf_of(report, "report.pdf", paper=paper))
    for name, data in kit_of(evidence, code).items():
        path = folder / "listing" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    lists = stage_lists([stage.name for stage in evidence.job.stages], evidence.capture_list())
    for one in lists:
        (folder / one.path).parent.mkdir(exist_ok=True)
        (folder / one.path).write_bytes(one.content)
    manifest = evidence.cleaned(manifest_of(evidence, folder, lists))
    (folder / FILE).write_bytes(json_bytes(manifest))
