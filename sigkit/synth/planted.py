"""What can be planted in a capture of the demo, and the sound it gives.

Every file comes out the same to the last bit on any machine: pitch paths are rounded to a coarse
grid and drawn in exact binary fractions, phases are whole numbers, and what is left of the last
digits of a sine is far below the step of 16 bits.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from sigkit.synth.dirt import Place
from sigkit.synth.filters import LowPass
from sigkit.synth.noise import hum, thump, white
from sigkit.synth.oscillators import tone
from sigkit.synth.paths import (
    at_cents,
    caught_hz,
    fade,
    jump_cents,
    line_cents,
    vibrato_cents,
    wander_cents,
    warmup_cents,
)
from sigkit.synth.presses import Presses
from sigkit.synth.sliders import (
    audio_taper,
    dirty_level_slider,
    dirty_pitch_slider,
    dirty_timbre_slider,
    dirty_width_slider,
)
from sigkit.synth.sound import Sound
from sigkit.synth.travel import travel

STAGES = ("1_before", "2_cleaned", "3_after")
NOMINAL_HZ = 220.0
"""Nominal pitch of the stability and warm-up captures: A3."""
DARK_HZ = 98.0
"""Pitch of the captures of level sliders: about G2."""
CUTOFF_HZ = 120.0
"""Cutoff of the closed filter, 24 dB per octave, in the captures of level sliders."""
SLIDER_HZ = {"pitch": 440.0, "timbre": 220.0, "width": 220.0}
"""Pitch of the other slider captures; of the tune slider, at the bottom of its travel."""
TUNE_CENTS = 700.0
"""Range of the tune slider."""
SWEEP_HZ, SWEEP_Q = (200.0, 4000.0), 0.8
"""Cutoff at both ends of the travel of its slider, and the quality factor of each stage."""
WIDTHS, WIDTH_CUTOFF_HZ = (0.5, 0.9), 1500.0
"""Pulse width at both ends of the travel of its slider, and the cutoff meanwhile."""
PAIR_HZ = 440.0
"""Nominal pitch of two oscillators that beat: A4."""
PAIR_RATE = 16000
ENVELOPE_HZ, ENVELOPE_RATE = 880.0, 24000
"""Pitch and sample rate of the captures of envelopes: A5."""
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
        samples = samples + on * room_hum(self.stage, time) + room_hiss(len(time), self.seed)
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
        """Frequency at every sample."""
        n, step = round(self.seconds * self.rate), 64 if self.warmup_s > 0 else 32
        points = np.arange(n // step + 2) * step / self.rate
        return exact_path(at_cents(NOMINAL_HZ, self._cents(points)), step)[:n]


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
    controls : {"level", "pitch", "timbre", "width"}
        What the slider controls. A level slider has the dark tone, the others that of
        `SLIDER_HZ`.
    passes : int
        Number of passes, up and down in turn.
    travel_s, rest_s : float
        Time of a pass, and of the rest before the first and after each.
    low : float
        Where the travel begins; 1 is its upper end.
    rate : int
        Sample rate in Hz.
    noise_db : float, optional
        RMS level re the tone of a noise source that was left on, with the filter open; None: off,
        and the filter closed.
    overdrive_db : float
        By how much the recorder was overdriven; above zero the capture is clipped.
    """

    stage: str
    seed: int
    places: tuple[Place, ...] = ()
    controls: Literal["level", "pitch", "timbre", "width"] = "level"
    passes: int = 4
    travel_s: float = 1.9
    rest_s: float = 0.5
    low: float = 0.1
    rate: int = 24000
    noise_db: float | None = None
    overdrive_db: float = 0.0

    def sound(self) -> Sound:
        """Return the capture as sound, with ``events`` and ``passes`` in its truth."""
        sound = self._played()
        samples = sound.samples * 10 ** (self.overdrive_db / 20)
        samples = samples + room_hum(self.stage, sound.time_s) + room_hiss(len(samples), self.seed)
        return replace(sound, samples=samples)

    def _played(self) -> Sound:
        path = travel(
            self.rate,
            passes=self.passes,
            travel_s=self.travel_s,
            rest_s=self.rest_s,
            low=self.low,
        )
        rng, level_dbfs = np.random.default_rng(self.seed), -14.0
        if self.controls == "pitch":
            return dirty_pitch_slider(
                path,
                lowest_hz=SLIDER_HZ["pitch"],
                range_cents=TUNE_CENTS,
                places=self.places,
                rng=rng,
                level_dbfs=level_dbfs,
            )
        if self.controls == "timbre":
            return dirty_timbre_slider(
                path,
                frequency_hz=SLIDER_HZ["timbre"],
                cutoff_hz=SWEEP_HZ,
                q=SWEEP_Q,
                places=self.places,
                rng=rng,
                level_dbfs=level_dbfs,
            )
        if self.controls == "width":
            return dirty_width_slider(
                path,
                frequency_hz=SLIDER_HZ["width"],
                width=WIDTHS,
                response=LowPass(WIDTH_CUTOFF_HZ),
                places=self.places,
                rng=rng,
                level_dbfs=level_dbfs,
            )
        sound = dirty_level_slider(
            path,
            frequency_hz=DARK_HZ,
            places=self.places,
            rng=rng,
            response=LowPass(CUTOFF_HZ) if self.noise_db is None else None,
            level_dbfs=level_dbfs,
        )
        if self.noise_db is None:
            return sound
        noise = white(len(sound.samples), level_dbfs=level_dbfs + self.noise_db, rng=rng)
        return replace(sound, samples=sound.samples + noise * audio_taper(path.position))


