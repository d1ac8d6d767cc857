"""What a slider has no part in: the key, hiss, hum, thumps, a switch, a fault of the recorder."""

from __future__ import annotations

import numpy as np
from voice import RATE


def key_gain(rng, press, release, count):
    gain = np.ones(count)
    gain[:press] = 0
    attack = int(rng.uniform(0.001, 0.02) * RATE)
    gain[press : press + attack] = np.linspace(0, 1, attack)
    gain[release:] = np.exp(-np.arange(count - release) / (rng.uniform(0.01, 0.2) * RATE))
    return gain


def outside(rng, press, release, count, hiss, tone):
    """Hiss (rms), hum, offset, thumps of the key and a switch beside a tone of rms ``tone``."""
    t = np.arange(count) / RATE
    noise = rng.standard_normal(count) * hiss
    mains = rng.choice([50, 60]) * (1 + 1e-4 * rng.standard_normal())
    wave = sum(
        10 ** (-d / 20) * np.sin(2 * np.pi * mains * k * t + rng.uniform(0, 6))
        for k, d in zip((1, 2, 3, 4, 5, 7), (0, 3, 4, 12, 10, 16), strict=True)
    )
    noise += wave * tone * 10 ** (rng.uniform(-85, -50) / 20) / np.std(wave)
    noise += rng.uniform(-2e-3, 2e-3)
    for at in (press - int(0.03 * RATE), release + int(0.02 * RATE)):  # key bed
        n = np.arange(int(0.03 * RATE))
        f = rng.uniform(50, 150)
        thump = np.sin(2 * np.pi * f * n / RATE) * np.exp(-n / (0.006 * RATE))
        noise[at : at + n.size] += thump * tone * 10 ** (rng.uniform(-40, -20) / 20)
    for at in (int(0.12 * RATE), count - int(0.08 * RATE)):
        noise[at : at + 48] += 0.02 * rng.standard_normal(48) * np.exp(-np.arange(48) / 15)
    return noise


def pop(rng, sound, press, release, events):
    """One fault of the recorder, well away from any event."""
    at = int(rng.uniform(press + 0.2 * RATE, release - 0.2 * RATE))
    if any(e.start_s - 0.3 < at / RATE < e.stop_s + 0.3 for e in events):
        return []
    if rng.random() < 0.5:
        sound[at] += rng.choice([-1, 1]) * rng.uniform(0.05, 0.5)
        return [(at / RATE, "glitch")]
    sound[at : at + rng.integers(8, 64)] = 0
    return [(at / RATE, "zeros")]
