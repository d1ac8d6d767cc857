"""Slider passes between two stages: events per pass at a common floor; the pass is the unit."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sigkit.judging.compare import IMPROVED, UNCHANGED, WORSE, Counts, rate_ratio_interval

if TYPE_CHECKING:
    from sigkit.measures.slider import SliderResult

Array = NDArray[np.float64]

LEAST_PASSES = 4
"""Fewer passes a side cannot reach p < 0.05: 2 of the C(6, 3) = 20 arrangements are p = 0.1."""
ALPHA = 0.05
PASS_SCATTER = 0.5
"""Spread of the rate between passes, in ln, supposed where too few passes show it; guide value."""
BINS = 20
"""Parts of the travel in which floors are compared: 5 % each."""
FLOOR_MET = 0.9
"""Share of the time in which a part's floor is met."""
LOOKED = 0.5
"""Share of its time in which a part of the travel has to be assessed, to count as looked at."""
FEWEST_A_DIRECTION = 3
"""Passes of each direction on each side from which on passes are permuted within directions."""
LEAST_JUMP_CENTS = 15.0
"""Smaller jumps of pitch are left out on both sides; guide value, common practice, no source."""
ANOTHER_SPEED = 1.5
EXACT_UP_TO, DRAWS = 200_000, 50_000
"""Arrangements up to which every one is looked at, and how many are drawn where there are more."""


@dataclass(frozen=True, eq=False)
class StagePasses:
    """The passes of one slider at one stage, those of all takes together.

    Parameters
    ----------
    passes : DataFrame
        One row a pass: ``take``, ``direction`` and ``speed`` (% of travel per second, nan unknown).
    events : DataFrame
        The events in them: ``row`` (of ``passes``), ``kind``, ``level_db``, ``size_cents``,
        ``travel_percent``.
    looked : ndarray, shape (n_passes, BINS)
        Share of each pass's time in each part of the travel in which events were looked for; 1
        where the travel is not known.
    floor_db : ndarray, shape (BINS,)
        Detection floor re tone in each part of the travel; nan where it was not looked at.
    overall_db : float
        The floor as the captures state it, the highest over the takes.
    """

    passes: pd.DataFrame
    events: pd.DataFrame
    looked: Array
    floor_db: Array
    overall_db: float

    @property
    def takes(self) -> int:
        """Number of captures behind them."""
        return int(self.passes["take"].nunique())

    @property
    def known(self) -> NDArray[np.bool_]:
        """Which parts of the travel were looked at in most passes."""
        known: NDArray[np.bool_] = np.isfinite(self.floor_db)
        return known & (self.looked.mean(axis=0) >= LOOKED)


