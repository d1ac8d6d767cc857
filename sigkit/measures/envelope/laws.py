"""What the amplifier makes of a control where a linear one does not fit: a power, or decibels."""

from __future__ import annotations

import math

import numpy as np

from sigkit.measures.envelope.blocks import Blocks, Source, blocks_of, edges_about
from sigkit.measures.envelope.knees import COARSE
from sigkit.measures.envelope.model import Law, LeastSquares, Shape, rise_share_s
from sigkit.measures.envelope.structure import (
    FLAT,
    KNEE,
    as_decay,
    first_shape,
    free_of,
    is_inside,
    run,
    structure,
    with_values,
)

ANOTHER_LAW = 1.3
"""Factor by which another law must leave less."""
BAD, BAD_SHARE = 2.0, 0.003
"""Scatter of a linear fit, in units of the noise and re the peak, above which an exponential
amplifier is tried."""
LET_GO = 8
"""Times at which the end of a gate is looked for in a note that seemed to have none."""
STRAIGHT = 0.05
"""Logarithm of a power that is taken for 1: the recording's small faults bend as much."""
CONVEX = -0.5
"""Bend of a rise below which no capacitor charges through a linear amplifier."""
MANY = 150
"""Steps of a fit whose parameters hang together."""
STEEP = 2.5
"""Power of the control from which on an amplifier may be an exponential one."""
LEAST = 1e-4
"""Level re the peak from which an exponential amplifier is thought to start."""
POWERS = (1.0, 1.6)
"""Powers of the control that a fit of one begins with."""
SHARP = 12
"""Blocks in the time in which the level of an exponential amplifier falls to 1/e."""
DIM = 3.0
"""Noise below which the logarithm of an envelope says nothing."""


