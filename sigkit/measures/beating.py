"""Two oscillators sounding together: both pitches, how fast they beat, and whether they lock."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import pandas as pd

from sigkit.measures.result import Result
from sigkit.quantity import Quantity

if TYPE_CHECKING:
    from matplotlib.axes import Axes


@dataclass(frozen=True, kw_only=True, eq=False)
class BeatingResult(Result):
    """Two oscillators that sound together in one capture.

    Parameters
    ----------
    frequency_1, frequency_2 : Quantity
        Frequency of each oscillator at the mean of its pitch in cents, over the parts where both
        are told apart, Hz. Oscillator 1 is the lower one, unless ``sign_known``.
    beat_rate : Quantity
        ``abs(n * frequency_1 - m * frequency_2)`` for a ratio m:n of the frequencies, Hz.
    detune : Quantity
        Oscillator 2 against the simple ratio to oscillator 1, cents.
    beat_wander : Quantity
        Highest less lowest detune within 60 s (within the part where it is shorter), cents.
    drift_1, drift_2 : Quantity
        Slope of a straight line through the pitch of each oscillator, cents/min.
    locking_width : Quantity
        Range of fine tune within which the beating stops, cents; from a slow sweep through it.
    curve : DataFrame
        Columns time_s, frequency_1_hz, u_1_hz, frequency_2_hz, u_2_hz, detune_cents,
        u_detune_cents, beat_hz: one row per window of about 2 s; nan where two oscillators are not
        told apart.
    parts : DataFrame
        Columns start_s, stop_s, kind: ``two oscillators``, ``one oscillator or locked`` or
        ``no tone``, in order and without gaps.
    ratio : tuple of int
        Frequency of oscillator 2 to that of oscillator 1 as whole numbers, such as (1, 1) for a
        unison, (3, 2) for a fifth, (2, 1) for an octave.
    sign_known : bool
        Whether each oscillator is also heard alone, so that 1 is the one heard alone first, and
        the sign of ``detune`` says which is sharp. Beats alone give its size, not its sign.
    """

    test: ClassVar[str] = "beating"

    frequency_1: Quantity
    frequency_2: Quantity
    beat_rate: Quantity
    detune: Quantity
    beat_wander: Quantity
    drift_1: Quantity
    drift_2: Quantity
    locking_width: Quantity
    curve: pd.DataFrame
    parts: pd.DataFrame
    ratio: tuple[int, int]
    sign_known: bool
    largest_locking: Quantity | None = None
    """Upper bound of a locking width that is too small to be seen; None where nothing bounds it."""

    def at_most(self) -> Mapping[str, Quantity]:
        """Return the upper bound of a locking width too small to be seen."""
        if self.largest_locking is None:
            return {}
        return {"locking_width": self.largest_locking}

    def quantities(self) -> dict[str, Quantity]:
        """Return the answers by name; the bound of the locking width is not one of them."""
        return {n: q for n, q in super().quantities().items() if n != "largest_locking"}

    def to_dict(self) -> dict[str, Any]:
        """Return everything, ready for JSON, with units and a schema version."""
        return super().to_dict() | {"ratio": list(self.ratio), "sign_known": self.sign_known}

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw both pitches in cents over time, and their difference."""
        from sigkit.charts.beating import draw_beating

        return draw_beating(self, ax)
