"""Ideal waves as harmonics, and what couplings and low-passes on the way do to them.

A wave of straight pieces is its steps and its kinks: a step of 1 at phase p adds
exp(-2 pi i k p) / (2 pi i k) to half the complex amplitude of harmonic k, a change of slope of 1 a
cycle the same over (2 pi i k)^2 (Fourier series, any handbook of mathematics).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from sigkit.arrays import Complex, Real

Kind = Literal["pulse", "ramp"]
LowPass = Literal["one pole", "two poles", "three poles", "four poles", "two pairs", "smooth"]

TURN = 2 * np.pi
LOW_PASSES: tuple[LowPass, ...] = (
    "one pole",
    "two poles",
    "three poles",
    "four poles",
    "two pairs",
    "smooth",
)
NUMBERS = {
    "one pole": 1,
    "two poles": 2,
    "three poles": 3,
    "four poles": 2,
    "two pairs": 4,
    "smooth": 4,
}
USUAL_Q, Q_SPREAD = 0.6, 0.3
"""Quality factor of a pair of poles without resonance, and the spread of its logarithm."""
HIGHEST_COUPLING_HZ = 60.0
"""A coupling above this would make another wave of a wave; none is built so."""
CORNER_SPREAD = 4.0
POWER_SPREAD = 3.0
"""How far the logarithm of a corner, and the factors of a smooth low-pass, may lie from usual."""


def ideal(kind: Kind, share: float, order: Real) -> Complex:
    """Return the harmonics of an ideal wave, shape (n_orders,).

    Parameters
    ----------
    kind : {"pulse", "ramp"}
        A pulse is 1 for ``share`` of its period from phase 0 and else -1; a ramp rises from -1 to 1
        for ``share`` from phase 0 and falls for the rest, both straight (1/2: triangle, near 0 or
        1: saw).
    share : float
        Between 0 and 1.
    order : ndarray, shape (n_orders,)
        Orders of the harmonics.
    """
    turn = 1j * TURN * order
    late = np.exp(-turn * share)
    if kind == "pulse":
        return np.asarray(2 * (1 - late) / turn)
    return np.asarray(2 / (share * (1 - share)) * (1 - late) / turn**2)


def by_share(kind: Kind, share: float, order: Real) -> Complex:
    """Return the derivative of `ideal` with the share."""
    turn = 1j * TURN * order
    late = np.exp(-turn * share)
    if kind == "pulse":
        return np.asarray(2 * late)
    span = share * (1 - share)
    return np.asarray(2 / span * (late / turn - (1 - 2 * share) / span * (1 - late) / turn**2))


def couplings_at(corners_hz: Sequence[float]) -> Real:
    """Return the numbers that stand for corners of couplings: their logit re the highest."""
    share = np.asarray(corners_hz, np.float64) / HIGHEST_COUPLING_HZ
    return np.asarray(np.log(share / (1 - share)))


def _pair(x: Real, log_corner: float, log_q: float) -> Complex:
    """Return the denominator of a pair of poles."""
    x = x * math.exp(-log_corner)
    return 1 + 1j * x * math.exp(-log_q) - x**2


@dataclass(frozen=True, eq=False)
class Chain:
    """What lies between an oscillator and its capture, by the numbers that are fitted.

    Parameters
    ----------
    low_pass : str
        Its kind: ``one pole``; ``two poles`` with a quality factor; ``three poles``, both;
        ``four poles``, two such pairs alike; ``two pairs``, that differ; ``smooth``, a level that
        falls with the second and fourth power of the frequency and a phase of its third and fifth.
    couplings : ndarray, shape (2,)
        Two high-passes of one pole each; see `couplings_at`.
    numbers : ndarray
        Logarithms of the corners of the low-pass over ``top_hz`` and of its quality factor; of
        ``smooth``, factors of the powers 2, 4, 3 and 5 of the frequency over ``top_hz``.
    top_hz : float
        Unit of frequency.
    rate : float
        Sample rate of a digital low-pass, whose frequencies lie closer the nearer they are to half
        of it (bilinear transform); infinite for one of parts.
    """

    low_pass: LowPass
    couplings: Real
    numbers: Real
    top_hz: float
    rate: float = math.inf

    def response(self, hz: Real) -> Complex:
        """Return the response at some frequencies."""
        return self.high(hz) * self.low(hz)

    def couplings_hz(self) -> Real:
        """Return the corners of the two couplings."""
        return np.asarray(HIGHEST_COUPLING_HZ / (1 + np.exp(-self.couplings)))

    def high(self, hz: Real) -> Complex:
        """Return the response of the couplings alone."""
        corner = self.couplings_hz()[:, None]
        ways = 1j * hz / (1j * hz + corner)
        return np.asarray(ways[0] * ways[1])

    def low(self, hz: Real) -> Complex:
        """Return the response of the low-pass alone."""
        x = self._scaled(hz)
        if self.low_pass == "smooth":
            two, four, three, five = self.numbers
            power = np.clip(-two * x**2 - four * x**4, -60.0, 10.0)
            return np.asarray(np.exp(power + 1j * (three * x**3 + five * x**5)))
        out = np.ones(hz.size, complex)
        if self.low_pass in ("one pole", "three poles"):
            out = out / (1 + 1j * x * math.exp(-self.numbers[0]))
        for log_corner, log_q in self._pairs():
            out = out / _pair(x, log_corner, log_q)
        return out

    def _scaled(self, hz: Real) -> Real:
        if math.isinf(self.rate):
            return np.asarray(hz / self.top_hz)
        half_turn = math.pi / self.rate
        return np.asarray(np.tan(half_turn * hz) / (half_turn * self.top_hz))

    def _pairs(self) -> list[tuple[float, float]]:
        """Logarithms of corner and quality factor of every pair of poles."""
        last = (float(self.numbers[-2]), float(self.numbers[-1])) if self.numbers.size > 1 else None
        if self.low_pass == "one pole" or last is None:
            return []
        if self.low_pass == "two pairs":
            return [(float(self.numbers[0]), float(self.numbers[1])), last]
        return [last] * (2 if self.low_pass == "four poles" else 1)

    def derivatives(self, hz: Real) -> Complex:
        """Return the derivatives of the response's logarithm with couplings, then numbers."""
        corner = self.couplings_hz()[:, None]
        rows = list(-corner * (1 - corner / HIGHEST_COUPLING_HZ) / (1j * hz + corner))
        x = self._scaled(hz)
        if self.low_pass == "smooth":
            return np.array([*rows, -(x**2), -(x**4), 1j * x**3, 1j * x**5])
        if self.low_pass in ("one pole", "three poles"):
            single = 1j * x * math.exp(-self.numbers[0])
            rows.append(single / (1 + single))
        alike = self.low_pass == "four poles"
        for log_corner, log_q in self._pairs()[alike:]:
            pair, y = _pair(x, log_corner, log_q), x * math.exp(-log_corner)
            turn = 1j * y * math.exp(-log_q)
            rows += [(1 + alike) * (turn - 2 * y**2) / pair, (1 + alike) * turn / pair]
        return np.array(rows)

    def prior(self) -> tuple[Real, Real]:
        """Return what is known of ``numbers`` before: their usual values and how far they lie."""
        if self.low_pass == "smooth":
            return np.zeros(4), np.full(4, POWER_SPREAD)
        usual, spread = [1.0] * NUMBERS[self.low_pass], [CORNER_SPREAD] * NUMBERS[self.low_pass]
        if self.low_pass != "one pole":
            usual[-1], spread[-1] = math.log(USUAL_Q), Q_SPREAD
        if self.low_pass == "two pairs":
            usual[1], spread[1] = math.log(USUAL_Q), Q_SPREAD
        return np.array(usual), np.array(spread)

    def corner_hz(self) -> float:
        """Return where the low-pass is 3 dB down, nan where that is above ``top_hz``."""
        grid = np.geomspace(self.top_hz / 3000, self.top_hz, 3000)
        below = np.flatnonzero(np.abs(self.low(grid)) < math.sqrt(0.5))
        return float(grid[below[0]]) if below.size else math.nan

    def coupling_hz(self) -> float:
        """Return the corner of the one coupling that does to a tone well above what all do."""
        return float(self.couplings_hz().sum())
