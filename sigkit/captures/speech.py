"""Speech in a capture: somebody talked while the recorder ran."""

from __future__ import annotations

from sigkit.captures.problem import Problem
from sigkit.captures.survey import Survey


def speech(survey: Survey) -> list[Problem]:
    """Find speech."""
    return []
