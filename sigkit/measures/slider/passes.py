"""Events of a slider test by pass and place of the travel: how many a pass, how much of it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sigkit.quantity import Quantity, Term, combine, not_measurable

Array = NDArray[np.floating]
Mask = NDArray[np.bool_]

NEAR_S, SLACK_S = 0.3, 0.05
"""An event this near to movement happened in it; and this near to a pass belongs to it."""
WHOLE_PERCENT, LOOKED = 70.0, 0.5
"""Least share of the travel, and of a pass's time that was assessed, for a pass to be counted."""
PARTS, PART_PERCENT = 20, 5.0
LOOKED_S = 0.05
"""A part of the travel was looked at when this much time in it was assessed."""
NONE_FOUND = 1.5
"""k = 2 times this is the one-sided 95 % limit of a count of none, -ln 0.05 = 3.0."""
DRAWS = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class PassCount:
    """Counted events and the whole passes they were counted in.

    Parameters
    ----------
    number : int
        Counted events in whole passes.
    exposure : float
        Number of whole passes.
    """

    number: int
    exposure: float


def counted(events: pd.DataFrame) -> pd.DataFrame:
    """Return the events that count: those at a moving slider."""
    return events[events["moving"].to_numpy(bool)]


def place_events(
    events: pd.DataFrame,
    passes: pd.DataFrame,
    time_s: Array,
    travel_percent: Array,
    u_travel_percent: Array,
    moving: Mask | None,
) -> pd.DataFrame:
    """Say of each event in which pass and at which place of the travel it happened.

    Parameters
    ----------
    events : DataFrame
        One row an event, with ``start_s`` and ``stop_s``.
    passes : DataFrame
        One row a pass: ``number``, ``direction``, ``start_s``, ``stop_s``.
    time_s, travel_percent, u_travel_percent : ndarray, shape (n_points,)
        Even times in seconds, the place of the slider there and its standard uncertainty in
        percent of the travel (nan: unknown).
    moving : ndarray of bool, shape (n_points,), or None
        Whether the slider moves; None where movement cannot be seen.

    Returns
    -------
    DataFrame
        A copy of ``events`` with ``moving`` (movement within 0.3 s of the event; all True where
        movement cannot be seen), ``number`` and ``direction`` of the pass that holds most of the
        event, 50 ms beyond its ends included (0 and empty: none), and ``travel_percent`` and
        ``u_travel_percent`` at the middle of the event (nan: unknown).
    """
    out = events.copy()
    start, stop = times_of(events)
    out["moving"] = _near_movement(start, stop, time_s, moving)
    row = _pass_of(start, stop, passes)
    numbers = np.append(passes["number"].to_numpy(int), 0)
    words = [*passes["direction"].astype(str), ""]
    out["number"] = numbers[row]
    out["direction"] = pd.Series([words[i] for i in row], index=out.index, dtype=str)
    middle = (start + stop) / 2
    out["travel_percent"] = _nearest(time_s, travel_percent, middle)
    out["u_travel_percent"] = _nearest(time_s, u_travel_percent, middle)
    return out


def passes_table(
    passes: pd.DataFrame, events: pd.DataFrame, time_s: Array, assessed: Mask
) -> pd.DataFrame:
    """Add to each pass the seconds that were assessed and the events counted in it.

    Parameters
    ----------
    passes : DataFrame
        One row a pass: ``number``, ``direction``, ``start_s``, ``stop_s``, ``from_percent``,
        ``to_percent``.
    events : DataFrame
        As from `place_events`.
    time_s : ndarray, shape (n_points,)
        Even times in seconds.
    assessed : ndarray of bool, shape (n_points,)
        Whether events were looked for there.

    Returns
    -------
    DataFrame
        A copy of ``passes`` with ``assessed_s`` (seconds) and ``events`` (count).
    """
    out = passes.copy()
    start, stop = times_of(passes)
    step = step_of(time_s)
    so_far = np.concatenate([[0], np.cumsum(assessed)]) * step
    a, b = np.searchsorted(time_s, start), np.searchsorted(time_s, stop)
    out["assessed_s"] = np.minimum(so_far[b] - so_far[a], stop - start)
    number = counted(events)["number"].to_numpy(int)
    found = [int((number == n).sum()) for n in passes["number"].to_numpy(int)]
    out["events"] = np.array(found, dtype=int)
    return out


def whole_passes(passes: pd.DataFrame) -> pd.DataFrame:
    """Return the passes over at least 70 % of the travel, assessed for at least half their time."""
    a, b = _ends(passes)
    whole = np.abs(b - a) >= WHOLE_PERCENT  # False where the travel is unknown (nan)
    return passes[whole & looked_through(passes)]


