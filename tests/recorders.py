"""Recorders that are flat within so many dB, made at random and without sigkit.

A coupling of one pole, two shelves anywhere, a pole far above the band and the ripple of a filter
of linear phase; of many draws that one is taken whose level stays inside the tolerance.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import signal

FROM_HZ, MIDDLE_HZ, TO_HZ = 20.0, 1000.0, 20_000.0


class Recorder:
    """A line input whose level departs from that at 1 kHz by no more than ``within_db``."""

    def __init__(self, rng: np.random.Generator, within_db: float) -> None:
        band = np.geomspace(FROM_HZ, TO_HZ, 500)
        # The corner that is down by the whole tolerance at the lower end of the band.
        most_corner = FROM_HZ * math.sqrt(10 ** (within_db / 10) - 1)
        while True:
            self.coupling_hz = rng.uniform(0, most_corner)
            self.shelves = [
                (math.exp(rng.uniform(math.log(FROM_HZ), math.log(TO_HZ))), rng.uniform(-1.5, 1.5))
                for _ in range(2)
            ]
            self.shelves = [(hz, 10 ** (within_db * up / 20)) for hz, up in self.shelves]
            droop = within_db * rng.uniform(0.01, 1.5)
            self.pole_hz = TO_HZ / math.sqrt(10 ** (droop / 10) - 1)
            self.ripple = rng.uniform(0, 0.2) * within_db * math.log(10) / 20
            self.delay_s = math.exp(rng.uniform(math.log(1e-4), math.log(2e-3)))
            level = np.abs(self.response(np.append(band, MIDDLE_HZ)))
            if np.abs(20 * np.log10(level[:-1] / level[-1])).max() <= within_db:
                return

    def sections(self) -> list[tuple[list[float], list[float]]]:
        """Numerators and denominators in radians a second."""
        turn = 2 * math.pi
        out = [([1.0, 0.0], [1.0, turn * self.coupling_hz])]
        # 1 far below the corner, ``up`` far above it.
        out += [([up, turn * hz], [1.0, turn * hz]) for hz, up in self.shelves]
        return [*out, ([turn * self.pole_hz], [1.0, turn * self.pole_hz])]

    def response(self, hz: np.ndarray) -> np.ndarray:
        """Complex response at some frequencies."""
        s = 2j * np.pi * np.asarray(hz)
        out = 1 + self.ripple * np.cos(2 * np.pi * np.asarray(hz) * self.delay_s) + 0j
        for above, below in self.sections():
            out = out * np.polyval(above, s) / np.polyval(below, s)
        return out

    def through(self, x: np.ndarray, rate: int) -> np.ndarray:
        """A sound as it records it, filtered at its own, high rate."""
        for above, below in self.sections():
            x = signal.lfilter(*signal.bilinear(above, below, rate), x)
        d = round(self.delay_s * rate)
        return x + self.ripple / 2 * (np.roll(x, d) + np.roll(x, -d))
