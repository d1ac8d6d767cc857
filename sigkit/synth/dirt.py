"""Dirt of sliders: faults bound to places on the travel, which fire when the slider crosses them.

A slider that rests on a dirty place is quiet; it crackles when it moves. Every fault that fires is
listed in the table of events with its exact instants and level, found from the difference between
the dirty and the clean sound.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sigkit.errors import InputError
from sigkit.synth.oscillators import rms
from sigkit.synth.paths import smooth_step
from sigkit.synth.travel import Travel

Kind = Literal["burst", "dropout", "chopped contact", "jumping value", "pitch jump"]
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
Crossing = tuple[int, int, int]
"""Index of the place, first sample, sample after the last."""
_EDGE_S = 0.0005  # faults begin and end within this time
_CONTACT_S = 0.0002  # a contact opens and closes within this time


@dataclass(frozen=True, kw_only=True)
class Place:
    """A dirty place on the travel of a slider.

    Parameters
    ----------
    position : float
        Its middle, 0 to 1 of the travel.
    width : float
        Its width, as a share of the travel.
    kind : {"burst", "dropout", "chopped contact", "jumping value", "pitch jump"}
        What happens there: added noise; loss of level; the sound switched to and fro between all
        and little of it; the value that the slider gives thrown to and fro between its own and
        that of another place on the travel; a step of pitch that stays until the place is left.
    level_db : float
        Of a burst, its RMS level re the RMS tone around it; of a dropout and a chopped contact,
        the level left re the tone around it. Not used by the other two.
    size_cents : float
        Size of a pitch jump.
    jump : float
        How far along the travel, 1 for the whole, a jumping value is thrown; below zero downwards.
    dwell_s : float
        How long a chopped contact or a jumping value stays in one state, on average.
    probability : float
        Chance that a crossing fires.
    passes : int, optional
        It fires in so many first passes only, as loose dirt does that the slider pushes away;
        None: in all.
    """

    position: float
    width: float = 0.01
    kind: Kind = "burst"
    level_db: float = -30.0
    size_cents: float = 0.0
    jump: float = 0.1
    dwell_s: float = 0.0015
    probability: float = 0.9
    passes: int | None = None

    def __post_init__(self) -> None:
        low, high = self.position - self.width / 2, self.position + self.width / 2
        if not (0 < low < high < 1 and 0 <= self.probability <= 1):
            raise InputError(
                f"A place from {low:g} to {high:g} that fires with {self.probability:g}"
                " is not within 0 to 1.",
                remedy="Give position, width and probability as shares of 1.",
            )
        if self.kind == "jumping value" and not (low + self.jump >= 0 and high + self.jump <= 1):
            raise InputError(
                f"A value thrown from {self.position:g} by {self.jump:g} leaves the travel.",
                remedy="Give a jump that ends within 0 to 1.",
            )
        if not self.dwell_s > 0:
            raise InputError(f"dwell_s must be above zero; got {self.dwell_s:g} s.")


def crossings(path: Travel, places: Sequence[Place], *, rng: np.random.Generator) -> list[Crossing]:
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
            fires = rng.random() < place.probability
            if fires and (place.passes is None or _number(path, first) <= place.passes):
                fired.append((index, first, after))
    return sorted(fired, key=lambda crossing: crossing[1])


def thrown(
    path: Travel, places: Sequence[Place], fired: Sequence[Crossing], *, rng: np.random.Generator
) -> NDArray[np.float64]:
    """Return the place on the travel whose value the slider gives: its own, but for jumping values.

    Parameters
    ----------
    path : Travel
        How the slider moves.
    places : sequence of Place
        The dirty places.
    fired : sequence of tuple of int
        What `crossings` returned.
    rng : numpy.random.Generator
        Decides how long each state lasts.

    Returns
    -------
    ndarray, shape (n_samples,)
        0 to 1 at every sample; ``path.position`` itself where no value jumps.
    """
    jumping = [c for c in fired if places[c[0]].kind == "jumping value"]
    if not jumping:
        return path.position
    position = path.position.copy()
    for index, first, after in jumping:
        place = places[index]
        state = _to_and_fro(after - first, place.dwell_s, path.rate, rng)
        position[first:after] += place.jump * state
    return np.clip(position, 0.0, 1.0)


def soil(
    samples: NDArray[np.float64],
    path: Travel,
    places: Sequence[Place],
    fired: Sequence[Crossing],
    *,
    around: Callable[[slice], float],
    rng: np.random.Generator,
) -> NDArray[np.float64]:
    """Return the sound with bursts added, and taken away where dropouts and open contacts are.

    Parameters
    ----------
    samples : ndarray, shape (n_samples,)
        The sound as the values that the slider gives make it.
    path : Travel
        How the slider moves.
    places : sequence of Place
        The dirty places.
    fired : sequence of tuple of int
        What `crossings` returned.
    around : callable
        Gives the RMS of the clean tone around a slice of samples.
    rng : numpy.random.Generator
        Decides how a burst sounds and how long each state of a contact lasts.

    Returns
    -------
    ndarray, shape (n_samples,)
        A new array.
    """
    dirty = samples.copy()
    for index, first, after in fired:
        place, part = places[index], slice(first, after)
        factor = 10 ** (place.level_db / 20)
        if place.kind == "burst":
            noise = rng.standard_normal(after - first) * _edges(after - first, path.rate)
            dirty[part] += noise * (factor * around(part) / rms(noise))
        elif place.kind == "dropout":
            dirty[part] *= 1 - (1 - factor) * _edges(after - first, path.rate)
        elif place.kind == "chopped contact":
            state = _to_and_fro(after - first, place.dwell_s, path.rate, rng)
            dirty[part] *= 1 - (1 - factor) * state
    return dirty


def event_table(
    path: Travel,
    places: Sequence[Place],
    fired: Sequence[Crossing],
    *,
    level_db: Callable[[slice], float],
    size_cents: Callable[[Place], float] | None = None,
) -> pd.DataFrame:
    """Return the table of events: `EVENT_COLUMNS`, one row for each crossing that fired.

    Parameters
    ----------
    path : Travel
        How the slider moves.
    places : sequence of Place
        The dirty places.
    fired : sequence of tuple of int
        What `crossings` returned.
    level_db : callable
        Gives the level of the dirt within a slice of samples, dB re the tone around it.
    size_cents : callable, optional
        Gives the size of the step of pitch at a place, nan where there is none.

    Returns
    -------
    DataFrame
        In order of time.
    """
    rows = []
    for index, first, after in fired:
        place, start = places[index], first / path.rate
        level = level_db(slice(first, after))
        size = math.nan if size_cents is None else size_cents(place)
        number = _number(path, first)
        rows.append(
            (start, after / path.rate, place.kind, place.position, level, size, index, number)
        )
    return pd.DataFrame(rows, columns=list(EVENT_COLUMNS))


def only(places: Sequence[Place], kinds: tuple[Kind, ...]) -> None:
    """Refuse places of a kind that a slider cannot have.

    Raises
    ------
    InputError
        A place of another kind than ``kinds``.
    """
    for place in places:
        if place.kind not in kinds:
            raise InputError(
                f"This slider cannot have a place of kind {place.kind!r}.",
                remedy=f"Use {' or '.join(kinds)}.",
            )


def steps(
    n: int, places: Sequence[Place], fired: Sequence[Crossing], *, rate: int
) -> NDArray[np.float64]:
    """Return the pitch jumps.

    Parameters
    ----------
    n : int
        Number of samples.
    places : sequence of Place
        The dirty places.
    fired : sequence of tuple of int
        What `crossings` returned.
    rate : int
        Sample rate in Hz.

    Returns
    -------
    ndarray, shape (n,)
        Cents by which the pitch is off at every sample.
    """
    offset = np.zeros(n)
    for index, first, after in fired:
        if places[index].kind == "pitch jump":
            offset[first:after] += places[index].size_cents * _edges(after - first, rate)
    return offset


def _number(path: Travel, sample: int) -> int:
    """Return the number of the pass under way at a sample."""
    return int(path.passes["number"][path.passes["start_s"] <= sample / path.rate].iloc[-1])


def _edges(n: int, rate: int) -> NDArray[np.float64]:
    """Window of 1 with smooth ends, above zero at every sample."""
    from_end = np.minimum(np.arange(n), np.arange(n)[::-1]) + 1
    return smooth_step(from_end / (_EDGE_S * rate))


def _to_and_fro(n: int, dwell_s: float, rate: int, rng: np.random.Generator) -> NDArray[np.float64]:
    """State of a bad contact, 0 good to 1 bad: bad at both ends, between them by chance."""
    count = 1 + 2 * max(0, round((n / rate / dwell_s - 1) / 2))
    ends = np.cumsum(rng.exponential(size=count))
    bad = np.searchsorted(ends * (n / ends[-1]), np.arange(n), side="right") % 2 == 0
    window = np.hanning(max(1, round(_CONTACT_S * rate)) + 2)[1:-1]
    smooth = np.convolve(bad, window / window.sum())[len(window) // 2 :][:n]
    return smooth * _edges(n, rate)
