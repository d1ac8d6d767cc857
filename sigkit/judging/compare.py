"""Before against after: takes joined, differences with uncertainty, and what they allow to say."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from sigkit.measures.held_note import CLOCK, CLOCK_PPM
from sigkit.measures.waveform.recorder import RECORDER
from sigkit.quantity import COVERAGE_FACTOR, Quantity, Term, combine, not_measurable

SHARED = frozenset({CLOCK, RECORDER})
"""Sources of uncertainty that act alike on all captures made with the same sound card."""

REPEATS = "repeatability over takes"
"""Source of what several takes of the same state scatter by."""

IMPROVED = "improved"
WORSE = "worse"
UNCHANGED = "no change shown"
NO_CHANGE_BECAUSE = ("its sign changed", "within what single takes")
"""How the remarks begin that say why a change beyond its uncertainty is called none."""
BY_AT_LEAST = "by at least"
"""How the reason of a change begins that is known from one side only."""

Better = Literal["smaller", "nearer zero", "none"]


@dataclass(frozen=True)
class Change:
    """What happened to a quantity between two stages.

    Parameters
    ----------
    difference : Quantity
        Last less first.
    verdict : str
        ``improved``, ``worse``, ``no change shown``, or ``not measurable: why``; empty for a
        quantity of which neither way is better.
    remark : str
        How the verdict was reached where it is not from the difference alone.
    """

    difference: Quantity
    verdict: str
    remark: str = ""


def join_takes(takes: Sequence[Quantity]) -> Quantity:
    """Return the mean over repeats, with repeatability in its uncertainty.

    Parameters
    ----------
    takes : sequence of Quantity, length n
        The same quantity from n captures, in the same unit; at least one.

    Returns
    -------
    Quantity
        A single take as it is. For several the mean; its budget holds s / sqrt(n) with n - 1
        degrees of freedom, and the type B components of the takes undivided, as they may be common
        to all. Where a take has no value neither has the whole: leaving it out would favour the
        takes that went well.

    Notes
    -----
    Type A components of the takes, such as noise, are in their scatter and not counted again;
    where the takes do not scatter at all they stand for it, divided by sqrt(n). So Student's
    interval holds the mean in 95 % whether noise or the instrument scatters more.

    References
    ----------
    .. [1] JCGM 100:2008, 4.2.3 (standard deviation of the mean), 5.1.2, G.3.
    """
    n = len(takes)
    lost = [take for take in takes if not take.measurable]
    if lost:
        count = f"{len(lost)} of {n} takes: " if n > 1 else ""
        return not_measurable(lost[0].unit, count + lost[0].reason)
    if n == 1:
        return takes[0]
    values = [take.value for take in takes]
    scatter = statistics.stdev(values)
    terms = [Term(REPEATS, scatter / math.sqrt(n), "A", n - 1)] if scatter > 0 else []
    for source in dict.fromkeys(term.source for take in takes for term in budget_of(take)):
        same = [term for take in takes for term in budget_of(take) if term.source == source]
        random = all(term.evaluation == "A" for term in same)
        if random and scatter > 0:
            continue
        u = math.sqrt(sum(t.u**2 for t in same)) / n if random else sum(t.u for t in same) / n
        dof = sum(t.dof for t in same) if random else min(t.dof for t in same)
        terms.append(Term(source, u, "A" if random else "B", dof))
    return combine(statistics.fmean(values), takes[0].unit, terms)


def unit_of_change(unit: str) -> str:
    """Return the unit of a difference: of two levels in dBFS, however weighted, it is dB.

    Examples
    --------
    >>> unit_of_change("dBFS(A)"), unit_of_change("cents")
    ('dB', 'cents')
    """
    return "dB" if unit.startswith("dBFS") else unit


def difference(
    first: Quantity,
    last: Quantity,
    shared: frozenset[str] = SHARED,
    *,
    one_setting: bool = True,
) -> Quantity:
    """Return ``last`` less ``first``; what both share cancels, the rest adds in squares.

    Parameters
    ----------
    first, last : Quantity
        The same quantity at two stages, in the same unit.
    shared : frozenset of str, optional
        Sources that act alike on both.
    one_setting : bool, default True
        Whether both were set alike, so that a single take of one repeats as the takes of the other.

    Returns
    -------
    Quantity
        Without a value where one of them has none.

    Notes
    -----
    A component whose source is in ``shared`` acts on both in the same way, so that only the
    difference of its two sizes is left (JCGM 100:2008, 5.2.2, correlation +1). This holds where
    both captures were made with the same sound card.

    A single take of one setting scatters as much as the takes of the other stage do, whatever its
    own noise: for n takes against one the scatter is s sqrt(1 + 1/n) with n - 1 degrees of freedom,
    the two-sample t of n and one.

    Examples
    --------
    >>> clock = Term("sound-card clock", 0.0127, "B")
    >>> a = combine(440.0, "Hz", [clock, Term("noise", 0.003, "A")])
    >>> b = combine(441.0, "Hz", [clock, Term("noise", 0.004, "A")])
    >>> print(difference(a, b))
    1.000 ± 0.010 Hz
    """
    for quantity in (first, last):
        if not quantity.measurable:
            return not_measurable(unit_of_change(quantity.unit), quantity.reason)
    terms = _subtracted(first, last, shared, one_setting=one_setting)
    if not any(term.u > 0 for term in terms):
        terms = [*budget_of(first), *budget_of(last)]
    return combine(last.value - first.value, unit_of_change(last.unit), terms)


def judge_change(
    first: Quantity, last: Quantity, better: Better, shared: frozenset[str] = SHARED
) -> Change:
    """Say whether a quantity improved between two stages.

    Parameters
    ----------
    first, last : Quantity
        The same quantity at two stages.
    better : {"smaller", "nearer zero", "none"}
        Which way an improvement goes.
    shared : frozenset of str, optional
        Sources that act alike on both.

    Returns
    -------
    Change
        ``improved`` or ``worse`` only where the change exceeds its expanded uncertainty, and the
        repeatability of single takes where there are several: the mean of many takes may be known
        to less than what plugging the same unit in again does, and that is no repair. Towards zero
        the magnitudes must differ by more than theirs too: a value that only changed its sign
        shows no change, with a remark. Empty where neither way is better.
    """
    change = difference(first, last, shared)
    if not change.measurable:
        return Change(change, f"not measurable: {change.reason}")
    if better == "none":
        return Change(change, "")
    if abs(change.value) <= change.expanded:
        return Change(change, UNCHANGED)
    again = COVERAGE_FACTOR * repeatability(first, last)
    if abs(change.value) <= again:
        remark = f"within what single takes of one state scatter by, ± {again:.2g} {change.unit}"
        return Change(change, UNCHANGED, remark.rstrip())
    if better == "smaller":
        return Change(change, IMPROVED if change.value < 0 else WORSE)
    flipped = first.value * last.value < 0
    growth = replace(change, value=abs(last.value) - abs(first.value))
    if flipped:
        growth = combine(growth.value, change.unit, [*_sum_of_shared(first, last, shared)])
    if abs(growth.value) <= growth.expanded:
        remark = "its sign changed, its size did not" if flipped else ""
        return Change(change, UNCHANGED, remark)
    return Change(change, IMPROVED if growth.value < 0 else WORSE)


def repeatability(*stages: Quantity) -> float:
    """Return the standard deviation of single takes, pooled over stages; 0 where none has several.

    Examples
    --------
    >>> takes = [Quantity(v, 0.1, "cents") for v in (1.0, 2.0, 3.0)]
    >>> round(repeatability(join_takes(takes), takes[0]), 3)
    1.0
    """
    terms = [term for stage in stages for term in stage.budget if term.source == REPEATS]
    dof = math.fsum(term.dof for term in terms)
    # u = s / sqrt(n), n = dof + 1
    squares = math.fsum(term.dof * term.u**2 * (term.dof + 1) for term in terms)
    return math.sqrt(squares / dof) if terms else 0.0


def judge_bound(
    first: Quantity, last: Quantity, bounds: tuple[Quantity | None, Quantity | None]
) -> Change | None:
    """Judge a change of a quantity that one stage only bounds from above; smaller is better.

    Parameters
    ----------
    first, last : Quantity
        The same quantity at two stages; one of them without a value.
    bounds : tuple of Quantity or None
        What each stage is at most, where it has no value.

    Returns
    -------
    Change or None
        ``improved`` where the last stage's bound lies below the first one's value by more than the
        expanded uncertainty of their difference, ``worse`` the other way round; the difference has
        no value but a reason such as "by at least 2.4 cents". None where the bound decides nothing.

    Examples
    --------
    >>> nothing = not_measurable("cents", "no locking seen")
    >>> before = combine(3.3, "cents", [Term("sweep", 0.2, "A")])
    >>> seen = combine(0.5, "cents", [Term("sweep", 0.1, "A")])
    >>> judge_bound(before, nothing, (None, seen)).verdict
    'improved'
    """
    low, high = (q if q.measurable else b for q, b in zip((first, last), bounds, strict=True))
    if low is None or high is None or first.measurable == last.measurable:
        return None
    apart = difference(low, high)
    sign = -1 if first.measurable else 1
    if sign * apart.value <= apart.expanded:
        return None
    least = sign * apart.value - apart.expanded
    unit = unit_of_change(first.unit)
    change = not_measurable(unit, f"{BY_AT_LEAST} {least:.2g} {unit}")
    return Change(change, IMPROVED if first.measurable else WORSE)


def with_clock(quantity: Quantity, ppm: float) -> Quantity:
    """Return a quantity with another largest error of the sound card's clock, parts per million.

    Examples
    --------
    >>> clock = Term(CLOCK, 0.05, "B")
    >>> print(with_clock(combine(1.0, "cents", [clock, Term("noise", 0.003, "A")]), 4.0))
    1.000 ± 0.010 cents
    """
    if not any(term.source == CLOCK for term in quantity.budget):
        return quantity
    terms = [
        replace(term, u=term.u * ppm / CLOCK_PPM) if term.source == CLOCK else term
        for term in budget_of(quantity)
    ]
    return combine(quantity.value, quantity.unit, terms)


def budget_of(quantity: Quantity) -> tuple[Term, ...]:
    """Return the components of a quantity's uncertainty, what its budget leaves out included."""
    listed = math.fsum(term.u**2 for term in quantity.budget)
    rest = quantity.u**2 - listed
    if rest <= 1e-9 * quantity.u**2:
        return quantity.budget
    return (*quantity.budget, Term("measurement", math.sqrt(rest), "B", quantity.dof))


