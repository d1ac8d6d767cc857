"""The list of captures in the report: each with a number that values are traced to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sigkit.evidence.rows.table import Group

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence


@dataclass(frozen=True)
class Numbered:
    """Every file of a job with its number, and the numbers behind each value.

    Parameters
    ----------
    rows : tuple of dict
        The files, each with ``number``, ``path``, ``date``, ``bytes``, ``sha256``, ``part``,
        ``used`` and ``why_not``.
    behind : mapping of (group, stage) to tuple of int
        Numbers of the captures that a value of a stage was measured from.
    """

    rows: tuple[dict[str, Any], ...]
    behind: Mapping[tuple[Group, str], tuple[int, ...]]

    @classmethod
    def of(cls, evidence: Evidence) -> Numbered:
        """Return the files of a job in the order of its capture list, numbered."""
        dates = {stage.name: stage.date for stage in evidence.job.stages}
        listed = [
            {"number": number, "date": dates.get(str(entry["path"]).split("/")[0], ""), **entry}
            for number, entry in enumerate(evidence.capture_list(), start=1)
        ]
        numbers = {str(entry["path"]): int(entry["number"]) for entry in listed}
        behind: dict[tuple[Group, str], list[int]] = {}
        for outcome in evidence.outcomes:
            name = outcome.take.name
            if outcome.used:
                own = behind.setdefault(
                    ((name.test, name.subject, name.setting), outcome.take.stage), []
                )
                own.extend(numbers[file.key] for file in outcome.files if file.key in numbers)
        return cls(tuple(listed), {key: tuple(found) for key, found in behind.items()})

    def of_cell(self, group: Group, stage: str) -> tuple[int, ...]:
        """Return the numbers of the captures behind a value; none where there is no capture."""
        return self.behind.get((group, stage), ())


def css_text(text: str) -> str:
    """Return a text as a CSS string may hold it: all but plain letters and digits escaped."""
    plain = " ,.:()"
    return "".join(
        c if c in plain or (c.isascii() and c.isalnum()) else f"\\{ord(c):06x}" for c in text
    )
