"""A note's structure: rise, decay and release, with a knee or without one, from many starts."""

from __future__ import annotations

import math

import numpy as np

from sigkit.measures.envelope.blocks import Blocks
from sigkit.measures.envelope.knees import COARSE, knee_starts
from sigkit.measures.envelope.model import (
    MOST_POWER,
    Law,
    LeastSquares,
    Shape,
    fit_curve,
    rise_share_s,
    shape_curve,
)

SOFT = (0.1, 0.0)
"""Levels re the peak below which the search for a knee looks less closely: an amplifier that closes
bends at the very bottom, and a low sustain is told there only."""
KNEE = 30.0
"""Gain in chi-square over its scatter that a knee must bring."""
FLAT = 12.0
"""The same for a decay, beside a level that is held."""
ROUGHLY = 1e-6
"""Share of what is left that a step has to gain where fits are only compared."""
ASTRAY = 0.01
"""Scatter re the peak from which on more starts are tried."""
BENT, USUAL = 2.3, 1.2
"""Bend of a rise toward 1.1 times the peak, and toward 1.4 times."""
LEVELS = 5.0
"""Bend from which on a rise has come to a level, to 0.7 %, before what is taken for its peak."""
NEAR_PEAK, NEAR_SHARE = 0.5, 0.3
"""The same below which a gate's end is seldom one, and what it must then bring of what is left."""
AT_PEAK = 0.1
"""Time between peak and release, in time constants of it, below which there is none."""
ATTACK = ("log_size", "onset_s", "log_rise_s", "bend", "base")
DECAY = ("log_decay_s", "sustain")
RELEASE = ("gate_off_s", "log_release_s", "last")


def first_shape(rough: Blocks, shortest_s: float) -> tuple[Shape, Blocks]:
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
        bend=USUAL,
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


def structure(
    data: Blocks, law: Law, first: Shape, fall: Blocks, *, coherent: bool = True
) -> tuple[LeastSquares, bool, Shape]:
    """Fit rise and fall with and without a knee, from many starts.

    Parameters
    ----------
    data : Blocks
        The envelope.
    law : {"linear", "exponential"}
        What the amplifier makes of the control.
    first : Shape
        A first shape of its rise.
    fall : Blocks
        What follows, in rough blocks.
    coherent : bool
        Whether the envelope comes from the carrier's wave: then a gate that ends at the peak has
        to bring much, as a few misread periods there look like one.

    Returns
    -------
    fit : LeastSquares
        The best.
    knee : bool
        Whether it holds the end of a gate.
    shape : Shape
        The note.
    """
    plain_free = (*ATTACK, *DECAY)
    size = first.size
    below = np.flatnonzero(fall.gain < size / math.e)
    fall_s = float(fall.time_s[below[0]] - first.peak_s) if below.size else 1.0
    tries = [
        first._replace(sustain=s, log_decay_s=math.log(max(fall_s * f, 1e-4)))
        for s, f in ((0.0, 1.0), (0.3, 0.5))
    ]
    plain = min((run(data, law, plain_free, t, 40) for t in tries), key=lambda f: f.chi2)
    plain_shape = with_values(first, plain_free, plain)
    knee_free = (*ATTACK, *DECAY, *RELEASE)
    starts = [s for soft in SOFT for s in knee_starts(data, first, soft)]
    if not starts:
        return plain, False, plain_shape
    soft = data._replace(u_gain=np.hypot(data.u_gain, COARSE / 3 * np.maximum(data.gain, 0)))
    knees = [run(soft, law, knee_free, s, 15) for s in starts]
    knees.sort(key=_chi2)
    best = min(
        (run(data, law, knee_free, with_values(first, knee_free, f), 60) for f in knees[:2]),
        key=_chi2,
    )
    shape = with_values(first, knee_free, best)
    scatter = max(best.scatter, 1.0)
    inside = _lets_down(shape, data)
    flat_free = (*ATTACK, *RELEASE)
    away = math.sqrt(float(np.mean((best.residuals * data.u_gain) ** 2))) / first.size
    if away > ASTRAY:
        # Nothing fits yet: try short decays before the end of a gate that a held level shows.
        level = with_values(starts[0], flat_free, run(data, law, flat_free, starts[0], 40))
        held_s = max(level.gate_off_s - first.peak_s, 1e-3)
        for share, bend in ((0.05, None), (0.15, None), (0.5, None), (0.05, BENT), (0.15, BENT)):
            tried = (first if bend is None else bent_to(first, bend))._replace(
                log_decay_s=math.log(share * held_s),
                sustain=min(level.size / first.size, 0.95),
                gate_off_s=level.gate_off_s,
                log_release_s=level.log_release_s,
                last=level.last,
            )
            rough = with_values(tried, knee_free, run(soft, law, knee_free, tried, 25))
            other = run(data, law, knee_free, rough, 60)
            if other.chi2 < best.chi2:
                best, shape = other, with_values(tried, knee_free, other)
        scatter = max(best.scatter, 1.0)
        inside = _lets_down(shape, data)
    flat_starts = [s._replace(sustain=1.0) for s in (shape, starts[0])]
    flats = [run(data, law, flat_free, s, 40) for s in flat_starts]
    flat, flat_start = min(zip(flats, flat_starts, strict=True), key=lambda pair: pair[0].chi2)
    level = with_values(flat_start, flat_free, flat)
    least_flat = least_knee = KNEE
    near = NEAR_PEAK if coherent else AT_PEAK
    for at in (level, shape):
        if at.gate_off_s < at.peak_s + near * at.fall_s:
            # A gate that ends at the peak is a decay to silence by another name.
            falls = as_decay(at)
            other = run(data, law, plain_free, falls, 60)
            if other.chi2 < plain.chi2:
                plain, plain_shape = other, with_values(falls, plain_free, other)
            least = max(KNEE, NEAR_SHARE * plain.dof) if coherent else KNEE
            least_flat, least_knee = (least, least_knee) if at is level else (least_flat, least)
    held = level.gate_off_s > level.peak_s + AT_PEAK * level.fall_s
    if (held and (not inside or flat.chi2 - best.chi2 < FLAT * scatter)) and (
        plain.chi2 - flat.chi2 > least_flat * max(flat.scatter, 1.0)
    ):
        return flat, True, level
    if plain.chi2 - best.chi2 > least_knee * scatter and inside:
        return best, True, shape
    if plain_shape.bend > LEVELS:
        # What rises to a level and falls from it much later was held there.
        tried = bent_to(plain_shape, USUAL)._replace(
            sustain=1.0,
            gate_off_s=plain_shape.peak_s,
            log_release_s=plain_shape.log_decay_s,
            last=plain_shape.sustain,
        )
        flat = run(data, law, flat_free, tried, 60)
        level = with_values(tried, flat_free, flat)
        # It has one value more (Bayesian information criterion).
        least = math.log(data.time_s.size) * max(flat.scatter, 1.0)
        if plain.chi2 - flat.chi2 > least and is_inside(level, data):
            return flat, True, level
    return plain, False, plain_shape


