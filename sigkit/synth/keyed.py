"""A sweep over a keyboard, key by key, with what is planted in each of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from sigkit.synth.oscillators import tone
from sigkit.synth.paths import Envelope, at_cents
from sigkit.synth.planted import exact_path, room_hiss, room_hum
from sigkit.synth.presses import Presses
from sigkit.synth.sound import Sound

RATE = 16000
LOWEST, KEYS = 41, 44
"""F2 to C6, as MIDI has it."""
FIRST_S, STEP_S, HELD_S, AFTER_S = 0.4, 0.4, 0.28, 0.25
LEVEL_DBFS = -15.0
PARTS_SEED = 17
"""The resistors are the same at every stage."""
SPEAKS = Envelope(
    attack_time_constant_s=0.0015, attack_target=1.02, sustain=1.0, release_time_constant_s=0.012
)


@dataclass(frozen=True, kw_only=True)
class Keyed:
    """What is planted in a capture of a key sweep, from the lowest key to the highest.

    Parameters
    ----------
    stage : str
        The stage.
    seed : int
        Seed of everything random.
    offset_cents : float
        Error of the lowest key re equal temperament.
    scale_cents : float
        What is added to the errors an octave.
    scatter_cents : float
        Standard deviation of the single keys about that.
    odd_cents : mapping of int to float
        What is added to single keys, by their number from 1.
    dead : tuple of int
        Keys that do not sound.
    bounces : mapping of int to (float, float)
        Keys whose contact closes for the first so many seconds, then opens for so many.
    stuck : mapping of int to int
        Keys that sound on until so many keys later are let go.
    """

    stage: str
    seed: int
    offset_cents: float = 0.0
    scale_cents: float = 0.0
    scatter_cents: float = 0.0
    odd_cents: Mapping[int, float] = field(default_factory=dict)
    dead: tuple[int, ...] = ()
    bounces: Mapping[int, tuple[float, float]] = field(default_factory=dict)
    stuck: Mapping[int, int] = field(default_factory=dict)

    def sound(self) -> Sound:
        """Return the capture as sound, with ``keys`` in its truth."""
        n = round((FIRST_S + STEP_S * KEYS + AFTER_S) * RATE)
        time = np.arange(n) / RATE
        samples = np.zeros(n)
        keys = self.keys()
        sounding = keys["status"] != "missing"
        for at in np.flatnonzero(sounding):
            hz, on_s, off_s = (float(keys[c].iloc[at]) for c in ("frequency_hz", "on_s", "off_s"))
            begin = round((on_s - 0.01) * RATE)
            end = min(n, round((off_s + 20 * SPEAKS.release_time_constant_s) * RATE))
            wave = tone("saw", np.full(end - begin, hz), rate=RATE, level_dbfs=LEVEL_DBFS)
            played = Presses(SPEAKS, self._gates(int(at) + 1, on_s, off_s))
            samples[begin:end] += wave.samples * played.amplitude(time[begin:end])
        samples = samples + room_hum(self.stage, time) + room_hiss(n, self.seed)
        return Sound(samples, RATE, {"keys": keys})

    def keys(self) -> pd.DataFrame:
        """Return the truth of each key.

        Returns
        -------
        DataFrame
            Columns ``key`` from 1, ``nominal_hz``, ``error_cents`` re equal temperament at A4 = 440
            Hz, ``frequency_hz``, ``status``, ``on_s`` and ``off_s``.
        """
        scatter = np.random.default_rng(PARTS_SEED).standard_normal(KEYS)
        rows = []
        for k in range(KEYS):
            number, on = k + 1, FIRST_S + STEP_S * k
            cents = self.offset_cents + self.scale_cents * k / 12
            cents += self.scatter_cents * float(scatter[k]) + self.odd_cents.get(number, 0.0)
            nominal = float(at_cents(440.0, np.array(100.0 * (LOWEST + k - 69))))
            hz = float(exact_path(at_cents(nominal, np.full(2, cents)), 1)[0])
            off = on + HELD_S + STEP_S * self.stuck.get(number, 0)
            status = "ok"
            if number in self.dead:
                status = "missing"
            elif number in self.bounces:
                status = "double trigger"
            elif number in self.stuck:
                status = "stuck"
            rows.append(
                {
                    "key": number,
                    "nominal_hz": nominal,
                    "error_cents": 1200 * np.log2(hz / nominal),
                    "frequency_hz": hz,
                    "status": status,
                    "on_s": on,
                    "off_s": off,
                }
            )
        return pd.DataFrame(rows)

    def _gates(self, number: int, on_s: float, off_s: float) -> tuple[tuple[float, float], ...]:
        """From when to when the contact of a key is closed."""
        if number not in self.bounces:
            return ((on_s, off_s),)
        closed_s, open_s = self.bounces[number]
        return (on_s, on_s + closed_s), (on_s + closed_s + open_s, off_s)
