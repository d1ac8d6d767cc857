"""One note's envelope: where it begins, peaks and is let go, found by fits from many starts."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sigkit.measures.envelope_blocks import Blocks, Source, blocks_of, edges_about
from sigkit.measures.envelope_model import (
    Law,
    LeastSquares,
    Shape,
    fit_curve,
    rise_share_s,
    shape_curve,
)
from sigkit.measures.envelope_release import fit_release

FINE, FINER_GROWTH = 150, 24
"""Blocks in a rise or a fall, and distance from it per length of block at last."""
STARTS, BEST = 24, 3
SOFT = (0.1, 0.0)
"""Levels re the peak below which the search for a knee looks less closely: an amplifier that closes
bends at the very bottom, and a low sustain is told there only."""
COARSE = 0.03
"""Share of the level that the search for a knee allows for, as its grid is coarse."""
KNEE = 30.0
"""Gain in chi-square over its scatter that a knee must bring."""
FLAT = 12.0
"""The same for a decay, beside a level that is held."""
ANOTHER_LAW = 1.3
"""Factor by which another law must leave less."""
BAD, BAD_SHARE = 2.0, 0.003
"""Scatter of a linear fit, in units of the noise and re the peak, above which an exponential
amplifier is tried."""
CONVEX = -0.5
"""Bend of a rise below which no capacitor charges through a linear amplifier."""
MANY = 150
"""Steps of a fit whose parameters hang together."""
LET_GO = 8
"""Times at which the end of a gate is looked for in a note that seemed to have none."""
STRAIGHT = 0.05
"""Logarithm of a power that is taken for 1: the recording's small faults bend as much."""
STEEP = 2.5
"""Power of the control from which on an amplifier may be an exponential one."""
LEAST = 1e-4
"""Level re the peak from which an exponential amplifier is thought to start."""
BENT, BENT_SHARE = 1.15, 0.0003
"""The same for a power law, which is nearer."""
POWERS = (1.0, 1.6)
"""Powers of the control that a fit of one begins with."""
DIM = 3.0
"""Noise below which the logarithm of an envelope says nothing."""
ASTRAY = 0.01
"""Scatter re the peak from which on more starts are tried."""
NEAR_PEAK, NEAR_SHARE = 0.5, 0.3
"""The same below which a gate's end is seldom one, and what it must then bring of all that is left."""
AT_PEAK = 0.1
"""Time between peak and release, in time constants of it, below which there is none."""
OFF_SHARE = 0.002
"""Change of the end of the gate, in time constants of the release, that the rise is fitted anew
for."""

ATTACK = ("log_size", "onset_s", "log_rise_s", "bend", "base")
DECAY = ("log_decay_s", "sustain")
RELEASE = ("gate_off_s", "log_release_s", "last")


@dataclass(frozen=True, eq=False)
class NoteFit:
    """Shape of a note.

    Parameters
    ----------
    shape : Shape
        Its parameters.
    free : tuple of str
        Those that were fitted to rise and fall.
    rise : LeastSquares
        Fit from the onset to the release, or to the end where there is no knee.
    knee : bool
        Whether the end of the gate shows.
    release : LeastSquares or None
        Fit of the release, its values as from `sigkit.measures.envelope_release`.
    law : {"linear", "power", "exponential"}
        What the amplifier makes of the control.
    law_ratio : float
        How much more a linear one leaves; 1 where no other was tried.
    blocks : Blocks
        What was fitted.
    near : tuple of int
        Residuals of the release about the end of the gate.
    """

    shape: Shape
    free: tuple[str, ...]
    rise: LeastSquares
    knee: bool
    release: LeastSquares | None
    law: Law
    law_ratio: float
    blocks: Blocks
    near: tuple[int, int] = (0, 0)


