"""Fixed spots of a slider: places of the travel where events come back pass after pass."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from sigkit.measures.slider.passes import (
    PART_PERCENT,
    counted,
    looked_through,
    parts_looked_at,
    whole_passes,
)
from sigkit.quantity import Quantity, Term, combine, not_measurable

Array = NDArray[np.floating]
Counts = NDArray[np.int64]
Mask = NDArray[np.bool_]

WINDOW_PERCENT, BIN_PERCENT = 5.0, 0.5
"""A spot is this wide; places are compared on a grid this fine."""
BACKLASH_PERCENT = (0.0, 1.0, -1.0, 2.0, -2.0)
"""Shifts of the down passes against the up passes that are tried: the play of cap and wiper."""
LEAST_PASSES, SHARE, CHANCE = 3, 0.5, 0.05
SCATTERINGS = 2000
BINS, WIDE = int(100 / BIN_PERCENT), int(WINDOW_PERCENT / BIN_PERCENT)
REACH_PERCENT = 2.5
"""A pass that turns back this near to a place has crossed it."""
SPOT_COLUMNS = [
    "travel_percent",
    "u_travel_percent",
    "passes_hit",
    "of_passes",
    "needed",
    "fixed",
    "p_chance",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class FirstPass:
    """The first whole pass beside the others: dirt that has lain moves most the first time.

    Parameters
    ----------
    first : int
        Events counted in the first whole pass.
    later : float
        Mean of the other whole passes; nan without any.
    u_later : float
        Standard uncertainty of that mean, sqrt(n)/m, or 1.5/m for none; nan without any.
    p_chance : float
        Chance that a pass picked at random has at least so many of all events, if all passes
        were alike: binomial tail of the events given their sum; nan without other passes.
    """

    first: int
    later: float
    u_later: float
    p_chance: float

    def __str__(self) -> str:
        if math.isnan(self.later):
            return ""
        return f"first pass {self.first}, later {self.later:.1f} a pass"


def first_pass_apart(passes: pd.DataFrame) -> FirstPass:
    """Return how many events the first whole pass has beside the mean of the other whole ones.

    Parameters
    ----------
    passes : DataFrame
        As from `sigkit.measures.slider.passes.passes_table`.

    Returns
    -------
    FirstPass
        Prints as ``first pass 9, later 3.2 a pass``; empty where there is nothing to compare,
        or where the very first pass of the capture is not a whole one.

    Notes
    -----
    The chance is the binomial tail of the first count given the sum, as for two Poisson counts
    (J. Przyborowski, H. Wilenski, Biometrika 31 (1940) 313-323).
    """
    ordered = passes.sort_values("start_s")
    whole = whole_passes(ordered)
    found = whole["events"].to_numpy(int)
    if len(whole) < 2 or whole.index[0] != ordered.index[0]:
        return FirstPass(
            first=int(found[0]) if found.size else 0,
            later=math.nan,
            u_later=math.nan,
            p_chance=math.nan,
        )
    others, m = int(found[1:].sum()), len(found) - 1
    first = int(found[0])
    tail = float(stats.binom.sf(first - 1, first + others, 1 / len(found)))
    u = math.sqrt(others) if others else 1.5
    return FirstPass(first=first, later=others / m, u_later=u / m, p_chance=tail)


def spots_of(
    events: pd.DataFrame, passes: pd.DataFrame, looked: Mask | None = None
) -> pd.DataFrame:
    """Find the places of the travel where counted events come back in several passes.

    Parameters
    ----------
    events : DataFrame
        As from `sigkit.measures.slider.passes.place_events`.
    passes : DataFrame
        As from `sigkit.measures.slider.passes.passes_table`. Passes assessed for less than half
        their time are left out.
    looked : ndarray of bool, shape (20,), optional
        Parts of the travel that were looked at (`passes.parts_looked_at`): scattered
        events could be found only there. None: from the passes alone.

    Returns
    -------
    DataFrame
        One row a place that at least two passes hit, in order of the travel: ``travel_percent``
        (mean of its events) and ``u_travel_percent``, ``passes_hit``, ``of_passes`` (that
        crossed it), ``needed`` (passes hit from which it would be fixed), ``fixed``, and
        ``p_chance``.

    Notes
    -----
    A place is a window 5 % of the travel wide. Passes up and down both count; the window of the
    down passes may lie up to 2 % beside that of the up passes, for the play between cap and
    wiper (common practice, no source). A place is fixed when at least half of the passes that
    crossed it, and at least three, hit it, and ``p_chance`` is at most 0.05.

    ``p_chance`` is the chance that as many passes share any one window, anywhere on the travel,
    when each pass keeps its number of events but they fall evenly over the part of the travel
    that it crossed and that was looked at: the largest scan statistic [1]_, by 2000 scatterings
    with a fixed seed, (1 + as many)/(1 + 2000) [2]_. The windows tried are all counted in, so
    it needs no further correction. Events inside a spot found fixed are taken out before the
    next place is judged. Only one hit a pass counts, so a group of bursts in one pass makes no
    spot. Scattered dirt that is denser in one part of the travel passes for a spot more often:
    with three events a pass, ten passes and all of them in one half of the travel, in about a
    third of simulated captures; evenly scattered, in 1 to 3 of 100.

    References
    ----------
    .. [1] J. I. Naus, The distribution of the size of the maximum cluster of points on a line,
       Journal of the American Statistical Association 60 (1965) 532-538.
    .. [2] A. C. Davison, D. V. Hinkley, Bootstrap Methods and their Application (1997), section
       4.2 (from memory).
    """
    looked = parts_looked_at(passes) if looked is None else looked
    used = passes[looked_through(passes)]
    there = _usable(events, used)
    numbers = used["number"].to_numpy(int)
    place = np.clip(there["travel_percent"].to_numpy(float), 0, 100 - 1e-9)
    of_pass = np.searchsorted(numbers, there["number"].to_numpy(int))
    u_place = np.nan_to_num(there["u_travel_percent"].to_numpy(float))
    scan = _Scan(used, looked)
    left, null = np.ones(place.size, bool), np.ones(place.size, bool)
    chance = scan.chances(np.bincount(of_pass, minlength=len(used)))
    rows = []
    while left.any():
        hit = scan.best(place, of_pass, left)
        passes_hit = int(np.unique(of_pass[hit]).size)
        if passes_hit < 2:
            break
        row = _row(place, u_place, hit, passes_hit, scan, chance)
        rows.append(row)
        near = np.abs(place - float(row["travel_percent"])) <= WINDOW_PERCENT
        left &= ~(hit | near)
        if row["fixed"]:
            null &= ~(hit | near)
            chance = scan.chances(np.bincount(of_pass[null], minlength=len(used)))
    table = pd.DataFrame(rows, columns=SPOT_COLUMNS).sort_values("travel_percent")
    kinds = dict.fromkeys(SPOT_COLUMNS, "float") | {"fixed": "bool"}
    kinds |= dict.fromkeys(("passes_hit", "of_passes", "needed"), "int")
    return table.reset_index(drop=True).astype(kinds)


def fixed_spots(spots: pd.DataFrame, passes: pd.DataFrame) -> Quantity:
    """Return the number of fixed spots.

    Parameters
    ----------
    spots : DataFrame
        As from `spots_of`.
    passes : DataFrame
        As from `sigkit.measures.slider.passes.passes_table`.

    Returns
    -------
    Quantity
        Count, without unit; not measurable with fewer than three passes whose travel is known,
        or where events are so many that chance alone fills any one place in every pass.

    Notes
    -----
    The uncertainty says whether the same count would be found again: each place is taken to be
    hit with the chance (hits + 1/2)/(passes + 1) in any pass, which makes its being found a
    binomial event of variance P(1 - P); and in at most 5 of 100 captures chance makes a spot.
    """
    known = np.isfinite(passes["from_percent"].to_numpy(float))
    known &= np.isfinite(passes["to_percent"].to_numpy(float))
    number = int((looked_through(passes) & known).sum())
    if number < LEAST_PASSES:
        return not_measurable(
            "", f"{number} assessed pass(es) seen, {LEAST_PASSES} needed: move up and down more"
        )
    fixed = spots["fixed"].to_numpy(bool)
    needed, of = spots["needed"].to_numpy(int), spots["of_passes"].to_numpy(int)
    if fixed.size and not fixed.any() and (needed > of).all():
        return not_measurable(
            "",
            "events lie so densely that chance alone could put them in one place in every pass: "
            "make more passes, or clean first",
        )
    firing = (spots["passes_hit"].to_numpy(float) + 0.5) / (of + 1)
    again = stats.binom.sf(needed - 1, of, firing)
    variance = float(np.sum(again * (1 - again)))
    terms = [Term("scattered events taken for a spot", math.sqrt(CHANCE * (1 - CHANCE)), "B")]
    if variance > 0:
        terms.append(Term("spots that may or may not be found again", math.sqrt(variance), "A"))
    return combine(float(fixed.sum()), "", terms)


class _Scan:
    """Windows over the travel, how many passes share one, and how many would by chance."""

    def __init__(self, passes: pd.DataFrame, looked: Mask) -> None:
        a = np.clip(passes["from_percent"].to_numpy(float), 0, 100)
        b = np.clip(passes["to_percent"].to_numpy(float), 0, 100)
        self.low, self.high = np.minimum(a, b), np.maximum(a, b)
        self.down = (passes["direction"] == "down").to_numpy(bool)
        fine = np.repeat(looked, int(PART_PERCENT / BIN_PERCENT))
        at = (np.arange(BINS) + 0.5) * BIN_PERCENT
        over = (at >= self.low[:, None]) & (at <= self.high[:, None])
        both = over & fine
        self.bins = [np.flatnonzero(x if x.any() else y) for x, y in zip(both, over, strict=True)]

    def crossed(self, percent: float) -> int:
        """Return how many passes crossed a place."""
        low, high = self.low - REACH_PERCENT, self.high + REACH_PERCENT
        return int(((low <= percent) & (high >= percent)).sum())

    def best(self, place: Array, of_pass: Counts, left: Mask) -> Mask:
        """Return the events in the window that most passes share, most events where equal."""
        at = np.floor(place / BIN_PERCENT).astype(int)
        hit = np.zeros((1, self.down.size, BINS), bool)
        hit[0, of_pass[left], at[left]] = True
        count = np.zeros(BINS)
        np.add.at(count, at[left], 1.0)
        extra = _windows(count) / (left.sum() + 1)
        up, down = self._shared(hit)
        top, start, shift = -1.0, 0, 0.0
        for beside in BACKLASH_PERCENT:
            steps = round(beside / BIN_PERCENT)
            score = up[0] + _beside(down, steps)[0] + extra
            middle = _middle_of_top(score)
            if score[middle] > top + 1e-9:
                top, start, shift = float(score[middle]), middle - WIDE + 1, steps
        first = np.where(self.down[of_pass], start + shift, start)
        out: Mask = left & (at >= first) & (at < first + WIDE)
        return out

    def chances(self, per_pass: Counts) -> Array:
        """Return the chance that 0, 1, ... n_passes passes, or more, share any one window."""
        rng = np.random.default_rng(5)
        hit = np.zeros((SCATTERINGS, self.down.size, BINS), bool)
        rows = np.arange(SCATTERINGS)[:, None]
        for i, number in enumerate(per_pass):
            if number and self.bins[i].size:
                hit[rows, i, rng.choice(self.bins[i], (SCATTERINGS, int(number)))] = True
        up, down = self._shared(hit)
        most = np.zeros(SCATTERINGS)
        for beside in BACKLASH_PERCENT if down.any() and up.any() else (0.0,):
            shared = up + _beside(down, round(beside / BIN_PERCENT))
            most = np.maximum(most, shared.max(axis=1))
        as_many = (most[:, None] >= np.arange(self.down.size + 1)).sum(axis=0)
        out: Array = (1 + as_many) / (1 + SCATTERINGS)
        return out

    def needed(self, of: int, chance: Array) -> int:
        """Return from how many passes hit a place crossed by ``of`` passes is fixed."""
        rare = np.flatnonzero(chance <= CHANCE)
        beyond_chance = int(rare[0]) if rare.size else self.down.size + 1
        return max(LEAST_PASSES, math.ceil(SHARE * of), beyond_chance)

    def _shared(self, hit: Mask) -> tuple[Counts, Counts]:
        """Return how many up and how many down passes hit each window."""
        inside = _windows(hit.astype(np.int16)) > 0
        return inside[:, ~self.down].sum(axis=1), inside[:, self.down].sum(axis=1)


def _windows(per_bin: NDArray[np.generic]) -> Array:
    """Sum over each window of the last axis; window i covers bins i - WIDE + 1 to i."""
    pad = [(0, 0)] * (per_bin.ndim - 1) + [(WIDE, WIDE - 1)]
    so_far = np.cumsum(np.pad(per_bin, pad), axis=-1, dtype=per_bin.dtype)
    out: Array = so_far[..., WIDE:] - so_far[..., :-WIDE]
    return out


def _beside(shared: Counts, steps: int) -> Counts:
    """Return the line read ``steps`` bins further on, nothing beyond its ends."""
    out = np.zeros_like(shared)
    if steps > 0:
        out[:, :-steps] = shared[:, steps:]
    elif steps < 0:
        out[:, -steps:] = shared[:, :steps]
    else:
        out[:] = shared
    return out


def _middle_of_top(score: Array) -> int:
    """Return the middle of the first run of the highest score."""
    first = int(np.argmax(score))
    differs = np.flatnonzero(np.abs(score[first:] - score[first]) > 1e-9)
    length = int(differs[0]) if differs.size else score.size - first
    return first + (length - 1) // 2


def _usable(events: pd.DataFrame, passes: pd.DataFrame) -> pd.DataFrame:
    """Return the counted events of known place in these passes."""
    hits = counted(events)
    known = np.isfinite(hits["travel_percent"].to_numpy(float))
    known &= hits["number"].isin(passes["number"]).to_numpy(bool)
    out: pd.DataFrame = hits.loc[known]
    return out


def _row(
    place: Array, u_place: Array, hit: Mask, passes_hit: int, scan: _Scan, chance: Array
) -> dict[str, float | int | bool]:
    centre = float(place[hit].mean())
    scatter = float(place[hit].std(ddof=1)) / math.sqrt(hit.sum())
    grid = BIN_PERCENT / math.sqrt(12)
    of = max(passes_hit, scan.crossed(centre))
    needed = scan.needed(of, chance)
    return {
        "travel_percent": centre,
        "u_travel_percent": math.hypot(scatter, float(np.median(u_place[hit])), grid),
        "passes_hit": passes_hit,
        "of_passes": of,
        "needed": needed,
        "fixed": passes_hit >= needed,
        "p_chance": float(chance[passes_hit]),
    }
