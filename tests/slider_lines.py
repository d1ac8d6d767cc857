"""Control lines, a point each 10 ms, of exact hand paths under known tapers, with noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from sliders_hand import Hand, protocol_path, random_path
from sliders_voice import taper
from voice import RATE

LEAST = {"level": 3.0, "pitch": 30.0, "timbre": 0.25, "width": 0.02}
NOISE = {"level": 0.2, "pitch": 2.0, "timbre": 0.01, "width": 0.002}
STEP = RATE // 100
SILENT_DB = -55.0


@dataclass
class Drawn:
    hand: Hand
    kind: str
    time_s: np.ndarray
    control: np.ndarray
    known: np.ndarray
    mask: np.ndarray
    percent: np.ndarray  # of the travel that the path covers

    @property
    def asked(self):
        return {
            "time_s": self.time_s,
            "control": self.control,
            "known": self.known,
            "events_mask": self.mask,
            "least": LEAST[self.kind],
        }


def control_of(rng, kind, position):
    """Return the control of a kind's own law, at each position."""
    if kind == "level":
        return taper(rng, position)[1]
    span = {"pitch": (1200, 4800), "timbre": (2, 6), "width": (0.2, 0.42)}[kind]
    return rng.uniform(*span) * position


def _slow_bias(rng, control):
    """0.1 octave rms: most of it bound to the cutoff, the rest a drift over seconds."""
    bound = np.sin(2 * np.pi * (control / rng.uniform(1.5, 3) + rng.random()))
    drift = ndimage.gaussian_filter1d(rng.standard_normal(control.size + 2400), 300)[1200:-1200]
    return 0.09 * np.sqrt(2) * bound + 0.04 * drift * np.sqrt(2 * np.sqrt(np.pi) * 300)


def draw(seed, kind, *, protocol=False, flicks=True, dirt=True):
    """One control line: law, noise (and a slow bias in timbre), gaps, and dirt."""
    rng = np.random.default_rng([*b"travel", seed])
    hand = protocol_path(rng) if protocol else random_path(rng, None, kind, flicks)
    end = hand.position.size // STEP * STEP
    at = hand.position[:end].reshape(-1, STEP)[:, STEP // 2]
    control = control_of(rng, kind, at)
    known = control > SILENT_DB if kind == "level" else np.ones(at.size, bool)
    control = control + NOISE[kind] * rng.standard_normal(at.size)
    if kind == "timbre":
        control = control + _slow_bias(rng, control)
    mask = np.zeros(at.size, bool)
    for start in rng.integers(0, at.size, int(0.6 * at.size / 100)) if dirt else ():
        stop = start + int(rng.integers(1, 16))
        mask[start:stop] = True
        control[start:stop] += LEAST[kind] * rng.uniform(-3, 3)
    known &= ~(mask & (rng.random(at.size) < 0.3))
    low, high = hand.position.min(), hand.position.max()
    time_s = (np.arange(at.size) + 0.5) * 0.01
    return Drawn(hand, kind, time_s, control, known, mask, 100 * (at - low) / (high - low))
