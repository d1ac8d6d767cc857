"""Bursts and dropouts in a residual track, at a false-alarm rate taken from the track itself."""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, stats

from sigkit.arrays import runs
from sigkit.tracks.residual import BIN_S, ResidualTrack

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

SCALES = (1, 3, 10, 30)
"""Lengths in bins over which residual power is gathered."""
ALARMS_PER_S = 0.1 / 600
"""False alarms the thresholds are set for: one in 100 min, all bands and lengths together."""
GUARD_RATIO = 4.0
"""Least excess over the floor, 6 dB: floors are medians over 0.4 s and may be late by that."""
MARGIN = 3.0
"""Factor on the threshold of the law: a floor that is the median of 25 values is uncertain too."""
HEAVY_TAIL = 2.5
"""Most that a capture's own upper tail raises a threshold; sub-threshold bursts lie there too."""
LOCAL_BINS, MOST_RAISED = 1000, 16.0
"""Stretch whose own scatter counts, and the most that it raises a threshold."""
MERGE_BINS = 20
"""Events nearer than this are one."""
DROP_RATIO, DEEP_RATIO = 0.5, 0.4
DROP_BINS = (3, 300)
LEAST_SHAPE = 0.03
"""Least power of the tone over 3 ms, re a period's, from which its gain there is read."""


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
    """One event: first bin, one past the last bin, kind, depth in dB (dropouts), size in cents."""

    first: int
    last: int
    kind: str
    depth_db: float = np.nan
    size_cents: float = np.nan
    u_size_cents: float = np.nan


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
    raised by up to 4 dB where the largest thousandth of the values lies above the law.
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


def set_tests(track: ResidualTrack, assessed: Mask) -> list[Test]:
    """Return the thresholds of every band and length, from what is quiet where it is looked at."""
    return [test for test, _ in _tests(track, assessed)]


def find_bursts(track: ResidualTrack, assessed: Mask) -> tuple[list[Fault], list[Test]]:
    """Return the bursts, in order of time, and the thresholds they passed."""
    hits, tests = np.zeros(assessed.size, bool), []
    for test, ratio in _tests(track, assessed):
        tests.append(test)
        near = assessed & (ratio > test.ratio)
        if near.any():
            hits |= near & (ratio > test.ratio * rougher(ratio, assessed, test, _share(track)))
    return [_trim(track, a, b) for a, b in runs(hits, gap=MERGE_BINS)], tests


def _share(track: ResidualTrack) -> float:
    """Return the false alarms a second that each threshold is set for."""
    return ALARMS_PER_S / (len(SCALES) * len(track.bands_hz))