@dataclass(frozen=True, eq=False)
class PassChange:
    """What the passes of two stages say about a change.

    Parameters
    ----------
    counts : tuple of two ndarray of int
        Events of each pass that count at the common floor, first stage and last.
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
    exposure: tuple[float, float]
    ratio: tuple[float, float]
    p_value: float
    verdict: str
    remarks: tuple[str, ...]


def pool_takes(results: Sequence[SliderResult]) -> StagePasses | None:
    """Put the passes of several takes of one slider at one stage together.

    Parameters
    ----------
    results : sequence of SliderResult
        The takes; each with ``passes``, ``events``, ``floor`` and its lines every 10 ms.

    Returns
    -------
    StagePasses or None
        None where no pass is seen in any of them, or one of them has no floor.
    """
    kept = [r for r in results if getattr(r, "passes", None) is not None and len(r.passes)]
    if not kept or len(kept) < len(results) or not all(r.floor.measurable for r in kept):
        return None
    passes, events, looked, floors = [], [], [], []
    first_row = 0
    for take, result in enumerate(kept):
        table = result.passes.reset_index(drop=True)
        crossed = (table["to_percent"] - table["from_percent"]).abs()
        lasted = table["stop_s"] - table["start_s"]
        passes.append(
            pd.DataFrame({"take": take, "direction": table["direction"], "speed": crossed / lasted})
        )
        rows = {number: first_row + i for i, number in enumerate(table["number"])}
        own = result.events[result.events["number"].isin(rows) & result.events["moving"]]
        own = own[["kind", "level_db", "size_cents", "travel_percent"]].assign(
            row=[rows[number] for number in own["number"]]
        )
        events.append(own)
        shares, bins, above = _looked(result, table)
        looked.append(shares)
        floors.append((bins, above))
        first_row += len(table)
    overall = max(float(r.floor) for r in kept)
    return StagePasses(
        passes=pd.concat(passes, ignore_index=True),
        events=pd.concat(events, ignore_index=True),
        looked=np.vstack(looked),
        floor_db=_floor_by_part(floors, overall),
        overall_db=overall,
    )


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
    Counted are events at places that were looked at in both stages, with a level above the floors
    of both there, so that a noisier recording does not read as a cleaner slider; jumps of pitch
    from 15 cents. The exposure is passes over the same travel, not seconds, so that another hand
    speed is no change.

    A change needs both: the exact Poisson limits of the ratio leave out 1, and a permutation of
    passes gives p < 0.05 (two-sided; within directions where each side has three passes of each).
    Dirt fires in clusters and passes differ, which Poisson limits alone take for a change too
    often. With fewer than four passes a side no permutation can decide; the Poisson limits are
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
    common = first.known & last.known
    if not common.any():
        nothing = (np.zeros(len(first.passes), np.int64), np.zeros(len(last.passes), np.int64))
        why = "not comparable: no place of the travel was looked at in both"
        return PassChange(nothing, (0.0, 0.0), (0.0, math.inf), math.nan, why, ())
    with np.errstate(invalid="ignore"):
        floor_db = np.where(common, np.fmax(first.floor_db, last.floor_db), np.inf)
    overall_db = max(first.overall_db, last.overall_db)
    sides = (first, last)
    (a, left_a), (b, left_b) = (_counted(side, floor_db, overall_db) for side in sides)
    looked = [side.looked[:, common].mean(axis=1) for side in sides]
    exposure = float(looked[0].sum()), float(looked[1].sum())
    totals = (int(a.sum()), exposure[0]), (int(b.sum()), exposure[1])
    ratio = rate_ratio_interval(*totals)
    left = f" ({left_a} and {left_b} below it or elsewhere left out)" if left_a or left_b else ""
    remarks = [
        f"{a.sum()} events in {len(a)} passes against {b.sum()} in {len(b)}, above a common floor "
        f"of {overall_db:.0f} dB{left}",
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
        decides = _widened(ratio, totals, len(a), len(b))
        remarks.append(
            f"fewer than {LEAST_PASSES} passes a side do not show how passes scatter; with the "
            f"{PASS_SCATTER:g} in ln that is usual (guide value) the ratio is {_limits(decides)}"
        )
    verdict = IMPROVED if decides[1] < 1 else WORSE if decides[0] > 1 else UNCHANGED
    if p_value >= ALPHA:
        verdict = UNCHANGED
    return PassChange((a, b), exposure, ratio, p_value, verdict, (*remarks, *_said(sides)))


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


def _widened(
    ratio: tuple[float, float], totals: tuple[Counts, Counts], n: int, m: int
) -> tuple[float, float]:
    """Return limits of a ratio with the scatter between passes that few passes cannot show."""
    (a, exposed), (b, exposed_last) = totals
    middle = (b + 0.5) / (a + 0.5) * exposed / exposed_last
    scatter = 1.96 * PASS_SCATTER * math.sqrt(1 / n + 1 / m)
    low, high = ratio
    if low > 0:
        low = middle / math.exp(math.hypot(math.log(middle / low), scatter))
    if math.isfinite(high):
        high = middle * math.exp(math.hypot(math.log(high / middle), scatter))
    return low, high


def _limits(ratio: tuple[float, float]) -> str:
    low, high = ratio
    return f"{low:.2g} to {'no upper limit' if math.isinf(high) else f'{high:.2g}'}"


def _looked(result: SliderResult, table: pd.DataFrame) -> tuple[Array, NDArray[np.int64], Array]:
    """Return what was looked at by pass and part, and each point's part and floor re tone."""
    shares = np.ones((len(table), BINS))
    time, percent = np.asarray(result.time_s, float), np.asarray(result.travel_percent, float)
    above = np.asarray(result.found_above_db, float) - np.asarray(result.tone_db, float)
    parts, floors = [], []
    ends = zip(table["start_s"].to_numpy(float), table["stop_s"].to_numpy(float), strict=True)
    for row, (start_s, stop_s) in enumerate(ends):
        inside = (time >= start_s) & (time < stop_s)
        known = inside & np.isfinite(percent)
        if not known.any():
            continue
        place = np.interp(time[inside], time[known], percent[known])
        part = np.clip(place * BINS / 100, 0, BINS - 1).astype(np.int64)
        seen = np.asarray(result.assessed)[inside]
        there = np.bincount(part, minlength=BINS)
        shares[row] = np.bincount(part, weights=seen, minlength=BINS) / np.maximum(there, 1)
        parts.append(part[seen])
        floors.append(above[inside][seen])
    if not parts:
        return shares, np.zeros(0, np.int64), np.zeros(0)
    return shares, np.concatenate(parts), np.concatenate(floors)


