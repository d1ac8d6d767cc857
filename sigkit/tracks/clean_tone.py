"""The tone of a stretch of sound as it would be without dirt, foretold period by period."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from sigkit.arrays import runs
from sigkit.tracks.edges import HUM_HZ
from sigkit.tracks.moving_phase import HOP_S, follow_phase
from sigkit.tracks.periods import Cut, cut_periods
from sigkit.tracks.sound import Sound

Array = NDArray[np.floating]
Mask = NDArray[np.bool_]

LONGEST_GAP_S = 0.35
CHOICE_S = 0.06
"""Stretch over which one way of cutting is chosen, by the median of what it leaves."""
CLEARLY = 1.5
"""Ratio by which a plain cut has to leave less power, so that it is taken where there are edges."""
HANDOVER = 0.025
"""Share of a period over which one family of edges gives way to the other."""
NONE = 1e-3
"""A smaller share of a family is none."""


@dataclass(frozen=True, kw_only=True, eq=False)
class CleanTone:
    """A tone as foretold, and what is known of it.

    Parameters
    ----------
    sound : ndarray, shape (n_samples,)
        The clean tone.
    corner : ndarray, shape (n_samples,)
        Change of its slope from period to period, per period.
    bend : ndarray, shape (n_samples,)
        The same from one period to the next: where it is large, the tone changes too fast.
    cycles : ndarray, shape (n_samples,)
        Phase in cycles.
    quick : ndarray, shape (n_samples,)
        The same, but quick to follow a jump: by each edge or each period.
    known : ndarray of bool, shape (n_samples,)
        Where whole periods were cut.
    middle : ndarray, shape (n_periods,)
        Phase of the middle of each period.
    even, third : ndarray of complex, shape (n_periods,)
        Second and third harmonic re the first, at the phase of the first.
    frame_s, clarity : ndarray, shape (n_frames,)
        Middle of each frame of the pitch path, and its likeness one period apart.
    heard : ndarray of bool, shape (n_frames,)
        Frames that hold a clear tone.
    """

    sound: Array
    corner: Array
    bend: Array
    cycles: Array
    quick: Array
    known: Mask
    middle: Array
    even: NDArray[np.complex128]
    third: NDArray[np.complex128]
    frame_s: Array
    clarity: Array
    heard: Mask

    def sounding(self, count: int, bin_s: float) -> Mask:
        """Return where the tone sounds, bin by bin, with short gaps closed."""
        tone = np.zeros(count, bool)
        for at in self.frame_s[self.heard]:
            first = max(0, round((at - HOP_S) / bin_s))
            tone[first : round((at + HOP_S) / bin_s) + 1] = True
        for a, b in runs(tone, gap=round(LONGEST_GAP_S / bin_s) + 1):
            tone[a:b] = True
        return tone


def clean_tone(x: Array, rate: int) -> CleanTone | None:
    """Foretell the tone of a stretch of sound from period to period.

    Parameters
    ----------
    x : ndarray, shape (n_samples,)
        The sound, without offset.
    rate : int
        Sample rate in Hz.

    Returns
    -------
    CleanTone or None
        None where there is no tone.

    Notes
    -----
    Periods are cut on the phase of the fundamental and, where the tone has steep edges, on its
    rising and its falling edges too, so that an edge that moves (pulse width) or comes a little
    early or late (jitter) lies on its neighbours; near each edge its own cut counts. The cut on the
    phase alone is made where edges are not seen all the time, and taken where it leaves less than
    two thirds of what the edges leave in the 60 ms around.
    """
    path = follow_phase(x, rate)
    if path is None or path.cycles[-1] - path.cycles[0] < 12:
        return None
    sound = Sound(x, rate)
    told, kink, curve = np.zeros(x.size), np.zeros(x.size), np.zeros(x.size)
    quick = path.quick.copy()
    known = np.zeros(x.size, bool)
    middles, ratios, seams = [], [], []
    for plain, edged in cut_periods(sound, path.cycles, rate):
        base = plain or edged[0]
        phase = path.cycles - base.first
        here = (phase >= base.keep[0]) & (phase < base.keep[1])
        first, last = np.flatnonzero(here)[[0, -1]] if here.any() else (0, -1)
        part = slice(first, last + 1)
        told[part], kink[part], curve[part] = _best(x[part], plain, edged, part, rate)
        known[part] = True
        if edged:
            quick[part] = _on_edges(edged[0], path.cycles[part])
            seams += [part.start, part.stop]
        a, b = round(base.keep[0]), round(base.keep[1])
        middles.append(base.first + np.arange(a, b) + 0.5)
        ratios.append(_harmonics(base.told[a:b]))
    even, third = np.concatenate(ratios, axis=1)
    return CleanTone(
        sound=told,
        corner=kink,
        bend=curve,
        cycles=path.cycles,
        quick=np.maximum.accumulate(_joined(quick, path.cycles, seams)),
        known=known,
        middle=np.concatenate(middles),
        even=even,
        third=third,
        frame_s=path.frame_s,
        clarity=path.clarity,
        heard=path.heard,
    )


def _joined(quick: Array, cycles: Array, seams: list[int]) -> Array:
    """Return a phase without steps at its seams."""
    away = quick - cycles
    for seam in seams:
        if 0 < seam < away.size:
            away[seam:] -= away[seam] - away[seam - 1]
    out: Array = cycles + away
    return out


def _best(
    x: Array, plain: Cut | None, edged: list[Cut], part: slice, rate: int
) -> tuple[Array, Array, Array]:
    """Return the foretold sound, its corners and bends, from what leaves less about there."""
    if plain is None:
        return _of_edges(edged, part)
    own = plain.read(part)
    if not edged:
        return own
    other = _of_edges(edged, part)
    step = max(1, round(0.005 * rate))
    starts = np.arange(0, x.size, step)
    left = [np.add.reduceat(_spread(x - y, rate), starts) for y in (own[0], other[0])]
    size = 2 * round(CHOICE_S / 0.005 / 2) + 1
    whole = math.ceil(plain.period / step) + 1
    left = [ndimage.uniform_filter1d(v, whole, mode="nearest") for v in left]
    smooth = [ndimage.median_filter(v, size, mode="nearest") for v in left]
    better = (smooth[1] < CLEARLY * smooth[0]).astype(float)
    if better.all():
        return other
    share = np.interp(np.arange(x.size), starts + step / 2, better)
    out, kink, curve = (share * b + (1 - share) * a for a, b in zip(own, other, strict=True))
    return out, kink, curve


def _of_edges(edged: list[Cut], part: slice) -> tuple[Array, Array, Array]:
    """Return the same from each family of edges near its own."""
    if len(edged) == 1:
        return edged[0].read(part)
    near = _nearness(edged, part)
    out = np.zeros((3, near.size), np.float32)
    for cut, share in zip(edged, (near, 1 - near), strict=True):
        some = np.flatnonzero(share > 0)
        for whole, own in zip(out, cut.read(part, some), strict=True):
            whole[some] += share[some] * own
    told, kink, curve = out
    return told, kink, curve


def _on_edges(cut: Cut, cycles: Array) -> Array:
    """Return the phase on which every edge seen comes after a whole period."""
    row = np.flatnonzero(cut.sure)
    place = np.median(cut.edge[row] - row)
    whole = row + place + cut.first
    seen = np.maximum.accumulate(cut.edge[row] + cut.first)
    out: Array = cycles + np.interp(cycles, seen, whole - seen)
    return out


def _spread(left: Array, rate: int) -> Array:
    """Return the power of what is left above the hum, its highs as heavy as its lows."""
    high = left - ndimage.uniform_filter1d(left, max(3, round(rate / HUM_HZ)))
    out: Array = high**2 + np.diff(left, append=0.0) ** 2
    return out


def _nearness(cuts: list[Cut], part: slice) -> NDArray[np.float32]:
    """Return how much the first of two cuts counts: all near its own edge."""
    one, other = (np.abs(cut.phase_at(part) % 1 - 0.5).astype(np.float32) for cut in cuts)
    share = 1 / (1 + np.exp(np.clip((one - other) / HANDOVER, -40, 40)))
    out: NDArray[np.float32] = np.clip((share - NONE) / (1 - 2 * NONE), 0, 1)
    return out


def _harmonics(rows: NDArray[np.float32]) -> NDArray[np.complex128]:
    """Return the second and third harmonic of each period re its first, at its phase."""
    turn = 2 * np.pi * np.outer(np.arange(rows.shape[1]), (1, 2, 3)) / rows.shape[1]
    real, imaginary = (rows @ part(turn).astype(np.float32) for part in (np.cos, np.sin))
    c1, c2, c3 = (real - 1j * imaginary).astype(complex).T
    size = np.abs(c1) + 1e-9
    return np.stack(
        [c2 / size * (size / (c1 + 1e-12)) ** 2, c3 / size * (size / (c1 + 1e-12)) ** 3]
    )
