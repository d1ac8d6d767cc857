"""A quantity at one stage, over the takes of it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from sigkit.evidence.job.folder import Stage
from sigkit.evidence.run.takes import Outcome
from sigkit.judging.compare import budget_of, join_takes, with_clock
from sigkit.judging.limits import NOT_TESTED
from sigkit.judging.rates import Counts, events_interval
from sigkit.measures import Judged, Result
from sigkit.quantity import Quantity, combine, not_measurable


@dataclass(frozen=True)
class Cell:
    """A quantity at one stage.

    Parameters
    ----------
    quantity : Quantity
        Over the takes of the stage; without a value where there is none.
    tested : bool
        Whether the stage has a capture of it.
    takes : int
        Takes behind the value.
    counts : tuple of int and float, or None
        Events, and the seconds or passes in which they were counted, where the quantity is a rate.
    passes : float
        Passes of a slider in which they were counted, one for a take that shows none.
    at_most : Quantity or None
        Upper bound, where there is no value because nothing was found above it.
    whole : Quantity or None
        The value over whole captures, where ``quantity`` is that of captures cut for a comparison.
    """

    quantity: Quantity
    tested: bool = True
    takes: int = 0
    counts: Counts | None = None
    passes: float = 1.0
    at_most: Quantity | None = None
    whole: Quantity | None = None

    @property
    def interval(self) -> tuple[float, float]:
        """95 % limits of the value, nan where there is none; of a count those of its rate."""
        if not self.quantity.measurable:
            return math.nan, math.nan
        if self.counts is not None:
            return events_interval(self.counts, self.passes)
        value, half = self.quantity.value, self.quantity.expanded
        return value - half, value + half


def cell_of(
    stage: Stage, judged: Judged, outcomes: Sequence[Outcome], clock_ppm: float | None
) -> Cell:
    """Return a quantity at one stage, over its takes.

    Parameters
    ----------
    stage : Stage
        The stage; its reason stands where it has no capture.
    judged : Judged
        The quantity.
    outcomes : sequence of Outcome
        Of the stage's captures of one test, subject and setting.
    clock_ppm : float or None
        Largest error of the sound card's clock, where it is not the usual one.
    """
    if not outcomes:
        return Cell(not_measurable(judged.unit, stage.reason or NOT_TESTED), tested=False)
    results = [outcome.result for outcome in outcomes if outcome.result is not None]
    if not results:
        return Cell(not_measurable(judged.unit, outcomes[0].reason))
    takes = [result.quantities()[judged.quantity] for result in results]
    if clock_ppm is not None:
        takes = [with_clock(take, clock_ppm) for take in takes]
    joined = join_takes(takes)
    if len(results) == 1 and joined.measurable:
        other = results[0].another_capture().get(judged.quantity)
        joined = combine(
            joined.value, joined.unit, [*budget_of(joined), *([other] if other else [])]
        )
    bounds = [
        quantity if quantity.measurable else result.at_most().get(judged.quantity)
        for quantity, result in zip(takes, results, strict=True)
    ]
    highest = max((b for b in bounds if b is not None), key=float, default=None)
    counts = [getattr(result, "counts", {}).get(judged.quantity) for result in results]
    known = [count for count in counts if count is not None]
    total = (sum(c[0] for c in known), math.fsum(c[1] for c in known))
    return Cell(
        joined,
        takes=len(results),
        counts=total if len(known) == len(results) else None,
        passes=math.fsum(_passes(result) for result in results),
        at_most=highest if None not in bounds and not joined.measurable else None,
    )


def _passes(result: Result) -> float:
    counts: Mapping[str, Counts] = getattr(result, "counts", {})
    return max(counts.get("events_per_pass", (0, 1.0))[1], 1.0)


def whole_of(cell: Cell) -> Cell:
    """Return the quantity over whole captures, where it is that of cut ones."""
    return cell if cell.whole is None else replace(cell, quantity=cell.whole, whole=None)