def fit_note(source: Source, start_s: float, stop_s: float, shortest_s: float) -> NoteFit | None:
    """Fit the shape of one note.

    Parameters
    ----------
    source : Source
        The envelope.
    start_s, stop_s : float
        A stretch that holds the whole note and no other.
    shortest_s : float
        Length of the shortest block.

    Returns
    -------
    NoteFit or None
        None where nothing rises.
    """
    guess = _guess(source, start_s, stop_s, shortest_s)
    if guess is None:
        return None
    first, fall = guess
    rise_s = first.rise_s
    anchors = [(first.onset_s, max(rise_s / 20, shortest_s)), (first.peak_s, rise_s / 20)]
    most = max((stop_s - start_s) / 250, source.period_s / 4, shortest_s)
    data = blocks_of(source, edges_about(start_s, stop_s, anchors, most))
    law: Law = "linear"
    best, knee, shape = _structure(data, law, first, fall)
    ratio, straight = 1.0, (knee, shape)
    away = np.sqrt(np.mean((best.residuals * data.u_gain) ** 2)) / shape.size
    if (best.scatter > BENT and away > BENT_SHARE) or shape.bend < CONVEX:
        law, ratio, knee, shape = _other_law(
            source, data, (start_s, stop_s), best, knee, shape, shortest_s
        )
    found = _finely(source, (start_s, stop_s, most, shortest_s), law, ratio, shape, knee)
    if law == "power" and abs(math.log(found.shape.power)) < STRAIGHT:
        # In finer blocks it is none.
        knee, shape = straight
        found = _finely(source, (start_s, stop_s, most, shortest_s), "linear", 1.0, shape, knee)
    return found


def _finely(
    source: Source,
    span: tuple[float, float, float, float],
    law: Law,
    ratio: float,
    shape: Shape,
    knee: bool,
) -> NoteFit:
    """Fit a note whose shape is known roughly, in blocks made for it.

    The span is from when to when, and the longest and the shortest block.
    """
    start_s, stop_s, most, shortest_s = span
    rise_s = shape.rise_s
    anchors = [(t, max(rise_s / FINE, shortest_s)) for t in (shape.onset_s, shape.peak_s)]
    if knee:
        short = min(shape.release_s, stop_s - shape.gate_off_s) / FINE
        anchors.append((shape.gate_off_s, max(short, shortest_s)))
    data = blocks_of(source, edges_about(start_s, stop_s, anchors, most, FINER_GROWTH))
    return _final(data, law, ratio, shape, knee)


def _guess(
    source: Source, start_s: float, stop_s: float, shortest_s: float
) -> tuple[Shape, Blocks] | None:
    """Return a first shape, and the envelope in blocks of a period or more."""
    step = max(source.period_s / 2, (stop_s - start_s) / 3000, shortest_s)
    rough = blocks_of(source, np.arange(start_s, stop_s + step, step))
    if rough.time_s.size < 8 or not rough.gain.max() > 6 * float(np.median(rough.u_gain)):
        return None
    return _first_shape(rough, shortest_s)


def _first_shape(rough: Blocks, shortest_s: float) -> tuple[Shape, Blocks]:
    """Return the shape that goes through 10 and 90 % on the way up, and what follows it."""
    t, g = rough.time_s, rough.gain
    top = int(np.argmax(g))
    size = float(g[top])
    lead = max(1, min(top, 8))
    base = float(np.median(g[:lead])) if top else 0.0
    share = (g - base) / max(size - base, 1e-12)
    below = np.flatnonzero(share[: top + 1] < 0.5)
    middle = int(below[-1]) if below.size else 0
    low = np.flatnonzero(share[: middle + 1] < 0.1)
    high = middle + np.flatnonzero(share[middle : top + 1] > 0.9)
    t_low = float(t[low[-1]]) if low.size else float(t[0])
    t_high = float(t[high[0]]) if high.size else float(t[top])
    rise_s = max((t_high - t_low) / 0.76, shortest_s)
    shape = Shape(
        log_size=math.log(size),
        onset_s=t_low - 0.06 * rise_s,
        log_rise_s=math.log(rise_s),
        bend=1.2,
        log_decay_s=math.log(max(0.1, rise_s)),
        sustain=0.5,
        gate_off_s=math.inf,
        log_release_s=0.0,
        last=0.0,
        range_nepers=7.0,
        sag=0.0,
        base=base / size,
    )
    kept = t > shape.peak_s
    return shape, Blocks(t[kept], g[kept], rough.u_gain[kept])


