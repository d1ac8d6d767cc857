"""What may move the marks of a glide beside its law: a column for each, one standard deviation."""

from __future__ import annotations

import math

import numpy as np

from sigkit.arrays import Real
from sigkit.measures.glide.colour import CORNERS_HZ
from sigkit.measures.glide.model import Fit, Pieces, phase_of

ORDERS, SHIFT = (2, 3, 4, 5, 6, 7), 0.12
"""Beyond a mere delay the phase of a filter left open is odd in frequency, and what it takes from
the level moves marks beside the middle of the wave by even orders: of each, so many periods at its
corner. (A pole of four, 4 arctan(x), has 0.21, 0.13 and 0.09 of the odd ones; two Butterworth poles
0.08 and 0.05 of the first two: closed form.)"""
CENTS_S = 1 / 1200
"""A drift of a cent a second, octaves a second."""
USUAL_HZ, SETTLINGS, SETTLES = 8.0, 2, 3.0
"""Corner of a coupling through which what is not settled fades; beginning and end of a glide; and
periods in the glide up to which all of what the coupling does may be unsettled."""
RECORDER, TURNS = 0.46, np.arange(1, 7) / 6
"""Part of the sample rate above which a recorder cuts harmonics off; turns a harmonic by which what
one does to a mark may differ from the next: by its phase there, whatever that is."""
LEAST_RIPPLE = 1e-5
"""Periods of such a ripple below which there is none."""
WAVES = ((1, 1.0), (2, 1 / 9), (3, 1 / 9))
"""Orders in a vibrato, and how large each may be re the sine that was taken out."""


def phases(fit: Fit) -> Real:
    """Columns of each family's own phase, which is free."""
    return np.asarray((fit.family[:, None] == np.unique(fit.family)) / fit.sd[:, None])


def filters(fit: Fit) -> Real:
    """Columns of what filters may shift each family of marks by, one standard deviation each.

    That of a filter at the lowest corner, or at the highest pitch of the glide if that is higher;
    family after family, each by its orders.
    """
    hz = 2.0 ** fit.log2_at(fit.time_s)
    top = float(hz.max())
    columns = []
    for family in np.unique(fit.family):
        for order in ORDERS:
            at_top = SHIFT * float(beyond(top / CORNERS_HZ[:1], order)[0])
            columns.append(np.where(fit.family == family, at_top * (hz / top) ** order, 0) / fit.sd)
    return np.column_stack(columns)


def beyond(corners: Real, order: int) -> Real:
    """Return what an order comes to at a pitch of so many corners, re that at the corner.

    Beyond the corner the filter's own phase ends, and what it lacks of a delay grows as the delay.
    """
    return np.where(corners < 1, corners**order, corners)


def ripples(fit: Fit) -> Real:
    """Columns of what the highest harmonics do to each family, one standard deviation each.

    A harmonic of order n beside an edge is 1/(pi n) of its height, where the slope is 2 n of it a
    period: one that comes or goes moves the marks by 1/(2 pi n^2) periods (Fourier series of a saw;
    as much less as the wave is rounder). That of the next has another phase there.
    """
    hz = 2.0 ** fit.log2_at(fit.time_s)
    top = 2.0 ** float(max(fit.numbers[2:4]))
    columns = []
    for family in np.unique(fit.family):
        ripple = float(fit.ripple[family])
        if ripple < LEAST_RIPPLE:
            continue
        size = ripple / math.sqrt(2 * TURNS.size) * (hz / top) ** 2 / fit.sd
        turns = 2 * math.pi * TURNS[:, None] * (RECORDER * fit.rate / hz)
        own = np.where(fit.family == family, size, 0.0)
        columns += [*(own * np.cos(turns)), *(own * np.sin(turns))]
    return np.column_stack(columns) if columns else np.empty((fit.time_s.size, 0))


def waver(fit: Fit) -> Real:
    """Columns of a vibrato as large as the one that was taken out, and of what it lacks of a sine.

    In two phases each. A triangle has a ninth of its third harmonic (Fourier series).
    """
    if fit.waver is None:
        return np.empty((fit.time_s.size, 0))
    pieces = Pieces.of(fit.law, fit.numbers, fit.time_s)
    hz = 2.0 ** fit.log2_at(pieces.at)
    turns = 2 * math.pi * fit.waver.rate_hz * pieces.at
    size = hz * math.log(2) / 1200 * fit.waver.cents
    waves = [part * size * wave(k * turns) for k, part in WAVES for wave in (np.cos, np.sin)]
    return np.column_stack([pieces.total(wave) / fit.sd for wave in waves])


def landing(fit: Fit) -> Real:
    """Column of what a note that has not landed does, where the fit has none of it."""
    if fit.model.beside:
        return np.empty((fit.time_s.size, 0))
    slopes = np.array([1.0, 0.0])
    with_it, without = (
        phase_of(fit.law, fit.numbers, extra, fit.time_s) for extra in (slopes, 0 * slopes)
    )
    return np.asarray((with_it - without) / fit.sd)[:, None]


def settling(fit: Fit) -> Real:
    """Columns of what a coupling does until it has settled, where a glide begins and ends.

    For every hertz of its corner, all of what it takes on the lower note; it fades as through a
    usual coupling. That much is expected of a glide of three periods, of a longer one its part.
    """
    end_s = fit.start_s + fit.law.when(0.99) * fit.seconds
    hz = 2.0 ** fit.log2_at(fit.time_s)
    all_of_it = fit.shift * hz / hz.min() / fit.sd
    columns = []
    for at in (fit.start_s, end_s):
        later = fit.time_s - at
        fades = np.exp(-2 * math.pi * USUAL_HZ * np.maximum(later, 0.0))
        columns.append(np.where(later > 0, fades * all_of_it, 0.0))
    return np.column_stack(columns)


def periods(fit: Fit) -> float:
    """Return the periods of the carrier in a glide, at least three."""
    ends = np.array([fit.start_s, fit.start_s + fit.law.when(0.99) * fit.seconds])
    return max(SETTLES, float(np.diff(np.interp(ends, fit.time_s, fit.cycles))[0]))


def drift(fit: Fit) -> Real:
    """Column of what a drift of a cent a second does to the marks."""
    pieces = Pieces.of(fit.law, fit.numbers, fit.time_s)
    hz = 2.0 ** fit.log2_at(pieces.at)
    gone = pieces.total(math.log(2) * CENTS_S * hz * (pieces.at - fit.start_s))
    return np.asarray(gone / fit.sd)[:, None]
