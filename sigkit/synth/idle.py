"""What can be planted in a capture of idle noise: hum, ripple, hiss, then a key at full level."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from sigkit.synth.noise import hum, white
from sigkit.synth.oscillators import tone
from sigkit.synth.paths import fade
from sigkit.synth.planted import MAINS_HZ
from sigkit.synth.sound import Sound

IDLE_RATE = 44_100
IDLE_S, TONE_S = 7.5, 2.5
"""Seconds without a key, then with one held."""
TONE_HZ, TONE_DBFS = 220.0, -12.0
WANDER_HZ, WANDER_S = 0.008, 9.0
"""The mains frequency swings by so much, once in so many seconds."""


@dataclass(frozen=True, kw_only=True)
class Idle:
    """What is planted in a capture of idle noise.

    Parameters
    ----------
    stage : str
        The stage.
    seed : int
        Seed of everything random.
    hiss_dbfs : float
        Level of the white noise up to half the sample rate.
    lines_dbfs : mapping of int to float
        Level of each line of the mains by its order.
    """

    stage: str
    seed: int
    hiss_dbfs: float
    lines_dbfs: Mapping[int, float]

    def sound(self) -> Sound:
        """Return the capture as sound.

        Its truth: ``mains_hz``, the mean over the part without a key; ``lines_dbfs``; ``odd_dbfs``
        and ``even_dbfs``, power sums of both families; ``floor_dbfs``, the noise from 20 Hz to
        20 kHz, that of rounding to 16 bits with dither in it; ``tone_dbfs``.
        """
        n = round((IDLE_S + TONE_S) * IDLE_RATE)
        time = np.arange(n) / IDLE_RATE
        # Time as the mains counts it: its frequency is 1 + swing * sin(...) times its mean.
        swing = WANDER_HZ / MAINS_HZ[self.stage] * WANDER_S / (2 * math.pi)
        counted = time + swing * (1 - np.cos(2 * math.pi * time / WANDER_S))
        lines = self.lines_dbfs
        samples = hum(counted, mains_hz=MAINS_HZ[self.stage], levels_dbfs=lines)
        samples += white(n, level_dbfs=self.hiss_dbfs, rng=np.random.default_rng([self.seed, 1]))
        held = tone("saw", TONE_HZ, rate=IDLE_RATE, seconds=IDLE_S + TONE_S, level_dbfs=TONE_DBFS)
        samples += held.samples * fade(time, start_s=IDLE_S, stop_s=math.inf)
        gone = IDLE_S + swing * (1 - math.cos(2 * math.pi * IDLE_S / WANDER_S))
        noise = 10 ** (self.hiss_dbfs / 10) + 10 ** (-93.32 / 10)
        truth = {
            "mains_hz": MAINS_HZ[self.stage] * gone / IDLE_S,
            "lines_dbfs": dict(lines),
            "odd_dbfs": _sum_db(level for order, level in lines.items() if order % 2),
            "even_dbfs": _sum_db(level for order, level in lines.items() if order % 2 == 0),
            "floor_dbfs": 10 * math.log10(noise * (20_000 - 20) / (IDLE_RATE / 2)),
            "tone_dbfs": TONE_DBFS,
        }
        return Sound(samples, IDLE_RATE, truth)


def _sum_db(levels: Iterable[float]) -> float:
    return 10 * math.log10(math.fsum(10 ** (level / 10) for level in levels))
