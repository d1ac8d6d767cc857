"""The warm-up drift of a held note: its numbers, its curve and its steps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np
import pandas as pd

from sigkit.arrays import Real
from sigkit.errors import SignalError
from sigkit.measures.result import Result
from sigkit.measures.warmup.curve import Take
from sigkit.quantity import Quantity

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LEAST_S = 10.0


@dataclass(frozen=True, kw_only=True, eq=False)
class WarmupResult(Result):
    """Warm-up drift of a held note.

    Parameters
    ----------
    total_drift : Quantity
        Pitch at the end less pitch at the start of the tone, cents.
    drift_without_steps : Quantity
        The same without the steps listed in ``jumps``, cents.
    time_constant : Quantity
        Of the best exponential approach, of the larger one where two fit better, s.
    settling_time : Quantity
        From switch-on until the pitch enters, and never again leaves, the band around its final
        value, steps and a cycle taken out, s.
    residual_drift : Quantity
        Slope over the last quarter of the tone, steps and a cycle taken out, cents/min; the remark
        on a cycle gives the slope of a plain line beside it.
    cycle_period, cycle_cents : Quantity
        Period (s) and peak (cents) of a regular cycle of 2 to 20 min, such as of a room's heating.
    temperature_coefficient : Quantity
        Change of pitch by the temperature of the room, cents/°C, where it was read often enough.
    largest_step : Quantity
        The largest of ``jumps``, with its sign, cents.
    curve : DataFrame
        Columns time_s (since switch-on), frequency_hz, cents (against the end), u_cents; nan in
        gaps.
    jumps : DataFrame
        Columns time_s (since switch-on), size_cents, u_cents, duration_s, kind: moves within a
        second that stay. Kind is ``jump`` (faster than 0.1 s, such as a bad contact), ``move``
        (slower and above 2 cents, such as a knocked knob), or ``in a gap``.
    shape : DataFrame
        Columns part, cents, u_cents, time_constant_s, u_time_constant_s: one row for each
        exponential approach, its whole size from the start of the tone on.
    readings : DataFrame
        Columns time_s (since switch-on), room_c: the temperature of the room as given.
    fitted_cents : ndarray
        The exponentials and steps on the rows of the curve; nan where there are none.
    power_on_s : float
        Instant of switch-on in the capture, the middle where it is known as a range.
    power_on_range_s : tuple of float
        Earliest and latest instant of switch-on.
    switch_on : {"thump", "click", "tone", "given", "start"}
        What tells that instant; ``start``, of the recording, where nothing does.
    band_cents : float
        Half-width of the band of the settling time.
    take : Take
        The track behind it all.
    """

    test: ClassVar[str] = "warmup"

    total_drift: Quantity
    drift_without_steps: Quantity
    time_constant: Quantity
    settling_time: Quantity
    residual_drift: Quantity
    cycle_period: Quantity
    cycle_cents: Quantity
    temperature_coefficient: Quantity
    largest_step: Quantity
    curve: pd.DataFrame
    jumps: pd.DataFrame
    shape: pd.DataFrame
    readings: pd.DataFrame
    fitted_cents: Real
    power_on_s: float
    power_on_range_s: tuple[float, float]
    switch_on: str
    band_cents: float
    take: Take

    def until(self, seconds: float) -> WarmupResult:
        """Measure the same tone again as if it had ended so many seconds after switch-on.

        Parameters
        ----------
        seconds : float
            End, in seconds after switch-on (the middle of its range).

        Returns
        -------
        WarmupResult
            From the track of this one; the file is not read again.

        Raises
        ------
        SignalError
            Less than 10 s of tone until then.
        """
        take = self.take.until(float(seconds))
        tone_s = float(np.count_nonzero(take.track.voiced)) * take.track.hop_s
        if tone_s < LEAST_S:
            raise SignalError(
                f"Only {tone_s:.1f} s of tone lie within {seconds:g} s after switch-on; "
                f"{LEAST_S:g} s are needed.",
                where=self.source.name,
                remedy="Cut it later.",
            )
        from sigkit.measures.warmup.evaluate import evaluate

        return evaluate(take)

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw cents against minutes since switch-on, with the band and the settling time."""
        from sigkit.charts.warmup import draw_warmup

        return draw_warmup(self, ax)
