"""Sounds of twelve faults and their healthy twins, made by calculation with an exact truth."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sigkit.synth.dirt import Place
from sigkit.synth.filters import LowPass
from sigkit.synth.idle import Idle
from sigkit.synth.noise import white
from sigkit.synth.oscillators import tone
from sigkit.synth.paths import Envelope, at_cents, jump_cents, line_cents, warmup_cents
from sigkit.synth.presses import Presses, evenly
from sigkit.synth.sliders import dirty_level_slider
from sigkit.synth.sound import Sound
from sigkit.synth.travel import travel

Real = NDArray[np.float64]
RATE = 24_000
HISS_DBFS = -80.0
C4_HZ = 261.6255653005986
JUMP_CENTS = 8.0
RESTLESS_CENTS_PER_MIN = 9.0
GLIDE_CENTS, GLIDE_S = 1200.0, 0.03
EVEN_S, SLOW_S = 0.12, 0.05
RING_SHARE = 0.06
HUM = {1: -48.0, 2: -90.0, 3: -56.0, 5: -63.0}
RIPPLE = {1: -90.0, 2: -45.0, 4: -52.0, 6: -58.0}
FAINT = {1: -88.0, 2: -90.0}
KEYS, STEP_S, HELD_S = 13, 0.5, 0.35
SPEAKS = Envelope(
    attack_time_constant_s=0.0015, attack_target=1.02, sustain=1.0, release_time_constant_s=0.012
)
HOLDS = Envelope(attack_time_constant_s=0.006, sustain=0.7, release_time_constant_s=0.12)
SAG_S = 15.0
CLIPPED_SHARE = 0.3


def _hissing(samples: Real, rate: int, truth: Mapping[str, Any]) -> Sound:
    hiss = white(samples.size, level_dbfs=HISS_DBFS, rng=np.random.default_rng(3))
    return Sound(samples + hiss, rate, truth)


def _held(cents: Callable[[Real], Real], seconds: float, rate: int = RATE) -> Sound:
    time_s = np.arange(round(seconds * rate)) / rate
    made = tone("saw", at_cents(220.0, cents(time_s)), rate=rate, level_dbfs=-15.0)
    return _hissing(made.samples, rate, {})


def still() -> Sound:
    """Return a tone that keeps its pitch."""
    return _held(lambda t: 0 * t, 8.0)


def jumping() -> Sound:
    """Return a tone that jumps once."""
    return _held(lambda t: jump_cents(t, at_s=4.0, size_cents=JUMP_CENTS), 8.0)


def settling() -> Sound:
    """Return a warm-up that comes to rest."""
    return _held(_approach, 90.0, 8000)


def restless() -> Sound:
    """Return a warm-up that never does."""
    return _held(
        lambda t: _approach(t) + line_cents(t, cents_per_min=RESTLESS_CENTS_PER_MIN), 90.0, 8000
    )


def _approach(time_s: Real) -> Real:
    return warmup_cents(time_s, total_cents=12.0, time_constant_s=8.0)


def _slid(*places: Place) -> Sound:
    path = travel(RATE, passes=4, travel_s=1.5, rest_s=0.4, low=0.1)
    made = dirty_level_slider(
        path,
        frequency_hz=98.0,
        places=places,
        rng=np.random.default_rng(5),
        response=LowPass(120.0),
    )
    return _hissing(made.samples, RATE, made.truth)


def clean_slider() -> Sound:
    """Return four passes of a clean level slider."""
    return _slid()


def crackling() -> Sound:
    """Return four passes with a burst at two places."""
    return _slid(
        Place(position=0.45, level_db=-18.0, probability=1.0),
        Place(position=0.75, level_db=-22.0, probability=1.0),
    )


def dropping() -> Sound:
    """Return four passes in which the sound drops out at one place."""
    return _slid(Place(position=0.6, width=0.02, kind="dropout", level_db=-26.0, probability=1.0))


def quiet() -> Sound:
    """Return an instrument that idles quietly, then a key at full level."""
    return Idle(stage="3_after", seed=7, hiss_dbfs=-86.0, lines_dbfs=FAINT).sound()


def humming() -> Sound:
    """Return the same with hum: odd multiples of the mains."""
    return Idle(stage="3_after", seed=7, hiss_dbfs=-86.0, lines_dbfs=HUM).sound()


def rippling() -> Sound:
    """Return the same with ripple: even multiples of the mains."""
    return Idle(stage="3_after", seed=7, hiss_dbfs=-86.0, lines_dbfs=RIPPLE).sound()


def _gliding(left: Callable[[Real], Real], truth: Mapping[str, Any]) -> Sound:
    """Return two glides up and two down; ``left`` is what is left of the interval."""
    time_s = np.arange(round(6.0 * RATE)) / RATE
    cents = np.zeros(time_s.size)
    for number, start_s in enumerate((1.0, 2.2, 3.4, 4.6)):
        since = np.maximum(time_s - start_s, 0.0)
        cents += (
            GLIDE_CENTS
            * (1 if number % 2 == 0 else -1)
            * np.where(time_s >= start_s, 1 - left(since), 0.0)
        )
    made = tone("saw", at_cents(C4_HZ, cents), rate=RATE, level_dbfs=-15.0)
    return _hissing(made.samples, RATE, truth)


def _single(since: Real) -> Real:
    return np.exp(-since / GLIDE_S)


def _even(since: Real) -> Real:
    return np.maximum(1 - since / EVEN_S, 0.0)


def _slow(since: Real) -> Real:
    """Return what is left of an even slide that runs into a single pole."""
    pole = SLOW_S / EVEN_S
    bend_s = EVEN_S - SLOW_S
    later = pole * np.exp(-np.maximum(since - bend_s, 0.0) / SLOW_S)
    return np.where(since < bend_s, 1 - since / EVEN_S, later)


def _ring(since: Real) -> Real:
    damping = -math.log(RING_SHARE) / math.sqrt(math.pi**2 + math.log(RING_SHARE) ** 2)
    turn = 1 / (GLIDE_S * 2)
    free = turn * math.sqrt(1 - damping**2)
    swing = np.cos(free * since) + damping * turn / free * np.sin(free * since)
    return np.asarray(np.exp(-damping * turn * since) * swing, np.float64)


def smooth_glide() -> Sound:
    """Return glides as a resistor charges a capacitor."""
    return _gliding(_single, {})


def prompt_landing() -> Sound:
    """Return glides of an even rate that end on the note."""
    return _gliding(_even, {})


def slow_landing() -> Sound:
    """Return glides of an even rate whose last part takes its time."""
    to_5_s = EVEN_S - SLOW_S + SLOW_S * math.log(SLOW_S / EVEN_S * GLIDE_CENTS / 5.0)
    return _gliding(_slow, {"to_5_cents_s": to_5_s})


def overshooting() -> Sound:
    """Return glides that run beyond the note and come back."""
    return _gliding(_ring, {"overshoot_cents": GLIDE_CENTS * RING_SHARE})


def _swept(gates: Mapping[int, tuple[tuple[float, float], ...]]) -> Sound:
    """Return a sweep over an octave from C4; ``gates`` are those of single keys."""
    time_s = np.arange(round((1.0 + STEP_S * KEYS + 1.0) * RATE)) / RATE
    samples = np.zeros(time_s.size)
    for key in range(KEYS):
        on_s = 1.0 + STEP_S * key
        own = tuple(
            (on_s + start_s, on_s + stop_s) for start_s, stop_s in gates.get(key, ((0.0, HELD_S),))
        )
        hz = float(at_cents(C4_HZ, np.array([100.0 * key]))[0])
        wave = tone("saw", np.full(time_s.size, hz), rate=RATE, level_dbfs=-18.0)
        samples += wave.samples * Presses(SPEAKS, own).amplitude(time_s)
    return _hissing(samples, RATE, {"keys": float(len(gates))})


def good_keys() -> Sound:
    """Return a sweep in which every key speaks once."""
    return _swept({})


def bouncing() -> Sound:
    """Return the same; the contact of the third key opens once more after it has closed."""
    return _swept({2: ((0.0, 0.0015), (0.012, HELD_S))})


def sticking() -> Sound:
    """Return the same; the second key sounds on under the next one."""
    return _swept({1: ((0.0, STEP_S + HELD_S),)})


def _pressed(envelope: Envelope, truth: Mapping[str, Any]) -> Sound:
    gates = evenly(2, first_s=0.8, held_s=2.0, apart_s=3.2)
    played = Presses(envelope, gates)
    made = tone("saw", 880.0, rate=RATE, seconds=7.0, level_dbfs=-15.0)
    samples = made.samples * played.amplitude(made.time_s)
    return _hissing(samples, RATE, truth)


def holding() -> Sound:
    """Return a held level that stays."""
    return _pressed(HOLDS, {})


def sagging() -> Sound:
    """Return one that leaks away."""
    leaky = replace(HOLDS, sag_time_constant_s=SAG_S)
    return _pressed(leaky, {"sag_db": 200 / math.log(10) / SAG_S})


def clipped() -> Sound:
    """Return a tone that the recorder cut off at full scale: a third of all samples."""
    made = still().samples
    limit = float(np.quantile(np.abs(made), 1 - CLIPPED_SHARE))
    return Sound(np.clip(made / limit, -1.0, 1.0), RATE, {})
