"""What a slider pass hands back: events, where on the travel, and how dirty the slider is."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sigkit.captures.remarks import spoken_place
from sigkit.errors import InputError
from sigkit.measures.result import Result
from sigkit.measures.slider.floor import moved_floor_of
from sigkit.quantity import Quantity

if TYPE_CHECKING:
    from IPython.display import Audio
    from matplotlib.axes import Axes

    from sigkit.captures.wav import Capture

Array = NDArray[np.floating]
Mask = NDArray[np.bool_]

FADE_S = 0.01


@dataclass(frozen=True, kw_only=True, eq=False)
class SliderResult(Result):
    """Bursts, dropouts and pitch jumps of a slider, and the floor above which they are seen.

    Parameters
    ----------
    events_per_pass : Quantity
        Counted events in a whole pass over the travel.
    event_rate : Quantity
        Counted events per second of assessed movement (or of assessed tone, see ``notes``), 1/s.
    worst_level : Quantity
        Residual of the loudest counted burst re the tone around it, dB.
    longest_dropout : Quantity
        Length of the longest counted dropout, s.
    largest_jump : Quantity
        Size of the largest counted pitch jump, cents; looked for on pitch sliders only.
    energy_ratio : Quantity
        Energy of all counted events re that of the tone during assessed movement, dB.
    travel_affected : Quantity
        Share of the 5 % wide parts of the travel that hold an event, %.
    fixed_spots : Quantity
        Number of places at which events come back pass after pass, beyond chance.
    floor : Quantity
        Level, re the tone around it, at which 19 of 20 wideband bursts of 10 ms, as of noise that
        a contact adds, are found while the slider moves and the tone is within 6 dB of its
        loudest; met in nine tenths of that time, dB. See also ``control_floor``.
    not_assessed : Quantity
        Share of the time the tone sounds in which events were not looked for, %.
    events : DataFrame
        One row an event: ``start_s``, ``stop_s``, ``kind`` (``burst``, ``dropout`` or ``pitch
        jump``), ``level_db`` and its standard uncertainty ``u_level_db`` (rms of the residual re
        the tone around it, with what the tone itself is moved by; nan for jumps), ``depth_db``
        (dropouts), ``size_cents`` and ``u_size_cents`` (jumps; one shorter than a period is told
        as a smaller one of a period), ``tone_dbfs``, ``floor_db`` (floor at that place, re the tone
        there), ``moving`` (False: the slider was at rest; not counted), ``number`` and
        ``direction`` of the pass (0 and empty: none), ``travel_percent`` and
        ``u_travel_percent`` (of the travel that is moved over and heard; nan: unknown).
    passes : DataFrame
        One row a pass: ``number``, ``direction``, ``start_s``, ``stop_s``, ``from_percent``,
        ``to_percent``, ``assessed_s``, ``events`` (counted).
    spots : DataFrame
        Places hit in two passes or more: ``travel_percent``, ``u_travel_percent``,
        ``passes_hit``, ``of_passes``, ``needed``, ``fixed``, ``p_chance``.
    recorder_faults : DataFrame
        What the recorder did, ``time_s``, ``kind`` (``silence`` or ``glitch``), ``samples``,
        ``u_samples``, ``channels``: not looked at, no events.
    controls : str
        What the slider controls: ``level``, ``pitch``, ``timbre`` or ``width``.
    movement_s, assessed_s : float
        Seconds of movement, and of tone, in which events were looked for; nan: not seen.
    counts : mapping of str to (int, float)
        ``event_rate`` and ``events_per_pass``: number of events and the exposure in seconds or
        passes.
    bounds : mapping of str to Quantity
        Upper bounds of what was looked for and not found.
    time_s, tone_db, control, travel_percent, residual_db, found_above_db, assessed : ndarray
        Every 10 ms, shape (n_points,): level of the tone re its loudest; what the slider controls
        (dB re the loudest, cents re the lowest, octaves of brightness, or share of the period);
        place in percent of the travel (nan: unknown); residual from 500 Hz up re the loudest tone;
        the level above which a burst of 10 ms is found there, re the same (dB, nan: not looked
        at); and whether events were looked for.
    capture : Capture or None
        The sound, to listen to; None where a result was made without.
    """

    test: ClassVar[str] = "slider"

    events_per_pass: Quantity
    event_rate: Quantity
    worst_level: Quantity
    longest_dropout: Quantity
    largest_jump: Quantity
    energy_ratio: Quantity
    travel_affected: Quantity
    fixed_spots: Quantity
    floor: Quantity
    not_assessed: Quantity
    events: pd.DataFrame
    passes: pd.DataFrame
    spots: pd.DataFrame
    recorder_faults: pd.DataFrame
    controls: str
    movement_s: float
    assessed_s: float
    counts: Mapping[str, tuple[int, float]]
    bounds: Mapping[str, Quantity]
    time_s: Array
    tone_db: Array
    control: Array
    travel_percent: Array
    residual_db: Array
    found_above_db: Array
    assessed: Mask
    capture: Capture | None = None

    @property
    def control_floor(self) -> Quantity:
        """Level re the tone around it from which on 19 of 20 bursts are found that move the tone.

        That is what a control voltage or a contact that chops the tone does; ``floor`` speaks of
        noise that a contact adds. dB.
        """
        return moved_floor_of(self.floor, self.controls)

    def at_most(self) -> Mapping[str, Quantity]:
        """Return the bounds of what was looked for and not found."""
        return self.bounds

    def excerpt(self, event: int, *, around_s: float = 0.5) -> Audio:
        """Return the sound around an event as a player for a notebook.

        Parameters
        ----------
        event : int
            Row of ``events``, from 0.
        around_s : float
            Seconds before and after the event.

        Returns
        -------
        IPython.display.Audio
            At the level of the capture, not raised; ``data`` holds the WAV bytes.

        Raises
        ------
        InputError
            No such event, or the result was made without its capture.
        """
        from IPython.display import Audio

        if self.capture is None or not 0 <= event < len(self.events):
            raise InputError(
                f"There is no event {event} to listen to; there are {len(self.events)}.",
                where="SliderResult.excerpt, event",
                remedy="Give a row number of result.events, from 0.",
            )
        row = self.events.iloc[event]
        start = max(0.0, float(row["start_s"]) - around_s)
        sound = np.array(self.capture.read(start, float(row["stop_s"]) + around_s), np.float64)
        fade = np.minimum(1.0, np.arange(sound.size) / (FADE_S * self.capture.rate))
        faded = sound * fade * fade[::-1]
        return Audio(faded, rate=self.capture.rate, normalize=False)  # type: ignore[no-untyped-call]

    def particulars(self) -> tuple[str, ...]:
        """Return every event: kind, time, size, and the place on the travel where it is known."""
        return tuple(map(_particular, self.events.to_dict("records")))

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the travel strip, or events over time where no pass is seen; return the axes."""
        from sigkit.charts.slider import draw_slider

        return draw_slider(self, ax)


def _particular(event: Mapping[Any, Any]) -> str:
    """Return one event in words."""
    told = [f"{event['kind']} at {spoken_place(event['start_s'])}"]
    told.append(f"for {1000 * (event['stop_s'] - event['start_s']):.0f} ms")
    if math.isfinite(event["level_db"]):
        told.append(f"{round(event['level_db']) + 0:+d} dB re the tone")
    if math.isfinite(event["size_cents"]):
        told.append(f"{event['size_cents']:+.0f} cents")
    if math.isfinite(event["travel_percent"]):
        half = 2 * event["u_travel_percent"]
        told.append(f"at {event['travel_percent']:.0f} ± {half:.0f} % of the travel")
    if event["direction"]:
        told.append(f"on the way {event['direction']}")
    return ", ".join(told)
