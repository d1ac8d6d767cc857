"""The folder of evidence: every file of it, written beside its place, and moved there at once."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Mapping, Sequence
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
    from sigkit.evidence.report.pictures import Bundle

RESULTS_JSON = "results.json"


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
            _fill(evidence, draft, paper if pdf else "", progress)
            return move_in(draft, folder)
        finally:
            shutil.rmtree(draft, ignore_errors=True)
    except OSError as error:
        raise InputError(
            f"The evidence cannot be written: {error.strerror}.",
            where=str(folder),
            remedy="Choose a folder that you may write to, with space left.",
        ) from error


def _fill(evidence: Evidence, folder: Path, paper: str, progress: bool) -> None:
    """Write every file; texts, sounds and numbers while other processes draw."""
    from sigkit.evidence.listing.kit import kit_of
    from sigkit.evidence.listing.pictures import listing_drawings
    from sigkit.evidence.report.at_once import drawn_at_once
    from sigkit.evidence.report.front_charts import front_drawings
    from sigkit.evidence.report.pages import report_html
    from sigkit.evidence.report.pictures import drawings_of

    charts, front = drawings_of(evidence), front_drawings(evidence)
    listing = listing_drawings(evidence)
    bundles = [*listing, *charts, *front]
    count, drawn = sum(map(len, bundles)), dict[str, bytes]()
    with (
        Progress("drawing", "pictures", count, count, shown=progress) as shown,
        drawn_at_once(bundles) as pictures,
    ):
        for name, data in evidence.results().items():
            (folder / name).write_bytes(data)
        code = sha256(folder / RESULTS_JSON)[:CODE_DIGITS]
        kit = kit_of(evidence, code, pictures={})
        for some in pictures:
            drawn |= some
            shown.done(len(some), len(some))
    (folder / "charts").mkdir()
    for name, picture in _of(charts, drawn).items():
        (folder / "charts" / f"{name}.png").write_bytes(picture)
    html = report_html(evidence, _of([*charts, *front], drawn), code)
    report = without_folder(html, evidence.job.folder)
    (folder / "report.html").write_bytes(report.encode())
    if paper:
        with Progress("laying out", "report.pdf", 1, 1.0, shown=progress) as shown:
            (folder / "report.pdf").write_bytes(pdf_of(report, "report.pdf", paper=paper))
            shown.done(1.0)
    kit |= {f"pictures/{name}": data for name, data in _of(listing, drawn).items()}
    for name, data in kit.items():
        path = folder / "listing" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    lists = stage_lists([stage.name for stage in evidence.job.stages], evidence.capture_list())
    for one in lists:
        (folder / one.path).parent.mkdir(exist_ok=True)
        (folder / one.path).write_bytes(one.content)
    manifest = evidence.cleaned(manifest_of(evidence, folder, lists))
    (folder / FILE).write_bytes(json_bytes(manifest))


def _of(bundles: Sequence[Bundle], drawn: Mapping[str, bytes]) -> dict[str, bytes]:
    """Return the pictures of some bundles in their order, whichever was drawn first."""
    return {name: drawn[name] for bundle in bundles for name in bundle}