def _floor_by_part(floors: Sequence[tuple[NDArray[np.int64], Array]], overall: float) -> Array:
    """Return the floor in each part of the travel, or the one floor where no travel is known."""
    part = np.concatenate([p for p, _ in floors])
    above = np.concatenate([a for _, a in floors])
    if not part.size:
        return np.full(BINS, overall)
    known = np.isfinite(above)
    own = [above[known & (part == number)] for number in range(BINS)]
    return np.array([np.quantile(f, FLOOR_MET) if f.size else np.nan for f in own])


def _counted(
    side: StagePasses, floor_db: Array, overall_db: float
) -> tuple[NDArray[np.int64], int]:
    """Return the events of each pass that count, and how many do not."""
    events = side.events
    place = events["travel_percent"].to_numpy(float)
    part = np.clip(np.nan_to_num(place) * BINS / 100, 0, BINS - 1).astype(int)
    needed = np.where(np.isfinite(place), floor_db[part], overall_db)
    jump = (events["kind"] == "pitch jump").to_numpy(bool)
    size = np.abs(events["size_cents"].to_numpy(float))
    loud = events["level_db"].to_numpy(float) >= needed
    counts = np.where(jump, (size >= LEAST_JUMP_CENTS) & np.isfinite(needed), loud)
    rows = events["row"].to_numpy(int)[counts]
    return np.bincount(rows, minlength=len(side.passes)), int((~counts).sum())


def _groups(
    first: StagePasses, last: StagePasses
) -> tuple[NDArray[np.str_], NDArray[np.str_]] | None:
    """Return the directions to permute within, where there are enough passes of each."""
    a, b = (side.passes["direction"].to_numpy(str) for side in (first, last))
    fewest = min(int((side == way).sum()) for side in (a, b) for way in ("up", "down"))
    return (a, b) if fewest >= FEWEST_A_DIRECTION else None


def _said(sides: Sequence[StagePasses]) -> list[str]:
    """Return what else a reader of the comparison should know."""
    said = []
    speeds = [float(side.passes["speed"].median()) for side in sides]
    if max(speeds) > ANOTHER_SPEED * min(speeds):
        said.append(
            f"another hand speed, {speeds[0]:.0f} against {speeds[1]:.0f} % of travel per second"
        )
    up = [float((side.passes["direction"] == "up").mean()) for side in sides]
    if _groups(*sides) is None and abs(up[0] - up[1]) > 0.25:
        said.append("not the same share of passes up and down")
    if min(side.takes for side in sides) < 2:
        said.append("one take a stage: what differs between sessions is not in this test")
    return said
