"""The end of the gate: the knee where a held level begins to fall, and the fall itself.

Values of the fit are ln of the level at release, a tilt of what the decay leaves, the end of the
gate, ln of the time constant, and the last aim re the level at release.
"""

from __future__ import annotations

import math

import numpy as np

from sigkit.arrays import Real
from sigkit.measures.envelope.blocks import Blocks
from sigkit.measures.envelope.model import Curve, Law, LeastSquares, Shape, fit_curve, level_of

NEAR = 0.3
"""Reach about the end of the gate, in time constants of the release."""
ASTRAY, PLACES = 4.0, 12
"""Scatter of a release, in units of the noise, from which on its beginning is looked for anew, the
factor by which another one has to lessen it, and places where it is looked for."""
DEEP = 0.03
"""Share of the level at release down to which a release is fitted."""


def fit_release(
    data: Blocks, shape: Shape, law: Law
) -> tuple[LeastSquares, float, tuple[int, int]]:
    """Fit the knee and what follows, down to a share of the level at release.

    Parameters
    ----------
    data : Blocks
        The envelope.
    shape : Shape
        Rise and decay as fitted, and a first release.
    law : {"linear", "power"}
        What the amplifier makes of the control.

    Returns
    -------
    fit : LeastSquares
        See the top of this file for its values.
    gained : float
        By how much a note that goes on as it did would fit worse, in chi-square over its scatter.
    near : tuple of int
        Residuals about the end of the gate.
    """
    found = _released(data, shape, law)
    if found[0].scatter > ASTRAY:
        # A knee found in coarse blocks may have been none: look for one that fits far better.
        # No further off than the level falls to 1/e: a second stage of a release is no knee.
        off, fall_s = shape.gate_off_s, shape.fall_s
        early, late = 0.5 * (shape.peak_s + off), off + 0.5 * fall_s
        tries = np.linspace(early, min(late, data.time_s[-1]), PLACES).tolist()
        others = [_released(data, shape._replace(gate_off_s=at), law) for at in tries]
        other = min(others, key=lambda one: one[0].scatter)
        near = abs(float(other[0].values[2]) - off) < fall_s
        if near and ASTRAY * other[0].scatter < found[0].scatter:
            # Its level goes straight from where it was looked for: again from where it is.
            for _ in range(2):
                at = float(other[0].values[2])
                other = _released(data, shape._replace(gate_off_s=at), law)
            return other
    return found


def _released(data: Blocks, shape: Shape, law: Law) -> tuple[LeastSquares, float, tuple[int, int]]:
    """Fit the knee and what follows from one first end of the gate."""
    off = shape.gate_off_s
    level = float(level_of(np.array([off - 1e-9]), law, shape)[0])
    held, release_s = off - shape.peak_s, shape.fall_s
    decay_s = shape.decay_s if shape.sustain < 1 else held
    reach = min(0.98 * held, max(decay_s, 5 * release_s))
    part = data.between(off - reach, math.inf)
    value = level_of(part.time_s, law, shape)
    kept = (part.time_s < off + release_s) | (value > DEEP * level)
    part = Blocks(part.time_s[kept], part.gain[kept], part.u_gain[kept])
    last = shape.last * shape.size / max(level, 1e-9)
    start = np.array([math.log(max(level, 1e-9)), 0.0, off, shape.log_release_s, last])
    curve = release_curve(part.time_s, shape, law)
    fit = fit_curve(curve, part.gain, 1 / part.u_gain, start)

    def to_zero(p: Real) -> tuple[Real, Real]:
        value, slope = curve(np.append(p, 0.0))
        return value, slope[:4]

    zero = fit_curve(to_zero, part.gain, 1 / part.u_gain, start[:4])
    # An aim at zero is likelier than any other where it fits as well.
    if zero.chi2 - fit.chi2 < 9 * max(1.0, fit.scatter):
        inverse = np.zeros((5, 5))
        inverse[:4, :4] = zero.inverse
        values = np.append(zero.values, 0.0)
        fit = LeastSquares(values, inverse, zero.chi2, zero.dof, zero.residuals)
    # From the level where the gate was thought to end to that where it does.
    moved = float(fit.values[2]) - off
    fit.values[0] += math.log1p(max((fit.values[1] + _slope_at(shape, law)) * moved, -0.5))
    at = float(fit.values[2])
    ends = np.searchsorted(part.time_s, [at - NEAR * release_s, at + NEAR * release_s])
    return fit, _gained(part, shape, law, fit), (int(ends[0]), int(ends[1]))


def _gained(part: Blocks, shape: Shape, law: Law, fit: LeastSquares) -> float:
    """Compare a release with a note that goes on, its level and tilt free."""
    weight = 1 / part.u_gain
    on = level_of(part.time_s, law, shape._replace(gate_off_s=math.inf))
    columns = np.stack([on, on * (part.time_s - shape.gate_off_s)], axis=1) * weight[:, None]
    y = part.gain * weight
    found, *_ = np.linalg.lstsq(columns, y, rcond=None)
    rest = y - columns @ found
    return (float(rest @ rest) - fit.chi2) / max(fit.scatter, 1.0)


def _slope_at(shape: Shape, law: Law) -> float:
    """Return by what share of itself the level still changes a second where the gate ends."""
    off = shape.gate_off_s
    step = 1e-4 * max(off - shape.peak_s, 1e-6)
    pair = level_of(np.array([off - step, off]), law, shape._replace(gate_off_s=math.inf))
    return float((pair[1] - pair[0]) / step / pair[1]) if pair[1] > 0 else 0.0


def release_curve(time_s: Real, shape: Shape, law: Law) -> Curve:
    """Return the curve of a release from what the decay leaves.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Times.
    shape : Shape
        Rise and decay, which go on until the gate ends but for a tilt that is fitted.
    law : {"linear", "power"}
        What the amplifier makes of the control.
    """
    off_0 = shape.gate_off_s
    both = np.append(time_s, off_0)
    usual = level_of(both, law, shape._replace(gate_off_s=math.inf))
    usual = usual[:-1] / max(float(usual[-1]), 1e-12)
    bend = _slope_at(shape, law)

    def curve(p: Real) -> tuple[Real, Real]:
        log_level, tilt, off, log_release_s, last = p.tolist()
        level, release_s = math.exp(min(log_level, 50)), math.exp(min(log_release_s, 50))
        split = int(np.searchsorted(time_s, off))
        value, d = np.empty(time_s.size), np.zeros((5, time_s.size))
        since = time_s[:split] - off_0
        value[:split] = usual[:split] * (1 + tilt * since)
        d[1, :split] = usual[:split] * since
        moved = off - off_0
        at_off = 1 + (bend + tilt) * moved
        x = (time_s[split:] - off) / release_s
        e = np.exp(-x)
        fall = last + (1 - last) * e
        value[split:] = at_off * fall
        d[1, split:] = moved * fall
        d[2, split:] = (bend + tilt) * fall + at_off * (1 - last) * e / release_s
        d[3, split:] = at_off * (1 - last) * e * x
        d[4, split:] = at_off * (1 - e)
        value *= level
        d *= level
        d[0] = value
        return value, d

    return curve
