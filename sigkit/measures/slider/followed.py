"""How much of a burst the clean tone has followed, so that it isn't in the residual.

Dirt that moves the tone itself for several periods makes periods that foretell each other: part of
it is taken for the tone. That part shows in the tone's first harmonics, which leave their course
while the burst lasts and come back to it.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sigkit.tracks.faults import Fault
from sigkit.tracks.residual import BIN_S, ResidualTrack

Array = NDArray[np.floating]

APART_PERIODS, BESIDE_PERIODS, BESIDE_BINS = 1.5, 4.0, 20
"""What is left out on either side of a burst, since harmonics are means over a period, and the
stretch beside that which tells their course: so many periods, and bins at least."""
EDGE_BINS = 5
"""What is left out beside a burst where the tone is judged by its brightness."""
HOLE_PERIODS, HOLE_HARMONICS, HOLE_POWER = 7.0, 0.5, 0.1
"""See `foretold_badly`."""
DEGREES = (1, 2, 3)
"""Polynomials of that course; what they differ by isn't known."""
ORDERS = np.arange(1, 4)
BETWEEN_BINS = 120
"""Longest stretch between two bursts over which the tone may not have come back."""
MOST = 2.0
"""Most that a moved tone can differ by, re its own power: another of its kind at any phase."""


def followed(track: ResidualTrack, start: float, stop: float) -> tuple[float, float]:
    """Return the least and the most power of a burst that the clean tone has followed.

    Parameters
    ----------
    track : ResidualTrack
        The capture's track, of a tone whose phase comes back after the burst: not of a slider of
        pitch.
    start, stop : float
        The burst's ends in bins.

    Returns
    -------
    tuple of float
        Mean power over the burst; (0, 0) too near the ends of the capture to tell.

    Notes
    -----
    The least is what the first three harmonics do, less what they do beside it. The most is as if
    the higher ones changed with them: in proportion, or as by a shift in time, where a harmonic's
    change grows with its order; the clean tone's power and slope say how much they hold. A burst
    shorter than a period, whose means these harmonics are, is diluted in them by its share of it.
    """
    first, last = math.floor(start), max(math.ceil(stop), math.floor(start) + 1)
    found = _departure(track, first, last, slice(first, last))
    if found is None:
        return 0.0, 0.0
    least, most, sides = found
    most *= max(1.0, 1 / (max(_hz(track, first, last), 1.0) * BIN_S * (stop - start))) ** 2
    tone = float((track.tone_rms[sides].astype(np.float64) ** 2).mean())
    return least, min(most * _share_above(track, sides), MOST * tone)


def foretold_badly(track: ResidualTrack, start: float, stop: float) -> float:
    """Return the most of a burst's power that may be the tone, foretold badly across it.

    Parameters
    ----------
    track : ResidualTrack
        The capture's track, of a slider that shapes the wave.
    start, stop : float
        The burst's ends in bins.

    Returns
    -------
    float
        Power re the tone's; 0 where the burst is short, or the wave keeps its shape meanwhile.

    Notes
    -----
    Across a hole of many periods harmonics are foretold from both sides. While a resonance passes
    from one harmonic to the next these turn and swell in a way that neither side tells. In 170
    simulated sweeps that left up to 0.1 of the tone's power where the centre of the spectrum went
    half a harmonic or more over 7 periods or more (6 of 10 such bursts were 3 to 16 dB too loud),
    and nothing like it elsewhere.
    """
    first, last = math.floor(start), math.ceil(stop)
    hz = _hz(track, first, last)
    if (stop - start) * BIN_S * hz < HOLE_PERIODS:
        return 0.0
    beside = max(BESIDE_BINS, math.ceil(BESIDE_PERIODS / hz / BIN_S))
    sides = (
        slice(max(first - beside - EDGE_BINS, 0), max(first - EDGE_BINS, 1)),
        slice(last + EDGE_BINS, last + EDGE_BINS + beside),
    )
    if sides[1].start >= track.brightness.size:
        return 0.0
    before, after = (2 ** float(np.median(track.brightness[side])) for side in sides)
    return HOLE_POWER if abs(after - before) > HOLE_HARMONICS else 0.0


