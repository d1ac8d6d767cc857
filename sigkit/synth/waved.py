"""What can be planted in a capture of one wave of an oscillator, and the sound it gives."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sigkit.synth.filters import Interface
from sigkit.synth.oscillators import tone
from sigkit.synth.paths import at_cents, wander_cents
from sigkit.synth.planted import NOMINAL_HZ, exact_path, room_hiss, room_hum
from sigkit.synth.sound import Sound

RATE = 48000
PATH = Interface(coupling_hz=5.0, low_pass_hz=9000.0)
STEP = 32
WANDER_CENTS, WANDER_S = 0.2, 0.4


def _integrated(
    frequency_hz: NDArray[np.float64], where: slice | NDArray[np.intp]
) -> NDArray[np.complex128]:
    """Make a triangle of a pulse: it rises while the pulse is high."""
    return PATH(frequency_hz, where) * NOMINAL_HZ / (1j * frequency_hz)


@dataclass(frozen=True, kw_only=True)
class Waved:
    """What is planted in a capture of a wave.

    Parameters
    ----------
    stage : str
        The stage.
    seed : int
        Seed of everything random.
    shape : {"pulse", "triangle"}
        The wave.
    width : float
        Share of the period for which a pulse is high, or a triangle rises.
    nominal_duty : float or None
        Duty cycle that the pulse should have, in percent.
    seconds : float
        Length.
    """

    stage: str
    seed: int
    shape: Literal["pulse", "triangle"]
    width: float
    nominal_duty: float | None = None
    seconds: float = 1.5

    def sound(self) -> Sound:
        """Return the capture as sound, with ``width`` and ``shape`` in its truth."""
        n = round(self.seconds * RATE)
        points = np.arange(n // STEP + 2) * STEP / RATE
        cents = wander_cents(
            points, spread_cents=WANDER_CENTS, time_constant_s=WANDER_S, seed=self.seed
        )
        hz = exact_path(at_cents(NOMINAL_HZ, cents), STEP)[:n]
        path = PATH if self.shape == "pulse" else _integrated
        sound = tone("pulse", hz, rate=RATE, width=self.width, response=path, level_dbfs=-14.0)
        samples = sound.samples + room_hum(self.stage, sound.time_s) + room_hiss(n, self.seed)
        return Sound(samples, RATE, {**sound.truth, "shape": self.shape, "width": self.width})
