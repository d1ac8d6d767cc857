"""A release fitted as a whole, for crossings that lie so near the noise that a parabola is poor."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sigkit.arrays import Real
from sigkit.measures.envelope.blocks import Source, blocks_of
from sigkit.measures.envelope.model import NO_CONTROL, Curve, LeastSquares, fit_curve

BLOCKS, BEYOND = 24, 14.0
"""Blocks in a time constant, and time constants after the release that are looked at."""
POWER_U = 0.1
"""Standard uncertainty of the logarithm of the power that the gain goes with: a power within 5 % of
1 is taken for 1, so that one twice as far off is about the most that a fit leaves unseen."""
CHANCE = 4.0
"""Standard deviations of chance by which scatter and likeness of neighbours may be too large."""
AIMS = (0.0, 0.02, -0.003)
SURELY = 3.0
"""Standard uncertainties by which the power may be off the one foreseen."""
FAR = 50.0
"""Logarithms beyond which a fit is lost."""


@dataclass(frozen=True, eq=False)
class WholeRelease:
    """A release as the power of an exponential toward an aim of its own.

    Parameters
    ----------
    start_s : float
        Where it begins.
    fit : LeastSquares
        Logarithm of the control at the start, of its time constant, the aim below zero re the
        control at the start, and the logarithm of the power.
    """

    start_s: float
    fit: LeastSquares

    def crossing(self, level: float) -> tuple[float, float, float] | None:
        """Return when a level is crossed, its uncertainty by noise, and the fall to 1/e there."""

        def instant(p: Real) -> float:
            start, fall, under, power = math.exp(p[0]), math.exp(p[1]), float(p[2]), math.exp(p[3])
            want = level ** (1 / power) / start + under
            return fall * math.log((1 + under) / want) if want > 0 else math.nan

        p = self.fit.values
        at = instant(p)
        u = np.sqrt(np.maximum(np.diag(self.fit.inverse), 1e-30))
        slope = np.zeros(p.size)
        for i in range(p.size):
            step = np.zeros(p.size)
            step[i] = min(0.05 * u[i], 1e-3)
            slope[i] = (instant(p + step) - instant(p - step)) / (2 * step[i])
        variance = float(slope @ self.fit.inverse @ slope)
        if not (math.isfinite(at) and math.isfinite(variance)):
            return None
        power = math.exp(float(p[3]))
        control = level ** (1 / power) / math.exp(float(p[0]))
        fall_s = math.exp(float(p[1])) * control / (control + float(p[2])) / power
        return self.start_s + at, math.sqrt(max(variance, 0.0)) * self.fit.inflation(), fall_s


def whole_release(
    source: Source,
    level: float,
    release_s: float,
    bounds: tuple[float, float],
    shortest_s: float,
    power: float = 1.0,
) -> WholeRelease | None:
    """Fit a release from its beginning to the floor.

    Parameters
    ----------
    source : Source
        The envelope.
    level : float
        The level at release.
    release_s : float
        Rough time constant of what is heard.
    bounds : tuple of float
        When the note is let go, and when the next begins or the sound ends.
    shortest_s : float
        Length of the shortest block.
    power : float
        Power of the control that the amplifier's gain goes with.

    Returns
    -------
    WholeRelease or None
        None where more is left than noise leaves: then it is another law.

    Notes
    -----
    An aim below zero stands for one of the generator and for an amplifier that closes early, one
    above for a leak. The power is free within what the note before its release leaves open.
    """
    begin, end = bounds[0], min(bounds[1], bounds[0] + BEYOND * release_s)
    step = max(release_s / BLOCKS, shortest_s)
    if end - begin < 8 * step:
        return None
    data = blocks_of(source, np.arange(begin, end, step))
    if data.time_s.size < 16:
        return None
    since = data.time_s - begin
    log_power = math.log(power)
    curve = _curve(since, log_power)
    first = [math.log(level) / power, math.log(release_s * power)]
    y, weight = np.append(data.gain, 0.0), np.append(1 / data.u_gain, 1 / POWER_U)
    fits = [fit_curve(curve, y, weight, np.array([*first, aim, log_power])) for aim in AIMS]
    best = min(fits, key=lambda fit: fit.chi2)
    if not (math.isfinite(best.chi2) and np.all(np.abs(best.values) < FAR)):
        return None
    rest = best.residuals[:-1]
    rest = rest - rest.mean()
    alike = float(rest[1:] @ rest[:-1]) / max(float(rest @ rest), 1e-300)
    chance = CHANCE / math.sqrt(rest.size)
    if best.scatter > 1 + math.sqrt(2) * chance or alike > chance:
        return None
    if abs(float(best.values[3]) - log_power) > SURELY * math.sqrt(float(best.inverse[3, 3])):
        return None
    return WholeRelease(begin, best)


def _curve(since: Real, log_power: float) -> Curve:
    """Return the curve of a release, and how far its power is from the one foreseen."""

    def curve(p: Real) -> tuple[Real, Real]:
        start, fall, power = (math.exp(min(max(float(p[i]), -FAR), FAR)) for i in (0, 1, 3))
        under = float(p[2])
        x = since / fall
        e = np.exp(-x)
        control = np.maximum((1 + under) * e - under, NO_CONTROL)
        value = (start * control) ** power
        slope = np.zeros((4, since.size + 1))
        by = power * value / control
        slope[0, :-1] = power * value
        slope[1, :-1] = by * (1 + under) * e * x
        slope[2, :-1] = by * (e - 1)
        slope[3, :-1] = power * value * np.log(start * control)
        closed = control <= NO_CONTROL
        value[closed], slope[:, :-1][:, closed] = 0.0, 0.0
        slope[3, -1] = 1.0
        return np.append(value, float(p[3]) - log_power), slope

    return curve