def _chi2(fit: LeastSquares) -> float:
    return fit.chi2


def _run(data: Blocks, law: Law, free: tuple[str, ...], shape: Shape, steps: int) -> LeastSquares:
    start = np.array([getattr(shape, name) for name in free])
    curve = shape_curve(data.time_s, law, free, shape)
    return fit_curve(curve, data.gain, 1 / data.u_gain, start, steps=steps)


def _with(shape: Shape, free: tuple[str, ...], fit: LeastSquares) -> Shape:
    return shape._replace(**dict(zip(free, fit.values.tolist(), strict=True)))


def _structure(
    data: Blocks, law: Law, first: Shape, fall: Blocks
) -> tuple[LeastSquares, bool, Shape]:
    """Fit rise and fall with and without a knee, from many starts."""
    plain_free = (*ATTACK, *DECAY)
    size = first.size
    below = np.flatnonzero(fall.gain < size / math.e)
    fall_s = float(fall.time_s[below[0]] - first.peak_s) if below.size else 1.0
    tries = [
        first._replace(sustain=s, log_decay_s=math.log(max(fall_s * f, 1e-4)))
        for s, f in ((0.0, 1.0), (0.3, 0.5))
    ]
    plain = min((_run(data, law, plain_free, t, 40) for t in tries), key=lambda f: f.chi2)
    plain_shape = _with(first, plain_free, plain)
    knee_free = (*ATTACK, *DECAY, *RELEASE)
    starts = [s for soft in SOFT for s in _knee_starts(data, first, soft)]
    if not starts:
        return plain, False, plain_shape
    soft = data._replace(u_gain=np.hypot(data.u_gain, COARSE / 3 * np.maximum(data.gain, 0)))
    knees = [_run(soft, law, knee_free, s, 15) for s in starts]
    knees.sort(key=_chi2)
    best = min(
        (_run(data, law, knee_free, _with(first, knee_free, f), 60) for f in knees[:2]), key=_chi2
    )
    shape = _with(first, knee_free, best)
    scatter = max(best.scatter, 1.0)
    inside = _is_inside(shape, data)
    flat_free = (*ATTACK, *RELEASE)
    away = math.sqrt(float(np.mean((best.residuals * data.u_gain) ** 2))) / first.size
    if away > ASTRAY:
        # Nothing fits yet: try short decays before the end of a gate that a held level shows.
        level = _with(starts[0], flat_free, _run(data, law, flat_free, starts[0], 40))
        held_s = max(level.gate_off_s - first.peak_s, 1e-3)
        for share in (0.05, 0.15, 0.5):
            tried = first._replace(
                log_decay_s=math.log(share * held_s),
                sustain=min(level.size / first.size, 0.95),
                gate_off_s=level.gate_off_s,
                log_release_s=level.log_release_s,
                last=level.last,
            )
            rough = _with(tried, knee_free, _run(soft, law, knee_free, tried, 25))
            other = _run(data, law, knee_free, rough, 60)
            if other.chi2 < best.chi2:
                best, shape = other, _with(tried, knee_free, other)
        scatter = max(best.scatter, 1.0)
        inside = _is_inside(shape, data)
    flat_starts = [s._replace(sustain=1.0) for s in (shape, starts[0])]
    flats = [_run(data, law, flat_free, s, 40) for s in flat_starts]
    flat, flat_start = min(zip(flats, flat_starts, strict=True), key=lambda pair: pair[0].chi2)
    level = _with(flat_start, flat_free, flat)
    least_flat = least_knee = KNEE
    for at in (level, shape):
        if at.gate_off_s < at.peak_s + NEAR_PEAK * at.release_s:
            # A gate that ends at the peak is a decay to silence by another name.
            falls = _as_decay(at)._replace(sustain=0.0)
            other = _run(data, law, plain_free, falls, 60)
            if other.chi2 < plain.chi2:
                plain, plain_shape = other, _with(falls, plain_free, other)
            if at is level:
                least_flat = max(KNEE, NEAR_SHARE * plain.dof)
            else:
                least_knee = max(KNEE, NEAR_SHARE * plain.dof)
    held = level.gate_off_s > level.peak_s + AT_PEAK * level.release_s
    if (held and (not inside or flat.chi2 - best.chi2 < FLAT * scatter)) and (
        plain.chi2 - flat.chi2 > least_flat * max(flat.scatter, 1.0)
    ):
        return flat, True, level
    if plain.chi2 - best.chi2 > least_knee * scatter and inside:
        return best, True, shape
    return plain, False, plain_shape


