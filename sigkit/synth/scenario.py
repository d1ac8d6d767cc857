"""The invented scenario of the demo: what is planted in each capture, as data, and its sound.

Every file comes out the same to the last bit on any machine: pitch paths are rounded to a coarse
grid and drawn in exact binary fractions, phases are whole numbers, and what is left of the last
digits of a sine is far below the step of 16 bits.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sigkit.synth.dirt import Place, dirty_level_slider, travel
from sigkit.synth.filters import LowPass
from sigkit.synth.noise import hum, thump, white
from sigkit.synth.oscillators import tone
from sigkit.synth.paths import (
    at_cents,
    fade,
    jump_cents,
    line_cents,
    vibrato_cents,
    wander_cents,
    warmup_cents,
)
from sigkit.synth.sound import Sound

STAGES = ("1_before", "2_cleaned", "3_after")
NOMINAL_HZ = 220.0
"""Nominal pitch of the stability and warm-up captures: A3."""
DARK_HZ = 98.0
"""Pitch of the slider captures: about G2."""
CUTOFF_HZ = 120.0
"""Cutoff of the closed filter, 24 dB per octave, in the slider captures."""
SWITCH_S = 5.0
"""When the mains switch is thrown in the warm-up captures."""
HISS_DBFS = -88.0
MAINS_HZ = {"1_before": 49.98, "2_cleaned": 50.01, "3_after": 50.02}
HUM_DBFS = {
    "1_before": {1: -78.0, 2: -72.0, 3: -84.0, 4: -82.0},
    "2_cleaned": {1: -82.0, 2: -80.0, 3: -90.0},
    "3_after": {1: -86.0, 2: -84.0, 3: -92.0},
}


@dataclass(frozen=True, kw_only=True)
class Pitch:
    """What is planted in the pitch of a stability or warm-up capture.

    Parameters
    ----------
    stage : str
        The stage.
    seconds : float
        Length.
    rate : int
        Sample rate in Hz.
    seed : int
        Seed of everything random.
    offset_cents : float
        Pitch at the start re `NOMINAL_HZ`.
    drift_cents_per_min : float
        Steady drift.
    wander_cents, wander_s : float
        Spread and time constant of random wander.
    wobble_cents : float
        Peak of a modulation at the mains frequency.
    jump_cents, jump_s : float
        A step that stays, and when.
    warmup_cents, warmup_s : float
        Where a warm-up ends, from its start, and its time constant; with a time constant above
        zero the capture begins before the switch is thrown.
    """

    stage: str
    seconds: float
    rate: int
    seed: int
    offset_cents: float = 0.0
    drift_cents_per_min: float = 0.0
    wander_cents: float = 0.0
    wander_s: float = 0.4
    wobble_cents: float = 0.0
    jump_cents: float = 0.0
    jump_s: float = 0.0
    warmup_cents: float = 0.0
    warmup_s: float = 0.0

    def sound(self) -> Sound:
        """Return the capture as sound, with ``frequency_hz`` and ``cents`` in its truth."""
        hz = self._path()
        sound = tone("saw", hz, rate=self.rate, level_dbfs=-15.0)
        samples = sound.samples
        time = sound.time_s
        truth = dict(sound.truth)
        truth["cents"] = 1200 * np.log2(truth["frequency_hz"] / NOMINAL_HZ)
        if self.warmup_s > 0:
            samples = samples * fade(time, start_s=SWITCH_S + 0.1, stop_s=np.inf, length_s=0.3)
            samples += thump(time, at_s=SWITCH_S, peak=0.4)
            truth["power_on_s"] = SWITCH_S
        on = fade(time, start_s=SWITCH_S, stop_s=np.inf) if self.warmup_s > 0 else 1.0
        samples = samples + on * _hum(self.stage, time) + _hiss(len(time), self.seed)
        return Sound(samples, self.rate, truth)

    def _cents(self, t: NDArray[np.float64]) -> NDArray[np.float64]:
        cents = self.offset_cents + line_cents(t, cents_per_min=self.drift_cents_per_min)
        if self.wander_cents > 0:
            cents += wander_cents(
                t,
                spread_cents=self.wander_cents,
                time_constant_s=self.wander_s,
                seed=self.seed,
            )
        cents += vibrato_cents(
            t, rate_hz=MAINS_HZ[self.stage], peak_cents=self.wobble_cents, phase_rad=0.6
        )
        cents += jump_cents(t, at_s=self.jump_s, size_cents=self.jump_cents, rise_s=0.01)
        if self.warmup_s > 0:
            cents += warmup_cents(
                t,
                total_cents=self.warmup_cents,
                time_constant_s=self.warmup_s,
                power_on_s=SWITCH_S,
            )
        return cents

    def _path(self) -> NDArray[np.float64]:
        """Frequency at every sample, straight between points rounded to 2**-16 Hz.

        Points are a power of two of samples apart, so that all values are exact in binary.
        """
        n, step = round(self.seconds * self.rate), 64 if self.warmup_s > 0 else 32
        points = np.arange(n // step + 2) * step / self.rate
        hz = np.rint(at_cents(NOMINAL_HZ, self._cents(points)) * 2**16) / 2**16
        share = np.arange(step) / step
        return np.ravel(hz[:-1, None] + np.diff(hz)[:, None] * share)[:n]


@dataclass(frozen=True, kw_only=True)
class Slider:
    """What is planted in a slider capture.

    Parameters
    ----------
    stage : str
        The stage.
    seed : int
        Seed of everything random.
    places : tuple of Place
        The dirty places.
    passes : int
        Number of passes, up and down in turn.
    low : float
        Where the travel begins; 1 is its upper end.
    bright : bool
        Whether the filter was left open.
    overdrive_db : float
        By how much the recorder was overdriven; above zero the capture is clipped.
    """

    stage: str
    seed: int
    places: tuple[Place, ...] = ()
    passes: int = 4
    low: float = 0.1
    bright: bool = False
    overdrive_db: float = 0.0

    def sound(self) -> Sound:
        """Return the capture as sound, with ``events`` and ``passes`` in its truth."""
        sound = dirty_level_slider(
            travel(32000, passes=self.passes, travel_s=1.9, rest_s=0.5, low=self.low),
            frequency_hz=DARK_HZ,
            places=self.places,
            rng=np.random.default_rng(self.seed),
            response=None if self.bright else LowPass(CUTOFF_HZ),
            level_dbfs=-14.0,
        )
        samples = sound.samples * 10 ** (self.overdrive_db / 20)
        samples = samples + _hum(self.stage, sound.time_s) + _hiss(len(samples), self.seed)
        return replace(sound, samples=samples)


def _hum(stage: str, time: NDArray[np.float64]) -> NDArray[np.float64]:
    return hum(time, mains_hz=MAINS_HZ[stage], levels_dbfs=HUM_DBFS[stage])


def _hiss(n: int, seed: int) -> NDArray[np.float64]:
    return white(n, level_dbfs=HISS_DBFS, rng=np.random.default_rng([seed, 1]))


_BEFORE = Pitch(stage="1_before", seconds=6.0, rate=32000, seed=0)
_AFTER = Pitch(stage="3_after", seconds=6.0, rate=32000, seed=0)
_OSC_1 = replace(_BEFORE, wander_cents=2.4, wobble_cents=1.5, drift_cents_per_min=6.0)
_OSC_1_AFTER = replace(_AFTER, wander_cents=0.12, drift_cents_per_min=0.3)

_VOLUME = (
    Place(position=0.31, width=0.006, level_db=-20.0),
    Place(position=0.44, width=0.010, level_db=-24.0),
    Place(position=0.52, width=0.004, level_db=-28.0),
    Place(position=0.63, width=0.012, level_db=-18.0),
    Place(position=0.71, width=0.010, kind="dropout", level_db=-26.0, probability=0.8),
    Place(position=0.86, width=0.008, level_db=-22.0),
)
_VOLUME_CLEANED = (
    Place(position=0.44, width=0.006, level_db=-34.0, probability=0.7),
    Place(position=0.63, width=0.008, level_db=-30.0, probability=0.7),
)
_MIXER = (
    Place(position=0.28, width=0.008, level_db=-16.0),
    Place(position=0.47, width=0.010, level_db=-22.0),
    Place(position=0.58, width=0.006, level_db=-25.0),
    Place(position=0.77, width=0.010, level_db=-19.0),
    Place(position=0.90, width=0.006, level_db=-27.0),
)
_MIXER_CLEANED = tuple(replace(p, level_db=p.level_db - 6, probability=0.8) for p in _MIXER[1:])
_MIXER_AFTER = tuple(replace(p, level_db=p.level_db - 8, probability=0.9) for p in _MIXER[1:4:2])
_OSC_1_LEVEL = (
    Place(position=0.40, width=0.008, level_db=-24.0),
    Place(position=0.66, width=0.008, level_db=-28.0),
)

SCENARIO: Mapping[str, Pitch | Slider] = {
    "1_before/warmup-oscillator_1.wav": Pitch(
        stage="1_before",
        seconds=180.0,
        rate=8000,
        seed=101,
        offset_cents=-9.0,
        warmup_cents=72.0,
        warmup_s=260.0,
        wander_cents=0.5,
        wander_s=4.0,
        jump_cents=9.0,
        jump_s=118.0,
    ),
    "3_after/warmup-oscillator_1.wav": Pitch(
        stage="3_after",
        seconds=180.0,
        rate=8000,
        seed=301,
        offset_cents=-18.0,
        warmup_cents=18.0,
        warmup_s=32.0,
        wander_cents=0.08,
        wander_s=4.0,
    ),
    "1_before/stability-oscillator_1-t1.wav": replace(
        _OSC_1, seed=111, offset_cents=-14.0, jump_cents=-11.0, jump_s=2.4
    ),
    "1_before/stability-oscillator_1-t2.wav": replace(
        _OSC_1, seed=112, offset_cents=-13.0, jump_cents=12.0, jump_s=3.2
    ),
    "1_before/stability-oscillator_1-t3.wav": replace(
        _OSC_1, seed=113, offset_cents=-12.0, jump_cents=11.5, jump_s=3.7
    ),
    "1_before/stability-oscillator_2.wav": replace(
        _BEFORE, seed=121, offset_cents=-6.0, wander_cents=1.4, drift_cents_per_min=-2.0
    ),
    "3_after/stability-oscillator_1-t1.wav": replace(_OSC_1_AFTER, seed=311, offset_cents=0.4),
    "3_after/stability-oscillator_1-t2.wav": replace(_OSC_1_AFTER, seed=312, offset_cents=0.5),
    "3_after/stability-oscillator_1-t3.wav": replace(_OSC_1_AFTER, seed=313, offset_cents=0.5),
    "3_after/stability-oscillator_2.wav": replace(
        _AFTER, seed=321, offset_cents=-5.0, wander_cents=1.4, drift_cents_per_min=-2.0
    ),
    "1_before/slider-volume.wav": Slider(stage="1_before", seed=131, places=_VOLUME),
    "2_cleaned/slider-volume.wav": Slider(stage="2_cleaned", seed=231, places=_VOLUME_CLEANED),
    "3_after/slider-volume.wav": Slider(stage="3_after", seed=331),
    "1_before/slider-oscillator_2_level.wav": Slider(stage="1_before", seed=141, places=_MIXER),
    "2_cleaned/slider-oscillator_2_level.wav": Slider(
        stage="2_cleaned", seed=241, places=_MIXER_CLEANED
    ),
    "3_after/slider-oscillator_2_level.wav": Slider(stage="3_after", seed=341, places=_MIXER_AFTER),
    "1_before/slider-oscillator_1_level.wav": Slider(
        stage="1_before", seed=151, places=_OSC_1_LEVEL, passes=2, bright=True
    ),
    "2_cleaned/slider-oscillator_1_level.wav": Slider(
        stage="2_cleaned", seed=251, passes=2, overdrive_db=18.0
    ),
    "3_after/slider-oscillator_1_level.wav": Slider(stage="3_after", seed=351, passes=2),
}
"""What is planted in each capture of the demo, by ``STAGE/NAME.wav``."""
