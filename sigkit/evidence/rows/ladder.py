"""The cleaning ladder: every slider over the stages, and what to do next with it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from sigkit.evidence.job.names import stage_order
from sigkit.evidence.rows.slider_rows import other_control, sliders
from sigkit.judging.compare import WORSE
from sigkit.judging.limits import Limit, job_limits
from sigkit.judging.next_step import CLEANINGS, NOTHING, SliderState, Step, next_step
from sigkit.judging.passes import compare_passes
from sigkit.judging.rates import Counts, events_interval
from sigkit.judging.stage_passes import StagePasses, pool_takes, sought_in

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence
    from sigkit.evidence.job.folder import Job
    from sigkit.evidence.run.takes import Outcome
    from sigkit.measures.slider.result import SliderResult

PER_PASS = ("slider", "events_per_pass")
WORST = ("slider", "worst_level")
RETURNED_BY, RETURNED_TIMES = 2.0, 2.0
"""Events per pass have returned beyond so many more, and so many times as many, as they had been;
common practice, no source."""


@dataclass(frozen=True)
class Rung:
    """One slider at one stage.

    Parameters
    ----------
    stage : str
        Name of the stage.
    counts : tuple of int and float, or None
        Events and passes; None where there is no answer.
    fixed_spots : int or None
        Places of the travel at which most passes have an event; None unknown.
    floor_db : float
        Detection floor re tone, nan where there is none.
    done : str
        What was done to the slider since the stage before; empty where the job does not say.
    tested : bool
        Whether the stage has a capture of it.
    reason : str
        Why there are no counts; else empty.
    returned : bool
        Whether events came back since an earlier stage.
    """

    stage: str
    counts: Counts | None = None
    fixed_spots: int | None = None
    floor_db: float = math.nan
    done: str = ""
    tested: bool = True
    reason: str = ""
    returned: bool = False

    @property
    def rate(self) -> float:
        """Events per pass; nan where there is no answer."""
        return self.counts[0] / self.counts[1] if self.counts else math.nan

    @property
    def interval(self) -> tuple[float, float]:
        """95 % limits of the events per pass."""
        counts = self.counts
        return events_interval(counts, counts[1]) if counts else (math.nan, math.nan)


@dataclass(frozen=True)
class Line:
    """One slider over the stages.

    Parameters
    ----------
    subject, setting : str
        Which slider.
    rungs : tuple of Rung
        One a stage, in order.
    step : Step
        What to do next, from the last stage with a capture.
    """

    subject: str
    setting: str
    rungs: tuple[Rung, ...]
    step: Step

    @property
    def last(self) -> Rung:
        """The last stage that has a capture of it."""
        return [rung for rung in self.rungs if rung.tested][-1]

    def to_dict(self) -> dict[str, Any]:
        """Return the line, ready for JSON."""
        return {
            "subject": self.subject,
            "setting": self.setting,
            "stages": {
                rung.stage: {
                    "counts": list(rung.counts) if rung.counts else None,
                    "limits": list(rung.interval) if rung.counts else None,
                    "fixed_spots": rung.fixed_spots,
                    "floor_db": None if math.isnan(rung.floor_db) else rung.floor_db,
                    "done": rung.done,
                    "reason": rung.reason,
                    "returned": rung.returned,
                }
                for rung in self.rungs
                if rung.tested
            },
            "finding": self.step.finding,
            "action": self.step.action,
            "next_step": self.step.step,
            "source": self.step.source,
        }


@dataclass(frozen=True)
class Ladder:
    """All sliders of a job.

    Parameters
    ----------
    lines : tuple of Line
        One a slider.
    limit : Limit
        The most events per pass that are left alone.
    """

    lines: tuple[Line, ...]
    limit: Limit

    def __bool__(self) -> bool:
        return bool(self.lines)

    def __len__(self) -> int:
        return len(self.lines)


@dataclass(frozen=True, eq=False)
class _Found:
    """What the captures of a slider at a stage give."""

    rung: Rung
    passes: StagePasses | None = None
    results: Sequence[SliderResult] = ()
    outcomes: Sequence[Outcome] = field(default_factory=tuple)


def ladder_of(evidence: Evidence) -> Ladder:
    """Put every slider over the stages, with what to do next.

    Parameters
    ----------
    evidence : Evidence
        A measured job.

    Returns
    -------
    Ladder
        One line for each slider of which a capture was measured.

    Notes
    -----
    Events per pass are those of all takes of a stage, over that stage's own floor; whether they
    changed is judged over a common floor, see `sigkit.judging.passes.compare_passes`. Events have
    *returned* where an earlier stage lay at the limit or below, the later one has over two more a
    pass and over twice as many, and its passes are worse beyond chance.
    """
    job = evidence.job
    limits = job_limits(job.settings.limits, job.settings.limit_sources)
    own = [o for o in evidence.outcomes if o.take.name.test == "slider"]
    keys = {(o.take.name.subject, o.take.name.setting) for o in own if sliders([o])}
    ordered = sorted(keys, key=lambda key: (stage_order(key[0]), stage_order(key[1])))
    found = {key: _rungs(job, key, own, limits[PER_PASS]) for key in ordered}
    worn_to = limits[WORST].worn_to
    seen_db = limits[WORST].value if worn_to is None else worn_to
    states = {key: _state(rungs, seen_db) for key, rungs in found.items()}
    all_over: dict[str, int] = {}
    for key, state in states.items():
        stage = _last(found[key]).rung.stage
        all_over[stage] = all_over.get(stage, 0) + state.all_over
    lines = []
    for key, rungs in found.items():
        several = all_over[_last(rungs).rung.stage]
        step = next_step(states[key], limits[PER_PASS], all_over=several)
        lines.append(Line(*key, tuple(f.rung for f in rungs), step))
    return Ladder(tuple(lines), limits[PER_PASS])


def _rungs(
    job: Job, key: tuple[str, str], outcomes: Sequence[Outcome], limit: Limit
) -> list[_Found]:
    found: list[_Found] = []
    for stage in job.stages:
        own = [
            o
            for o in outcomes
            if o.take.stage == stage.name and (o.take.name.subject, o.take.name.setting) == key
        ]
        done = _done(job.settings.stages.get(stage.name, {}).get("cleaning", ""), key[0])
        new = _found(stage.name, done, own, stage.reason)
        if any(_came_back(earlier, new, limit) for earlier in found):
            new = _Found(_returned(new.rung), new.passes, new.results, new.outcomes)
        found.append(new)
    return found


def _found(stage: str, done: str, outcomes: Sequence[Outcome], reason: str) -> _Found:
    if not outcomes:
        return _Found(Rung(stage, done=done, tested=False, reason=reason or "not tested"))
    results = sliders(outcomes)
    if not results:
        return _Found(Rung(stage, done=done, reason=outcomes[0].reason), outcomes=outcomes)
    floor_db = float(np.max([r.floor.value for r in results]))
    passes = pool_takes(results)
    counts = _counts(passes, results)
    spots = [int(float(r.fixed_spots)) for r in results if r.fixed_spots.measurable]
    rung = Rung(
        stage,
        counts,
        fixed_spots=max(spots) if spots else None,
        floor_db=floor_db,
        done=done,
        reason="" if counts else _why(results),
    )
    return _Found(rung, passes, results, outcomes)


def _counts(passes: StagePasses | None, results: Sequence[SliderResult]) -> Counts | None:
    """Return the events of all takes and their passes, as the results count them."""
    counts = [result.counts.get(PER_PASS[1]) for result in results]
    known = [count for count in counts if count is not None]
    if passes is None or not passes.sought or len(known) < len(results):
        return None
    number, exposure = sum(n for n, _ in known), math.fsum(e for _, e in known)
    return (number, exposure) if exposure > 0 else None


def _why(results: Sequence[SliderResult]) -> str:
    for result in results:
        if not sought_in(result):
            return result.floor.reason
    return next(r.events_per_pass.reason for r in results if r.events_per_pass.reason)


def _done(cleaning: str | Mapping[str, str], subject: str) -> str:
    return cleaning if isinstance(cleaning, str) else cleaning.get(subject, "")


def _came_back(earlier: _Found, later: _Found, limit: Limit) -> bool:
    one, two = earlier.rung, later.rung
    if one.counts is None or two.counts is None or one.rate > limit.value:
        return False
    if two.rate <= max(one.rate + RETURNED_BY, one.rate * RETURNED_TIMES):
        return False
    if earlier.passes is None or later.passes is None:
        return False
    if other_control(earlier.outcomes, later.outcomes):
        return False
    return compare_passes(earlier.passes, later.passes).verdict == WORSE


def _returned(rung: Rung) -> Rung:
    return Rung(**{**vars(rung), "returned": True})


def _last(found: Sequence[_Found]) -> _Found:
    return [f for f in found if f.rung.tested][-1]


def _state(found: Sequence[_Found], worst_seen_db: float) -> SliderState:
    """Return what is known of a slider at its last stage."""
    last = _last(found)
    until = found[: found.index(last) + 1]
    done = [CLEANINGS.index(f.rung.done) for f in until if f.rung.done]
    travel = [float(r.travel_affected) for r in last.results if r.travel_affected.measurable]
    return SliderState(
        counts=last.rung.counts,
        later=_later(last.passes) if last.rung.counts else None,
        fixed_spots=last.rung.fixed_spots or 0,
        floor_db=last.rung.floor_db,
        worst_seen_db=worst_seen_db,
        travel_percent=min(travel) if travel else math.nan,
        controls=last.results[0].controls if last.results else "level",
        done=CLEANINGS[max(done)] if done else NOTHING,
        returned=last.rung.returned,
    )


def _later(passes: StagePasses | None) -> Counts | None:
    """Return the counts without the first pass of each take."""
    if passes is None:
        return None
    later = passes.passes["take"].duplicated().to_numpy(bool)
    rows = np.flatnonzero(later)
    events = passes.events[passes.events["kind"].isin(passes.sought)]
    return int(events["row"].isin(rows).sum()), float(passes.looked[later].mean(axis=1).sum())
