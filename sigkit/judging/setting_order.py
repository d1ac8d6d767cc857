"""What a quantity does from mark to mark of a slider: rises steadily, falls back, stands still."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from sigkit.judging.compare import difference
from sigkit.judging.limits import OUTSIDE, UNDECIDED, WITHIN, Limit, judge_limit
from sigkit.judging.order_guides import OrderGuide
from sigkit.judging.slider_marks import (
    Mark,
    between_text,
    from_to_text,
    level_text,
    percent_text,
    signed_text,
    size_text,
    told_text,
)
from sigkit.quantity import Quantity

WORN, FAULTY, AT_LEAST_WORN = "worn", "faulty", "worn or faulty"

STEADY, RISE, NO_RISE, BACKWARDS = "rises steadily", "rises", "no rise shown", "backwards"
REVERSAL, DEAD_ZONE, NOT_RESOLVED = "reversal", "dead zone", "not resolved"
MINIMUM, NO_VALUE, NOT_PLACED, TOO_FEW = "minimum", "no value", "order unknown", "too few marks"

FEWEST = 3
"""Marks from which on their order is judged."""
QUARTER_PERCENT = 25.0


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that the marks of a slider show.

    Parameters
    ----------
    kind : str
        Which kind of finding.
    text : str
        In words.
    word : str
        ``within limits``, ``worn``, ``faulty``, ``worn or faulty`` where the uncertainty leaves
        open which, or ``undecided``; empty where nothing is judged.
    from_percent, to_percent : float or None
        Between which marks.
    change : Quantity or None
        Change between them as a share of the value at the first, %.
    """

    kind: str
    text: str
    word: str = ""
    from_percent: float | None = None
    to_percent: float | None = None
    change: Quantity | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the finding, ready for JSON."""
        return {
            "kind": self.kind,
            "text": self.text,
            "word": self.word,
            "from_percent": self.from_percent,
            "to_percent": self.to_percent,
            "change": None if self.change is None else self.change.to_dict(),
        }


def judge_order(marks: Sequence[Mark], guide: OrderGuide) -> tuple[Finding, ...]:
    """Say how a quantity follows the marks of its slider.

    Parameters
    ----------
    marks : sequence of Mark
        One a setting, in any order, of a quantity that is above zero and should rise with the
        slider.
    guide : OrderGuide
        What is held against it.

    Returns
    -------
    tuple of Finding
        The course as a whole first, then reversals, dead zones and what is not resolved along the
        travel, the minimum, and marks without a value or place. With fewer than three marks that
        have a value or a bound no order is judged.

    Notes
    -----
    Two marks differ where their difference exceeds its expanded uncertainty (k = 2), whichever two
    are looked at: a curve that is flat over n marks of equal uncertainty shows a change by chance
    as often as the studentized range of n values exceeds 2 sqrt 2. A stretch that falls by more is
    a *reversal*, named between the neighbours that show it, else from its highest to its lowest
    mark. A single one up to the guide's size is ``worn``, a larger one or several ``faulty``,
    ``worn or faulty`` where the size's own uncertainty holds the border. A *dead zone* between
    neighbours needs the change and its expanded uncertainty together to stay below the guide's
    share for that distance; what is neither a rise, a fall nor that is *not resolved*. A bound can
    lie below a value and never above one. The value at 0 % is held against the guide's minimum with
    a guard band [1]_.

    References
    ----------
    .. [1] JCGM 106:2012, 8.3.2 and 8.3.3.

    Examples
    --------
    >>> from sigkit.judging.order_guides import guides_for
    >>> times = {0: 0.018, 25: 0.1, 50: 0.62, 75: 0.48, 100: 1.4}
    >>> marks = [Mark(str(p), p, Quantity(t, 0.005 * t, "s")) for p, t in times.items()]
    >>> for finding in judge_order(marks, guides_for("glide", "portamento")[0]):
    ...     print(finding.text, "|", finding.word)
    rises from 18.0 ms to 1.40 s, not steadily |
    falls between 50 and 75 %: 0.620 to 0.480 s, by 22.6 ± 1.3 % | faulty
    at 0 %: 18.0 ms, within 20 ms | within limits
    """
    placed = sorted((m for m in marks if m.percent is not None), key=lambda m: m.percent or 0.0)
    known = [mark for mark in placed if mark.known]
    rest = [*_without_value(placed), *_without_place(marks)]
    if len({mark.percent for mark in known}) < FEWEST:
        few = f"fewer than {FEWEST} marks with a value: their order is not judged"
        return (Finding(TOO_FEW, few), *rest)
    found = stretches(known)
    if _is_backwards(known, found, guide):
        return (_backwards(known), *rest)
    falls = [_steepest(known, first, last) for first, last, way in found if way < 0]
    falls += [(i, i + 1) for i in _falling(known) if not _inside(i, falls)]
    along = sorted(
        [*_reversals(known, falls, guide), *_neighbours(known, falls, guide)],
        key=lambda finding: finding.from_percent or 0.0,
    )
    return (_course(placed, along), *along, *_shortest(placed, guide), *rest)


def stretches(marks: Sequence[Mark]) -> list[tuple[int, int, int]]:
    """Return stretches over which a quantity rises or falls by more than its uncertainty.

    Parameters
    ----------
    marks : sequence of Mark
        In the order of the travel, each with a value or a bound.

    Returns
    -------
    list of tuple of int
        First mark, last mark, and +1 for a rise or -1 for a fall; they alternate, each begins where
        the one before ends, and what changes within its uncertainty turns nothing round.

    Examples
    --------
    >>> levels = [1.0, 2.0, 1.98, 3.0, 2.5, 4.0]
    >>> stretches([Mark("", 20 * i, Quantity(x, 0.02, "s")) for i, x in enumerate(levels)])
    [(0, 3, 1), (3, 4, -1), (4, 5, 1)]
    """
    found: list[tuple[int, int, int]] = []
    start, way = 0, 0
    for j in range(1, len(marks)):
        if way == 0:
            apart = [i for i in range(j) if _way(marks[i], marks[j])]
            if apart:
                start = max(apart, key=lambda i: abs(_level(marks[j]) - _level(marks[i])))
                way = _way(marks[start], marks[j])
            continue
        inside = [i for i in range(start + 1, j) if _way(marks[start], marks[i]) == way]
        turns = [i for i in inside if _way(marks[i], marks[j]) == -way]
        if turns:
            turn = _furthest(marks, turns, way)
            found.append((start, turn, way))
            start, way = turn, -way
    if way:
        ends = [i for i in range(start + 1, len(marks)) if _way(marks[start], marks[i]) == way]
        found.append((start, _furthest(marks, ends, way), way))
    return found


def _steepest(marks: Sequence[Mark], first: int, last: int) -> tuple[int, int]:
    """Narrow a fall to the neighbours between which it is seen, where it is seen between any."""
    seen = [i for i in _falling(marks) if first <= i < last]
    if seen and _way(marks[seen[0]], marks[seen[-1] + 1]) < 0:
        return seen[0], seen[-1] + 1
    return first, last


def _falling(marks: Sequence[Mark]) -> list[int]:
    return [i for i in range(len(marks) - 1) if _way(marks[i], marks[i + 1]) < 0]


def _inside(i: int, falls: Sequence[tuple[int, int]]) -> bool:
    return any(first <= i < last for first, last in falls)


def _is_backwards(
    marks: Sequence[Mark], along: Sequence[tuple[int, int, int]], guide: OrderGuide
) -> bool:
    """Whether it falls from one end to the other, over most of the marks and with no pause."""
    pairs = list(itertools.pairwise(marks))
    still = any(_stands_still(first, last, guide) for first, last in pairs)
    one_fall = [way for _, _, way in along] == [-1] and _way(marks[0], marks[-1]) < 0
    return one_fall and not still and 2 * len(_falling(marks)) > len(pairs)


def _furthest(marks: Sequence[Mark], among: Sequence[int], way: int) -> int:
    return max(among, key=lambda i: way * _level(marks[i]))


def _level(mark: Mark) -> float:
    return mark.level.value


def _way(first: Mark, last: Mark) -> int:
    """Return +1 for a rise beyond its expanded uncertainty, -1 for a fall, 0 for neither."""
    if first.percent == last.percent:
        return 0
    change = difference(first.level, last.level, one_setting=False)
    if abs(change.value) <= change.expanded:
        return 0
    way = 1 if change.value > 0 else -1
    upper = last if way > 0 else first
    return way if upper.quantity.measurable and _level(upper) > 0 else 0


def _relative(first: Mark, last: Mark) -> Quantity:
    """Return the change as a share of the value at the first mark, %."""
    change, scale = difference(first.level, last.level, one_setting=False), 100 / first.level.value
    return Quantity(scale * change.value, abs(scale) * change.u, "%", dof=change.dof)


def _reversals(
    marks: Sequence[Mark], falls: Sequence[tuple[int, int]], guide: OrderGuide
) -> Iterator[Finding]:
    worn = Limit(guide.reversal_worn_to_percent, "%", guide.source)
    for i, j in falls:
        first, last = marks[i], marks[j]
        change = _relative(first, last)
        size = Quantity(-change.value, change.u, "%", dof=change.dof)
        bounded = not last.quantity.measurable
        verdict = judge_limit(size, worn, "smaller").word
        if len(falls) > 1 or verdict == OUTSIDE:
            word = FAULTY
        else:
            word = WORN if verdict == WITHIN and not bounded else AT_LEAST_WORN
        by = f"by {size_text(size)}"
        if bounded:
            by = f"by at least {size.value - size.expanded:.2g} %"
        text = f"falls {between_text(first, last)}: {from_to_text(first, last)}, {by}"
        yield _finding(REVERSAL, text, word, first, last, change)


def _neighbours(
    marks: Sequence[Mark], falls: Sequence[tuple[int, int]], guide: OrderGuide
) -> Iterator[Finding]:
    """Find dead zones, joined where they touch, and neighbours of which nothing can be said."""
    dead: list[int] = []
    for i in range(len(marks) - 1):
        first, last = marks[i], marks[i + 1]
        if first.percent != last.percent and not _inside(i, falls):
            if _stands_still(first, last, guide):
                dead.append(i)
                continue
            if not _way(first, last):
                yield _unresolved(first, last)
        if dead:
            yield _dead_zone(marks[dead[0]], marks[dead[-1] + 1])
            dead = []
    if dead:
        yield _dead_zone(marks[dead[0]], marks[dead[-1] + 1])


def _stands_still(first: Mark, last: Mark, guide: OrderGuide) -> bool:
    if not (first.quantity.measurable and last.quantity.measurable) or _level(first) <= 0:
        return False
    change = _relative(first, last)
    distance = (last.percent or 0.0) - (first.percent or 0.0)
    allowed = guide.dead_zone_percent * distance / QUARTER_PERCENT
    return abs(change.value) + change.expanded < allowed


def _dead_zone(first: Mark, last: Mark) -> Finding:
    change = _relative(first, last)
    does = "hardly changes" if _way(first, last) else "does not change"
    text = f"{does} {between_text(first, last)}: {from_to_text(first, last)}, {signed_text(change)}"
    return _finding(DEAD_ZONE, text, FAULTY, first, last, change)


def _unresolved(first: Mark, last: Mark) -> Finding:
    where = f"not resolved {between_text(first, last)}: {from_to_text(first, last)}"
    if not (first.quantity.measurable and last.quantity.measurable) or _level(first) <= 0:
        return _finding(NOT_RESOLVED, where, UNDECIDED, first, last, None)
    change = _relative(first, last)
    return _finding(NOT_RESOLVED, f"{where}, {signed_text(change)}", UNDECIDED, first, last, change)


def _course(placed: Sequence[Mark], along: Sequence[Finding]) -> Finding:
    marks = [mark for mark in placed if mark.known]
    first, last = marks[0], marks[-1]
    told = from_to_text(first, last)
    change = _relative(first, last) if first.quantity.measurable and _level(first) > 0 else None
    way = _way(first, last)
    if way <= 0:
        text = f"{'falls' if way else 'no rise shown'} from {told} over the whole travel"
        return _finding(NO_RISE, text, "", first, last, change)
    if not along and len(marks) < len(placed):
        text = f"rises from {told} over the marks that have a value"
        return _finding(RISE, text, UNDECIDED, first, last, change)
    if not along:
        return _finding(STEADY, f"rises steadily from {told}", WITHIN, first, last, change)
    unsteady = any(finding.kind != NOT_RESOLVED for finding in along)
    text = f"rises from {told}{', not steadily' if unsteady else ''}"
    return _finding(RISE, text, "", first, last, change)


def _backwards(marks: Sequence[Mark]) -> Finding:
    first, last = marks[0], marks[-1]
    text = (
        f"falls all the way from {from_to_text(first, last)}: marks named from the other end, or a "
        "slider that works the other way round; not judged"
    )
    return _finding(BACKWARDS, text, UNDECIDED, first, last, None)


def _shortest(placed: Sequence[Mark], guide: OrderGuide) -> Iterator[Finding]:
    """Hold the value at 0 % against the guide's minimum."""
    limit = guide.minimum
    if limit is None or limit.worn_to is None:
        return
    ends = [mark for mark in placed if mark.percent == 0]
    if not ends:
        yield Finding(MINIMUM, "no mark at 0 %: the minimum is not tested")
        return
    for mark in ends:
        if not mark.known:
            continue
        beyond = Limit(limit.worn_to, limit.unit, limit.source)
        near, far = (
            judge_limit(mark.quantity, each, "smaller", at_most=mark.at_most).word
            for each in (limit, beyond)
        )
        within, worn = (level_text(each.value, 0.0, limit.unit) for each in (limit, beyond))
        told = f"at 0 %: {told_text(mark)}"
        if near == WITHIN:
            text, word = f"{told}, within {within}", WITHIN
        elif far == OUTSIDE:
            text, word = f"{told}: never really off, above {worn}", FAULTY
        elif near == OUTSIDE and far == WITHIN:
            text, word = f"{told}: above {within}, up to {worn}", WORN
        elif near == OUTSIDE:
            text = f"{told}: above {within}, not shown to be within {worn} or above it"
            word = AT_LEAST_WORN
        else:
            text, word = f"{told}: not shown to be within {within} or above it", UNDECIDED
        yield _finding(MINIMUM, text, word, mark, mark, None)


def _without_value(placed: Sequence[Mark]) -> Iterator[Finding]:
    for mark in placed:
        if not mark.known:
            text = f"at {percent_text(mark)} %: {mark.quantity}"
            yield _finding(NO_VALUE, text, "", mark, mark, None)


def _without_place(marks: Sequence[Mark]) -> Iterator[Finding]:
    for mark in marks:
        if mark.percent is None:
            name = f"setting {mark.setting.replace('_', ' ')!r}" if mark.setting else "no setting"
            yield Finding(NOT_PLACED, f"{name}: place on the travel unknown, not judged")


def _finding(
    kind: str, text: str, word: str, first: Mark, last: Mark, change: Quantity | None
) -> Finding:
    return Finding(kind, text, word, first.percent, last.percent, change)
