"""One note's envelope: where it begins, peaks and is let go."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from sigkit.arrays import Real
from sigkit.measures.envelope.blocks import Blocks, Source, blocks_of, edges_about
from sigkit.measures.envelope.laws import BAD, CONVEX, MANY, STRAIGHT, law_by_power, other_law
from sigkit.measures.envelope.model import (
    LEAST_OWN,
    MOST_POWER,
    STILL,
    Law,
    LeastSquares,
    Shape,
    level_of,
)
from sigkit.measures.envelope.release import fit_release
from sigkit.measures.envelope.structure import (
    DECAY,
    KNEE,
    LEVELS,
    USUAL,
    as_decay,
    bent_to,
    first_shape,
    free_of,
    run,
    structure,
    with_values,
)

FINE, FINER_GROWTH = 150, 24
"""Blocks in a rise or a fall, and distance from it per length of block at last."""
BENT, BENT_SHARE = 1.15, 0.0003
"""Scatter of a linear fit, in units of the noise and re the peak, from which others are tried."""
LOUD = 100.0
"""Scatter about every law that a thump leaves."""
THUMPS_S = 0.15
"""Time after the onset by which a thump is over."""
AWAY = 0.2
"""Time before the end of a gate, in time constants of the release, that it is not yet felt."""
OFF_SHARE = 0.002
"""Change of the end of the gate, in time constants of the release, from which a rise is fitted
anew."""


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
        Fit of the release, its values as from `sigkit.measures.envelope.release`.
    law : {"linear", "power", "exponential"}
        What the amplifier makes of the control.
    law_ratio : float
        How much more a linear one leaves; 1 where no other was tried.
    blocks : Blocks
        What was fitted.
    near : tuple of int
        Residuals of the release about the end of the gate.
    law_told : bool
        Whether another law leaves clearly more.
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
    law_told: bool = True


def fit_note(
    source: Source, start_s: float, stop_s: float, shortest_s: float, *, coherent: bool
) -> NoteFit | None:
    """Fit the shape of one note.

    Parameters
    ----------
    source : Source
        The envelope.
    start_s, stop_s : float
        A stretch that holds the whole note and no other.
    shortest_s : float
        Length of the shortest block.
    coherent : bool
        Whether the envelope comes from the carrier's wave, not from its power.

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
    best, knee, shape = structure(data, law, first, fall, coherent=coherent)
    if not coherent:
        span = (start_s, stop_s)
        law, told, knee, shape = law_by_power(source, data, span, best, knee, shape, shortest_s)
        rough = (*span, most, shortest_s)
        found = _finely(source, rough, law, 1.0, shape, knee, coherent=False)
        if found.shape.bend > LEVELS:
            # Noise hides the corner of a rise: there may be one that fits better.
            rise = found.blocks.between(-math.inf, found.shape.gate_off_s)
            other = bent_to(found.shape, USUAL)
            fit = run(rise, law, found.free, other, 60)
            least = math.log(rise.time_s.size) * max(fit.scatter, 1.0)
            if fit.chi2 + least < run(rise, law, found.free, found.shape, 60).chi2:
                other = with_values(other, found.free, fit)
                found = _finely(source, rough, law, 1.0, other, found.knee, coherent=False)
        return replace(found, law_told=told and found.rise.dof >= LEAST_OWN)
    ratio, straight = 1.0, (knee, shape)
    away = np.sqrt(np.mean((best.residuals * data.u_gain) ** 2)) / shape.size
    bent = best.scatter > BENT and away > BENT_SHARE
    if bent or shape.bend < CONVEX:
        law, ratio, knee, shape = other_law(
            source, data, (start_s, stop_s), best, knee, shape, shortest_s
        )
        if (
            law != "linear"
            and best.scatter > BAD * ratio
            and _holds(data, *straight, left=best.scatter / ratio)
        ):
            # Its release is of another kind, or a thump sounds with it: that is no law.
            law, ratio, (knee, shape) = "linear", 1.0, straight
    found = _finely(source, (start_s, stop_s, most, shortest_s), law, ratio, shape, knee)
    power = found.shape.power
    if law == "power" and (power * MOST_POWER <= 1 or abs(math.log(power)) < STRAIGHT):
        # In finer blocks it is none.
        knee, shape = straight
        found = _finely(source, (start_s, stop_s, most, shortest_s), "linear", 1.0, shape, knee)
    return found


def refit_note(
    source: Source, start_s: float, stop_s: float, shortest_s: float, found: NoteFit
) -> NoteFit:
    """Fit a note again to an envelope that is better known.

    Parameters
    ----------
    source, start_s, stop_s, shortest_s
        As for `fit_note`.
    found : NoteFit
        The note as it was fitted before.
    """
    most = max((stop_s - start_s) / 250, source.period_s / 4, shortest_s)
    span = (start_s, stop_s, most, shortest_s)
    return _finely(source, span, found.law, found.law_ratio, found.shape, found.knee)