def looked_through(passes: pd.DataFrame) -> Mask:
    """Return which passes were assessed for at least half their time, shape (n_passes,)."""
    start, stop = times_of(passes)
    out: Mask = passes["assessed_s"].to_numpy(float) >= LOOKED * (stop - start)
    return out


def count_passes(passes: pd.DataFrame) -> PassCount:
    """Return the events counted in whole passes and the number of these passes."""
    whole = whole_passes(passes)
    return PassCount(number=int(whole["events"].sum()), exposure=float(len(whole)))


NO_PASS = "no pass over the travel seen: move the slider end to end"


def events_per_pass(passes: pd.DataFrame, *, why_none: str = NO_PASS) -> Quantity:
    """Return how many events a whole pass over the travel has on average.

    Parameters
    ----------
    passes : DataFrame
        As from `passes_table`.
    why_none : str
        Why there is no pass, if there is none.

    Returns
    -------
    Quantity
        Counted events per pass, up and down alike, over the passes that cross at least 70 % of
        the travel and were assessed for at least half their time; not measurable without any.

    Notes
    -----
    The uncertainty is the standard deviation of the mean over the passes, but not less than that
    of a Poisson count, sqrt(n)/m for n events in m passes; for none it is 1.5/m, so that k = 2
    gives the one-sided 95 % limit 3/m (-ln 0.05 = 3.0, the "rule of three" [1]_). Parts of a pass
    that were not assessed are not made up for: the value speaks of what could be looked at.

    References
    ----------
    .. [1] J. A. Hanley and A. Lippman-Hand, "If nothing goes wrong, is everything all right?",
       JAMA 249 (1983) 1743-1745.
    """
    unit = "per pass"
    if passes.empty:
        return not_measurable(unit, why_none)
    whole = whole_passes(passes)
    if whole.empty:
        return not_measurable(unit, _why_none_whole(passes))
    found = whole["events"].to_numpy(float)
    number, m = float(found.sum()), len(whole)
    if not number:
        return combine(0.0, unit, [Term("counting", NONE_FOUND / m, "A")])
    poisson = math.sqrt(number) / m
    scatter = float(found.std(ddof=1)) / math.sqrt(m) if m > 1 else 0.0
    term = Term("counting", poisson, "A")
    if scatter > poisson:
        term = Term("scatter between passes", scatter, "A", dof=m - 1)
    return combine(number / m, unit, [term])


def parts_looked_at(
    passes: pd.DataFrame,
    time_s: Array | None = None,
    travel_percent: Array | None = None,
    assessed: Mask | None = None,
) -> Mask:
    """Return which of the 20 parts of the travel, each 5 % wide, were looked at.

    Parameters
    ----------
    passes : DataFrame
        As from `passes_table`.
    time_s, travel_percent, assessed : ndarray, shape (n_points,), optional
        Where given, a part must also have been assessed for 50 ms while in a pass.

    Returns
    -------
    ndarray of bool, shape (20,)
        True where a pass that was assessed for at least half its time crosses the middle of the
        part (and, with the lines given, events were looked for there).
    """
    good = passes[looked_through(passes)]
    a, b = _ends(good)
    middle = (np.arange(PARTS) + 0.5) * PART_PERCENT
    over = (np.minimum(a, b)[:, None] <= middle) & (np.maximum(a, b)[:, None] >= middle)
    crossed: Mask = np.asarray(over.any(axis=0))
    if time_s is None or travel_percent is None or assessed is None or not time_s.size:
        return crossed
    inside = np.zeros(time_s.size, bool)
    for start, stop in zip(*times_of(good), strict=True):
        inside |= (time_s >= start) & (time_s <= stop)
    there = travel_percent[inside & assessed & np.isfinite(travel_percent)]
    seconds = np.bincount(part_of(there), minlength=PARTS) * step_of(time_s)
    out: Mask = crossed & (seconds >= LOOKED_S - 1e-9)
    return out


def part_of(travel_percent: Array) -> NDArray[np.int64]:
    """Return the index, 0 to 19, of the part of the travel that each place lies in."""
    part = np.clip(np.floor(travel_percent / PART_PERCENT), 0, PARTS - 1)
    out: NDArray[np.int64] = part.astype(np.int64)
    return out


