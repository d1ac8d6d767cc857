"""The passes of one slider at one stage, those of all takes together, with what they looked at."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

if TYPE_CHECKING:
    from sigkit.measures.slider.result import SliderResult

Array = NDArray[np.float64]

BURST, DROPOUT, JUMP = "burst", "dropout", "pitch jump"
SHOWN_BY: Mapping[str, str] = {
    BURST: "floor",
    DROPOUT: "longest_dropout",
    JUMP: "largest_jump",
}
"""Quantity that has a value, or a bound, where events of a kind were looked for."""
BINS = 20
"""Parts of the travel in which floors are compared: 5 % each."""
FLOOR_MET = 0.9
"""Share of the time in which a part's floor is met."""
LOOKED = 0.5
"""Share of its time in which a part of the travel has to be assessed, to count as looked at."""
LEAST_JUMP_CENTS = 15.0
"""Smaller jumps of pitch are left out on both sides; guide value, common practice, no source."""


@dataclass(frozen=True, eq=False)
class StagePasses:
    """The passes of one slider at one stage, those of all takes together.

    Parameters
    ----------
    passes : DataFrame
        One row a pass: ``take``, ``direction`` and ``speed`` (% of travel per second, nan unknown).
    events : DataFrame
        The events in them: ``row`` (of ``passes``), ``kind``, ``level_db``, ``size_cents``,
        ``travel_percent`` and ``length_s``.
    looked : ndarray, shape (n_passes, BINS)
        Share of each pass's time in each part of the travel in which events were looked for; 1
        where the travel is not known.
    floor_db : ndarray, shape (BINS,)
        Detection floor re tone in each part of the travel; nan where it was not looked at.
    overall_db : float
        The floor as the captures state it, the highest over the takes; nan where one has none.
    sought : frozenset of str
        Kinds of event that were looked for in every take.
    least_jump_cents : float
        Jumps of pitch from this size on are seen in every take.
    """

    passes: pd.DataFrame
    events: pd.DataFrame
    looked: Array
    floor_db: Array
    overall_db: float
    sought: frozenset[str] = frozenset(SHOWN_BY)
    least_jump_cents: float = LEAST_JUMP_CENTS

    @property
    def takes(self) -> int:
        """Number of captures behind them."""
        return int(self.passes["take"].nunique())

    @property
    def known(self) -> NDArray[np.bool_]:
        """Which parts of the travel were looked at in most passes."""
        known: NDArray[np.bool_] = self.looked.mean(axis=0) >= LOOKED
        return known

    def only(self, kinds: frozenset[str]) -> StagePasses:
        """Return the same passes with the events of some kinds alone."""
        kept = self.events[self.events["kind"].isin(kinds)]
        return replace(self, events=kept, sought=self.sought & kinds)


def pool_takes(results: Sequence[SliderResult]) -> StagePasses | None:
    """Put the passes of several takes of one slider at one stage together.

    Parameters
    ----------
    results : sequence of SliderResult
        The takes; each with ``passes``, ``events``, ``floor`` and its lines every 10 ms.

    Returns
    -------
    StagePasses or None
        None where one of the takes shows no passes, or there is no take.

    Notes
    -----
    A kind of event was looked for where the quantity in ``SHOWN_BY`` has a value or a bound in
    every take. An event at rest, or in no pass, is left out.
    """
    if not results or not all(len(result.passes) for result in results):
        return None
    passes, events, looked, floors = [], [], [], []
    first_row = 0
    for take, result in enumerate(results):
        table = result.passes.reset_index(drop=True)
        crossed = (table["to_percent"] - table["from_percent"]).abs()
        lasted = table["stop_s"] - table["start_s"]
        passes.append(
            pd.DataFrame({"take": take, "direction": table["direction"], "speed": crossed / lasted})
        )
        rows = {number: first_row + i for i, number in enumerate(table["number"])}
        own = result.events[result.events["number"].isin(rows) & result.events["moving"]]
        events.append(
            own[["kind", "level_db", "size_cents", "travel_percent"]].assign(
                row=[rows[number] for number in own["number"]],
                length_s=own["stop_s"] - own["start_s"],
            )
        )
        shares, bins, above = _looked(result, table)
        looked.append(shares)
        floors.append((bins, above))
        first_row += len(table)
    overall = float(np.max([result.floor.value for result in results]))
    return StagePasses(
        passes=pd.concat(passes, ignore_index=True),
        events=pd.concat(events, ignore_index=True),
        looked=np.vstack(looked),
        floor_db=_floor_by_part(floors, overall),
        overall_db=overall,
        sought=frozenset.intersection(*(sought_in(result) for result in results)),
        least_jump_cents=max(_least_jump(result) for result in results),
    )


def sought_in(result: SliderResult) -> frozenset[str]:
    """Return the kinds of event that were looked for in a capture."""
    bounds, quantities = result.at_most(), result.quantities()
    return frozenset(
        kind for kind, name in SHOWN_BY.items() if quantities[name].measurable or name in bounds
    )


def _least_jump(result: SliderResult) -> float:
    bound = result.at_most().get(SHOWN_BY[JUMP])
    return LEAST_JUMP_CENTS if bound is None else max(LEAST_JUMP_CENTS, float(bound))


def _looked(result: SliderResult, table: pd.DataFrame) -> tuple[Array, NDArray[np.int64], Array]:
    """Return what was looked at by pass and part, and each point's part and floor re tone."""
    shares = np.ones((len(table), BINS))
    time = np.asarray(result.time_s, np.float64)
    percent = np.asarray(result.travel_percent, np.float64)
    above = np.asarray(result.found_above_db - result.tone_db, np.float64)
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
        share = np.bincount(part, weights=seen, minlength=BINS) / np.maximum(there, 1)
        shares[row] = share
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
