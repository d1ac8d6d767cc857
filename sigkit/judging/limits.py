"""Limits as data, and the decision rule that compares a measured value with one."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources

from scipy import special

from sigkit.judging.compare import Better
from sigkit.quantity import Quantity

WITHIN = "within limits"
OUTSIDE = "outside limits"
UNDECIDED = "undecided"
NOT_MEASURABLE = "not measurable"
NOT_TESTED = "not tested"


@dataclass(frozen=True, slots=True)
class Limit:
    """The largest value, or magnitude, that is within limits.

    Parameters
    ----------
    value : float
        The limit.
    unit : str
        Its unit.
    source : str
        Where it comes from.
    """

    value: float
    unit: str
    source: str


@dataclass(frozen=True, slots=True)
class LimitVerdict:
    """How a measured value stands to a limit.

    Parameters
    ----------
    word : str
        ``within limits``, ``outside limits``, ``undecided``, ``not measurable``, ``not tested``,
        or empty where there is no limit.
    probability : float or None
        That the value is within the limit, given the measurement.
    """

    word: str
    probability: float | None = None


def guide_limits() -> dict[tuple[str, str], Limit]:
    """Return the shipped guide values by bench test and quantity."""
    text = resources.files("sigkit.judging").joinpath("limits.csv").read_text(encoding="utf-8")
    return {
        (row["test"], row["quantity"]): Limit(float(row["limit"]), row["unit"], row["source"])
        for row in csv.DictReader(text.splitlines())
    }


def job_limits(
    own: Mapping[tuple[str, str], float], units: Mapping[tuple[str, str], str]
) -> dict[tuple[str, str], Limit]:
    """Return the guide values with the job's own limits in their place."""
    chosen = {k: Limit(v, units[k], "set for this job") for k, v in own.items()}
    return guide_limits() | chosen


def judge_limit(
    quantity: Quantity, limit: Limit, better: Better, *, at_most: Quantity | None = None
) -> LimitVerdict:
    """Compare a measured value with a limit, with a guard band on both sides of it.

    Parameters
    ----------
    quantity : Quantity
        The measured value, in the unit of the limit.
    limit : Limit
        The limit, on the value, or on its magnitude where ``better`` is ``nearer zero``.
    better : {"smaller", "nearer zero", "none"}
        Which way is better.
    at_most : Quantity, optional
        Upper bound of a quantity that has no value because nothing was found above it.

    Returns
    -------
    LimitVerdict
        Within where the value lies inside the limit by its expanded uncertainty or more, outside
        where it lies beyond by as much, else undecided; with the probability of conformity. A
        bound can only show that something is within its limit.

    References
    ----------
    .. [1] JCGM 106:2012, 8.3.2 (guarded acceptance, w = U), 8.3.3 (guarded rejection) and 7
       (probability of conformity).

    Examples
    --------
    >>> verdict = judge_limit(Quantity(3.9, 0.5, "cents"), Limit(5, "cents", ""), "nearer zero")
    >>> verdict.word, round(verdict.probability, 4)
    ('within limits', 0.9861)
    """
    if not quantity.measurable:
        bound = LimitVerdict(NOT_MEASURABLE)
        if at_most is not None:
            bound = judge_limit(at_most, limit, better)
        return bound if bound.word == WITHIN else LimitVerdict(NOT_MEASURABLE)
    two_sided = better == "nearer zero"
    size = abs(quantity.value) if two_sided else quantity.value
    guard = quantity.expanded
    probability = _below(limit.value, quantity)
    if two_sided:
        probability -= _below(-limit.value, quantity)
    if size <= limit.value - guard:
        return LimitVerdict(WITHIN, probability)
    return LimitVerdict(OUTSIDE if size >= limit.value + guard else UNDECIDED, probability)


def _below(limit: float, quantity: Quantity) -> float:
    """Return the probability that the true value is below a limit."""
    return float(special.stdtr(quantity.dof, (limit - quantity.value) / quantity.u))