def _holds(data: Blocks, knee: bool, shape: Shape, *, left: float) -> bool:
    """Whether a linear amplifier leaves nothing but noise up to the end of the gate.

    Or from the peak on to there, where something else sounds with the attack, as a thump: then the
    other law leaves much too, ``left`` in units of the noise.
    """
    if not knee:
        return False
    off = shape.gate_off_s - AWAY * shape.fall_s
    before = data.between(-math.inf, off)
    if before.time_s.size < MANY / 2:
        return False
    if run(before, "linear", free_of(shape, False), shape, 60).scatter < BENT:
        return True
    if left < LOUD:
        return False
    wait_s = max(2 * shape.rise_s, THUMPS_S)
    after = data.between(shape.peak_s + wait_s, off)
    # Any law holds a level that is still: the decay has to be seen.
    if shape.sustain >= 1 or wait_s > 2 * shape.decay_s or after.time_s.size < MANY / 5:
        return False
    return run(after, "linear", ("log_size", *DECAY), shape, 60).scatter < BENT


def _finely(
    source: Source,
    span: tuple[float, float, float, float],
    law: Law,
    ratio: float,
    shape: Shape,
    knee: bool,
    *,
    coherent: bool = True,
) -> NoteFit:
    """Fit a note whose shape is known roughly, in blocks made for it.

    The span is from when to when, and the longest and the shortest block. Blocks of power are whole
    periods, however it bends within them.
    """
    start_s, stop_s, most, shortest_s = span
    rise_s = shape.rise_s
    anchors = [(t, max(rise_s / FINE, shortest_s)) for t in (shape.onset_s, shape.peak_s)]
    if knee:
        short = min(shape.fall_s, stop_s - shape.gate_off_s) / FINE
        anchors.append((shape.gate_off_s, max(short, shortest_s)))
    edges = edges_about(start_s, stop_s, anchors, most, FINER_GROWTH, at_anchors=coherent)
    data = blocks_of(source, edges)
    if coherent:
        data = data.at_centres(partial(_level, law, shape))
    return _final(data, law, ratio, shape, knee)


def _level(law: Law, shape: Shape, time_s: Real) -> Real:
    return level_of(time_s, law, shape)


def _guess(
    source: Source, start_s: float, stop_s: float, shortest_s: float
) -> tuple[Shape, Blocks] | None:
    """Return a first shape, and the envelope in blocks of a period or more."""
    step = max(source.period_s / 2, (stop_s - start_s) / 3000, shortest_s)
    rough = blocks_of(source, np.arange(start_s, stop_s + step, step))
    if rough.time_s.size < 8 or not rough.gain.max() > 6 * float(np.median(rough.u_gain)):
        return None
    return first_shape(rough, shortest_s)


def _final(data: Blocks, law: Law, ratio: float, shape: Shape, knee: bool) -> NoteFit:
    """Fit rise and decay apart from the release, each with blocks made for it."""
    held = shape.sustain == 1.0
    if not knee or law == "exponential":
        free = free_of(shape, knee) if knee else _rising(shape, law)
        fit = run(data, law, free, shape, MANY, still=STILL)
        return NoteFit(with_values(shape, free, fit), free, fit, knee, None, law, ratio, data)
    free = _rising(shape, law)
    fit, used = _rise_fit(data, law, free, shape, held=held)
    release, gained, near = fit_release(data, _as_heard(with_values(shape, used, fit), law), law)
    if gained < KNEE:
        # What bends here is not the end of a gate.
        shape = as_decay(shape) if held else shape._replace(gate_off_s=math.inf)
        free = _rising(shape, law)
        fit = run(data, law, free, shape, 60, still=STILL)
        return NoteFit(with_values(shape, free, fit), free, fit, False, None, law, ratio, data)
    off = float(release.values[2])
    if abs(off - shape.gate_off_s) > OFF_SHARE * shape.fall_s:
        shape = shape._replace(gate_off_s=off)
        fit, used = _rise_fit(data, law, free, shape, held=held)
    shape = shape._replace(
        gate_off_s=off, log_release_s=float(release.values[3]), last=float(release.values[4])
    )
    return NoteFit(with_values(shape, used, fit), used, fit, True, release, law, ratio, data, near)


def _rising(shape: Shape, law: Law) -> tuple[str, ...]:
    free = free_of(shape, False)
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
    fit = run(before, law, free, shape, 60, still=STILL)
    if settled and before.time_s.size > 30:
        more = (*free, "sag")
        begin = with_values(shape, free, fit)
        quick = begin._replace(log_decay_s=begin.log_decay_s - 0.5)
        sagging = min(
            (run(before, law, more, b, 60, still=STILL) for b in (begin, quick)),
            key=lambda found: found.chi2,
        )
        if fit.chi2 - sagging.chi2 > 10 * max(sagging.scatter, 1.0):
            return sagging, more
    return fit, free
