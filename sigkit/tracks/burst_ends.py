"""Where a burst begins and ends, and how strong it is, from the residual of all frequencies.

The bands that bursts are found in ring for some milliseconds; the residual itself doesn't.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigkit.arrays import runs
from sigkit.tracks.faults import Fault
from sigkit.tracks.residual import ResidualTrack

Array = NDArray[np.float64]

SHARE = 0.005
"""Share of a burst's energy that lies before its start, and after its stop."""
TAIL_SHARE = 0.05
"""The same for a burst's core: what lies beyond may be the tone, shaken by it."""
WINDOW_BINS, GAP_BINS, APART_BINS, AROUND_BINS = 15, 4, 5, 100
"""Bins beyond a burst as found in which its ends may lie, and quiet ones that part it from what
lies there; bins beside it and stretch before and after, for its background."""
OUTLIER = 6.0
"""Background bins above this many medians are other events."""
SIGMAS = 3.0
"""A bin counts where it stands so many deviations of the background above it."""
KEEN, BLUNT = 2.5, 8.0
"""... and so many times above what is usual at its place of the period, in one of the bands."""


@dataclass(frozen=True, kw_only=True)
class Extent:
    """Ends and power of an event.

    Parameters
    ----------
    start, stop : float
        First and last instant, in bins, between which 99 % of the energy lies.
    power : float
        Mean of the residual's power there less the background's, over one bin at least.
    background : float
        Mean power of the residual in the 100 ms before and after.
    u_background : float
        Standard deviation of that power between stretches as long as the event.
    u_ends_db : float
        By how many dB the power changes as the ends are drawn bluntly, half of that.
    u_hidden_db : float
        The same as a tail that the noise hides would change it.
    tails_db : float
        By how many dB the power of a burst's core is above this one: 90 % of the energy in less
        time than 99 % takes.
    dull_tails : float
        By how much less of what lies beyond the core is in the bands than of the core, 0 to 1: the
        tone is shaken there, the burst is over.
    even_tails_db : float
        By how many dB the power is above this one without the tails that lie on both sides alike.
        A contact begins at once; what foretells the periods beside it spills both ways.
    """

    start: float
    stop: float
    power: float
    background: float
    u_background: float
    u_ends_db: float
    u_hidden_db: float
    tails_db: float
    dull_tails: float
    even_tails_db: float


def extent_of(track: ResidualTrack, fault: Fault) -> Extent:
    """Return the ends and the power of an event.

    Parameters
    ----------
    track : ResidualTrack
        The capture's track.
    fault : Fault
        A burst, whose ends are found anew, or another event, whose ends are kept.

    Returns
    -------
    Extent
        Ends between bins: the centre of a bin's energy says where in it that begins or ends.
    """
    a = max(0, fault.first - WINDOW_BINS)
    b = min(track.rest.size, fault.last + WINDOW_BINS)
    background, each = _background(track, fault)
    if fault.kind == "burst":
        keen, blunt = (_drawn(track, fault, a, b, background, each, k) for k in (KEEN, BLUNT))
        if keen is not None:
            start, stop, power, tails_db, dull_tails, even_tails_db = keen
            other = power if blunt is None else blunt[2]
            return Extent(
                start=start,
                stop=stop,
                power=power,
                background=background,
                u_background=_spread_over(each, stop - start),
                u_ends_db=abs(10 * math.log10(power / other)) / 2,
                u_hidden_db=_hidden_db(track, fault, background, each),
                tails_db=tails_db,
                dull_tails=dull_tails,
                even_tails_db=even_tails_db,
            )
    rest = track.rest[fault.first : fault.last].astype(np.float64)
    return Extent(
        start=float(fault.first),
        stop=float(fault.last),
        power=float(rest.mean()) - background,
        background=background,
        u_background=_spread_over(each, fault.last - fault.first),
        u_ends_db=0.0,
        u_hidden_db=0.0,
        tails_db=0.0,
        dull_tails=0.0,
        even_tails_db=0.0,
    )