def _is_inside(shape: Shape, data: Blocks) -> bool:
    """Whether a gate ends clearly after the peak and before the sound does."""
    after = shape.peak_s + AT_PEAK * shape.release_s
    return bool(after < shape.gate_off_s < data.time_s[-1])


def _as_decay(shape: Shape) -> Shape:
    return shape._replace(
        log_decay_s=shape.log_release_s, sustain=max(shape.last, 0.0), gate_off_s=math.inf
    )


def _knee_starts(data: Blocks, first: Shape, soft: float) -> list[Shape]:
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
                if sustain + size > 0:
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


def _exponential(
    source: Source, data: Blocks, span: tuple[float, float], linear: Shape, shortest_s: float
) -> tuple[LeastSquares, bool, Shape] | None:
    """Fit an exponential amplifier: its control is the logarithm of the envelope.

    The range of the amplifier only scales the control, whose rest and aims are free: it is set so
    that the noise lies at its lower end.
    """
    size = linear.size
    floor = DIM * float(np.median(data.u_gain))
    nepers = math.log(max(size / floor, 10.0)) + 1.0

    def control(part: Blocks) -> Blocks:
        dim = np.maximum(part.gain, DIM * part.u_gain)
        u = np.hypot(part.u_gain / dim, COARSE / 3) / nepers
        u = np.where(part.gain < 2 * DIM * part.u_gain, np.maximum(u, 0.3), u)
        return Blocks(part.time_s, 1 + np.log(dim / size) / nepers, u)

    step = max(source.period_s, (span[1] - span[0]) / 1500, shortest_s)
    rough = blocks_of(source, np.arange(span[0], span[1] + step, step))
    if rough.time_s.size < 8:
        return None
    first, fall = _first_shape(control(rough), shortest_s)
    _, knee, found = _structure(control(data), "linear", first, fall)
    top = found.size
    start = found._replace(log_size=linear.log_size - nepers * (1 - top), range_nepers=nepers * top)
    free = _free(start, knee)
    fit = _run(data, "exponential", free, start, MANY)
    shape = _with(start, free, fit)
    if not knee:
        let_go = _let_go(data, shape)
        if let_go is not None and fit.chi2 - let_go[0].chi2 > KNEE * max(let_go[0].scatter, 1.0):
            (fit, shape), knee = let_go, True
    fine = math.isfinite(fit.chi2) and all(map(math.isfinite, shape[:6]))
    return (fit, knee, shape) if fine else None


