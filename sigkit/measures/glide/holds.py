"""Notes held beside glides: where they end for certain, and what their marks tell of the noise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from sigkit.arrays import Real
from sigkit.measures.glide.model import Fit, phase_of
from sigkit.measures.glide.noise import FEWEST_HELD, told_by_hold
from sigkit.measures.glide.rows import Heard

PERIODS = 2.0
"""Periods of the note before the start of a glide at which it is surely held."""


def with_holds(heard: Sequence[Heard]) -> list[Heard]:
    """Let every held note end where the next glide starts, and look at the marks of each.

    Parameters
    ----------
    heard : sequence of Heard
        The changes of note of a capture, in order.

    Returns
    -------
    list of Heard
        The rough pitch has it that a note is held until some milliseconds after a quick glide
        has begun; the fit of that glide knows better. The marks of the
        note after each glide tell of jitter and scatter (`Fit.hold`).
    """
    starts = [one.change.start_s + one.fit.start_s for one in heard]
    out = []
    for number, one in enumerate(heard):
        change, fit = one.change, one.fit
        before = (*_until(change.before, fit.start_s), change.before[2])
        after = change.after
        if number + 1 < len(heard):
            after = (*_until(after, starts[number + 1] - change.start_s), after[2])
        hold, fresh = _told(one, fit, after)
        fit = replace(fit, hold=hold, fresh=fresh)
        out.append(replace(one, change=replace(change, before=before, after=after), fit=fit))
    return out


def _until(held: tuple[float, float, float], start_s: float) -> tuple[float, float]:
    """Return from when to when a note is held that a glide leaves; as it was if that is nowhere."""
    end_s = min(held[1], start_s - PERIODS / held[2])
    return (held[0], end_s) if end_s > held[0] else (held[0], held[1])


def _told(one: Heard, fit: Fit, after: tuple[float, float, float]) -> tuple[Real, float]:
    """Return what a hold tells of its noise, from where no law was fitted on, and if that is new.

    Where nothing is left beyond, its end that was fitted too tells of its own scatter.
    """
    t = one.marks.time_s
    held = t[(t > fit.time_s[-1]) & (t <= after[1])]
    fresh = held.size >= FEWEST_HELD
    if not fresh:
        held = t[(t >= after[0]) & (t <= after[1])]
    if held.size < FEWEST_HELD:
        return told_by_hold(held, 1.0), 0.0
    phase = phase_of(fit.law, fit.numbers, fit.model.extra(fit.numbers), held)
    late = np.arange(held.size) - (phase - phase[0])
    return told_by_hold(late, one.marks.fine_sd[1]), float(fresh)
