"""Notes of a key sweep, one after the other: where each begins, how long it is held, its pitch."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from sigkit.arrays import Real, runs
from sigkit.tracks.coarse import CoarsePitch
from sigkit.tracks.keyboard.sound import FRAME_S, KeySound, frame_size

ABOVE_FLOOR, BELOW_TYPICAL = 6.3, 1e-3
"""Power over the floor, and re a usual note, from which on something sounds."""
SHORT_GAP_S = 0.03
SHORTEST_S = 0.06
HOP_S = 0.03
RISE_DB, RISE_S = 6.0, 0.04
"""A level that rises by so much in that time begins a note."""
SAME_CENTS = 45.0
SOFT_S, SOFT_FALLS = 0.2, 4.0
"""How long a note lasts at least that begins in the release of a louder one, and the power re its
own down to which that release has to have fallen."""
EDGES = (0.2, 0.1)
"""Shares of a note at its ends that its level is not taken from."""
HELD = 0.4
"""Power re the middle of a note down to which it is held."""


@dataclass(frozen=True)
class KeyNote:
    """One note of a sweep.

    Parameters
    ----------
    start_s, stop_s : float
        From when to when it is held, from the start of the capture.
    hz : float
        Rough pitch.
    power : float
        Mean square while it is held, its ends left out.
    parted : bool
        Whether the level was low before it: not so where notes run into each other.
    under : float
        Power of the notes that go on sounding under it, re its own.
    """

    start_s: float
    stop_s: float
    hz: float
    power: float
    parted: bool = True
    under: float = 0.0

    @property
    def held_s(self) -> float:
        """How long it is held, s."""
        return self.stop_s - self.start_s


class NoteFinder:
    """Finds the notes in a sound by level and rough pitch.

    Parameters
    ----------
    rate : int
        Sample rate in Hz.
    low_hz, high_hz : float
        Range of pitches looked for.
    """

    def __init__(self, rate: int, low_hz: float, high_hz: float) -> None:
        self.rate, self.frame_s, self.low_hz = rate, frame_size(rate) / rate, low_hz
        self.coarse = CoarsePitch(rate, low_hz, min(high_hz, 0.45 * rate))

    def pitch(self, sound: Real, at_s: float) -> float:
        """Rough pitch about an instant, Hz; nan where there is no tone."""
        size = self.coarse.size
        first = min(max(0, round(at_s * self.rate) - size // 2), max(0, sound.size - size))
        frame = sound[first : first + size].astype(np.float64)
        if frame.size < size:
            frame = np.pad(frame, (0, size - frame.size))
        if not frame.any():
            return math.nan
        return self.coarse(frame)[0]

    def find(self, whole: KeySound, power: Real, from_s: float = 0.0) -> list[KeyNote]:
        """Return the notes in order.

        Parameters
        ----------
        whole : KeySound
            The sound; what is known of it.
        power : ndarray, shape (n_frames,)
            Its power, or that of what is left of it.
        from_s : float
            Where to begin.
        """
        least = max(ABOVE_FLOOR * whole.floor, BELOW_TYPICAL * whole.typical)
        on = power > least
        on[: round(from_s / self.frame_s)] = False
        found = []
        for a, b in runs(on, round(SHORT_GAP_S / FRAME_S)):
            if (b - a) * FRAME_S < SHORTEST_S:
                continue
            for first, last, parted in _parts(power, a, b):
                own = self._notes(whole.sound, power, first, last, parted)
                found += own + self._soft(whole.sound, power, own, last)
        return found

    def _soft(self, sound: Real, power: Real, own: list[KeyNote], last: int) -> list[KeyNote]:
        """Return the notes behind a louder one into whose release they begin."""
        if not own:
            return []
        first = round(own[-1].stop_s / self.frame_s) + 1
        if (last - first) * FRAME_S < SOFT_S:
            return []
        middle = (first + last) // 2
        level = float(np.median(power[middle:last]))
        loud = np.flatnonzero(power[first:last] > SOFT_FALLS * level)
        first += int(loud[-1]) + 1 if loud.size else 0
        if (last - first) * FRAME_S < SOFT_S:
            return []
        found = self._notes(sound, power, first, last, False)
        return [
            n
            for n in found
            if n.held_s > SOFT_S and abs(1200 * math.log2(n.hz / own[-1].hz)) > SAME_CENTS
        ]

    def _notes(
        self, sound: Real, power: Real, first: int, last: int, parted: bool
    ) -> list[KeyNote]:
        """Return the notes between two frames, told apart by their pitch."""
        last = _held_until(power, first, last)
        start_s, stop_s = first * self.frame_s, last * self.frame_s
        if stop_s - start_s < SHORTEST_S:
            return []
        reach = min(self.coarse.size / self.rate / 2, (stop_s - start_s) / 2)
        count = max(1, int((stop_s - start_s - 2 * reach) / HOP_S) + 1)
        at = np.linspace(start_s + reach, stop_s - reach, count)
        hz = np.array([self.pitch(sound, float(t)) for t in at])
        groups = _groups(hz)
        out = []
        for number, (i, j) in enumerate(groups):
            begin = start_s if number == 0 else (at[groups[number - 1][1] - 1] + at[i]) / 2
            end = (
                stop_s if number == len(groups) - 1 else (at[j - 1] + at[groups[number + 1][0]]) / 2
            )
            if end - begin < SHORTEST_S:
                continue
            inner = begin + EDGES[0] * (end - begin), end - EDGES[1] * (end - begin)
            level = power[round(inner[0] / self.frame_s) : round(inner[1] / self.frame_s) + 1]
            median = float(np.nanmedian(hz[i:j]))
            out.append(
                KeyNote(
                    float(begin),
                    float(end),
                    median,
                    float(np.mean(level)),
                    parted if number == 0 else False,
                )
            )
        return out


def _groups(hz: Real) -> list[tuple[int, int]]:
    """Return the runs of frames of one pitch, as first and one past last."""
    out: list[tuple[int, int]] = []
    least = 1 if hz.size < 5 else 3
    begin = -1
    for i in range(hz.size + 1):
        goes_on = False
        if begin >= 0 and i < hz.size and math.isfinite(hz[i]):
            usual = float(np.median(hz[max(begin, i - 5) : i]))
            goes_on = abs(1200 * math.log2(hz[i] / usual)) < SAME_CENTS
        if goes_on:
            continue
        if begin >= 0 and i - begin >= least:
            out.append((begin, i))
        begin = i if i < hz.size and math.isfinite(hz[i]) else -1
    return _joined(out, hz)


def _joined(groups: Sequence[tuple[int, int]], hz: Real) -> list[tuple[int, int]]:
    """Join neighbours of one pitch with a few frames of none between."""
    out: list[tuple[int, int]] = []
    for i, j in groups:
        if out:
            k, m = out[-1]
            cents = 1200 * math.log2(float(np.median(hz[i:j])) / float(np.median(hz[k:m])))
            if abs(cents) < SAME_CENTS and i - m <= 4:
                out[-1] = (k, j)
                continue
        out.append((i, j))
    return out


def _parts(power: Real, first: int, last: int) -> list[tuple[int, int, bool]]:
    """Split a run of frames where its level rises anew after a fall."""
    level = 10 * np.log10(np.maximum(power[first:last], 1e-20))
    reach = max(1, round(RISE_S / FRAME_S))
    if level.size < 3 * reach:
        return [(first, last, True)]
    low = ndimage.minimum_filter1d(level, reach, origin=(reach - 1) // 2)
    rises = level - low
    edges = [0]
    for a, b in runs(rises > RISE_DB, reach):
        at = a + int(np.argmax(np.diff(level[max(a - 1, 0) : b + 1]))) if b > a else a
        bottom = max(0, at - reach) + int(np.argmin(level[max(0, at - reach) : at + 1]))
        peak = float(level[edges[-1] : bottom + 1].max()) if bottom > edges[-1] else -math.inf
        if bottom - edges[-1] >= 2 * reach and peak > level[bottom] + RISE_DB:
            edges.append(bottom)
    edges.append(level.size)
    return [(first + a, first + b, True) for a, b in itertools.pairwise(edges)]


def _held_until(power: Real, first: int, last: int) -> int:
    """Return the frame after which a note is let go."""
    middle = float(np.quantile(power[first:last], 0.75))
    loud = np.flatnonzero(power[first:last] > HELD * middle)
    return first + int(loud[-1]) + 1 if loud.size else last