def _let_go(data: Blocks, held: Shape) -> tuple[LeastSquares, Shape] | None:
    """Fit the end of a gate to a note of an exponential amplifier that was thought to have none."""
    loud = data.time_s[data.gain > 2 * DIM * data.u_gain]
    if not loud.size or not loud[-1] > held.peak_s:
        return None
    best: tuple[LeastSquares, Shape] | None = None
    for off in np.linspace(held.peak_s, float(loud[-1]), LET_GO + 2)[1:-1].tolist():
        start = held._replace(gate_off_s=off, log_release_s=held.log_decay_s, last=held.base)
        free = _free(start, True)
        fit = _run(data, "exponential", free, start, 12)
        if best is None or fit.chi2 < best[0].chi2:
            best = fit, _with(start, free, fit)
    if best is None:
        return None
    free = _free(best[1], True)
    fit = _run(data, "exponential", free, best[1], MANY)
    shape = _with(best[1], free, fit)
    return (fit, shape) if _is_inside(shape, data) else None


def _other_law(
    source: Source,
    data: Blocks,
    span: tuple[float, float],
    linear: LeastSquares,
    knee: bool,
    shape: Shape,
    shortest_s: float,
) -> tuple[Law, float, bool, Shape]:
    """Return the law that leaves least, how much more the linear one leaves, and its note."""
    law: Law = "linear"
    best = linear
    if knee:
        # A held level that fades is no other law.
        fading = _run(data, law, (*_free(shape, knee), "sag"), shape, 60)
        if ANOTHER_LAW * fading.chi2 < best.chi2:
            best = fading
    convex = shape.bend < CONVEX
    bent, bent_shape = _power(data, knee, shape)
    gained = best.chi2 - bent.chi2 > KNEE * max(bent.scatter, 1.0)
    if gained and abs(math.log(bent_shape.power)) > STRAIGHT:
        law, best, shape = "power", bent, bent_shape
    if bent_shape.power > STEEP:
        steep, steep_shape = _steeper(data, knee, bent_shape)
        if steep.chi2 < ANOTHER_LAW * best.chi2:
            law, best, shape = "exponential", steep, steep_shape
    if law == "exponential" and knee and not _is_inside(shape, data):
        knee, shape = False, _as_decay(shape)
        best = _run(data, law, _free(shape, knee), shape, MANY)
        shape = _with(shape, _free(shape, knee), best)
    away = np.sqrt(np.mean((best.residuals * data.u_gain) ** 2)) / shape.size
    if convex or (best.scatter > BAD and away > BAD_SHARE):
        other = _exponential(source, data, span, shape, shortest_s)
        least = 1.0 if convex or law == "exponential" else ANOTHER_LAW
        if other is not None and other[0].scatter * least < best.scatter:
            best, knee, shape = other
            law = "exponential"
    return law, linear.scatter / max(best.scatter, 1e-12), knee, shape
    steep = _steeper(data, knee, bent_shape)
    if steep[0].chi2 < best.chi2:
        best, shape = steep
        law = "exponential"
    if best.scatter > BAD:
        other = _exponential(source, data, span, shape, shortest_s)
        if other is not None and other[0].scatter < best.scatter:
            best, knee, shape = other
            law = "exponential"
    return law, linear.scatter / max(best.scatter, 1e-12), knee, shape


def _power(data: Blocks, knee: bool, linear: Shape) -> tuple[LeastSquares, Shape]:
    """Fit an amplifier whose gain is a power of its control."""
    free = (*_free(linear, knee), "power")
    fits = []
    for power in POWERS:
        start = linear._replace(
            power=power,
            sustain=max(linear.sustain, 0.0) ** (1 / power),
            last=max(linear.last, 0.0) ** (1 / power),
            base=max(linear.base, 0.0) ** (1 / power),
            log_release_s=linear.log_release_s + math.log(power),
        )
        fits.append((_run(data, "power", free, start, 60), start))
    fit, start = min(fits, key=lambda pair: pair[0].chi2)
    return fit, _heard(_with(start, free, fit))


def _steeper(data: Blocks, knee: bool, bent: Shape) -> tuple[LeastSquares, Shape]:
    """Fit an exponential amplifier, from the power law that is like it."""

    def control(value: float) -> float:
        return 1 + math.log(max(value, LEAST ** (1 / bent.power)))

    start = bent._replace(
        range_nepers=bent.power,
        sustain=control(bent.sustain),
        last=control(bent.last),
        base=control(bent.base),
        power=1.0,
    )
    free = _free(start, knee)
    fit = _run(data, "exponential", free, start, MANY)
    return fit, _with(start, free, fit)