@dataclass(frozen=True, kw_only=True)
class Pair:
    """What is planted in a capture of two oscillators that beat.

    Parameters
    ----------
    stage : str
        The stage.
    together_s, alone_s : float
        For how long both are heard, then each of them alone.
    seed : int
        Seed of everything random.
    tune : tuple of tuple of float
        Fine tune of oscillator 2 against oscillator 1: seconds, cents; turned evenly between.
    drift_1, drift_2 : float
        Steady drift of each oscillator in cents/min.
    wander_cents : float
        Spread of the random wander of each, with a time constant of 4 s.
    lock_cents : float
        Oscillator 2 is caught by oscillator 1 within plus and minus this distance.
    phase_cycles : float
        Phase of oscillator 2 against oscillator 1 at the start.
    """

    stage: str
    together_s: float
    seed: int
    alone_s: float
    tune: tuple[tuple[float, float], ...]
    drift_1: float = 0.0
    drift_2: float = 0.0
    wander_cents: float = 0.0
    lock_cents: float = 0.0
    phase_cycles: float = 0.875

    def sound(self) -> Sound:
        """Return the capture as sound, with both pitches in its truth.

        ``fine_tune_cents`` is how far oscillator 2 would be above oscillator 1 if it were not
        caught, ``detune_cents`` how far it is; ``held`` says where it is caught.
        """
        n, step = round((self.together_s + 2 * self.alone_s) * PAIR_RATE), 32
        points = np.arange(n // step + 2) * step / PAIR_RATE
        free_1, free_2 = (at_cents(PAIR_HZ, self._cents(points, number)) for number in (1, 2))
        lock_hz = PAIR_HZ * float(np.expm1(self.lock_cents * np.log(2) / 1200))
        apart_hz = caught_hz(
            points, apart_hz=free_2 - free_1, lock_hz=lock_hz, phase_cycles=self.phase_cycles
        )
        one, two = (
            tone("saw", exact_path(hz, step)[:n], rate=PAIR_RATE, level_dbfs=-18.0, phase=phase)
            for hz, phase in ((free_1, 0.0), (free_1 + apart_hz, self.phase_cycles))
        )
        time, at = one.time_s, one.truth["time_s"]
        samples = room_hum(self.stage, time) + room_hiss(n, self.seed)
        second_s = self.together_s + self.alone_s
        samples += one.samples * fade(time, start_s=-1.0, stop_s=second_s)
        samples += two.samples * (1 - fade(time, start_s=self.together_s, stop_s=second_s))
        cents = [1200 * np.log2(sound.truth["frequency_hz"] / PAIR_HZ) for sound in (one, two)]
        fine_tune = self._cents(at, 2) - self._cents(at, 1)
        truth = {
            "time_s": at,
            "frequency_1_hz": one.truth["frequency_hz"],
            "frequency_2_hz": two.truth["frequency_hz"],
            "cents_1": cents[0],
            "cents_2": cents[1],
            "detune_cents": cents[1] - cents[0],
            "fine_tune_cents": fine_tune,
            "held": cents[0] == cents[1],
        }
        return Sound(samples, PAIR_RATE, truth)

    def _cents(self, t: NDArray[np.float64], number: int) -> NDArray[np.float64]:
        """Pitch of oscillator 1 or 2, if it is left alone, re `PAIR_HZ`."""
        cents = line_cents(t, cents_per_min=self.drift_1 if number == 1 else self.drift_2)
        if number == 2:
            at_s, tune = np.transpose(self.tune)
            cents += np.interp(t, at_s, tune)
        if self.wander_cents > 0:
            cents += wander_cents(
                t,
                spread_cents=self.wander_cents,
                time_constant_s=4.0,
                seed=10 * self.seed + number,
            )
        return cents


@dataclass(frozen=True, kw_only=True)
class Enveloped:
    """What is planted in a capture of presses through an envelope.

    Parameters
    ----------
    stage : str
        The stage.
    seconds : float
        Length.
    seed : int
        Seed of everything random.
    played : Presses
        The envelope and the gates.
    """

    stage: str
    seconds: float
    seed: int
    played: Presses

    def sound(self) -> Sound:
        """Return the capture as sound, with ``notes`` in its truth."""
        n = round(self.seconds * ENVELOPE_RATE)
        wave = tone("saw", ENVELOPE_HZ, rate=ENVELOPE_RATE, seconds=self.seconds, level_dbfs=-15.0)
        time = wave.time_s
        samples = wave.samples * self.played.amplitude(time)
        samples = samples + room_hum(self.stage, time) + room_hiss(n, self.seed)
        truth = dict(wave.truth) | {"notes": self.played.notes()}
        return Sound(samples, ENVELOPE_RATE, truth)


def exact_path(hz: NDArray[np.float64], step: int) -> NDArray[np.float64]:
    """Frequency at every sample, straight between points rounded to 2**-16 Hz.

    Points are a power of two of samples apart, so that all values are exact in binary.
    """
    hz = np.rint(hz * 2**16) / 2**16
    share = np.arange(step) / step
    return np.ravel(hz[:-1, None] + np.diff(hz)[:, None] * share)


def room_hum(stage: str, time: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the hum of a stage, at times in seconds."""
    return hum(time, mains_hz=MAINS_HZ[stage], levels_dbfs=HUM_DBFS[stage])


def room_hiss(n: int, seed: int) -> NDArray[np.float64]:
    """Return so many samples of the recorder's hiss."""
    return white(n, level_dbfs=HISS_DBFS, rng=np.random.default_rng([seed, 1]))
