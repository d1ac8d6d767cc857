"""Where a held level may begin to fall: a search over a grid that takes its sums once."""

from __future__ import annotations

import math

import numpy as np

from sigkit.arrays import Real
from sigkit.measures.envelope.blocks import Blocks
from sigkit.measures.envelope.model import Shape

STARTS, BEST = 24, 3
COARSE = 0.03
"""Share of the level that the search for a knee allows for, as its grid is coarse."""
BELOW = 0.1
"""Sustain below zero, re where the fall begins, that a level of zero may look like."""


def knee_starts(data: Blocks, first: Shape, soft: float) -> list[Shape]:
    """Return the likeliest shapes with a knee at one of many times.

    For a given knee and given time constants the fall is linear in what it falls from, its sustain
    and its last aim, which are solved for.
    """
    part = data.between(first.peak_s, math.inf)
    loud = np.flatnonzero(part.gain > 5 * part.u_gain)
    if loud.size < 8:
        return []
    part = Blocks(*(v[: loud[-1] + 1 + max(4, loud.size // 8)] for v in part))
    loud = np.flatnonzero(part.gain > 5 * part.u_gain)
    since, end = part.time_s - first.peak_s, float(part.time_s[loud[-1]] - first.peak_s)
    weight = 1 / np.hypot(part.u_gain, COARSE * np.maximum(part.gain, soft * first.size))
    back = np.geomspace(end / 300, end, STARTS // 2)
    offs = np.unique(np.concatenate([np.linspace(0, end, STARTS + 2)[1:-1], end - back]))
    offs = offs[offs > 0]
    decays = end * np.geomspace(0.003, 1.5, 9)
    releases = end * np.geomspace(0.003, 1.0, 8)
    left, found = _knees_left(part.gain, weight, since, offs, decays, releases)
    tried = []
    for d, decay_s in enumerate(decays.tolist()):
        for r, release_s in enumerate(releases.tolist()):
            for i in np.argsort(left[:, d, r])[:2].tolist():
                sustain, size, aim = found[i, d, r].tolist()
                # None decays to far below silence, though it may look like a release that does.
                if sustain + size > 0 and sustain > -BELOW * (sustain + size):
                    values = (float(offs[i]), decay_s, release_s, sustain, size, aim)
                    tried.append((float(left[i, d, r]), values))
    tried.sort()
    chosen: list[Shape] = []
    for _, (off, decay_s, release_s, sustain, size, aim) in tried:
        off_s = first.peak_s + off
        if any(abs(off_s - c.gate_off_s) < 0.02 * end for c in chosen):
            continue
        chosen.append(
            first._replace(
                log_size=math.log(sustain + size),
                log_decay_s=math.log(decay_s),
                sustain=sustain / (sustain + size),
                gate_off_s=off_s,
                log_release_s=math.log(release_s),
                last=aim / (sustain + size),
            )
        )
        if len(chosen) == BEST:
            break
    return chosen


def _knees_left(
    gain: Real, weight: Real, since: Real, offs: Real, decays: Real, releases: Real
) -> tuple[Real, Real]:
    """Return what the best fall with each knee and each pair of time constants leaves, and which.

    Before the knee a fall is its sustain and what it falls from, times an exponential; after it,
    both fall together toward the aim. Sums over both sides are taken once for every time constant.
    """
    square = weight**2
    knee = np.searchsorted(since, offs)

    def before(values: Real) -> Real:
        sums = np.zeros((values.shape[0] + 1, *values.shape[1:]))
        np.cumsum(values, axis=0, out=sums[1:])
        return sums[knee]

    own = np.exp(-since[:, None] / decays)
    column = square[:, None]
    moved = np.exp(-offs[:, None] / decays)
    after = since[None, :] >= offs[:, None]
    e = np.exp(-np.maximum(since[None, :] - offs[:, None], 0.0)[:, :, None] / releases)
    late, late_y = after * square, after * square * gain
    ee = np.einsum("ot,otr->or", late, e**2)
    ea = np.einsum("ot,otr->or", late, e * (1 - e))
    aa = np.einsum("ot,otr->or", late, (1 - e) ** 2)
    ye, ya = np.einsum("ot,otr->or", late_y, e), np.einsum("ot,otr->or", late_y, 1 - e)
    normal = np.empty((offs.size, decays.size, releases.size, 3, 3))
    pull = np.empty((*normal.shape[:3], 3))
    tilt = moved[:, :, None]
    normal[..., 0, 0] = before(square)[:, None, None] + ee[:, None]
    normal[..., 0, 1] = before(column * own)[:, :, None] + tilt * ee[:, None]
    normal[..., 1, 1] = before(column * own**2)[:, :, None] + tilt**2 * ee[:, None]
    normal[..., 0, 2] = ea[:, None]
    normal[..., 1, 2] = tilt * ea[:, None]
    normal[..., 2, 2] = aa[:, None]
    for i, j in ((1, 0), (2, 0), (2, 1)):
        normal[..., i, j] = normal[..., j, i]
    pull[..., 0] = before(square * gain)[:, None, None] + ye[:, None]
    pull[..., 1] = before((square * gain)[:, None] * own)[:, :, None] + tilt * ye[:, None]
    pull[..., 2] = ya[:, None]
    normal += 1e-9 * np.trace(normal, axis1=-2, axis2=-1)[..., None, None] * np.eye(3)
    found = np.linalg.solve(normal, pull[..., None])[..., 0]
    left = float(square @ gain**2) - np.sum(pull * found, axis=-1)
    return left, found