def join_moved(track: ResidualTrack, faults: list[Fault]) -> list[Fault]:
    """Return events in which bursts are one where the tone has not come back between them.

    That is where its first harmonics stand off the course before and after both by more than the
    weaker one of the two leaves.
    """
    out: list[Fault] = []
    for fault in faults:
        if out and _one(track, out[-1], fault):
            out[-1] = replace(out[-1], last=fault.last)
        else:
            out.append(fault)
    return out


def _one(track: ResidualTrack, before: Fault, after: Fault) -> bool:
    apart = after.first - before.last
    if {before.kind, after.kind} != {"burst"} or not 0 < apart <= BETWEEN_BINS:
        return False
    found = _departure(track, before.first, after.last, slice(before.last, after.first))
    left = min(float(track.rest[f.first : f.last].mean()) for f in (before, after))
    return found is not None and found[0] > left


def _hz(track: ResidualTrack, first: int, last: int) -> float:
    return float(np.median(track.hz[first:last]))


def _departure(
    track: ResidualTrack, first: int, last: int, part: slice
) -> tuple[float, float, NDArray[np.intp]] | None:
    """Return the least mean and the most power by which part of an event is off its course.

    And the bins beside it that tell the course; None where they are not there.
    """
    period = 1 / max(_hz(track, first, last), 1.0) / BIN_S
    apart = math.ceil(APART_PERIODS * period)
    beside = max(BESIDE_BINS, math.ceil(BESIDE_PERIODS * period))
    a, b = first - apart - beside, last + apart + beside
    if a < 0 or b > track.hz.size:
        return None
    time = np.linspace(-1, 1, b - a)
    sides = np.r_[0:beside, b - a - beside : b - a]
    within = slice(part.start - a, part.stop - a)
    means, tops, noise = [], [], []
    for degree in DEGREES:
        away = _away(track, slice(a, b), time, sides, degree)
        means.append(float(away[within].mean()))
        tops.append(float(away[within].max()))
        noise.append(float(away[sides].mean()))
    least, most = (max(power - min(noise), 0.0) for power in (min(means), max(tops)))
    return least, most, a + sides


def _away(
    track: ResidualTrack, here: slice, time: Array, sides: NDArray[np.intp], degree: int
) -> Array:
    """Return the power by which the first harmonics leave the course that both sides tell."""
    cycles = np.cumsum(track.turned[here].astype(np.float64))
    turn = cycles - _course(time, cycles, sides, degree)
    shape = np.stack([np.ones(time.size), track.even[here], track.third[here]])
    each = track.first[here] * shape * np.exp(2j * np.pi * ORDERS[:, None] * turn)
    power = sum(np.abs(row - _course(time, row, sides, degree)) ** 2 for row in each)
    return np.asarray(power, np.float64)


def _course(time: Array, values: Array, sides: NDArray[np.intp], degree: int) -> Array:
    """Return the polynomial through both sides, everywhere."""
    terms = np.vander(time, degree + 1)
    fit, *_ = np.linalg.lstsq(terms[sides], values[sides], rcond=None)
    out: Array = terms @ fit
    return out


def _share_above(track: ResidualTrack, at: NDArray[np.intp]) -> float:
    """Return by how much more all harmonics change than the first three."""
    tone = track.tone_rms[at].astype(np.float64) ** 2
    power = track.first[at].astype(np.float64) ** 2 * np.stack(
        [np.ones(at.size), np.abs(track.even[at]) ** 2, np.abs(track.third[at]) ** 2]
    )
    slope = tone * 4.0 ** track.brightness[at]
    known = power.sum(axis=0), (ORDERS[:, None] ** 2 * power).sum(axis=0)
    parts = [
        float(all_.mean() / max(of.mean(), 1e-20))
        for all_, of in zip((tone, slope), known, strict=True)
    ]
    return max(1.0, *parts)
