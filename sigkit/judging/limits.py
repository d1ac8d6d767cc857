"""Limits as data, and the decision rule that compares a measured value with one."""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources

import numpy as np
from scipy import special

from sigkit.judging.compare import Better
from sigkit.judging.rates import PASS_SCATTER, Counts, events_interval
from sigkit.measures import TESTS
from sigkit.quantity import NUMBER, Quantity

WITHIN = "within limits"
OUTSIDE = "outside limits"
UNDECIDED = "undecided"
NOT_MEASURABLE = "not measurable"
NOT_TESTED = "not tested"
HALF_A_THING = 0.5


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
    worn_to : float or None
        Up to where a value beyond the limit is called worn, and faulty from there on; None where
        the limits draw no such line.
    """

    value: float
    unit: str
    source: str
    worn_to: float | None = None


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

    @property
    def chance(self) -> str:
        """The probability of lying within the limit as people read it; empty where there is none.

        Examples
        --------
        >>> LimitVerdict(WITHIN, 0.9977).chance, LimitVerdict(OUTSIDE, 1e-9).chance
        ('99.8 %', '< 0.1 %')
        """
        if self.probability is None:
            return ""
        if not 0.001 <= self.probability <= 0.999:
            return "> 99.9 %" if self.probability > 0.5 else "< 0.1 %"
        return f"{100 * self.probability:.1f} %"


def guide_limits() -> dict[tuple[str, str], Limit]:
    """Return the shipped guide values by bench test and quantity."""
    text = resources.files("sigkit.judging").joinpath("limits.csv").read_text(encoding="utf-8")
    return {
        (row["test"], row["quantity"]): Limit(
            float(row["limit"]),
            row["unit"],
            row["source"],
            float(row["worn_to"]) if row["worn_to"] else None,
        )
        for row in csv.DictReader(text.splitlines())
    }


def job_limits(
    own: Mapping[tuple[str, str], float],
    sources: Mapping[tuple[str, str], str] | None = None,
) -> dict[tuple[str, str], Limit]:
    """Return the guide values with the job's own limits in their place.

    Parameters
    ----------
    own : mapping of (str, str) to float
        The job's limits by bench test and quantity.
    sources : mapping of (str, str) to str, optional
        Where the job's limits come from, such as a service document; else it is said that they
        were set for the job.
    """
    told = sources or {}
    units = {(t.name, j.quantity): j.unit for t in TESTS.values() for j in t.judged}
    chosen = {k: Limit(v, units[k], told.get(k) or "set for this job") for k, v in own.items()}
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
        bound can only show that something is within its limit. A number of things (no unit) is
        compared with half a thing more than its limit: the next whole number lies beyond it; what
        can only make it larger, or smaller, counts on that side alone.

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
    border = limit.value + (HALF_A_THING if limit.unit == NUMBER else 0.0)
    probability = _below(border, quantity)
    if two_sided:
        probability -= _below(-border, quantity)
    if size <= border - quantity.expanded_towards(1):
        return LimitVerdict(WITHIN, probability)
    beyond = size >= border + quantity.expanded_towards(-1)
    return LimitVerdict(OUTSIDE if beyond else UNDECIDED, probability)


def judge_count(counts: Counts, limit: Limit, passes: float) -> LimitVerdict:
    """Compare a rate of events over the passes of a slider with a limit.

    Parameters
    ----------
    counts : tuple of int and float
        Number of events, and the exposure: seconds or passes.
    limit : Limit
        The largest rate that is within limits.
    passes : float
        Number of passes in which they were counted.

    Returns
    -------
    LimitVerdict
        Within where the two-sided 95 % limits of the rate, exact for a Poisson count [1]_ and
        widened by the scatter between passes, lie at the limit or below, outside where they lie at
        it or above, else undecided. The probability of conformity is that of a rate without prior
        knowledge (Jeffreys' prior for a Poisson rate [2]_) times a lognormal factor for the same
        scatter.

    Notes
    -----
    A change of the same count is judged with that scatter too (`sigkit.judging.passes`): dirt fires
    in clusters. With passes that differ by 0.5 in ln about a rate at the limit, Poisson limits
    alone say within or outside in 5 to 8 % of cases each at a limit of three a pass and 13 to 16 %
    at ten; so in 1 to 4 %.

    References
    ----------
    .. [1] F. Garwood, Fiducial limits for the Poisson distribution, Biometrika 28 (1936) 437-442.
    .. [2] H. Jeffreys, An invariant form for the prior probability in estimation problems, Proc.
       R. Soc. A 186 (1946) 453-461; from memory.

    Examples
    --------
    >>> judge_count((0, 10.0), Limit(1, "per pass", ""), 10).word
    'within limits'
    >>> judge_count((4, 10.0), Limit(1, "per pass", ""), 10).word
    'undecided'
    """
    number, exposure = counts
    low, high = events_interval(counts, passes)
    normal, weights = np.polynomial.hermite_e.hermegauss(32)
    most = limit.value * exposure * np.exp(PASS_SCATTER / math.sqrt(passes) * normal)
    probability = float(special.gammainc(number + 0.5, most) @ weights / weights.sum())
    if high <= limit.value:
        return LimitVerdict(WITHIN, probability)
    return LimitVerdict(OUTSIDE if low >= limit.value else UNDECIDED, probability)


def _below(limit: float, quantity: Quantity) -> float:
    """Return the probability that the true value is below a limit."""
    apart = limit - quantity.value
    share = quantity.expanded_towards(1 if apart > 0 else -1) / quantity.expanded
    if not share:
        return float(apart > 0)
    return float(special.stdtr(quantity.dof, apart / (quantity.u * share)))