def _drawn(
    track: ResidualTrack,
    fault: Fault,
    a: int,
    b: int,
    background: float,
    each: Array,
    ratio: float,
) -> tuple[float, float, float, float, float, float] | None:
    """Return start, stop, power and tails of a burst of the bins that stand out by this ratio."""
    spread = float(each.std()) if each.size > 2 else background
    rest = track.rest[a:b].astype(np.float64)
    excess = rest - background
    loud, heard = np.zeros(b - a, bool), np.zeros(b - a)
    for band in track.bands_hz:
        power, usual = (getattr(track, name)[a:b] for name in (band, f"{band}_floor"))
        loud |= power > ratio * usual
        heard += np.maximum(power - usual, 0.0)
    loud &= excess > SIGMAS * spread
    for first, last in runs(loud, gap=GAP_BINS):
        if a + last < fault.first or a + first >= fault.last:
            loud[first:last] = False
    used = np.where(loud, excess, 0.0)
    total = float(used.sum())
    if not total > 0:
        return None
    moment = track.centre[a:b].astype(np.float64) * rest - 0.5 * background
    centre = np.divide(moment, excess, out=np.full(b - a, 0.5), where=loud)
    start, stop = _ends(used / total, centre, SHARE)
    core = _ends(used / total, centre, TAIL_SHARE)
    stop = max(stop, start + 1.0)
    length = stop - start
    tails_db = 10 * math.log10(length / max(core[1] - core[0], 1.0))
    # An even burst has this share of its length on either side of its core.
    usual = (TAIL_SHARE - SHARE) / (1 - 2 * TAIL_SHARE) * (core[1] - core[0])
    spilled = 2 * max(min(core[0] - start, stop - core[1]) - usual, 0.0)
    even_tails_db = 10 * math.log10(length / max(length - spilled, 1.0))
    inside = loud & (np.arange(b - a) > core[0] - 1) & (np.arange(b - a) < core[1])
    shares = [heard[of].sum() / max(excess[of].sum(), 1e-30) for of in (inside, loud & ~inside)]
    dull = float(np.clip(1 - shares[1] / max(shares[0], 1e-30), 0, 1))
    return a + start, a + stop, total / length, tails_db, dull, even_tails_db


def _background(track: ResidualTrack, fault: Fault) -> tuple[float, Array]:
    """Return the mean power beside an event, and that of each bin there."""
    a, b = fault.first, fault.last
    before = slice(max(0, a - APART_BINS - AROUND_BINS), max(0, a - APART_BINS))
    near = np.concatenate([track.rest[before], track.rest[b + APART_BINS :][:AROUND_BINS]])
    near = near.astype(np.float64)
    quiet = near[near < OUTLIER * np.median(near) + 1e-30] if near.size else near
    return (float(quiet.mean()) if quiet.size else 0.0), quiet


def _hidden_db(track: ResidualTrack, fault: Fault, background: float, each: Array) -> float:
    """Return half of what a decay's length is short by, in dB, where it sinks into the noise.

    An exponential decay holds 1 - ``SHARE`` of its energy until it has fallen by 1/``SHARE``.
    """
    peak = float(track.rest[fault.first : fault.last].max()) - background
    lost = max((KEEN - 1) * background, SIGMAS * float(each.std()) if each.size else 0.0)
    seen = math.log(max(peak / max(lost, 1e-30), 1.5))
    return 5 * math.log10(max(1.0, -math.log(SHARE) / seen))


def _spread_over(each: Array, bins: float) -> float:
    """Return the standard deviation of the background's mean over so many bins."""
    size = max(1, round(bins))
    parts = each[: each.size // size * size].reshape(-1, size).mean(axis=1)
    return float(parts.std()) if parts.size > 2 else float(each.mean() if each.size else 0.0)


def _ends(share: Array, centre: Array, beyond: float) -> tuple[float, float]:
    """Return the ends beyond each of which this part of the energy lies, in bins."""
    total = np.cumsum(share)
    out = []
    for part in (beyond, 1 - beyond):
        i = min(int(np.searchsorted(total, part)), share.size - 1)
        middle = float(np.clip(centre[i], 0.0, 1.0))
        first, last = (2 * middle - 1, 1.0) if middle > 0.5 else (0.0, 2 * middle)
        within = (part - (total[i] - share[i])) / max(float(share[i]), 1e-30)
        out.append(i + first + (last - first) * min(max(within, 0.0), 1.0))
    return out[0], out[1]
