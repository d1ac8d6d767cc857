"""The phase of a capture's tone over time, counted on from stretch to stretch."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.arrays import Flags, Real
from sigkit.tracks.slopes import StretchPhase

MOST_PER_S = 600.0
"""Phases kept for each second; of higher notes the means over some periods."""
LEAST_COMMON = 4
"""Periods that two stretches must share for the count to go on from one to the other."""


@dataclass(frozen=True, eq=False)
class PhaseTrack:
    """Phase of a tone, about once a period.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Instants from the start of the capture, increasing; at most 600 a second.
    cycles : ndarray, shape (n,)
        Phase of the fundamental in cycles, counted on through each unbroken tone.
    u_cycles : ndarray, shape (n,)
        Its standard deviation by additive noise: that of white noise with the same density at low
        frequencies. Neighbouring periods share sound.
    tone : ndarray of int, shape (n,)
        Number of the unbroken tone, 0, 1, ...: between two of them the count is lost.
    """

    time_s: Real
    cycles: Real
    u_cycles: Real
    tone: NDArray[np.int32]


class PhaseJoiner:
    """Joins the phases of overlapping stretches of sound into unbroken tones."""

    def __init__(self) -> None:
        self._parts: list[tuple[Real, Real, Real, int]] = []
        self._beyond: tuple[Real, Real] | None = None
        self._tones = 0

    def add(self, phase: StretchPhase, offset_s: float, from_s: float, to_s: float) -> None:
        """Take a stretch's phases between two instants of the capture.

        Parameters
        ----------
        phase : StretchPhase
            Phases of a stretch.
        offset_s : float
            Start of its sound in the capture.
        from_s, to_s : float
            Instants whose phases this stretch gives; those after them are for joining.
        """
        time_s = phase.time_s + offset_s
        for run in _runs(phase.held):
            t, cycles, u = time_s[run], phase.cycles[run], phase.u_cycles[run]
            step = self._step_to(t, cycles)
            if step is None:
                self._tones += 1
            else:
                cycles = cycles + step
            own = (t >= from_s) & (t < to_s)
            self._beyond = (t, cycles) if t[-1] >= to_s else None
            if own.any():
                self._parts.append((*_thinned(t[own], cycles[own], u[own]), self._tones - 1))

    def _step_to(self, time_s: Real, cycles: Real) -> float | None:
        """Cycles between this count and the last one, from what both know of the same sound."""
        if self._beyond is None:
            return None
        before_s, before = self._beyond
        common = (time_s >= before_s[0]) & (time_s <= before_s[-1])
        if np.count_nonzero(common) < LEAST_COMMON:
            return None
        difference = np.interp(time_s[common], before_s, before) - cycles[common]
        if np.ptp(difference) > 0.25:
            return None
        return float(np.mean(difference))

    def track(self) -> PhaseTrack:
        """Hand over all phases taken in."""
        if not self._parts:
            empty = np.empty(0)
            return PhaseTrack(empty, empty, empty, np.empty(0, np.int32))
        size = sum(part[0].size for part in self._parts)
        out = PhaseTrack(np.empty(size), np.empty(size), np.empty(size), np.empty(size, np.int32))
        at = 0
        # Parts go as they are copied, so that no more than one of them is held twice.
        self._parts.reverse()
        while self._parts:
            *values, tone = self._parts.pop()
            own = slice(at, at + values[0].size)
            for whole, part in zip((out.time_s, out.cycles, out.u_cycles), values, strict=True):
                whole[own] = part
            out.tone[own] = tone
            at = own.stop
        return out


def _runs(held: Flags) -> list[slice]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], held, [False]])))
    return [slice(a, b) for a, b in edges.reshape(-1, 2).tolist() if b - a >= LEAST_COMMON]


def _thinned(time_s: Real, cycles: Real, u_cycles: Real) -> tuple[Real, Real, Real]:
    """Take means over whole groups of periods where there are more than are kept."""
    rate = (time_s.size - 1) / max(time_s[-1] - time_s[0], 1e-9)
    group = max(1, math.ceil(rate / MOST_PER_S - 1e-6))
    whole = time_s.size // group * group
    if group == 1 or not whole:
        return time_s, cycles, u_cycles
    means = (v[:whole].reshape(-1, group).mean(axis=1) for v in (time_s, cycles, u_cycles))
    t, c, u = means
    return t, c, u / np.sqrt(group)
