"""What a value outside its limit often comes from, and the next step at the bench.

Which causes and which step belong to a quantity is data, ``causes.csv``: one line for each bench
test and quantity, and further ones for a sign, or for all subjects of a test being off alike. A
job may keep lines of its own in the same columns.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from sigkit.judging.next_step import cautions

ANY, ALL = "any", "all"
ABOVE, BELOW = "above", "below"
MOST_CAUSES = 4
COLUMNS = ("test", "quantity", "sign", "alike", "often", "step", "cautions", "source")
OWN = "set for this job"


@dataclass(frozen=True, slots=True)
class Cause:
    """What a value outside its limit often comes from.

    Parameters
    ----------
    often : tuple of str
        One to four causes, the likeliest first.
    step : str
        The next step at the bench, which tells them apart or mends the first.
    cautions : tuple of str
        What to mind with it.
    source : str
        Where it comes from.
    """

    often: tuple[str, ...]
    step: str
    cautions: tuple[str, ...]
    source: str

    def to_dict(self) -> dict[str, Any]:
        """Return causes, step and cautions, ready for JSON."""
        return {
            "often": list(self.often),
            "next_step": self.step,
            "cautions": list(self.cautions),
            "source": self.source,
        }

    def __str__(self) -> str:
        return f"Often: {'; '.join(self.often)}. Next: {self.step}."


Key = tuple[str, str, str, str]
"""Test, quantity, sign and alike."""


def cause_of(
    test: str,
    quantity: str,
    value: float,
    *,
    alike: bool = False,
    own: Mapping[Key, Cause] | None = None,
) -> Cause | None:
    """Return what a value outside its limit often comes from.

    Parameters
    ----------
    test, quantity : str
        The bench test, and the quantity of it.
    value : float
        The value, for its sign.
    alike : bool, optional
        Whether every subject of the test lies outside, all to the same side.
    own : mapping, optional
        Lines of the job, which come before the shipped ones.

    Returns
    -------
    Cause or None
        The line that says most: one for all subjects alike before one for any, one for the sign
        before one for either; None where there is no line.

    Examples
    --------
    >>> cause_of("keyboard", "scale_error", 6.0).often[0]
    'the scale trim of this oscillator'
    >>> cause_of("keyboard", "scale_error", 6.0, alike=True).often[0]
    'a rail off its voltage'
    """
    sign = ABOVE if value >= 0 else BELOW
    for lines in (own or {}, causes()):
        for together in (ALL, ANY) if alike else (ANY,):
            for side in (sign, ANY):
                found = lines.get((test, quantity, side, together))
                if found is not None:
                    return found
    return None


def off_alike(values: Sequence[float], outside: Sequence[bool]) -> bool:
    """Whether several subjects of a test lie outside, all of them and to the same side.

    Parameters
    ----------
    values : sequence of float
        One value for each subject.
    outside : sequence of bool
        Whether it lies outside its limit.
    """
    if len(values) < 2 or not all(outside):
        return False
    return all(value > 0 for value in values) or all(value < 0 for value in values)


@cache
def causes() -> Mapping[Key, Cause]:
    """Return every shipped line by test, quantity, sign and alike."""
    text = resources.files("sigkit.judging").joinpath("causes.csv").read_text(encoding="utf-8")
    return causes_from(csv.DictReader(text.splitlines()))


def causes_from(rows: Iterable[Mapping[str, str]]) -> dict[Key, Cause]:
    """Return causes from lines with the columns of ``causes.csv``; empty cells mean ``any``."""
    told = cautions()
    return {
        (row["test"], row["quantity"], row.get("sign") or ANY, row.get("alike") or ANY): Cause(
            tuple(cause.strip() for cause in row["often"].split(";") if cause.strip()),
            row["step"].strip().rstrip("."),
            tuple(told[name] for name in (row.get("cautions") or "").split()),
            row.get("source") or OWN,
        )
        for row in rows
    }