def other_law(
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
        fading = run(data, law, (*free_of(shape, knee), "sag"), shape, 60)
        if ANOTHER_LAW * fading.chi2 < best.chi2:
            best = fading
    convex = shape.bend < CONVEX
    bent, bent_shape = _power(data, knee, shape)
    # What a wave that is ill known leaves bends too.
    least = FLAT if bent.scatter < BAD else KNEE
    gained = best.chi2 - bent.chi2 > least * max(bent.scatter, 1.0)
    if gained and abs(math.log(bent_shape.power)) > STRAIGHT:
        law, best, shape = "power", bent, bent_shape
    if bent_shape.power > STEEP:
        steep, steep_shape = _steeper(data, knee, bent_shape)
        if steep.chi2 < ANOTHER_LAW * best.chi2:
            law, best, shape = "exponential", steep, steep_shape
    if law == "exponential" and knee and not is_inside(shape, data):
        knee, shape = False, as_decay(shape)
        best = run(data, law, free_of(shape, knee), shape, MANY)
        shape = with_values(shape, free_of(shape, knee), best)
    away = np.sqrt(np.mean((best.residuals * data.u_gain) ** 2)) / shape.size
    if convex or (best.scatter > BAD and away > BAD_SHARE):
        other = _exponential(source, data, span, shape, shortest_s, coherent=True)
        least = 1.0 if convex or law == "exponential" else ANOTHER_LAW
        if other is not None:
            fit, with_knee, steep_shape, blocks = other
            left = best.scatter
            if blocks is not data:
                free = (*free_of(shape, knee), *(("power",) if law == "power" else ()))
                left = run(blocks, law, free, shape, 60).scatter
            if fit.scatter * least < left:
                best, knee, shape = fit, with_knee, steep_shape
                law = "exponential"
    return law, linear.scatter / max(best.scatter, 1e-12), knee, shape


def law_by_power(
    source: Source,
    data: Blocks,
    span: tuple[float, float],
    linear: LeastSquares,
    knee: bool,
    shape: Shape,
    shortest_s: float,
) -> tuple[Law, bool, bool, Shape]:
    """Return the law that an envelope read from the power alone tells, and whether it does.

    Then whether the note has a knee, and its shape. A power law is not told from what such an
    envelope scatters by.
    """
    other = _exponential(source, data, span, shape, shortest_s, coherent=False)
    if other is None:
        return "linear", True, knee, shape
    fit, with_knee, steep, _ = other
    if steep.decay_s > data.time_s[-1] - steep.peak_s:
        # A control that falls in a straight line makes of it what a linear amplifier does.
        return "linear", True, knee, shape
    sure = FLAT * max(min(fit.scatter, linear.scatter), 1.0)
    told = abs(fit.chi2 - linear.chi2) > sure
    if fit.chi2 < linear.chi2:
        return "exponential", told, with_knee, steep
    return "linear", told, knee, shape


def _power(data: Blocks, knee: bool, linear: Shape) -> tuple[LeastSquares, Shape]:
    """Fit an amplifier whose gain is a power of its control."""
    free = (*free_of(linear, knee), "power")
    fits = []
    for power in POWERS:
        start = linear._replace(
            power=power,
            sustain=max(linear.sustain, 0.0) ** (1 / power),
            last=max(linear.last, 0.0) ** (1 / power),
            base=max(linear.base, 0.0) ** (1 / power),
            log_release_s=linear.log_release_s + math.log(power),
        )
        fits.append((run(data, "power", free, start, 60), start))
    fit, start = min(fits, key=lambda pair: pair[0].chi2)
    return fit, _heard(with_values(start, free, fit))


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
    free = free_of(start, knee)
    fit = run(data, "exponential", free, start, MANY)
    return fit, with_values(start, free, fit)


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


def _exponential(
    source: Source,
    data: Blocks,
    span: tuple[float, float],
    linear: Shape,
    shortest_s: float,
    *,
    coherent: bool,
) -> tuple[LeastSquares, bool, Shape, Blocks] | None:
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
    first, fall = first_shape(control(rough), shortest_s)
    _, knee, found = structure(control(data), "linear", first, fall)
    top = found.size
    start = found._replace(log_size=linear.log_size - nepers * (1 - top), range_nepers=nepers * top)
    free = free_of(start, knee)
    fit = run(data, "exponential", free, start, MANY)
    shape = with_values(start, free, fit)
    if coherent and fit.scatter > BAD and math.isfinite(fit.chi2):
        # Its peak is so sharp that blocks made for a linear one smear it.
        anchors = sharp_anchors(shape, shortest_s, knee=knee)
        most = (span[1] - span[0]) / 250
        data = blocks_of(source, edges_about(*span, anchors, most, SHARP))
        fit = run(data, "exponential", free, shape, MANY)
        shape = with_values(shape, free, fit)
    if knee:
        # The logarithm bends where the noise begins, too.
        on = shape._replace(gate_off_s=math.inf)
        held = run(data, "exponential", free_of(on, False), on, MANY)
        if held.chi2 - fit.chi2 < KNEE * max(fit.scatter, 1.0) or not is_inside(shape, data):
            fit, knee, shape = held, False, with_values(on, free_of(on, False), held)
    if not knee:
        let_go = _let_go(data, shape)
        if let_go is not None and fit.chi2 - let_go[0].chi2 > KNEE * max(let_go[0].scatter, 1.0):
            (fit, shape), knee = let_go, True
    fine = math.isfinite(fit.chi2) and all(map(math.isfinite, shape[:6]))
    return (fit, knee, shape, data) if fine else None


def sharp_anchors(shape: Shape, shortest_s: float, *, knee: bool) -> list[tuple[float, float]]:
    """Return blocks that follow the bends of an exponential amplifier: times, and length there."""
    steep = max(shape.range_nepers * (1 - shape.sustain), 1.0)
    nepers = SHARP * max(shape.range_nepers, 1.0)
    anchors = [
        (shape.peak_s, shape.decay_s / (SHARP * steep)),
        (shape.onset_s, shape.rise_s / nepers),
    ]
    if knee:
        anchors.append((shape.gate_off_s, shape.release_s / nepers))
    return [(at, max(width, shortest_s)) for at, width in anchors]


def _let_go(data: Blocks, held: Shape) -> tuple[LeastSquares, Shape] | None:
    """Fit the end of a gate to a note of an exponential amplifier that was thought to have none."""
    loud = data.time_s[data.gain > 2 * DIM * data.u_gain]
    if not loud.size or not loud[-1] > held.peak_s:
        return None
    best: tuple[LeastSquares, Shape] | None = None
    for off in np.linspace(held.peak_s, float(loud[-1]), LET_GO + 2)[1:-1].tolist():
        start = held._replace(gate_off_s=off, log_release_s=held.log_decay_s, last=held.base)
        free = free_of(start, True)
        fit = run(data, "exponential", free, start, 12)
        if best is None or fit.chi2 < best[0].chi2:
            best = fit, with_values(start, free, fit)
    if best is None:
        return None
    free = free_of(best[1], True)
    fit = run(data, "exponential", free, best[1], MANY)
    shape = with_values(best[1], free, fit)
    return (fit, shape) if is_inside(shape, data) else None