def _heard(shape: Shape) -> Shape:
    """Return the same note from when it is heard, where its control begins below zero."""
    if shape.base >= 0:
        return shape
    shut_s = rise_share_s(-shape.base / (1 - shape.base), shape.rise_s, shape.bend)
    left = 1 - shut_s / shape.rise_s
    return shape._replace(
        onset_s=shape.onset_s + shut_s,
        log_rise_s=shape.log_rise_s + math.log(left),
        bend=shape.bend * left,
        base=0.0,
    )


def _free(shape: Shape, knee: bool) -> tuple[str, ...]:
    decay: tuple[str, ...] = () if shape.sustain == 1.0 else DECAY
    return (*ATTACK, *decay, *(RELEASE if knee else ()))


def _final(data: Blocks, law: Law, ratio: float, shape: Shape, knee: bool) -> NoteFit:
    """Fit rise and decay apart from the release, each with blocks made for it."""
    held = shape.sustain == 1.0
    if not knee or law == "exponential":
        free = _free(shape, knee) if knee else _rising(shape, law)
        fit = _run(data, law, free, shape, MANY)
        return NoteFit(_with(shape, free, fit), free, fit, knee, None, law, ratio, data)
    free = _rising(shape, law)
    fit, used = _rise_fit(data, law, free, shape, held=held)
    release, gained, near = fit_release(data, _as_heard(_with(shape, used, fit), law), law)
    if gained < KNEE:
        # What bends here is not the end of a gate.
        shape = _as_decay(shape) if held else shape._replace(gate_off_s=math.inf)
        free = _rising(shape, law)
        fit = _run(data, law, free, shape, 60)
        return NoteFit(_with(shape, free, fit), free, fit, False, None, law, ratio, data)
    off = float(release.values[2])
    if abs(off - shape.gate_off_s) > OFF_SHARE * shape.release_s:
        shape = shape._replace(gate_off_s=off)
        fit, used = _rise_fit(data, law, free, shape, held=held)
    shape = shape._replace(
        gate_off_s=off, log_release_s=float(release.values[3]), last=float(release.values[4])
    )
    return NoteFit(_with(shape, used, fit), used, fit, True, release, law, ratio, data, near)


def _rising(shape: Shape, law: Law) -> tuple[str, ...]:
    free = _free(shape, False)
    if law != "power":
        return free
    # A power of a control that begins at zero knows nothing of one that begins below.
    return (*(name for name in free if name != "base" or shape.base > 0), "power")


def _as_heard(shape: Shape, law: Law) -> Shape:
    """Return a note with the release of what is heard, where that is a power of the control."""
    if law != "power":
        return shape
    return shape._replace(log_release_s=shape.log_release_s - math.log(shape.power), last=0.0)


def _rise_fit(
    data: Blocks, law: Law, free: tuple[str, ...], shape: Shape, *, held: bool
) -> tuple[LeastSquares, tuple[str, ...]]:
    """Fit rise and decay up to the release, with a sag of the held level where that shows."""
    before = data.between(-math.inf, shape.gate_off_s)
    settled = held or (shape.gate_off_s - shape.peak_s) > 3 * shape.decay_s
    fit = _run(before, law, free, shape, 60)
    if settled and before.time_s.size > 30:
        more = (*free, "sag")
        begin = _with(shape, free, fit)
        quick = begin._replace(log_decay_s=begin.log_decay_s - 0.5)
        sagging = min((_run(before, law, more, b, 60) for b in (begin, quick)), key=_chi2)
        if fit.chi2 - sagging.chi2 > 10 * max(sagging.scatter, 1.0):
            return sagging, more
    return fit, free