def travel_affected(
    events: pd.DataFrame, passes: pd.DataFrame, looked: Mask | None = None
) -> Quantity:
    """Return the share of the travel in which an event was counted.

    Parameters
    ----------
    events : DataFrame
        As from `place_events`.
    passes : DataFrame
        As from `passes_table`.
    looked : ndarray of bool, shape (20,), optional
        Parts that were looked at, as from `parts_looked_at`; None: from the passes alone.

    Returns
    -------
    Quantity
        Percent of the 5 %-wide parts looked at that hold the middle of a counted event.

    Notes
    -----
    More passes meet more places: compare captures with about as many passes. The uncertainty is
    the standard deviation of a binomial share with Jeffreys' prior [1]_, together with what the
    uncertain places of the events do to the number of parts (drawn with a fixed seed).

    References
    ----------
    .. [1] L. D. Brown, T. T. Cai, A. DasGupta, Interval estimation for a binomial proportion,
       Statistical Science 16 (2001) 101-133.
    """
    looked = parts_looked_at(passes) if looked is None else looked
    total = int(looked.sum())
    hits = counted(events)
    place = hits["travel_percent"].to_numpy(float)
    known = np.isfinite(place)
    if not total:
        return not_measurable("%", "the travel of the slider is not known: move it end to end")
    if place.size and known.mean() < LOOKED:
        return not_measurable("%", "most events lie where the travel of the slider is not known")
    place, u = place[known], hits["u_travel_percent"].to_numpy(float)[known]
    number = int(_affected(place[None, :], looked)[0])
    a, b = number + 0.5, total - number + 0.5
    share = 100 * math.sqrt(a * b / ((a + b) ** 2 * (a + b + 1)))
    terms = [Term("parts of the travel hit by chance", share, "A")]
    if place.size:
        rng = np.random.default_rng(20)
        draws = place + np.nan_to_num(u) * rng.standard_normal((DRAWS, place.size))
        spread = 100 * float(_affected(draws, looked).std()) / total
        terms.append(Term("places of the events", spread, "B"))
    return combine(100 * number / total, "%", terms)


def times_of(table: pd.DataFrame) -> tuple[Array, Array]:
    """Return the starts and stops of events or passes, in seconds."""
    return table["start_s"].to_numpy(float), table["stop_s"].to_numpy(float)


def _ends(passes: pd.DataFrame) -> tuple[Array, Array]:
    return passes["from_percent"].to_numpy(float), passes["to_percent"].to_numpy(float)


def step_of(time_s: Array) -> float:
    """Return the step of even times; 0 with fewer than two."""
    return float(np.median(np.diff(time_s))) if time_s.size > 1 else 0.0


def _near_movement(start: Array, stop: Array, time_s: Array, moving: Mask | None) -> Mask:
    if moving is None:
        return np.ones(start.size, bool)
    so_far = np.concatenate([[0], np.cumsum(moving)])
    a = np.searchsorted(time_s, start - NEAR_S - 1e-9)
    b = np.searchsorted(time_s, stop + NEAR_S + 1e-9)
    out: Mask = so_far[b] > so_far[a]
    return out


def _pass_of(start: Array, stop: Array, passes: pd.DataFrame) -> list[int]:
    """Return the row of the pass that holds most of each event; -1: none."""
    a, b = times_of(passes)
    rows = []
    for begin, end in zip(start, stop, strict=True):
        inside = np.minimum(end, b) - np.maximum(begin, a)  # below zero: the gap between them
        best = int(np.argmax(inside)) if inside.size else -1
        rows.append(best if best >= 0 and inside[best] >= -SLACK_S - 1e-9 else -1)
    return rows


def _nearest(time_s: Array, line: Array, at_s: Array) -> Array:
    if not time_s.size:
        return np.full(at_s.size, np.nan)
    middle = (time_s[1:] + time_s[:-1]) / 2
    out: Array = np.asarray(line, np.float64)[np.searchsorted(middle, at_s)]
    return out


def _affected(places: Array, looked: Mask) -> NDArray[np.int64]:
    """Return the number of parts looked at that hold a place, for each row of places."""
    hit = np.zeros((len(places), PARTS), bool)
    hit[np.arange(len(places))[:, None], part_of(places)] = True
    out: NDArray[np.int64] = (hit & looked).sum(axis=1)
    return out


def _why_none_whole(passes: pd.DataFrame) -> str:
    a, b = _ends(passes)
    if not (np.abs(b - a) >= WHOLE_PERCENT).any():
        return f"no pass crosses {WHOLE_PERCENT:.0f} % of the travel: move the slider end to end"
    return "no whole pass could be assessed for half its time: play louder, move slower"
