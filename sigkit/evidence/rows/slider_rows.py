"""Sliders between stages: what was counted is judged by passes, over a floor common to both."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sigkit.evidence.run.takes import Outcome
from sigkit.judging.compare import IMPROVED, UNCHANGED, WORSE, Change
from sigkit.judging.passes import (
    PassChange,
    another_speed,
    compare_kinds,
    compare_passes,
    needed_db,
)
from sigkit.judging.per_pass import PER_PASS, fixed_over_both, pass_spread
from sigkit.judging.rates import Counts, widened_ratio
from sigkit.judging.stage_passes import LEAST_JUMP_CENTS, StagePasses, pool_takes
from sigkit.measures.slider.result import SliderResult

PER_PASS_COUNT = "events_per_pass"
COUNTED = frozenset({PER_PASS_COUNT, "event_rate"})
"""Quantities whose change is that of the events per pass."""
SPOTS = "fixed_spots"


def other_control(before: Sequence[Outcome], after: Sequence[Outcome]) -> str:
    """Say why two stages of a slider test are not of the same kind of slider; else empty."""
    found = [sorted({r.controls for r in sliders(outcomes)}) for outcomes in (before, after)]
    if all(found) and found[0] != found[1]:
        one, two = (" and ".join(controls) for controls in found)
        return f"a slider of {one} against one of {two}"
    return ""


def sliders(outcomes: Sequence[Outcome]) -> list[SliderResult]:
    """Return the results of slider passes among some outcomes."""
    return [o.result for o in outcomes if isinstance(o.result, SliderResult)]


def judge_slider(
    quantity: str, change: Change, before: Sequence[Outcome], after: Sequence[Outcome]
) -> tuple[Change, tuple[str, ...]]:
    """Judge a change between two stages of a slider by its passes.

    Parameters
    ----------
    quantity : str
        Name of the quantity.
    change : Change
        Its change, judged from its own uncertainty.
    before, after : sequence of Outcome
        The captures of the slider at both stages that were used.

    Returns
    -------
    Change
        For what is counted with the verdict of the passes; the largest, and what is gathered from
        all events, only where passes differ so too over a floor common to both; the longest dropout
        not between hands of another speed; fixed spots only where both could have seen them.
    tuple of str
        How the verdict was reached, for the leading quantity by kind of event too.
    """
    takes = [sliders(outcomes) for outcomes in (before, after)]
    if not all(takes) or quantity not in COUNTED | {SPOTS} | set(PER_PASS):
        return change, ()
    first, last = (pool_takes(results) for results in takes)
    if first is None or last is None:
        return _without_passes(quantity, change, *takes)
    if quantity not in COUNTED:
        return _beyond_passes(quantity, change, first, last)
    passes = compare_passes(first, last)
    if passes.verdict.startswith("not comparable"):
        return Change(change.difference, passes.verdict), ()
    if quantity != PER_PASS_COUNT:
        return Change(change.difference, passes.verdict), ("judged by the events per pass",)
    told = (*passes.remarks, *_by_kind(first, last))
    return Change(change.difference, passes.verdict), told


def _beyond_passes(
    quantity: str, change: Change, first: StagePasses, last: StagePasses
) -> tuple[Change, tuple[str, ...]]:
    """Take back a change of what events there are that floors or passes alone may explain."""
    if change.verdict not in (IMPROVED, WORSE):
        return change, ()
    if quantity == SPOTS:
        return _as_seen_by_both(change, first, last), ()
    if quantity == "longest_dropout" and (speeds := another_speed(first, last)):
        return Change(change.difference, f"not comparable: {speeds}"), ()
    spread = pass_spread(quantity, first, last)
    if spread.sign != {IMPROVED: -1, WORSE: 1}[change.verdict]:
        change = Change(change.difference, UNCHANGED)
    return change, (spread.remark,)


def _as_seen_by_both(change: Change, first: StagePasses, last: StagePasses) -> Change:
    """Take back a change of fixed spots that the events which both could have seen do not show."""
    sign = {IMPROVED: -1, WORSE: 1}[change.verdict]
    one, two = fixed_over_both(first, last)
    if np.sign(two - one) == sign:
        return change
    why = f"over the floors of both {one} against {two}, in stretches of 5 % of the travel"
    return Change(change.difference, f"not comparable: {why}")


def _by_kind(first: StagePasses, last: StagePasses) -> tuple[str, ...]:
    """Return one remark with the kinds of event apart, where there is more than one."""
    kinds = compare_kinds(first, last)
    if len(kinds) < 2:
        return ()
    return ("by kind: " + "; ".join(_kind_text(kind, c) for kind, c in kinds.items()),)


def _kind_text(kind: str, change: PassChange) -> str:
    if change.verdict.startswith("not comparable"):
        return f"{kind}s {change.verdict}"
    before, after = (int(counts.sum()) for counts in change.counts)
    return f"{kind}s {before} against {after}, {change.verdict}"


def _without_passes(
    quantity: str, change: Change, before: list[SliderResult], after: list[SliderResult]
) -> tuple[Change, tuple[str, ...]]:
    """Judge by events per second where a stage shows no passes, with the care that this needs."""
    which = [stage for stage, found in (("first", before), ("last", after)) if not _passed(found)]
    unseen = f"no passes seen at the {' and the '.join(which)} stage"
    if quantity != "event_rate":
        if change.verdict in (IMPROVED, WORSE) and quantity != "worst_level":
            change = Change(change.difference, f"not comparable: {unseen}")
        return change, (f"{unseen}: how passes scatter is not known",)
    floors = [float(np.max([r.floor.value for r in found])) for found in (before, after)]
    over_db = float(needed_db(*floors))
    (a, left_a), (b, left_b) = (_over(over_db, found) for found in (before, after))
    low, high = widened_ratio((a, b), 1, 1)
    verdict = IMPROVED if high < 1 else WORSE if low > 1 else UNCHANGED
    left = f" ({left_a} and {left_b} below it left out)" if left_a or left_b else ""
    upper = f"{high:.2g}" if high < float("inf") else "no upper limit"
    return Change(change.difference, verdict), (
        f"{unseen}: events per second, so that another speed of the hand may look like a change",
        f"{a[0]} events in {a[1]:.3g} s against {b[0]} in {b[1]:.3g} s, above a common floor of "
        f"{over_db:.0f} dB{left}; ratio {low:.2g} to {upper}, exact Poisson limits, 95 %, "
        "widened by the scatter that is usual between passes (guide value)",
    )


def _passed(results: Sequence[SliderResult]) -> bool:
    return all(len(result.passes) for result in results)


def _over(floor_db: float, results: Sequence[SliderResult]) -> tuple[Counts, int]:
    """Return the events that stand above a floor with the seconds behind them, and the others."""
    number, left, exposure_s = 0, 0, 0.0
    for result in results:
        events = result.events[result.events["moving"]]
        jump = events["kind"] == "pitch jump"
        large = events["size_cents"].abs() >= LEAST_JUMP_CENTS
        loud = events["level_db"] >= floor_db
        counts = large.where(jump, loud | (events["kind"] == "dropout"))
        number += int(counts.sum())
        left += int((~counts).sum())
        exposure_s += result.counts["event_rate"][1]
    return (number, exposure_s), left
