"""A cue track read back from a channel of a capture: what was asked for, and when."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from sigkit.arrays import Real
from sigkit.captures.cues.code import TICK_S
from sigkit.captures.cues.decode import Reading, read_ticks
from sigkit.captures.cues.find import RATE, Ticks, at_rate, find_ticks
from sigkit.captures.cues.plan import Plan
from sigkit.captures.needed import takes_capture
from sigkit.captures.remarks import spoken_place
from sigkit.captures.wav import Capture
from sigkit.errors import SignalError

STRETCH_TICKS = 128
U_PATH_S = 0.0001
"""Filters on the way from player to recorder; common practice, no source."""
U_HAND_S = 0.15
"""How far a hand is ahead of or behind a movement it is led through; common practice, no source."""
U_HAND_PERCENT = 2.0
"""How far it stops from the ends, and departs from an even way; common practice, no source."""
COLUMNS = ("item", "kind", "start_s", "stop_s", "u_s", "heard", "words")


@dataclass(frozen=True, kw_only=True, eq=False)
class Cue:
    """What a cue track asked for while a capture was recorded.

    Parameters
    ----------
    found : bool
        Whether there is one.
    reason : str
        Why there is none; empty where there is.
    plan : Plan or None
        Which track: test, passes, keys, marks, tempo.
    channel : int
        0-based channel that holds it; -1: none.
    items : DataFrame
        One row a beep whose action lies in what is heard: ``item`` (number of the key, mark, press
        or pass; 0: none), ``kind`` (up, down, next, stop), ``start_s`` when the beep begins and
        ``stop_s`` when the action is to end, seconds of the capture; ``u_s``, standard uncertainty
        of both; ``heard``, False where the beep itself was cut off and is known from the others;
        ``words``, what to do.
    from_s, to_s : float
        Between which times of the capture the track is heard.
    clock_ppm : float
        By how much the recorder's clock was faster than the player's, parts in a million.
    notes : tuple of str
        What else is to be said.

    Notes
    -----
    Times are those of the beeps. What the hand did is another matter: see `position`.
    """

    found: bool
    reason: str = ""
    plan: Plan | None = None
    channel: int = -1
    items: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=list(COLUMNS)))
    from_s: float = math.nan
    to_s: float = math.nan
    clock_ppm: float = math.nan
    notes: tuple[str, ...] = ()
    moves: pd.DataFrame = field(
        default_factory=lambda: pd.DataFrame(columns=["start_s", "stop_s", "from", "to"]),
        repr=False,
    )

    def __str__(self) -> str:
        if not self.found:
            return f"no cue found: {self.reason}"
        return (
            f"cue of {self.plan} in channel {self.channel} from {spoken_place(self.from_s, 1)} to "
            f"{spoken_place(self.to_s, 1)}: {len(self.items)} beeps"
        )

    def position(self, time_s: Real | float) -> Real:
        """Return where the control was to be, as cued.

        Parameters
        ----------
        time_s : ndarray or float
            Times of the capture, s.

        Returns
        -------
        ndarray
            Percent of the travel, of the shape of ``time_s``; at rest, where the movement before
            ended; nan before the first movement, after the last action, and where nothing moves.
        """
        time = np.asarray(time_s, np.float64)
        out = np.full(time.shape, np.nan)
        for row in self.moves.itertuples(index=False):
            start, stop, low, high = (float(v) for v in row)
            along = np.clip((time - start) / (stop - start), 0.0, 1.0)
            out = np.where(time >= start, low + along * (high - low), out)
        return np.where(time > self.to_s, np.nan, out)

    def u_position(self, time_s: Real | float) -> Real:
        """Return the standard uncertainty of `position`, % of the travel.

        Notes
        -----
        It is that of a hand that follows beeps: 0.15 s ahead or behind while it moves, and 2 % for
        where it stops and how evenly it goes; neither has a source. The beeps' own times add next
        to nothing.
        """
        time = np.asarray(time_s, np.float64)
        speed = np.zeros(time.shape)
        for row in self.moves.itertuples(index=False):
            start, stop, low, high = (float(v) for v in row)
            near = (time > start - U_HAND_S) & (time < stop + U_HAND_S)
            speed = np.where(near, abs(high - low) / (stop - start), speed)
        out = np.hypot(U_HAND_PERCENT, speed * U_HAND_S)
        return np.where(np.isnan(self.position(time)), np.nan, out)


@takes_capture
def read_cue(capture: Capture) -> Cue:
    """Find the cue track in a capture: in any channel but the instrument's, or in the only one.

    Parameters
    ----------
    capture : Capture
        A capture whose other channel holds the loop of a track that `sigkit.make_cue` wrote, 15 s
        of it or more; what leaks in from the instrument may be 30 dB louder.

    Returns
    -------
    Cue
        ``found`` is False, with the ``reason``, where there is none.

    See Also
    --------
    sigkit.make_cue : Write the track.

    Notes
    -----
    Every tick of the track carries its code, so that beeps cut off at the start or the end shift
    nothing. The sum over a stretch of about a minute of what correlates with the ticks' first noise
    has a maximum where their time and the difference of the clocks (250 ppm at most) are right; the
    signs of the other two then say how far the track had come, and which one of all possible tracks
    it is. Both together must be better than chance by 7.5 standard deviations.
    """
    others = [c for c in range(capture.channels) if c != capture.channel]
    seen = []
    for channel in others or [capture.channel]:
        try:
            reading = read_ticks(list(_ticks(capture, channel)))
        except SignalError as error:
            seen.append(error.problem)
            continue
        if reading is not None:
            return _cue(reading, channel, capture)
    where = "the other channels hold" if len(others) > 1 else "the other channel holds"
    reason = f"{where if others else 'the only channel holds'} no ticks of a cue track"
    return Cue(found=False, reason="; ".join([reason, *seen]))


def _ticks(capture: Capture, channel: int) -> Iterator[tuple[float, Ticks]]:
    """Yield the ticks of one channel, stretch by stretch."""
    total = capture.duration_s / TICK_S
    stretches = max(1, round(total / STRETCH_TICKS))
    length_s = math.ceil(total / stretches) * TICK_S
    source = replace(capture, channel=channel)
    for number in range(stretches):
        start_s = number * length_s
        stop_s = min(start_s + length_s + 3 * TICK_S, capture.duration_s)
        if stop_s - start_s < 4 * TICK_S:
            return
        last = number == stretches - 1
        sound = at_rate(source.read(start_s, stop_s), capture.rate)
        if last:
            sound = np.concatenate([sound, np.zeros(2 * round(TICK_S * RATE))])
        ticks = find_ticks(sound)
        if ticks is not None:
            yield start_s, ticks


def _cue(reading: Reading, channel: int, capture: Capture) -> Cue:
    """Put a reading into times of the capture."""
    steps = reading.plan.steps
    starts = reading.capture_s(np.array([step.start_s for step in steps]))
    stops = reading.capture_s(np.array([step.stop_s for step in steps]))
    begin, end = max(reading.from_s, 0.0), min(reading.to_s, capture.duration_s)
    u = math.hypot(reading.u_s, U_PATH_S)
    rows, moves = [], []
    for step, start, stop in zip(steps, starts.tolist(), stops.tolist(), strict=True):
        if stop <= begin or start >= end:
            continue
        rows.append((step.item, step.kind, start, stop, u, begin <= start, step.words))
        if math.isfinite(step.from_percent):
            moves.append((start, stop, step.from_percent, step.to_percent))
    (a, b), (c, d) = reading.knots_s[0], reading.knots_s[-1]
    notes = []
    missing = len(steps) - len(rows)
    if missing:
        notes.append(
            f"{missing} of {len(steps)} beeps are not heard: the numbers of the others "
            "are their own"
        )
    if reading.broken:
        notes.append("the track was interrupted or played again: only its clearest playing is read")
    return Cue(
        found=True,
        plan=reading.plan,
        channel=channel,
        items=pd.DataFrame(rows, columns=list(COLUMNS)),
        from_s=begin,
        to_s=end,
        clock_ppm=1e6 * ((d - b) / (c - a) - 1),
        notes=tuple(notes),
        moves=pd.DataFrame(moves, columns=["start_s", "stop_s", "from", "to"]),
    )