def _subtracted(
    first: Quantity, last: Quantity, shared: frozenset[str], *, one_setting: bool
) -> list[Term]:
    terms = _apart(first, last, shared, one_setting=one_setting)
    for source in sorted(shared):
        a, b = _shared(first, source), _shared(last, source)
        if a or b:
            terms.append(Term(source, abs(a - b), "B"))
    return terms


def _apart(
    first: Quantity, last: Quantity, shared: frozenset[str], *, one_setting: bool = True
) -> list[Term]:
    """Return the components that two values do not share; a single take repeats as others do."""
    budgets = [[t for t in budget_of(q) if t.source not in shared] for q in (first, last)]
    repeated = [[t for t in budget if t.source == REPEATS] for budget in budgets]
    if not one_setting or all(repeated) or not any(repeated):
        return [*budgets[0], *budgets[1]]
    (scatter,) = max(repeated, key=len)
    several, single = budgets if repeated[0] else budgets[::-1]
    both = scatter.u * math.sqrt(scatter.dof + 2)  # u = s / sqrt(n), n = dof + 1
    noise = math.fsum(t.u**2 for t in single if t.evaluation == "A") + scatter.u**2 - both**2
    rest = [t for t in several if t is not scatter] + [t for t in single if t.evaluation == "B"]
    if noise > 0:
        rest.append(Term("noise of the single take", math.sqrt(noise), "A"))
    return [Term(REPEATS, both, "A", scatter.dof), *rest]


def _sum_of_shared(first: Quantity, last: Quantity, shared: frozenset[str]) -> list[Term]:
    """Return the components of the sum of two values: what they share adds."""
    terms = _apart(first, last, shared)
    both = [(s, _shared(first, s) + _shared(last, s)) for s in sorted(shared)]
    return terms + [Term(source, u, "B") for source, u in both if u]


def _shared(quantity: Quantity, source: str) -> float:
    return math.sqrt(math.fsum(t.u**2 for t in budget_of(quantity) if t.source == source))