def _tests(track: ResidualTrack, assessed: Mask) -> Iterator[tuple[Test, NDArray[np.float32]]]:
    """Yield each threshold, and the ratio that it is for."""
    for band in track.bands_hz:
        for bins in SCALES:
            ratio, step = ratio_over_floor(track, band, bins), max(1, bins // 3)
            test = set_test(ratio[assessed][::step], band, bins, _share(track))
            quiet = assessed & (ratio < test.ratio)
            yield set_test(ratio[quiet][::step], band, bins, _share(track)), ratio


def rougher(ratio: NDArray[np.floating], assessed: Mask, test: Test, alarms_per_s: float) -> Array:
    """Return by what factor a threshold is raised where the ratio scatters more than elsewhere.

    Where the tone moves in a way that its neighbours foretell badly, the residual is not only
    larger but also less even; the upper quartile over a second tells how much.
    """
    step = 4
    values = np.log(np.maximum(ratio[::step], 1e-9))
    values[~assessed[::step]] = np.log(test.usual)
    size = LOCAL_BINS // step + 1
    high, usual = (ndimage.percentile_filter(values, q, size, mode="nearest") for q in (75, 50))
    dof = np.interp(-(high - usual), -(_QUARTILES[2] - _QUARTILES[1]), _DOF)
    levels = np.interp(np.log(dof), np.log(_DOF[::8]), _tails(alarms_per_s))
    own = np.interp(np.log(test.dof), np.log(_DOF[::8]), _tails(alarms_per_s))
    factor = np.exp(np.maximum(levels - own, 0.0) + np.maximum(usual - np.log(test.usual), 0.0))
    out: Array = np.interp(np.arange(ratio.size), np.arange(factor.size) * step, factor)
    return np.minimum(out, MOST_RAISED)


@functools.cache
def _tails(alarms_per_s: float) -> Array:
    """Return the logarithm of the threshold re the median, for each of some degrees of freedom."""
    dof = _DOF[::8]
    out: Array = np.log(stats.chi2.isf(alarms_per_s * BIN_S, dof) / stats.chi2.median(dof))
    return out


def _trim(track: ResidualTrack, first: int, last: int) -> Fault:
    """Cut a burst to where 98 % of its power above the floor lies."""
    a, b = max(0, first - 15), min(track.power.size, last + 15)
    excess = np.zeros(b - a)
    for band in track.bands_hz:
        floor = np.maximum(getattr(track, f"{band}_floor")[a:b], 1e-30)
        power = getattr(track, band)[a:b]
        excess += np.where(power > 2 * GUARD_RATIO * floor, power - floor, 0)
    if excess.sum() <= 0:
        return Fault(first=first, last=last, kind="burst")
    share = np.cumsum(excess) / excess.sum()
    start, stop = np.searchsorted(share, [0.01, 0.99])
    return Fault(first=a + int(start), last=a + min(int(stop) + 1, b - a), kind="burst")


def fine_gain(track: ResidualTrack) -> Array:
    """Return the gain over 3 bins re the clean tone there."""
    told = box(track.told, 3)
    least = 3 * LEAST_SHAPE * track.tone_rms.astype(np.float64) ** 2
    out: Array = 1 + box(track.cross, 3) / np.maximum(np.maximum(told, least), 1e-20)
    return out


def find_dropouts(track: ResidualTrack, assessed: Mask) -> list[Fault]:
    """Return the dropouts: the gain falls by more than half and comes back, both steeply."""
    gain = fine_gain(track)
    found = []
    for a, b in runs(assessed & (gain < DROP_RATIO), gap=2):
        if not DROP_BINS[0] <= b - a <= DROP_BINS[1] or a < 40 or b > gain.size - 40:
            continue
        before, after = np.median(gain[a - 25 : a - 4]), np.median(gain[b + 4 : b + 25])
        near = float(np.sqrt(max(before, 1e-3) * max(after, 1e-3)))
        if min(before, after) < 0.4 * max(before, after) or near < 0.6:
            continue
        steep = gain[a + 2] < 0.55 * gain[a - 5] and gain[b - 3] < 0.55 * gain[b + 4]
        deepest = float(np.min(box(gain[a:b], 3)[1:-1]) / 3)
        if steep and deepest < DEEP_RATIO * near:
            depth = -20 * np.log10(max(deepest, 1e-4) / near)
            found.append(Fault(first=a, last=b, kind="dropout", depth_db=float(depth)))
    return found


def join_faults(*kinds: list[Fault]) -> list[Fault]:
    """Join events nearer than 20 ms; a burst at the edges of a dropout or a jump is part of it."""
    out: list[Fault] = []
    for fault in sorted((f for kind in kinds for f in kind), key=lambda f: f.first):
        if out and fault.first - out[-1].last < MERGE_BINS:
            out[-1] = _joined(out[-1], fault)
        else:
            out.append(fault)
    return out


RANK = ("burst", "pitch jump", "dropout")


def _joined(one: Fault, other: Fault) -> Fault:
    most = max((one, other), key=lambda f: RANK.index(f.kind))
    alike = [f for f in (one, other) if f.kind == most.kind]
    sizes = [f for f in (one, other) if np.isfinite(f.size_cents)]
    size = max(sizes, key=lambda f: abs(f.size_cents), default=most)
    return Fault(
        first=min(f.first for f in alike),
        last=max(f.last for f in alike),
        kind=most.kind,
        depth_db=max((f.depth_db for f in alike), default=np.nan),
        size_cents=size.size_cents,
        u_size_cents=size.u_size_cents,
    )
