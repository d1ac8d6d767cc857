"""Dirty sliders: faults bound to places on the travel, which fire when the slider crosses them.

A slider that rests on a dirty place is quiet; it crackles when it moves. Every fault that fires is
listed in the table of events with its exact instants and level, found from the difference between
the dirty and the clean sound.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sigkit.errors import InputError
from sigkit.synth.oscillators import Oscillator, Response, Shape, rms
from sigkit.synth.paths import at_cents, smooth_step
from sigkit.synth.sound import Sound, truth_path

Kind = Literal["burst", "dropout", "pitch jump"]
EVENT_COLUMNS = (
    "start_s",
    "stop_s",
    "kind",
    "position",
    "level_db",
    "size_cents",
    "place",
    "number",
)
_EDGE_S = 0.0005  # faults begin and end within this time


@dataclass(frozen=True, kw_only=True)
class Place:
    """A dirty place on the travel of a slider.

    Parameters
    ----------
    position : float
        Its middle, 0 to 1 of the travel.
    width : float
        Its width, as a share of the travel.
    kind : {"burst", "dropout", "pitch jump"}
        What happens there: added noise, loss of level, or a step of pitch.
    level_db : float
        Of a burst, its RMS level re the RMS tone around it; of a dropout, the level left re the
        tone around it. Not used by a pitch jump.
    size_cents : float
        Size of a pitch jump.
    probability : float
        Chance that a crossing fires.
    """

    position: float
    width: float = 0.01
    kind: Kind = "burst"
    level_db: float = -30.0
    size_cents: float = 0.0
    probability: float = 0.9

    def __post_init__(self) -> None:
        low, high = self.position - self.width / 2, self.position + self.width / 2
        if not (0 < low < high < 1 and 0 <= self.probability <= 1):
            raise InputError(
                f"A place from {low:g} to {high:g} that fires with {self.probability:g}"
                " is not within 0 to 1.",
                remedy="Give position, width and probability as shares of 1.",
            )


@dataclass(frozen=True, eq=False)
class Travel:
    """How a slider was moved.

    Parameters
    ----------
    position : ndarray, shape (n_samples,)
        Position at every sample, 0 to 1.
    rate : int
        Sample rate in Hz.
    passes : DataFrame
        One row per pass: ``number``, ``direction`` (up or down), ``start_s``, ``stop_s``.
    """

    position: NDArray[np.float64]
    rate: int
    passes: pd.DataFrame

    @property
    def moving(self) -> NDArray[np.bool_]:
        """Whether the slider moves at each sample."""
        return np.asarray(np.diff(self.position, prepend=self.position[:1]) != 0, np.bool_)


def travel(
    rate: int,
    *,
    passes: int = 4,
    travel_s: float = 2.0,
    rest_s: float = 0.5,
    low: float = 0.0,
    high: float = 1.0,
) -> Travel:
    """Move a slider up and down, with rests between.

    Parameters
    ----------
    rate : int
        Sample rate in Hz.
    passes : int
        Number of passes; the first goes up, then down, and so on.
    travel_s : float
        Time of one pass.
    rest_s : float
        Rest before the first pass and after each.
    low, high : float
        Ends of the travel that is used.

    Returns
    -------
    Travel
        With smooth starts and stops, as a hand moves.

    Examples
    --------
    >>> t = travel(1000, passes=2, travel_s=2.0, rest_s=0.5)
    >>> len(t.position), t.passes["direction"].tolist()
    (5500, ['up', 'down'])
    """
    seconds = rest_s + passes * (travel_s + rest_s)
    time = np.arange(round(seconds * rate)) / rate
    position = np.full(len(time), low)
    rows = []
    for number in range(passes):
        start = rest_s + number * (travel_s + rest_s)
        up = number % 2 == 0
        part = smooth_step((time - start) / travel_s)
        position += (high - low) * (part if up else -part)
        rows.append((number + 1, "up" if up else "down", start, start + travel_s))
    table = pd.DataFrame(rows, columns=["number", "direction", "start_s", "stop_s"])
    return Travel(np.clip(position, low, high), rate, table)


def crossings(
    path: Travel, places: Sequence[Place], *, rng: np.random.Generator
) -> list[tuple[int, int, int]]:
    """Return the crossings that fire, as (index of the place, first sample, sample after the last).

    Parameters
    ----------
    path : Travel
        How the slider moves.
    places : sequence of Place
        The dirty places.
    rng : numpy.random.Generator
        Decides which crossings fire; one draw per crossing, in order of place and time.

    Returns
    -------
    list of tuple of int
        In order of time.
    """
    fired = []
    for index, place in enumerate(places):
        inside = np.abs(path.position - place.position) <= place.width / 2
        edges = np.flatnonzero(np.diff((inside & path.moving).astype(np.int8), prepend=0, append=0))
        for first, after in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            if rng.random() < place.probability:
                fired.append((index, first, after))
    return sorted(fired, key=lambda crossing: crossing[1])


def audio_taper(position: NDArray[np.float64]) -> NDArray[np.float64]:
    """Gain of a level slider with an audio taper: 0 at the bottom, 1 at the top, 1/11 halfway."""
    return np.expm1(position * math.log(100)) / 99


def dirty_level_slider(
    path: Travel,
    *,
    frequency_hz: float,
    places: Sequence[Place],
    rng: np.random.Generator,
    shape: Shape = "saw",
    response: Response | None = None,
    level_dbfs: float = -12.0,
) -> Sound:
    """Play a tone through a level slider that is moved and is dirty in places.

    Parameters
    ----------
    path : Travel
        How the slider moves.
    frequency_hz : float
        Pitch of the tone.
    places : sequence of Place
        Bursts and dropouts; empty for a clean slider.
    rng : numpy.random.Generator
        Decides which crossings fire and how a burst sounds.
    shape : {"sine", "triangle", "saw", "pulse"}
        The wave.
    response : Response, optional
        Filter of the tone, such as ``LowPass(120.0)`` for a dark one.
    level_dbfs : float
        RMS level of the tone with the slider at the top.

    Returns
    -------
    Sound
        Truth: ``time_s`` with ``frequency_hz``, ``position`` and ``gain`` (of the slider);
        ``clean``, the same sound without dirt; ``passes``; ``events`` with start_s, stop_s, kind,
        position, level_db, size_cents (nan), place (index in ``places``), number (of the pass).
        ``level_db`` is the RMS of dirty less clean over the event, re the RMS of the clean tone
        at the slider's mean gain over the event.

    Raises
    ------
    InputError
        A place holds a pitch jump.
    """
    _only(places, ("burst", "dropout"))
    n, rate = len(path.position), path.rate
    tone = Oscillator(shape, rate).play(np.full(n, frequency_hz), response=response)
    tone *= 10 ** (level_dbfs / 20) / (rms(tone) * math.sqrt(2))
    gain = audio_taper(path.position)
    steady = rms(tone)
    clean = tone * gain
    dirty = clean.copy()
    rows = []
    for index, first, after in crossings(path, places, rng=rng):
        place, part = places[index], slice(first, after)
        around = steady * rms(gain[part])
        edge = _edges(after - first, rate)
        factor = 10 ** (place.level_db / 20)
        if place.kind == "burst":
            noise = rng.standard_normal(after - first) * edge
            dirty[part] += noise * (factor * around / rms(noise))
        else:
            dirty[part] *= 1 - (1 - factor) * edge
        level = 20 * math.log10(rms(dirty[part] - clean[part]) / around)
        rows.append(_event(path, place, index, first, after, level))
    hz = np.full(n, float(frequency_hz))
    paths = truth_path(rate, frequency_hz=hz, position=path.position, gain=gain)
    return Sound(
        dirty, rate, {**paths, "clean": clean, "passes": path.passes, "events": _table(rows)}
    )


def dirty_pitch_slider(
    path: Travel,
    *,
    lowest_hz: float,
    range_cents: float,
    places: Sequence[Place],
    rng: np.random.Generator,
    shape: Shape = "saw",
    level_dbfs: float = -12.0,
) -> Sound:
    """Play a tone whose pitch slider is moved and is dirty in places.

    Parameters
    ----------
    path : Travel
        How the slider moves.
    lowest_hz : float
        Pitch at the bottom of the travel.
    range_cents : float
        Range of the slider, even in cents along its travel.
    places : sequence of Place
        Pitch jumps; empty for a clean slider.
    rng : numpy.random.Generator
        Decides which crossings fire.
    shape : {"sine", "triangle", "saw", "pulse"}
        The wave.
    level_dbfs : float
        RMS level of the tone.

    Returns
    -------
    Sound
        Truth: ``time_s`` with ``frequency_hz`` (dirt included), ``clean_hz`` and ``position``;
        ``passes``; ``events`` as `dirty_level_slider` has them, ``level_db`` nan.

    Raises
    ------
    InputError
        A place holds a burst or a dropout.
    """
    _only(places, ("pitch jump",))
    cents = range_cents * path.position
    offset = np.zeros(len(cents))
    rows = []
    for index, first, after in crossings(path, places, rng=rng):
        offset[first:after] += places[index].size_cents * _edges(after - first, path.rate)
        rows.append(_event(path, places[index], index, first, after, math.nan))
    hz = at_cents(lowest_hz, cents + offset)
    samples = Oscillator(shape, path.rate).play(hz)
    samples *= 10 ** (level_dbfs / 20) / (rms(samples) * math.sqrt(2))
    paths = truth_path(
        path.rate, frequency_hz=hz, clean_hz=at_cents(lowest_hz, cents), position=path.position
    )
    return Sound(samples, path.rate, {**paths, "passes": path.passes, "events": _table(rows)})


def _only(places: Sequence[Place], kinds: tuple[Kind, ...]) -> None:
    for place in places:
        if place.kind not in kinds:
            raise InputError(
                f"This slider cannot have a place of kind {place.kind!r}.",
                remedy=f"Use {' or '.join(kinds)}.",
            )


def _edges(n: int, rate: int) -> NDArray[np.float64]:
    """Window of 1 with smooth ends, above zero at every sample."""
    from_end = np.minimum(np.arange(n), np.arange(n)[::-1]) + 1
    return smooth_step(from_end / (_EDGE_S * rate))


def _event(
    path: Travel, place: Place, index: int, first: int, after: int, level_db: float
) -> tuple[float, float, str, float, float, float, int, int]:
    start, stop = first / path.rate, after / path.rate
    number = int(path.passes["number"][path.passes["start_s"] <= start].iloc[-1])
    size = place.size_cents if place.kind == "pitch jump" else math.nan
    return start, stop, place.kind, place.position, level_db, size, index, number


def _table(rows: list[tuple[float, float, str, float, float, float, int, int]]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=list(EVENT_COLUMNS))
