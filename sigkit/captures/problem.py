"""One thing that is wrong with a capture: where, how much, which tests it harms, what to do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

PITCH_TESTS = ("stability", "warmup", "beating", "glide", "keyboard")
LEVEL_TESTS = ("slider", "envelope", "noise", "waveform")
ALL_TESTS = PITCH_TESTS + LEVEL_TESTS

Severity = Literal["remark", "record again"]


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong with a capture.

    Parameters
    ----------
    kind : str
        What it is, such as ``clipped``.
    where : str
        Channel and times.
    how_much : str
        Its size, with unit.
    harms : tuple of str
        Names of the bench tests whose numbers suffer; empty if none does.
    remedy : str
        What to do.
    severity : {"remark", "record again"}
        What it means for the tests it harms; for all others it is a remark.
    """

    kind: str
    where: str
    how_much: str
    harms: tuple[str, ...]
    remedy: str
    severity: Severity

    def __str__(self) -> str:
        lines = (
            f"{self.kind} ({self.severity}): {self.how_much}",
            f"  {self.where}; harms {self.harmed}",
            f"  {self.remedy}",
        )
        return "\n".join(line if len(line) <= 80 else line[:77] + "..." for line in lines)

    @property
    def harmed(self) -> str:
        """The harmed tests in words."""
        if set(self.harms) == set(ALL_TESTS):
            return "every test"
        for tests, name in (
            (ALL_TESTS, "every test"),
            (PITCH_TESTS, "pitch tests"),
            (LEVEL_TESTS, "level tests"),
        ):
            if set(self.harms) == set(tests):
                return name
        return ", ".join(self.harms) or "no test"
