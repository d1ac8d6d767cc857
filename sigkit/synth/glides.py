"""A portamento planted in the demo: notes in turn, each reached by a slide with its faults."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sigkit.synth.oscillators import tone
from sigkit.synth.paths import at_cents
from sigkit.synth.planted import exact_path, room_hiss, room_hum
from sigkit.synth.sound import Sound

LOW_HZ = 261.6255653005986
"""Lower note of the glide captures: C4."""
LN9 = float(np.log(9.0))
"""10-90 % time of a single pole in its time constants (closed form)."""
STEP = 8
"""Samples between the points at which the path is laid down."""


@dataclass(frozen=True, kw_only=True)
class Glides:
    """What is planted in a glide capture.

    Parameters
    ----------
    stage : str
        The stage.
    seed : int
        Seed of everything random.
    time_up_s, time_down_s : float
        10-90 % time of the glides up and of those down.
    hold_s : float
        From one key to the next.
    presses : int
        Number of glides, up and down in turn.
    cents : float
        Interval between the two notes.
    scatter : float
        Largest relative departure of a single glide's time.
    plateau_s, plateau_cents : float
        How long every glide stands still when it comes to that pitch, above the lower note.
    rate : int
        Sample rate in Hz.
    """

    stage: str
    seed: int
    time_up_s: float
    time_down_s: float
    hold_s: float
    presses: int = 4
    cents: float = 2400.0
    scatter: float = 0.01
    plateau_s: float = 0.0
    plateau_cents: float = 1000.0
    rate: int = 24000

    def sound(self) -> Sound:
        """Return the capture as sound, with ``frequency_hz`` and ``glides`` in its truth.

        ``glides`` has a row a glide: start_s, interval_cents, glide_time_s (a plateau between 10
        and 90 % is part of it) and plateau_s.
        """
        rng = np.random.default_rng([self.seed, 5])
        n = round((0.4 + (self.presses + 1) * self.hold_s) * self.rate)
        time = np.arange(n // STEP + 2) * STEP / self.rate
        pitch, rows = np.zeros(time.size), []
        for number in range(self.presses):
            up = number % 2 == 0
            key_s = 0.2 + (number + 1) * self.hold_s
            seconds = self.time_up_s if up else self.time_down_s
            seconds *= 1 + self.scatter * rng.uniform(-1, 1)
            after = time >= key_s
            start = float(pitch[np.argmax(after) - 1]) if after.any() else 0.0
            span = (self.cents if up else 0.0) - start
            pitch[after] = start + span * self._progress(time[after] - key_s, seconds, start, span)
            rows.append((key_s, span, seconds + self._within(start, span), self.plateau_s))
        hz = exact_path(at_cents(LOW_HZ, pitch), STEP)[:n]
        sound = tone("saw", hz, rate=self.rate, level_dbfs=-15.0)
        samples = sound.samples + room_hum(self.stage, sound.time_s) + room_hiss(n, self.seed)
        columns = ["start_s", "interval_cents", "glide_time_s", "plateau_s"]
        truth = dict(sound.truth) | {"glides": pd.DataFrame(rows, columns=columns)}
        return Sound(samples, self.rate, truth)

    def _progress(
        self, since: NDArray[np.float64], seconds: float, start: float, span: float
    ) -> NDArray[np.float64]:
        """Share of the interval, that stands still for a while where the contact is bad."""
        at = (self.plateau_cents - start) / span
        reached = -np.log1p(-at) * seconds / LN9
        moving = np.where(since < reached, since, np.maximum(reached, since - self.plateau_s))
        out: NDArray[np.float64] = -np.expm1(-moving * LN9 / seconds)
        return out

    def _within(self, start: float, span: float) -> float:
        at = (self.plateau_cents - start) / span
        return self.plateau_s if 0.1 < at < 0.9 else 0.0
