"""Random waveform captures for tests and benchmark: what is asked of the test, and nastier."""

from __future__ import annotations

import math

import numpy as np
import soundfile as sf
from waves import Wave, play

import sigkit

SHAPES = ("sine", "triangle", "saw", "pulse", "mixed")


def random_path(rng, hz: float) -> dict:
    """Couplings and a low-pass as instruments and interfaces have them, or none.

    Four equal poles are 3 dB down at 0.43 of their corner: three times the pitch and more.
    """
    couplings = tuple(rng.uniform(1, 20, rng.integers(0, 3)))
    low = [
        (),
        ((1, rng.uniform(6000, 15000), 0),),
        ((2, rng.uniform(8000, 16000), 0.707),),
        ((4, max(rng.uniform(4000, 15000), 7 * hz), 0.5),),
        ((1, 15000, 0), (1, 9000, 0)),
    ]
    return {"coupling_hz": couplings, "low_pass": low[rng.integers(0, len(low))]}


def random_faults(rng) -> dict:
    """What a bench adds: hum, direct voltage, pink noise, drift, wander, jitter, few bits."""
    out = {"snr_db": rng.uniform(30, 65), "dc": rng.uniform(-0.05, 0.05)}
    if rng.random() < 0.4:
        out["hum_db"] = rng.uniform(-60, -40)
        out["hum_hz"] = rng.choice([50.0, 60.0]) * (1 + 2e-4 * rng.standard_normal())
    if rng.random() < 0.3:
        out["pink_db"] = rng.uniform(-60, -40)
    if rng.random() < 0.4:
        out["drift_cents"] = rng.uniform(-10, 10)
    if rng.random() < 0.4:
        out["wander_cents"] = rng.uniform(0.1, 2)
    if rng.random() < 0.2:
        out["jitter"] = rng.uniform(0, 1e-4)
    if rng.random() < 0.4:
        out["bits"] = 16
    return out


def pulse_case(seed: int, low_hz: float, high_hz: float, *, faults: bool = True) -> Wave:
    """A pulse of 3 to 97 % at a random pitch."""
    rng = np.random.default_rng(seed)
    hz = math.exp(rng.uniform(math.log(low_hz), math.log(high_hz)))
    more = random_faults(rng) if faults else {"snr_db": rng.uniform(30, 65)}
    return Wave("pulse", hz, rng.uniform(0.03, 0.97), seed=seed, **random_path(rng, hz), **more)


def shape_case(seed: int, *, snr_db=(20, 60)) -> tuple[str, Wave]:
    """A wave of a random shape; mixed ones are a saw or triangle and a pulse of like size."""
    rng = np.random.default_rng(seed)
    name = SHAPES[rng.integers(0, 5)]
    hz = math.exp(rng.uniform(math.log(30), math.log(2000)))
    share, also = rng.uniform(0.03, 0.97), ()
    if name == "triangle":
        share = rng.uniform(0.48, 0.52) if rng.random() < 0.7 else rng.uniform(0.15, 0.85)
    if name in ("saw", "mixed"):
        share = float(np.clip(abs(rng.integers(0, 2) - rng.uniform(0, 0.02)), 1e-6, 1 - 1e-6))
    if name == "mixed":
        share = share if rng.random() < 0.5 else 0.5
        also = (("pulse", rng.uniform(0.1, 0.9), rng.uniform(0.4, 1.5), rng.random(), 1),)
    kind = {"sine": "sine", "pulse": "pulse"}.get(name, "ramp")
    more = random_faults(rng) | {"snr_db": rng.uniform(*snr_db)}
    return name, Wave(kind, hz, share, also, seed=seed, **random_path(rng, hz), **more)


def measured(folder, wave: Wave, **options):
    """Measure a wave by way of a file."""
    path = folder / f"waveform-case_{wave.seed}.wav"
    subtype = "PCM_16" if wave.bits == 16 else "PCM_24"
    sf.write(path, play(wave), wave.rate, subtype=subtype)
    result = sigkit.measure_waveform(sigkit.open_capture(path), **options)
    path.unlink()
    return result
