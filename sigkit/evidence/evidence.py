"""Evidence: a job's stages side by side, and the folder that is handed to others."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd

from sigkit.errors import SignalError
from sigkit.evidence.exported import json_bytes, rounded
from sigkit.evidence.job.folder import Job
from sigkit.evidence.listed import capture_entries
from sigkit.evidence.rows.gaps import Gap, gaps_of
from sigkit.evidence.rows.ladder import Ladder, ladder_of
from sigkit.evidence.rows.other_limit import job_with_limit
from sigkit.evidence.rows.results import results_frame
from sigkit.evidence.rows.row_causes import with_causes
from sigkit.evidence.rows.setting_order import SettingOrder, setting_orders_of
from sigkit.evidence.rows.table import Row, rows_of
from sigkit.evidence.run.made_with import versions
from sigkit.evidence.run.same_sound import same_sound
from sigkit.evidence.run.takes import Outcome, without_folder

RESULTS_SCHEMA = 3
"""Version of results.json, as results_schema.json describes it."""
RESULTS, RESULTS_JSON = "results.csv", "results.json"


@dataclass(frozen=True, slots=True)
class Problem:
    """Something the technician should look at.

    Parameters
    ----------
    problem, where, remedy : str
        What is wrong, with which file of the job, and what to do.
    lost : bool
        Whether a capture could not be read because of it.
    """

    problem: str
    where: str
    remedy: str
    lost: bool


@dataclass(frozen=True, eq=False)
class Evidence:
    """What a job's captures show, stage by stage.

    Parameters
    ----------
    job : Job
        The job that was measured.
    outcomes : tuple of Outcome
        What became of each capture.
    rows : tuple of Row
        One row per test, subject, setting and quantity.
    """

    job: Job
    outcomes: tuple[Outcome, ...]
    rows: tuple[Row, ...]

    @classmethod
    def of(cls, job: Job, outcomes: Sequence[Outcome]) -> Evidence:
        """Put the outcomes of a job side by side."""
        return cls(job, tuple(outcomes), with_causes(rows_of(job, outcomes), job.causes))

    def with_limit(self, test: str, quantity: str, limit: float, *, source: str = "") -> Evidence:
        """Return the same captures held against another limit; nothing is measured again.

        ``limit`` is the largest value, or magnitude, of a judged quantity that is within limits,
        ``source`` where it comes from.

        Raises
        ------
        InputError
            No such test or quantity.
        """
        job = job_with_limit(self.job, test, quantity, limit, source)
        return Evidence.of(job, self.outcomes)

    @cached_property
    def table(self) -> pd.DataFrame:
        """One row per test, subject, setting and quantity.

        Columns: test, subject, setting, quantity, unit; for each stage its value, ``u_STAGE``
        (standard uncertainty, same unit) and ``why_STAGE`` (the reason where there is no value);
        change and ``u_change`` (last less first stage with captures); verdict; limit,
        limit_source, limit_verdict, p_within (probability of lying within the limit); remarks.
        """
        columns = ["test", "subject", "setting", "quantity", "unit"]
        for stage in self.job.stages:
            columns += [stage.name, f"u_{stage.name}", f"why_{stage.name}"]
        columns += ["change", "u_change", "verdict", "limit", "limit_source", "limit_verdict"]
        columns += ["p_within", "remarks"]
        return pd.DataFrame([_flat(row) for row in self.rows], columns=columns)

    @cached_property
    def gaps(self) -> pd.DataFrame:
        """Everything without an answer, one row each, with the reason; columns as in `Gap`."""
        return pd.DataFrame(gaps_of(self), columns=list(Gap._fields))

    @cached_property
    def causes(self) -> pd.DataFrame:
        """What lies outside its limit at the last stage, with what that often comes from.

        Columns: test, subject, setting, quantity, often, next_step, cautions, source.
        """
        columns = ["test", "subject", "setting", "quantity", "often", "next_step", "cautions"]
        found = [
            (
                *row.group,
                row.judged.quantity,
                "; ".join(row.cause.often),
                row.cause.step,
                " ".join(row.cause.cautions),
                row.cause.source,
            )
            for row in self.rows
            if row.cause is not None
        ]
        return pd.DataFrame(found, columns=[*columns, "source"])

    @cached_property
    def problems(self) -> tuple[Problem, ...]:
        """Every capture that was not used or is doubtful, with what to do."""
        found = [Problem(p.problem, p.where, p.remedy, lost=True) for p in self.job.problems]
        seen: dict[str, str] = {}
        for outcome in self.outcomes:
            key = outcome.take.key
            if outcome.error is not None:
                error = outcome.error
                lost = not isinstance(error, SignalError) or math.isnan(outcome.duration_s)
                found.append(Problem(error.problem, error.where or key, error.remedy, lost=lost))
            for file in outcome.files:
                if file.sha256 and file.sha256 in seen:
                    found.append(
                        Problem(
                            f"The same recording as {seen[file.sha256]}, byte for byte.",
                            file.key,
                            "Find out which of the two names is right, and remove the other.",
                            lost=False,
                        )
                    )
                elif file.sha256:
                    seen[file.sha256] = file.key
        for key, earlier, words in same_sound(self.outcomes):
            problem = f"It holds {words} as {earlier}."
            remedy = "Find out which of the two names is right, and remove the other."
            found.append(Problem(problem, key, remedy, lost=False))
        return tuple(self._without_place(problem) for problem in found)

    @cached_property
    def ladder(self) -> Ladder:
        """Every slider over the stages, with what to do next."""
        return ladder_of(self)

    @cached_property
    def setting_orders(self) -> tuple[SettingOrder, ...]:
        """Every quantity over the marks of its slider, with what they show."""
        return setting_orders_of(self)

    def to_dict(self) -> dict[str, Any]:
        """Return all but tracks and sound, ready for JSON, without private fields."""
        settings = self.job.settings
        document = {
            "schema_version": RESULTS_SCHEMA,
            "unit": settings.unit,
            "description": settings.description,
            "report": dict(settings.report),
            "stages": [
                {
                    "name": stage.name,
                    "date": stage.date,
                    "room_c": stage.room_c,
                    "rails_v": dict(stage.rails_v),
                    "reason": stage.reason,
                }
                for stage in self.job.stages
            ],
            "repairs": [repair.to_dict() for repair in self.job.repairs or ()],
            "rows": [row.to_dict() for row in self.rows],
            "gaps": [gap._asdict() for gap in gaps_of(self)],
            "sliders": [line.to_dict() for line in self.ladder.lines],
            "setting_orders": [order.to_dict() for order in self.setting_orders],
            "captures": [_capture(outcome) for outcome in self.outcomes],
            "problems": [
                {"problem": p.problem, "where": p.where, "remedy": p.remedy, "lost": p.lost}
                for p in self.problems
            ],
            "made_with": versions(),
        }
        plain: dict[str, Any] = self.cleaned(document)
        return plain

    def results(self) -> dict[str, bytes]:
        """Return ``results.csv`` and ``results.json``; the same captures give the same bytes."""
        table = results_frame(self)
        plain = {name: pd.Series(map(rounded, table[name]), dtype=object) for name in table}
        text: str = pd.DataFrame(plain).to_csv(index=False, lineterminator="\n")
        return {RESULTS: text.encode("utf-8"), RESULTS_JSON: json_bytes(self.to_dict())}

    def write(
        self,
        folder: str | Path,
        *,
        pdf: bool = False,
        paper: str = "a4",
        progress: bool = False,
    ) -> Path:
        """Write report, charts, results, listing kit and manifest into a folder.

        Parameters
        ----------
        folder : str or Path
            Where to write. Where evidence lies already, it stays as it is, and this goes into a new
            folder beside it with today's date, such as ``evidence_2026-03-02``; a folder of
            anything else is refused.
        pdf : bool, optional
            Write ``report.pdf`` too, which needs the extra ``pdf`` and takes longer than the rest.
        paper : {"a4", "letter"}, optional
            Paper of ``report.pdf``.
        progress : bool, optional
            Show how far it has come, and the time left, where it takes more than three seconds.

        Returns
        -------
        Path
            The folder that was written.

        Raises
        ------
        InputError
            The place holds something else, or cannot be written to, or no PDF can be made here.

        Notes
        -----
        Everything is written beside the place first and moved there in one step at the end, so
        that an interrupted run leaves nothing behind. The same captures and settings give the
        same bytes.
        """
        from sigkit.evidence.written import write_evidence

        return write_evidence(self, Path(folder), pdf=pdf, paper=paper, progress=progress)

    @property
    def origin(self) -> str:
        """How many captures were measured now, and how many by an earlier run, in words."""
        earlier = sum(outcome.kept for outcome in self.outcomes)
        now = len(self.outcomes) - earlier
        if not earlier:
            return f"{now} measured now"
        return (
            f"{now} measured now, {earlier} taken from an earlier run: same SHA-256, settings and "
            "versions"
        )

    @property
    def capture_count(self) -> int:
        """Number of captures, a take in several files counted once, unusable ones included."""
        later = {file.key for outcome in self.outcomes for file in outcome.files[1:]}
        return len({entry["path"] for entry in self.capture_list()} - later)

    def capture_list(self) -> list[dict[str, Any]]:
        """Return every file of the job with size, SHA-256, whether it was used, and why not.

        Of a take in several files ``part`` says which one it is, such as ``2 of 3``; of one in a
        single file ``samples_sha256`` is that of its samples alone, whatever its header says.
        """
        plain: list[dict[str, Any]] = self.cleaned(capture_entries(self))
        return plain

    def _without_place(self, problem: Problem) -> Problem:
        return Problem(
            self.cleaned(problem.problem),
            self.cleaned(problem.where),
            self.cleaned(problem.remedy),
            lost=problem.lost,
        )

    def cleaned(self, value: Any) -> Any:
        """Return the value without the path to the job, and floats as they are exported."""
        if isinstance(value, str):
            return without_folder(value, self.job.folder)
        if isinstance(value, Mapping):
            return {str(key): self.cleaned(item) for key, item in value.items()}
        if isinstance(value, (list, tuple)):
            return [self.cleaned(item) for item in value]
        return rounded(value)

    def __str__(self) -> str:
        return f"evidence of {len(self.outcomes)} captures in {len(self.job.stages)} stages"

    def _repr_html_(self) -> str:
        from sigkit.evidence.report.pages import table_html

        return table_html(self)


def _flat(row: Row) -> dict[str, Any]:
    flat: dict[str, Any] = {
        "test": row.test,
        "subject": row.subject,
        "setting": row.setting,
        "quantity": row.judged.quantity,
        "unit": row.judged.unit,
    }
    for stage, cell in row.cells.items():
        flat |= {
            stage: cell.quantity.value,
            f"u_{stage}": cell.quantity.u,
            f"why_{stage}": cell.quantity.reason,
        }
    return flat | {
        "change": row.change.value,
        "u_change": row.change.u,
        "verdict": row.verdict,
        "limit": row.limit.value if row.limit is not None else math.nan,
        "limit_source": row.limit.source if row.limit is not None else "",
        "limit_verdict": row.limit_verdict.word,
        "p_within": row.limit_verdict.probability,
        "remarks": "; ".join(row.remarks),
    }


def _capture(outcome: Outcome) -> dict[str, Any]:
    return {
        "path": outcome.take.key,
        "sha256": outcome.sha256,
        "bytes": outcome.size_bytes,
        "files": [dataclasses.asdict(file) for file in outcome.files],
        "joined": outcome.joined,
        "duration_s": outcome.duration_s,
        "used": outcome.used,
        "why_not": outcome.reason,
        "remarks": list(outcome.remarks),
        "result": outcome.result.to_dict() if outcome.result is not None else None,
    }
