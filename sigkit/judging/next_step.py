"""What a slider's events mean for the next step at the bench: leave, clean, replace, look further.

What is found is worked out here; which step follows is data, ``next_steps.csv``, one line for each
finding and what was done before, with the cautions that belong to it, ``cautions.csv``.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources

from sigkit.judging.limits import OUTSIDE, WITHIN, Limit, judge_count
from sigkit.judging.rates import Counts

CLEANINGS = ("air", "cleaner", "hand", "replaced")
"""What may have been done to a slider, the least invasive first."""
NOTHING, ANY = "none", "any"

QUIET = "quiet"
HIDDEN = "hidden"
NOT_MEASURABLE = "not measurable"
CANNOT_TELL = "cannot tell"
FIRST_PASS = "first pass only"
SCATTERED = "scattered"
FIXED = "fixed spots"
EVERYWHERE = "everywhere"
RETURNED = "returned"

LEAVE, RECORD, CLEAN, REPLACE, CIRCUIT = "leave", "record", "clean", "replace", "circuit"

FLOOR_BELOW_DB = 6.0
"""How far the floor lies below the level that it has to show; common practice, no source."""
AFFECTED_PERCENT, AFFECTED_EVENTS = 50.0, 10.0
"""Share of the travel, and events per pass, from which on both together mean that events are
everywhere; common practice, no source."""
SEVERAL = 3
"""So many level sliders with events everywhere point to what they share, not to their dirt."""
LEAST_LATER = 3
"""Passes after the first from which on it can be told from them."""


@dataclass(frozen=True)
class SliderState:
    """What is known of one slider at one stage.

    Parameters
    ----------
    counts : tuple of int and float, or None
        Events and passes; None where there are no passes or nothing was looked for.
    later : tuple of int and float, or None
        The same without the first pass of each take.
    fixed_spots : int
        Places of the travel at which most passes have an event.
    floor_db : float
        Detection floor of bursts re tone; nan where bursts were not looked for.
    worst_seen_db : float
        Level above which a burst is called faulty; the floor has to lie well below it.
    travel_percent : float
        Share of the travel with events; nan unknown.
    controls : str
        What the slider controls.
    done : str
        The most invasive of ``CLEANINGS`` so far, or ``none``.
    returned : bool
        Whether events came back after a stage without them.
    """

    counts: Counts | None
    later: Counts | None = None
    fixed_spots: int = 0
    floor_db: float = math.nan
    worst_seen_db: float = -30.0
    travel_percent: float = math.nan
    controls: str = "level"
    done: str = NOTHING
    returned: bool = False

    @property
    def all_over(self) -> bool:
        """Whether a level slider has many events in every pass, over most of its travel."""
        many = self.counts is not None and self.counts[0] >= AFFECTED_EVENTS * self.counts[1]
        return many and self.controls == "level" and self.travel_percent >= AFFECTED_PERCENT


@dataclass(frozen=True, slots=True)
class Step:
    """The next step for a slider.

    Parameters
    ----------
    finding : str
        What was found.
    action : {"leave", "record", "clean", "replace", "circuit"}
        Which kind of step it is.
    step : str
        The step in words.
    cautions : tuple of str
        What to mind with it.
    source : str
        Where the rule comes from.
    """

    finding: str
    action: str
    step: str
    cautions: tuple[str, ...]
    source: str


def next_step(state: SliderState, limit: Limit, *, all_over: int = 0) -> Step:
    """Return the next step for a slider.

    Parameters
    ----------
    state : SliderState
        What is known of it at its last stage.
    limit : Limit
        The most events per pass that are left alone.
    all_over : int, optional
        Level sliders of the job that have events over most of their travel at that stage.

    Returns
    -------
    Step
        From ``next_steps.csv``.

    Examples
    --------
    >>> limit = Limit(1, "per pass", "")
    >>> next_step(SliderState((0, 10.0), floor_db=-55), limit).step
    'leave alone'
    >>> next_step(SliderState((60, 10.0), fixed_spots=2, floor_db=-55, done="hand"), limit).step
    'track worn: replace the slider'
    """
    return _steps(finding_of(state, limit, all_over=all_over), state.done)


def finding_of(state: SliderState, limit: Limit, *, all_over: int = 0) -> str:
    """Return what a slider's events show.

    Parameters
    ----------
    state : SliderState
        What is known of it.
    limit : Limit
        The most events per pass that are left alone.
    all_over : int, optional
        Level sliders of the job with events over most of their travel.

    Returns
    -------
    str
        ``quiet`` where the 95 % limits of events per pass lie within the limit and no place fires
        in most passes, ``hidden`` where they do under a floor that loud dirt could lie below,
        ``cannot tell`` where they hold the limit, else where the events are.
    """
    if state.counts is None:
        return NOT_MEASURABLE
    word = judge_count(state.counts, limit, state.counts[1]).word
    if word != OUTSIDE and not state.fixed_spots:
        high = state.floor_db > state.worst_seen_db - FLOOR_BELOW_DB
        return (HIDDEN if high else QUIET) if word == WITHIN else CANNOT_TELL
    if state.returned:
        return RETURNED
    if state.all_over and all_over >= SEVERAL:
        return EVERYWHERE
    if state.fixed_spots:
        return FIXED
    later = state.later if state.later is not None else (0, 0.0)
    calm = later[1] >= LEAST_LATER and judge_count(later, limit, later[1]).word == WITHIN
    return FIRST_PASS if calm else SCATTERED


@cache
def cautions() -> Mapping[str, str]:
    """Return the text of every caution by its name."""
    return {row["caution"]: row["text"] for row in _rows("cautions.csv")}


@cache
def steps() -> Mapping[tuple[str, str], Step]:
    """Return every step by finding and what was done before."""
    told = cautions()
    return {
        (row["finding"], row["done"]): Step(
            row["finding"],
            row["action"],
            row["step"],
            tuple(told[name] for name in row["cautions"].split()),
            row["source"],
        )
        for row in _rows("next_steps.csv")
    }


def _steps(finding: str, done: str) -> Step:
    every = steps()
    return every[finding, done] if (finding, done) in every else every[finding, ANY]


def _rows(name: str) -> list[dict[str, str]]:
    text = resources.files("sigkit.judging").joinpath(name).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))