def bent_to(first: Shape, bend: float) -> Shape:
    """Return the shape that goes through 10 and 90 % at the same times with another bend."""

    def between(bend: float) -> float:
        return rise_share_s(0.9, 1.0, bend) - rise_share_s(0.1, 1.0, bend)

    rise_s = first.rise_s * between(first.bend) / between(bend)
    low_s = first.onset_s + rise_share_s(0.1, first.rise_s, first.bend)
    return first._replace(
        onset_s=low_s - rise_share_s(0.1, rise_s, bend), log_rise_s=math.log(rise_s), bend=bend
    )


def is_inside(shape: Shape, data: Blocks) -> bool:
    """Whether a gate ends clearly after the peak and before the sound does."""
    after = shape.peak_s + AT_PEAK * shape.fall_s
    return bool(after < shape.gate_off_s < data.time_s[-1])


def _lets_down(shape: Shape, data: Blocks) -> bool:
    """Whether a knee is one, and the decay before it goes down: one that goes up is no decay."""
    return shape.sustain < 1 and is_inside(shape, data)


def as_decay(shape: Shape) -> Shape:
    """Return a note whose release is its decay, as the gate goes on."""
    return shape._replace(
        log_decay_s=shape.log_release_s, sustain=max(shape.last, 0.0), gate_off_s=math.inf
    )


def _chi2(fit: LeastSquares) -> float:
    return fit.chi2


def run(
    data: Blocks,
    law: Law,
    free: tuple[str, ...],
    shape: Shape,
    steps: int,
    *,
    still: float = ROUGHLY,
) -> LeastSquares:
    """Fit the free parameters of a shape to an envelope, in so many steps at most.

    Close enough to compare it with other fits, unless ``still`` asks for more.
    """
    start = np.array([getattr(shape, name) for name in free])
    curve = shape_curve(data.time_s, law, free, shape)
    return fit_curve(curve, data.gain, 1 / data.u_gain, start, steps=steps, still=still)


def with_values(shape: Shape, free: tuple[str, ...], fit: LeastSquares) -> Shape:
    """Return a shape with what was fitted, its power within what a curve takes."""
    shape = shape._replace(**dict(zip(free, fit.values.tolist(), strict=True)))
    return shape._replace(power=min(max(shape.power, 1 / MOST_POWER), MOST_POWER))


def free_of(shape: Shape, knee: bool) -> tuple[str, ...]:
    """Return the names of what is fitted to a note with a knee or without; no decay if held."""
    decay: tuple[str, ...] = () if shape.sustain == 1.0 else DECAY
    return (*ATTACK, *decay, *(RELEASE if knee else ()))
