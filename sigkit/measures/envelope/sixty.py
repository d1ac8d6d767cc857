"""When a note would be 60 dB down, where the floor hides that: the last of its fall, gone on."""

from __future__ import annotations

import math

import numpy as np

from sigkit.arrays import Real
from sigkit.measures.envelope.blocks import Blocks, Source, blocks_of
from sigkit.measures.envelope.model import NO_CONTROL, Curve, LeastSquares, fit_curve

DOWN = 1e-3
"""-60 dB."""
BEFORE, BEYOND = 2.0, 8.0
"""Stretch that is fitted, before the last crossing and after it, in times of fall to 1/e there."""
BLOCKS = 200
STARTS = (0.0, 0.01, 0.1)
"""Aims below zero that the fit is begun with, re the level where it begins."""
LEAK = 0.5
"""Rest that is taken for possible where none is seen, re the level 60 dB down."""
REACH, PLACES = 4.0, 31
"""Standard uncertainties about the best aim that are looked at, and aims in them."""
FAR = 50.0
"""Logarithm of control and time constant beyond which a fit is lost."""
MODEL_SHARE = {"linear": 0.008, "power": 0.008, "exponential": math.nan}
"""Share of the time from the last crossing on that may be otherwise for another law, by law: a
power within 5 % of 1 is taken for 1, which moves what is foretold by 1.4 % at either end (root mean
square of 112 numbers), and by that over the root of 3 where any is as likely."""


def sixty_down(
    source: Source,
    level: float,
    seen: tuple[float, float],
    bounds: tuple[float, float],
    power: float = 1.0,
) -> tuple[float, float] | None:
    """Extrapolate the instant at which a note is 60 dB below a level.

    Parameters
    ----------
    source : Source
        The envelope.
    level : float
        The level.
    seen : tuple of float
        The last crossing that was seen, and in what time the level falls to 1/e there.
    bounds : tuple of float
        When the note is let go, and when the next begins or the sound ends.
    power : float
        Power of the control that the amplifier's gain goes with.

    Returns
    -------
    tuple of float or None
        Instant and its standard uncertainty by noise; None where the level stays above.

    Notes
    -----
    The control falls exponentially toward an aim, which lies below zero where the amplifier closes
    early; after that the envelope is zero. The noise leaves a range of aims, and each
    foretells an instant: these are averaged by how well their aims fit, all instants being alike
    beforehand, down to that of a leak which is 66 dB down.
    """
    at, fall_s = seen
    begin, end = max(bounds[0], at - BEFORE * fall_s), min(bounds[1], at + BEYOND * fall_s)
    data = blocks_of(source, np.linspace(begin, end, BLOCKS + 1))
    if data.time_s.size < 8:
        return None
    size = (level * DOWN) ** (1 / power)
    first = math.log(max(float(np.max(data.gain)), level * DOWN)) / power
    slower = math.log(fall_s * power)
    fits = [
        _fitted(data, begin, np.array([first, slower + math.log1p(5 * aim), aim]), None, power)
        for aim in STARTS
    ]
    best = min(fits, key=lambda fit: fit.chi2)
    if _ran_away(best):
        return None
    grown = best.inflation()
    start = math.exp(float(best.values[0]))
    # The aim in units of the level looked for: there the fall is over at -1.
    aim = float(best.values[2]) * start / size
    u_aim = math.sqrt(max(float(best.inverse[2, 2]), 0.0)) * grown * start / size
    low, high = max(aim - REACH * u_aim, -(LEAK ** (1 / power))), aim + REACH * u_aim
    if not (math.isfinite(high) and high > low):
        return None
    instants, spreads, misfits = [], [], []
    p = best.values[:2]
    for place in np.linspace(math.log1p(low), math.log1p(high), PLACES).tolist():
        here = math.expm1(place)
        fit = _fitted(data, begin, p, here * size, power)
        if _ran_away(fit):
            return None
        p = fit.values
        start, fall = math.exp(float(p[0])), math.exp(float(p[1]))
        x = math.log1p(max((start - size) / (size * (1 + here)), 0.0))
        instants.append(begin + fall * x)
        by = np.array([fall * start / (start + here * size), fall * x])
        spreads.append(float(by @ fit.inverse @ by) * grown**2)
        misfits.append(fit.chi2)
    t, misfit = np.array(instants), np.array(misfits) / grown**2
    weight = np.exp(-(misfit - misfit.min()) / 2)
    # All instants are alike beforehand.
    weight *= np.abs(np.gradient(t))
    if not (np.isfinite(t).all() and weight.sum() > 0):
        return None
    mean = float(np.average(t, weights=weight))
    variance = float(np.average((t - mean) ** 2 + np.array(spreads), weights=weight))
    return mean, math.sqrt(variance)


def _ran_away(fit: LeastSquares) -> bool:
    """Whether control or time constant went beyond all bounds: this is no such fall."""
    return not bool(np.all(np.abs(fit.values[:2]) < FAR))


def _fitted(data: Blocks, begin: float, p: Real, below: float | None, power: float) -> LeastSquares:
    """Fit log of control, log of time constant and, unless it is given, the aim below zero."""
    curve = _fall(data.time_s - begin, below, power)
    return fit_curve(curve, data.gain, 1 / data.u_gain, p, steps=30)


def _fall(since: Real, below: float | None, power: float) -> Curve:
    """Return the curve of a fall toward an aim below zero, which ends at zero.

    The aim is the third parameter, re the control at the start, or a given control.
    """

    def curve(p: Real) -> tuple[Real, Real]:
        start, fall = (math.exp(min(max(float(v), -FAR), FAR)) for v in p[:2])
        under = float(p[2]) * start if below is None else below
        x = since / fall
        e = np.exp(-x)
        control = (start + under) * e - under
        slope = np.empty((p.size, since.size))
        slope[0] = control if below is None else start * e
        slope[1] = (start + under) * e * x
        if below is None:
            slope[2] = start * (e - 1)
        opened = np.maximum(control, NO_CONTROL * start)
        value = opened**power
        slope *= power * value / opened
        closed = control <= NO_CONTROL * start
        value[closed], slope[:, closed] = 0.0, 0.0
        return value, slope

    return curve
