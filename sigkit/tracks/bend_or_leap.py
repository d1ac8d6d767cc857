"""One sudden change of a tone's phase: what is known of it, and which ones are steps of pitch."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import pandas as pd

LEAST_CENTS = 1.0
STANDS_OUT = 5.5
"""Scales by which a change stands out; Gaussian noise does so once in some weeks of sound."""
FASTEST_S, PERIODS_IN_BREAK = 0.050, 12
CENTS = 1200 / math.log(2)


@dataclass(frozen=True)
class Change:
    """One sudden change of phase.

    Parameters
    ----------
    kind : {"step", "slip", "break"}
        The pitch steps; the phase leaps; or the count is lost over a short gap.
    time_s : float
        When, from the start of the capture.
    size, u_size : float
        Step of the pitch in cents, of a break as well; leap of the phase in cycles; with standard
        uncertainty.
    before_hz, after_hz : float
        Pitch just before and after.
    gap_s : float
        Length of a break, else 0.
    u_leap_cycles : float
        Scatter of leaps of the phase where there are none, cycles.
    """

    kind: Literal["step", "slip", "break"]
    time_s: float
    size: float
    u_size: float
    before_hz: float
    after_hz: float
    gap_s: float = 0.0
    u_leap_cycles: float = 0.0


def as_step(change: Change) -> Change | None:
    """Return a change as a step of pitch, if it is one.

    A break is one where the pitches on both sides differ, and the gap is no longer than what a
    step of 50 ms leaves in the bands.
    """
    if change.kind == "step":
        return change
    longest_s = FASTEST_S + PERIODS_IN_BREAK / min(change.before_hz, change.after_hz)
    clear = abs(change.size) > max(LEAST_CENTS, STANDS_OUT * change.u_size)
    if change.kind == "break" and clear and change.gap_s < longest_s:
        return replace(change, kind="step")
    return None


def jumps_of(changes: Sequence[Change]) -> pd.DataFrame:
    """Return the steps of pitch among changes as columns time_s, size_cents, u_cents."""
    steps = [step for step in map(as_step, changes) if step is not None]
    rows = [(step.time_s, step.size, step.u_size) for step in steps]
    return pd.DataFrame(rows, columns=["time_s", "size_cents", "u_cents"], dtype=float)
