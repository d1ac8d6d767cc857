"""Whether the largest event, or all of them together, differ between stages by more than passes do.

The loudest burst of a capture is measured to a decibel, but the loudest of the next pass may be
quite another: what a change has to exceed is the scatter between passes, not that of the reading.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sigkit.judging.compare import IMPROVED, WORSE
from sigkit.judging.passes import (
    ALPHA,
    LEAST_PASSES,
    compare_passes,
    over_both,
    permutation_p,
)
from sigkit.judging.rates import PASS_SCATTER, Z_95
from sigkit.judging.stage_passes import BINS, BURST, DROPOUT, JUMP, StagePasses

Array = NDArray[np.float64]

LEVEL_SCATTER_DB = 6.0
"""Spread between passes of levels, supposed where too few passes show it; guide value."""
LEAST_HIT = 3
"""Passes at least in which a place has an event, for it to be fixed."""
FLOOR_S = 0.01
"""Length of the burst at the floor that stands for the energy of a pass without any event."""


@dataclass(frozen=True)
class PassSpread:
    """How a difference between stages stands to the scatter between passes.

    Parameters
    ----------
    sign : float
        1 where the last stage has more, -1 where it has less, 0 where passes alone may explain it.
    p_value : float
        Of the permutation of passes, two-sided; nan with fewer than four passes a side.
    remark : str
        How it was reached.
    """

    sign: float
    p_value: float
    remark: str


def pass_spread(quantity: str, first: StagePasses, last: StagePasses) -> PassSpread:
    """Compare what each pass of two stages has of a quantity.

    Parameters
    ----------
    quantity : str
        One of ``PER_PASS``: ``worst_level``, ``longest_dropout``, ``largest_jump``,
        ``travel_affected``, ``energy_ratio``.
    first, last : StagePasses
        The passes of the two stages.

    Returns
    -------
    PassSpread
        With four passes or more a side from a permutation of passes (p < 0.05). With fewer, every
        pass of one stage has to lie beyond all of the other, levels by more than 95 % of a scatter
        of 6 dB between passes, anything else by more than that of 0.5 in ln (guide values); where a
        pass has no event the number of events has to have changed too.

    Notes
    -----
    Each pass has one value: its loudest burst (the common floor where it has none above that), its
    longest dropout or largest jump (zero where it has none), the parts of the travel, of 5 %, with
    an event, or the energy of its events. Without a change 5 % of permutations or fewer fall below
    p = 0.05, whatever the law of the values, because passes of equal stages may be exchanged (E. J.
    G. Pitman, Supplement to the Journal of the Royal Statistical Society 4 (1937) 119-130).
    """
    label, of_pass = PER_PASS[quantity]
    over = over_both(first, last)
    a, b = (
        _values(side, kept, of_pass, over.level_db)
        for side, kept in zip((first, last), over.kept, strict=True)
    )
    if min(len(a), len(b)) >= LEAST_PASSES:
        p_value, how = permutation_p(a, b)
        shown = f"= {p_value:.2g}" if p_value >= 0.001 else "< 0.001"
        remark = f"{label} of each pass: permutation of passes p {shown} ({how})"
        sign = float(np.sign(b.mean() - a.mean())) if p_value < ALPHA else 0.0
        return PassSpread(sign, p_value, remark)
    remark = (
        f"fewer than {LEAST_PASSES} passes a side do not show how passes scatter; held against "
        "what is usual (guide value)"
    )
    return PassSpread(_of_few(quantity, a, b, (first, last)), math.nan, remark)


def _of_few(quantity: str, a: Array, b: Array, sides: tuple[StagePasses, StagePasses]) -> float:
    """Return the sign of a difference between few passes, 0 where chance may explain it."""
    first, last = sides
    kind = KIND.get(quantity)
    if kind is not None:
        first, last = (side.only(frozenset({kind})) for side in sides)
    numbers = SIGNS.get(compare_passes(first, last).verdict, 0.0)
    if quantity == "travel_affected":
        return numbers
    sign = float(np.sign(b.max() - a.max()))
    more, less = (a, b) if sign < 0 else (b, a)
    apart = Z_95 * math.sqrt(1 / len(a) + 1 / len(b))
    if quantity in IN_DB:
        beyond = more.max() - less.max() > LEVEL_SCATTER_DB * apart
    else:
        beyond = less.max() < more.max() * math.exp(-PASS_SCATTER * apart)
    everywhere = all(side.events["row"].nunique() == len(side.passes) for side in (first, last))
    if beyond and more.min() > less.max() and (everywhere or numbers == sign):
        return sign
    return 0.0


def fixed_over_both(first: StagePasses, last: StagePasses) -> tuple[int, int]:
    """Count the places of the travel at which most passes have an event that both could have seen.

    Parameters
    ----------
    first, last : StagePasses
        The passes of the two stages.

    Returns
    -------
    tuple of int
        Places of each stage at which half of its passes or more, and three at least, have an event
        within 5 % of the travel; places that share events are one.
    """
    kept = over_both(first, last).kept
    one, two = (_fixed(side, own) for side, own in zip((first, last), kept, strict=True))
    return one, two


def _fixed(side: StagePasses, kept: NDArray[np.bool_]) -> int:
    events = side.events[kept].dropna(subset=["travel_percent"])
    place, row = events["travel_percent"].to_numpy(float), events["row"].to_numpy(int)
    needed = max(LEAST_HIT, len(side.passes) / 2)
    spots = 0
    taken = -math.inf
    for start in np.sort(place):
        inside = (place >= start) & (place <= start + 100 / BINS)
        if start > taken and np.unique(row[inside]).size >= needed:
            spots, taken = spots + 1, start + 100 / BINS
    return spots


def _values(
    side: StagePasses,
    kept: NDArray[np.bool_],
    of_pass: Callable[[pd.DataFrame, float], float],
    level_db: float,
) -> Array:
    events = side.events[kept]
    rows = range(len(side.passes))
    return np.array([of_pass(events[events["row"] == row], level_db) for row in rows], np.float64)


def _loudest(events: pd.DataFrame, floor_db: float) -> float:
    levels = events.loc[events["kind"] == BURST, "level_db"]
    return float(np.max(levels.to_numpy(), initial=floor_db))


def _longest(events: pd.DataFrame, _floor_db: float) -> float:
    return float(np.max(events.loc[events["kind"] == DROPOUT, "length_s"].to_numpy(), initial=0.0))


def _largest(events: pd.DataFrame, _floor_db: float) -> float:
    cents = events.loc[events["kind"] == JUMP, "size_cents"].abs()
    return float(np.max(cents.to_numpy(), initial=0.0))


def _parts(events: pd.DataFrame, _floor_db: float) -> float:
    return float(events["travel_percent"].dropna().floordiv(100 / BINS).nunique())


def _energy(events: pd.DataFrame, floor_db: float) -> float:
    power = 10 ** (events["level_db"].fillna(-np.inf) / 10) * events["length_s"]
    return float(10 * np.log10(power.sum() + 10 ** (floor_db / 10) * FLOOR_S))


PER_PASS: Mapping[str, tuple[str, Callable[[pd.DataFrame, float], float]]] = {
    "worst_level": ("loudest burst", _loudest),
    "longest_dropout": ("longest dropout", _longest),
    "largest_jump": ("largest jump", _largest),
    "travel_affected": ("travel affected", _parts),
    "energy_ratio": ("energy of events", _energy),
}
"""What a pass has of each quantity: the words for it, and how it is got from the pass's events."""
KIND: Mapping[str, str] = {
    "worst_level": BURST,
    "longest_dropout": DROPOUT,
    "largest_jump": JUMP,
}
"""The kind of event that a quantity is of; those of all kinds are left out."""
SIGNS: Mapping[str, float] = {IMPROVED: -1.0, WORSE: 1.0}
IN_DB = frozenset({"worst_level", "energy_ratio"})
