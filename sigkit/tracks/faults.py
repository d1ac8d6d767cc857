"""Bursts and dropouts in a residual track, at a false-alarm rate taken from the track itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, stats

from sigkit.tracks.residual import BIN_S, ResidualTrack

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

SCALES = (1, 3, 10, 30)
"""Lengths in bins over which residual power is gathered."""
ALARMS_PER_S = 0.5 / 600
"""False alarms the thresholds are set for: one in 20 min, all bands and lengths together."""
GUARD_RATIO = 4.0
"""Least excess over the floor, 6 dB: floors are medians over 0.4 s and may be late by that."""
MARGIN = 2.0
"""Factor on the threshold of the law: a floor that is the median of 25 values is uncertain too."""
HEAVY_TAIL = 1.25
"""Most that a capture's own upper tail raises a threshold; sub-threshold bursts lie there too."""
MERGE_BINS, NEAR_BINS = 20, 150
STEEP_DB = 12.0
"""Change of the tone's level within 100 ms beyond which bursts are not looked for (flicks)."""
DROP_RATIO, DEEP_RATIO = 0.5, 0.4
DROP_BINS = (3, 300)


@dataclass(frozen=True, kw_only=True)
class Test:
    """Threshold of one band and length: residual power over floor, and its degrees of freedom."""

    band: str
    bins: int
    usual: float
    ratio: float
    dof: float


@dataclass(frozen=True, kw_only=True)
class Fault:
    """One event: first bin, one past the last bin, its kind, depth of the gain (dropouts)."""

    first: int
    last: int
    kind: str
    depth_db: float


def box(values: NDArray[np.floating], bins: int) -> Array:
    """Return the centred running sum over an odd or even number of bins, 0 beyond the ends."""
    total = np.concatenate([[0.0], np.cumsum(values, dtype=np.float64)])
    first = np.arange(values.size) - bins // 2
    out: Array = total[np.clip(first + bins, 0, values.size)] - total[np.clip(first, 0, None)]
    return out


def ratio_over_floor(track: ResidualTrack, band: str, bins: int) -> NDArray[np.float32]:
    """Return residual power over its floor, gathered over ``bins``; 1 where nothing is known."""
    floor = getattr(track, f"{band}_floor")
    known = floor > 0
    top = box(np.where(known, getattr(track, band), 0), bins)
    bottom = box(floor, bins)
    out = np.ones(top.size, np.float32)
    np.divide(top, bottom, out=out, where=known & (bottom > 0), casting="unsafe")
    return out


_DOF = np.geomspace(0.5, 3000, 400)
_QUARTILES = np.log(stats.chi2.ppf(np.array([[0.25], [0.5], [0.75]]), _DOF))


def set_test(ratio: NDArray[np.floating], band: str, bins: int, alarms_per_s: float) -> Test:
    """Set a threshold from the middle half of a clean ratio's own values.

    The power of noise over a window follows a chi-square law; its degrees of freedom are read
    off the quartiles, which events in less than a quarter of the time leave nearly alone, the
    wider side counting. The threshold is where that law's tail holds the wanted alarm rate,
    raised by up to 1 dB where the largest thousandth of the values lies above the law.
    """
    low, usual, high = np.log(np.maximum(np.quantile(ratio, [0.25, 0.5, 0.75]), 1e-12))
    below, above = _QUARTILES[1] - _QUARTILES[0], _QUARTILES[2] - _QUARTILES[1]
    dof = min(
        np.interp(-(usual - low), -below, _DOF),
        np.interp(-(high - usual), -above, _DOF),
    )
    rare, tail = stats.chi2.isf([1e-3, alarms_per_s * BIN_S], dof) / stats.chi2.median(dof)
    level = float(np.exp(usual))
    heavy = float(np.clip(np.quantile(ratio, 0.999) / (level * rare), 1.0, HEAVY_TAIL))
    return Test(
        band=band,
        bins=bins,
        usual=level,
        ratio=heavy * level * max(MARGIN * float(tail), GUARD_RATIO),
        dof=dof,
    )


