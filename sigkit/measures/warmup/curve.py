"""From the pitch track of a warm-up to its curve: one note, steps apart, frames on few rows."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from sigkit.arrays import Real
from sigkit.measures.edges import noise_of_mean
from sigkit.measures.result import Source
from sigkit.tracks.harmonics import EDGE
from sigkit.tracks.pitch import PitchTrack
from sigkit.tracks.steps import find_steps

ROWS = 4800
"""The curve gets about so many rows."""


@dataclass(frozen=True, eq=False)
class Take:
    """What a warm-up is measured on, so that it can be measured again up to an earlier end.

    Parameters
    ----------
    source : Source
        The capture.
    settings : dict
        The options.
    notes : tuple of str
        Remarks on tone and switch-on.
    track : PitchTrack
        The pitch of the held note; nan in gaps and where another pitch is left out.
    power_on_s : tuple of float
        Earliest and latest switch-on in the capture.
    band_cents : float
        Half-width of the band of the settling time.
    readings : DataFrame
        Columns time_s (since switch-on) and room_c.
    switch_on : {"thump", "click", "tone", "given", "start"}
        What tells the instant of switch-on; the start of the recording where nothing does.
    known_until_s : float
        Instant of the capture up to which its time axis is known: the first seam of a split
        recording of which nothing tells how much is missing there.
    """

    source: Source
    settings: dict[str, Any]
    notes: tuple[str, ...]
    track: PitchTrack
    power_on_s: tuple[float, float]
    band_cents: float
    readings: pd.DataFrame
    switch_on: str = "given"
    known_until_s: float = math.inf

    @property
    def zero_s(self) -> float:
        """Middle of the range of switch-on."""
        return sum(self.power_on_s) / 2

    def until(self, seconds: float) -> Take:
        """Return the take up to so many seconds after switch-on."""
        last = self.zero_s + seconds - self.track.window_s / 2
        count = int(np.searchsorted(self.track.time_s, last, "right"))
        cut = replace(
            self.track,
            frequency_hz=self.track.frequency_hz[:count],
            u_hz=self.track.u_hz[:count],
        )
        note = f"cut at {seconds / 60:.1f} min after switch-on"
        settings = {**self.settings, "until_s": seconds}
        return replace(self, track=cut, settings=settings, notes=(*self.notes, note))


@dataclass(frozen=True, eq=False)
class Curve:
    """The pitch since switch-on, its ends, and the same without steps.

    Parameters
    ----------
    time_s, cents : ndarray, shape (n,)
        Frames with a pitch, since switch-on.
    level : ndarray, shape (n,)
        The pitch without its steps, joined to its last stretch; nan during a step.
    begin_s, end_s : float
        When the tone begins and ends.
    noise : float
        Usual standard deviation of a frame by the track's noise, cents.
    reference_hz : float
        What the cents refer to.
    steps : DataFrame
        As `sigkit.tracks.steps.find_steps` has them.
    window_s : float
        Length of the windows behind the frames.
    """

    time_s: Real
    cents: Real
    level: Real
    begin_s: float
    end_s: float
    noise: float
    reference_hz: float
    steps: pd.DataFrame
    window_s: float

    @property
    def length_s(self) -> float:
        """Length of the tone."""
        return self.end_s - self.begin_s


def curve_of(take: Take) -> Curve:
    """Return the curve of a take."""
    track = take.track
    voiced = track.voiced
    time_s = track.time_s - take.zero_s
    reference_hz = float(track.frequency_hz[voiced][-1])
    every = track.cents(reference_hz)
    steps = find_steps(time_s, every, window_s=track.window_s)
    t, c = time_s[voiced], every[voiced]
    # A tone is known from half a window, some periods and half a hop after it begins, and twice
    # the periods where it begins out of silence.
    periods_s = EDGE / float(track.frequency_hz[voiced][0])
    lead_s = track.window_s / 2 + track.hop_s / 2 + periods_s
    begin, end = float(t[0]) - lead_s, float(t[-1]) + lead_s
    if begin + take.zero_s > 2 * track.hop_s:
        begin -= periods_s
    if "until_s" in take.settings:
        end = min(end, float(t[-1]) + track.window_s / 2)
    level = c.copy()
    for at_s, size, duration_s in steps[["time_s", "size_cents", "duration_s"]].to_numpy(float):
        spread = 0.0 if np.isnan(duration_s) else duration_s
        half = spread / 2 + track.window_s / 2 + track.hop_s
        level[t < at_s] += size
        level[np.abs(t - at_s) <= half] = np.nan
    noise = float(np.median(track.u_cents()[voiced]))
    return Curve(t, c, level, begin, end, noise, reference_hz, steps, track.window_s)


def table_of(take: Take, curve: Curve, final: float) -> pd.DataFrame:
    """Return the curve in few rows: means of neighbouring frames, nan in gaps."""
    track = take.track
    size = max(1, round(track.frequency_hz.size / ROWS))
    count = track.frequency_hz.size // size
    used = slice(0, count * size)
    hz = track.frequency_hz[used].reshape(count, size)
    known = np.isfinite(hz)
    enough = known.sum(axis=1) >= max(1, size // 2)
    cents = np.full(count, np.nan)
    each = 1200 * np.log2(hz[enough] / curve.reference_hz)
    cents[enough] = np.nanmean(each, axis=1)
    u = np.full(count, np.nan)
    u_hz = track.u_hz[used].reshape(count, size)[enough]
    share = noise_of_mean(1.0, size, track.window_s / track.hop_s)
    u[enough] = 1200 / np.log(2) * np.nanmean(u_hz / hz[enough], axis=1) * share
    return pd.DataFrame(
        {
            "time_s": track.time_s[used].reshape(count, size).mean(axis=1) - take.zero_s,
            "frequency_hz": curve.reference_hz * np.exp2(cents / 1200),
            "cents": cents - final,
            "u_cents": u,
        }
    )
