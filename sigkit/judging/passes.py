"""Slider passes between two stages: events per pass at a common floor; the pass is the unit."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.judging.compare import IMPROVED, UNCHANGED, WORSE
from sigkit.judging.rates import PASS_SCATTER, rate_ratio_interval, widened_ratio
from sigkit.judging.stage_passes import BINS, BURST, DROPOUT, JUMP, SHOWN_BY, StagePasses

Array = NDArray[np.float64]

LEAST_PASSES = 4
"""Fewer passes a side cannot reach p < 0.05: 2 of the C(6, 3) = 20 arrangements are p = 0.1."""
ALPHA = 0.05
FEWEST_A_DIRECTION = 3
"""Passes of each direction on each side from which on passes are permuted within directions."""
ANOTHER_SPEED = 1.5
LOOSE_DB, MARGIN_DB = 1.0, 6.0
"""Where two floors differ by more than the first, an event has to stand above the higher one by the
second: floors hold for bursts of 10 ms, and shorter ones need up to so much more."""
EXACT_UP_TO, DRAWS = 200_000, 50_000
"""Arrangements up to which every one is looked at, and how many are drawn where there are more."""


@dataclass(frozen=True, eq=False)
class PassChange:
    """What the passes of two stages say about a change.

    Parameters
    ----------
    counts : tuple of two ndarray of int
        Events of each pass that count at the common floor, first stage and last.
    left_out : tuple of two int
        Events of each stage that do not count: below the common floor, or at places or of kinds
        that were not looked for in both.
    exposure : tuple of float
        Passes of each stage, each weighed by how much of the compared travel was looked at.
    ratio : tuple of float
        Exact 95 % Poisson limits of the ratio of events per pass, last over first.
    p_value : float
        Of the permutation of passes, two-sided; nan with fewer than four passes a side.
    verdict : str
        ``improved``, ``worse``, ``no change shown``, or ``not comparable: why``.
    remarks : tuple of str
        How it was reached, and what a reader should know.
    """

    counts: tuple[NDArray[np.int64], NDArray[np.int64]]
    left_out: tuple[int, int]
    exposure: tuple[float, float]
    ratio: tuple[float, float]
    p_value: float
    verdict: str
    remarks: tuple[str, ...]


def compare_passes(first: StagePasses, last: StagePasses) -> PassChange:
    """Say whether a slider has fewer or more events per pass at the last stage than at the first.

    Parameters
    ----------
    first, last : StagePasses
        The passes of the two stages.

    Returns
    -------
    PassChange
        With its verdict and the remarks that belong to it.

    Notes
    -----
    Counted are events at places that were looked at in both stages, of kinds that were looked for
    in both, with a level above the floors of both there (6 dB above, where the floors differ), so
    that a noisier recording does not read as a cleaner slider; jumps of pitch from 15 cents, and
    dropouts whatever their level. The exposure is passes over the same travel, not seconds, so
    that another hand speed is no change.

    A change needs both: the exact Poisson limits of the ratio leave out 1 [1]_, and a permutation
    of passes gives p < 0.05 (two-sided [2]_; within directions where each side has three passes of
    each). Dirt fires in clusters and passes differ, which Poisson limits alone take for a change
    too often. With fewer than four passes a side no permutation can decide; the Poisson limits are
    then widened, in squares of logarithms, by a scatter between passes of 0.5 in ln, a guide value.
    Without a change, and with passes that scatter so, at most 5 % of verdicts claim one (Poisson
    limits alone: 11 to 43 %). A change of everything between two sessions (hand, note, level,
    contact) cannot be told from a change of the slider by any test within them, and with sessions
    that scatter so one claims a change in a third to a half of cases: record several takes a stage,
    with the capture set up anew.

    References
    ----------
    .. [1] C. J. Clopper, E. S. Pearson, Biometrika 26 (1934) 404-413, on the counts given their
       sum, for the ratio of Poisson rates.
    .. [2] E. J. G. Pitman, Significance tests which may be applied to samples from any populations,
       Supplement to the Journal of the Royal Statistical Society 4 (1937) 119-130.
    """
    over = over_both(first, last)
    if not (over.kinds and over.parts.any()):
        why = "place of the travel was looked at" if over.kinds else "kind of event was looked for"
        return _incomparable(first, last, f"not comparable: no {why} in both")
    sides = (first, last)
    a, b = (
        np.bincount(side.events["row"].to_numpy(int)[kept], minlength=len(side.passes))
        for side, kept in zip(sides, over.kept, strict=True)
    )
    left_a, left_b = (int((~kept).sum()) for kept in over.kept)
    common = over.parts
    looked = [np.asarray(side.looked[:, common].mean(axis=1), np.float64) for side in sides]
    exposure = float(looked[0].sum()), float(looked[1].sum())
    totals = (int(a.sum()), exposure[0]), (int(b.sum()), exposure[1])
    ratio = rate_ratio_interval(*totals)
    left = f" ({left_a} and {left_b} below it or elsewhere left out)" if left_a or left_b else ""
    above = f", above a common floor of {over.level_db:.0f} dB" if BURST in over.kinds else ""
    remarks = [
        f"{a.sum()} events in {len(a)} passes against {b.sum()} in {len(b)}{above}{left}",
        f"ratio of events per pass {_limits(ratio)}, exact Poisson limits, 95 %",
    ]
    p_value, decides = math.nan, ratio
    if min(len(a), len(b)) >= LEAST_PASSES:
        groups = _groups(first, last)
        rate = (a.sum() + b.sum()) / sum(exposure)
        p_value, how = permutation_p(a - rate * looked[0], b - rate * looked[1], groups)
        shown = f"= {p_value:.2g}" if p_value >= 0.001 else "< 0.001"
        within = ", within directions" if groups else ""
        remarks.append(f"permutation of passes p {shown} ({how}{within})")
    else:
        decides = widened_ratio(totals, len(a), len(b))
        remarks.append(
            f"fewer than {LEAST_PASSES} passes a side do not show how passes scatter; with the "
            f"{PASS_SCATTER:g} in ln that is usual (guide value) the ratio is {_limits(decides)}"
        )
    verdict = IMPROVED if decides[1] < 1 else WORSE if decides[0] > 1 else UNCHANGED
    if p_value >= ALPHA:
        verdict = UNCHANGED
    remarks += [*_said(sides), *_not_both(first, last)]
    return PassChange((a, b), (left_a, left_b), exposure, ratio, p_value, verdict, tuple(remarks))


def compare_kinds(first: StagePasses, last: StagePasses) -> dict[str, PassChange]:
    """Compare each kind of event alone: bursts, dropouts, jumps of pitch.

    Parameters
    ----------
    first, last : StagePasses
        The passes of the two stages.

    Returns
    -------
    dict of str to PassChange
        By kind, for those that either stage has events of; ``not comparable`` where a kind was not
        looked for in both.
    """
    seen = {*first.events["kind"], *last.events["kind"]}
    changes = {}
    for kind in SHOWN_BY:
        if kind not in seen:
            continue
        one, two = (side.only(frozenset({kind})) for side in (first, last))
        missing = [name for name, s in (("first", one), ("last", two)) if not s.sought]
        changes[kind] = (
            _incomparable(one, two, f"not comparable: not looked for at the {missing[0]} stage")
            if missing
            else compare_passes(one, two)
        )
    return changes


@dataclass(frozen=True, eq=False)
class OverBoth:
    """What two stages could both have seen.

    Parameters
    ----------
    kinds : frozenset of str
        Kinds of event that were looked for in both.
    parts : ndarray of bool, shape (BINS,)
        Parts of the travel that were looked at in both.
    level_db : float
        Level re tone that an event needs, by the floors that the captures state.
    kept : tuple of two ndarray of bool
        Which events of each stage count.
    """

    kinds: frozenset[str]
    parts: NDArray[np.bool_]
    level_db: float
    kept: tuple[NDArray[np.bool_], NDArray[np.bool_]]


def over_both(first: StagePasses, last: StagePasses) -> OverBoth:
    """Return which events of two stages lie above the floors of both, where both looked for them.

    Parameters
    ----------
    first, last : StagePasses
        The passes of the two stages.
    """
    kinds = first.sought & last.sought
    parts = first.known & last.known
    if BURST in kinds:
        parts = parts & np.isfinite(first.floor_db) & np.isfinite(last.floor_db)
    level_db = float(needed_db(first.overall_db, last.overall_db))
    floor_db = np.where(parts, needed_db(first.floor_db, last.floor_db), np.inf)
    cents = max(first.least_jump_cents, last.least_jump_cents)
    one, two = (_counts(s, kinds, floor_db, level_db, parts, cents) for s in (first, last))
    return OverBoth(kinds, parts, level_db, (one, two))


def needed_db(first: Array | float, last: Array | float) -> Array:
    """Return the level that an event needs to be seen over both of two floors, in dB.

    The higher floor, and 6 dB above it where they differ by more than 1 dB.
    """
    margin = np.where(np.abs(np.subtract(first, last)) > LOOSE_DB, MARGIN_DB, 0.0)
    return np.asarray(np.maximum(first, last) + margin, np.float64)


def permutation_p(
    first: Array, last: Array, groups: tuple[NDArray[np.str_], NDArray[np.str_]] | None = None
) -> tuple[float, str]:
    """Return how often chance alone parts two samples as far as they are, two-sided.

    Parameters
    ----------
    first, last : ndarray, shapes (n,) and (m,)
        One value a pass.
    groups : tuple of two ndarray, optional
        A label for each value; values are exchanged within a label only.

    Returns
    -------
    float
        Share of arrangements whose sum over the first sample lies as far from its mean over all
        arrangements, or farther.
    str
        ``exact``, or how many arrangements were drawn (always the same ones).

    Examples
    --------
    >>> permutation_p(np.array([2.0, 2, 1, 1]), np.zeros(4))
    (0.02857142857142857, 'exact')
    """
    values = np.concatenate([first, last])
    labels = np.concatenate(groups) if groups else np.zeros(values.size, int)
    is_first = np.arange(values.size) < len(first)
    strata = [(values[labels == g], int(is_first[labels == g].sum())) for g in np.unique(labels)]
    middle = sum(k * v.mean() for v, k in strata)
    apart = abs(float(np.sum(first)) - middle) - 1e-9 * (1 + np.abs(values).sum())
    if math.prod(math.comb(v.size, k) for v, k in strata) <= EXACT_UP_TO:
        sums = np.zeros(1)
        for v, k in strata:
            every = np.array(list(itertools.combinations(range(v.size), k)), int)
            sums = np.add.outer(sums, v[every].sum(axis=1)).ravel()
        return float(np.mean(np.abs(sums - middle) >= apart)), "exact"
    random = np.random.default_rng(1)
    sums = np.zeros(DRAWS)
    for v, k in strata:
        sums += random.permuted(np.tile(v, (DRAWS, 1)), axis=1)[:, :k].sum(axis=1)
    hits = int(np.sum(np.abs(sums - middle) >= apart))
    return (1 + hits) / (1 + DRAWS), f"{DRAWS} drawn"


def _limits(ratio: tuple[float, float]) -> str:
    low, high = ratio
    return f"{low:.2g} to {'no upper limit' if math.isinf(high) else f'{high:.2g}'}"


def _incomparable(first: StagePasses, last: StagePasses, why: str) -> PassChange:
    none = np.zeros(len(first.passes), np.int64), np.zeros(len(last.passes), np.int64)
    left = len(first.events), len(last.events)
    return PassChange(none, left, (0.0, 0.0), (0.0, math.inf), math.nan, why, ())


def _counts(
    side: StagePasses,
    kinds: frozenset[str],
    floor_db: Array,
    level_db: float,
    parts: NDArray[np.bool_],
    least_cents: float,
) -> NDArray[np.bool_]:
    """Return which events of a stage count."""
    events = side.events
    place = events["travel_percent"].to_numpy(float)
    part = np.clip(np.nan_to_num(place) * BINS / 100, 0, BINS - 1).astype(int)
    placed = np.isfinite(place)
    kind = events["kind"].to_numpy(str)
    large = np.abs(events["size_cents"].to_numpy(float)) >= least_cents
    loud = events["level_db"].to_numpy(float) >= np.where(placed, floor_db[part], level_db)
    counts = np.where(kind == JUMP, large, loud | (kind == DROPOUT))
    kept: NDArray[np.bool_] = counts & np.isin(kind, list(kinds)) & (parts[part] | ~placed)
    return kept


def _groups(
    first: StagePasses, last: StagePasses
) -> tuple[NDArray[np.str_], NDArray[np.str_]] | None:
    """Return the directions to permute within, where there are enough passes of each."""
    a, b = (side.passes["direction"].to_numpy(str) for side in (first, last))
    fewest = min(int((side == way).sum()) for side in (a, b) for way in ("up", "down"))
    return (a, b) if fewest >= FEWEST_A_DIRECTION else None


def another_speed(first: StagePasses, last: StagePasses) -> str:
    """Return the two speeds of the hand where they differ by half or more; else empty."""
    speeds = [float(side.passes["speed"].median()) for side in (first, last)]
    if not max(speeds) > ANOTHER_SPEED * min(speeds):
        return ""
    return f"another hand speed, {speeds[0]:.0f} against {speeds[1]:.0f} % of travel per second"


def _said(sides: Sequence[StagePasses]) -> list[str]:
    """Return what else a reader of the comparison should know."""
    said = []
    if speeds := another_speed(*sides):
        said.append(speeds)
    up = [float((side.passes["direction"] == "up").mean()) for side in sides]
    if _groups(*sides) is None and abs(up[0] - up[1]) > 0.25:
        said.append("not the same share of passes up and down")
    if min(side.takes for side in sides) < 2:
        said.append("one take a stage: what differs between sessions is not in this test")
    return said


def _not_both(first: StagePasses, last: StagePasses) -> list[str]:
    """Say which kinds of event one stage alone was searched for."""
    stage = {True: "last", False: "first"}
    return [
        f"{kind}s not comparable: not looked for at the {stage[kind in first.sought]} stage"
        for kind in SHOWN_BY
        if (kind in first.sought) != (kind in last.sought)
    ]