def find_bursts(track: ResidualTrack, assessed: Mask) -> tuple[list[Fault], list[Test]]:
    """Return the bursts, in order of time, and the thresholds they passed."""
    hits = np.zeros(assessed.size, bool)
    tests = []
    share = ALARMS_PER_S / (len(SCALES) * len(track.bands_hz))
    for band in track.bands_hz:
        for bins in SCALES:
            ratio = ratio_over_floor(track, band, bins)
            test = set_test(ratio[assessed][:: max(1, bins // 3)], band, bins, share)
            quiet = assessed & (ratio < test.ratio)
            test = set_test(ratio[quiet][:: max(1, bins // 3)], band, bins, share)
            tests.append(test)
            hits |= assessed & (ratio > test.ratio)
    return [_trim(track, a, b) for a, b in runs(hits, gap=MERGE_BINS)], tests


def _trim(track: ResidualTrack, first: int, last: int) -> Fault:
    """Cut a burst to where 98 % of its power above the floor lies."""
    a, b = max(0, first - 15), min(track.power.size, last + 15)
    excess = np.zeros(b - a)
    for band in track.bands_hz:
        floor = getattr(track, f"{band}_floor")[a:b]
        got = getattr(track, band)[a:b] / np.maximum(floor, 1e-30)
        excess += np.where(got > 2 * GUARD_RATIO, got, 0)
    if excess.sum() <= 0:
        return Fault(first=first, last=last, kind="burst", depth_db=np.nan)
    share = np.cumsum(excess) / excess.sum()
    start, stop = np.searchsorted(share, [0.01, 0.99])
    return Fault(
        first=a + int(start), last=a + min(int(stop) + 1, b - a), kind="burst", depth_db=np.nan
    )


def fine_gain(track: ResidualTrack) -> Array:
    """Return the gain of the tone gathered over 3 bins, as rms of the tone."""
    shape = box(track.shape, 3)
    out: Array = track.tone_rms + box(track.cross, 3) / np.maximum(shape, 0.03)
    return out


def too_steep(track: ResidualTrack, dropouts: list[Fault]) -> Mask:
    """Return where the level moves too fast to tell a burst from it.

    That is 0.15 s about flicks and about dropouts; a burst that near counts with the dropout.
    """
    level = 20 * np.log10(np.maximum(track.tone_rms, 1e-7))
    for fault in dropouts:
        a, b = max(0, fault.first - 40), min(level.size - 1, fault.last + 40)
        level[a:b] = np.linspace(level[a], level[b], b - a)
    change = np.zeros(level.size)
    change[50:-50] = np.abs(level[100:] - level[:-100])
    steep = change > STEEP_DB
    for fault in dropouts:
        steep[fault.first : fault.last] = True
    out: Mask = ndimage.binary_dilation(steep, np.ones(2 * NEAR_BINS + 1, bool))
    return out


def find_dropouts(track: ResidualTrack, assessed: Mask) -> list[Fault]:
    """Return the dropouts: the gain falls by more than half and comes back, both steeply."""
    gain = fine_gain(track)
    around = slow_gain(track)
    low = assessed & (gain < DROP_RATIO * around)
    found = []
    for a, b in runs(low, gap=2):
        if not DROP_BINS[0] <= b - a <= DROP_BINS[1] or a < 40 or b > gain.size - 40:
            continue
        before = float(np.median(gain[a - 25 : a - 4]))
        after = float(np.median(gain[b + 4 : b + 25]))
        inside = gain[a:b]
        near = min(before, after)
        steep = gain[a + 2] < 0.55 * gain[a - 5] and gain[b - 3] < 0.55 * gain[b + 4]
        alike = near > 0.4 * max(before, after)
        deepest = float(np.min(box(inside, 3)[1:-1]) / 3)
        if steep and alike and deepest < DEEP_RATIO * np.sqrt(before * after):
            depth = -20 * np.log10(max(deepest, 1e-4 * near) / np.sqrt(before * after))
            found.append(Fault(first=a, last=b, kind="dropout", depth_db=float(depth)))
    return found


def slow_gain(track: ResidualTrack) -> Array:
    """Return the running median of the gain over 0.6 s."""
    step = 10
    coarse = ndimage.median_filter(track.tone_rms[::step].astype(np.float64), 61, mode="nearest")
    out: Array = np.interp(np.arange(track.tone_rms.size), np.arange(coarse.size) * step, coarse)
    return out


def join_faults(bursts: list[Fault], dropouts: list[Fault]) -> list[Fault]:
    """Join bursts with the dropouts whose edges they are, and events nearer than 20 ms."""
    out: list[Fault] = []
    for fault in sorted([*bursts, *dropouts], key=lambda f: f.first):
        if out and fault.first - out[-1].last < MERGE_BINS:
            out[-1] = _joined(out[-1], fault)
        else:
            out.append(fault)
    return out


def _joined(one: Fault, other: Fault) -> Fault:
    drops = [f for f in (one, other) if f.kind == "dropout"]
    return Fault(
        first=min(f.first for f in drops or (one, other)),
        last=max(f.last for f in drops or (one, other)),
        kind="dropout" if drops else "burst",
        depth_db=max((f.depth_db for f in drops), default=np.nan),
    )


def runs(mask: Mask, gap: int = 0) -> list[tuple[int, int]]:
    """Return first and one-past-last index of each run of True, runs nearer than ``gap`` joined."""
    edge = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    out: list[tuple[int, int]] = []
    for a, b in edge.reshape(-1, 2).tolist():
        if out and a - out[-1][1] < gap:
            out[-1] = (out[-1][0], b)
        else:
            out.append((a, b))
    return out


def residual_level(track: ResidualTrack, fault: Fault) -> tuple[float, float, float]:
    """Return the event's residual power, the background's, and the power of the tone around it.

    The gain is drawn straight, in decibels, from the 12 ms before the event to those after it.
    """
    a, b = fault.first, fault.last
    pad, gap = 12, 3
    first, last = max(0, a - gap - pad), min(track.power.size, b + gap + pad)
    gain = track.tone_rms[first:last].astype(np.float64)
    where = np.arange(first, last)
    outside = (where < a - gap) | (where >= b + gap)
    cross, shape, rest = (
        v[first:last].astype(float) for v in (track.cross, track.shape, track.rest)
    )

    def around(side: Mask) -> float:
        if not side.any() or shape[side].sum() <= 0:
            return float(np.median(gain))
        return float(
            np.average(gain[side], weights=shape[side]) + cross[side].sum() / shape[side].sum()
        )

    left = max(around(where < a - gap), 1e-9)
    right = max(around(where >= b + gap), 1e-9)
    place = np.clip((where - a) / max(b - a, 1), 0, 1)
    line = np.exp((1 - place) * np.log(left) + place * np.log(right))
    change = line - gain
    power = np.maximum(rest - 2 * change * cross + change**2 * shape, 0)
    inside = ~outside & (where >= a) & (where < b)
    background = float(np.median(power[outside])) if outside.any() else 0.0
    return float(power[inside].mean()), background, float((line[inside] ** 2).mean())
