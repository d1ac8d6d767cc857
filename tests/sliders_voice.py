"""A tone whose level, pitch, cutoff, resonance or pulse width follows a slider, with its dirt."""

from __future__ import annotations

import math

import numpy as np
from scipy import signal
from voice import RATE, couple, decimate, lowpass, oscillate


def telegraph(rng, count, dwell_s):
    """A contact that opens and shuts: 0 or 1, starting at 1."""
    flips = np.cumsum(np.maximum(1, rng.exponential(dwell_s, count + 1) * RATE)).astype(int)
    return (1 + np.searchsorted(flips, np.arange(count), side="right")) % 2


def smooth(x, tau_s):
    r = math.exp(-1 / (tau_s * RATE))
    return signal.lfilter([1 - r], [1, -r], x)


class Voice:
    """A tone whose level, pitch, cutoff, resonance or width follows the slider's position."""

    def __init__(self, rng, kind, waveform, pitch_hz, position):
        count = position.size
        self.rng, self.kind, self.shape, self.position = rng, kind, waveform.split()[-1], position
        self.subject = kind
        span = float(rng.uniform(1, 4)) if kind == "pitch" else 0.0
        high = {"level": 1100, "pitch": 2000 / 2**span, "timbre": 800, "width": 1000}[kind]
        drawn = math.exp(rng.uniform(math.log(60 if kind == "level" else 55), math.log(high)))
        self.pitch_hz = pitch_hz or drawn
        t = np.arange(count) / RATE
        cents = 3 * np.sin(2 * np.pi * rng.uniform(0.02, 0.2) * t + rng.uniform(0, 6))
        cents += rng.uniform(-3, 3) * t / t[-1]
        self.octaves = math.log2(self.pitch_hz) + cents / 1200 + span * position
        most = int(np.sum(2.0**self.octaves) / RATE * 1.6) + 100
        self.jitter = rng.standard_normal(most) * math.exp(rng.uniform(*np.log([1e-5, 6e-5])))
        self.phase = float(rng.uniform(0, 1))
        self.coupling_hz = float(rng.uniform(2, 20))
        self.width = np.full(count, rng.choice([0.5, rng.uniform(0.15, 0.5)]))
        self.stages = int(rng.integers(1, 3))
        self.cutoff = self.quality = None
        self.level = 1.0
        self.control = self.octaves
        if "dull" in waveform:
            top = self.pitch_hz * 2 ** (span * 0.7)
            self.cutoff = np.full(count, math.log2(top * math.exp(rng.uniform(0, 1.6))))
            self.quality = np.full(count, math.log2(rng.uniform(0.6, 1.0)))
        if kind == "level":
            self.level, self.control = taper(rng, position)
        elif kind == "width":
            self.width = 0.5 - position * rng.uniform(0.2, 0.42)
            self.control = self.width
        elif kind == "timbre":
            self._timbre(rng, position)

    def _timbre(self, rng, position):
        hum = math.log2(self.pitch_hz)
        if rng.random() < 0.7:
            low = max(math.log2(120), hum + rng.uniform(-0.5, 1.5))
            high = rng.uniform(max(low + 2, math.log2(2500)), max(low + 2.5, math.log2(13_000)))
            self.cutoff = low + (min(high, math.log2(13_000)) - low) * position
            self.quality = np.full(position.size, rng.uniform(math.log2(0.7), math.log2(9)))
            self.subject, self.control = "cutoff", self.cutoff
        else:
            self.cutoff = np.full(position.size, hum + rng.uniform(1, 4))
            self.quality = math.log2(0.7) + math.log2(9 / 0.7) * position
            self.subject, self.control = "resonance", self.quality

    def render(self, plan):
        """Return the sound at 48 kHz without the dirt that acts on the control, and the change.

        The change is taken before the coupling capacitor, whose slow tail belongs to no event;
        what is heard is the first sum of both (`couple`). Pitch jumps are in the sound without
        dirt too, since the phase never returns from them.
        """
        acting = [p for p in plan if p.cause in ("control", "jump")]
        for p in acting:
            self._disturb(p)
        change = np.zeros(self.position.size)
        for p in acting:
            change[p.at : p.at + p.change.size] += p.change[: change.size - p.at]
        octaves = self.octaves + (change if self.kind == "pitch" else 0)
        x = oscillate(self.shape, octaves, self.width, self.jitter, self.phase)
        clean = self._finish(x, 0.0)
        if not acting or self.kind in ("pitch", "level"):
            return clean, np.zeros(clean.size)
        if self.kind == "width":
            x = oscillate(self.shape, octaves, self.width + change, self.jitter, self.phase)
            return clean, self._finish(x, 0.0) - clean
        return clean, self._finish(x, change) - clean

    def couple(self, x):
        """Return ``x`` through the coupling capacitor."""
        return couple(x, self.coupling_hz)

    def _finish(self, x, change):
        if self.cutoff is not None:
            cutoff = self.cutoff + (change if self.subject == "cutoff" else 0)
            quality = self.quality + (change if self.subject == "resonance" else 0)
            quality = np.maximum(2.0**quality, 0.3)
            x = lowpass(x, 2.0 ** np.minimum(cutoff, 14.6), quality, self.stages)
        return decimate(x)

    def _disturb(self, p):
        """Give a planned event its change of the control, smoothed by what follows the wiper."""
        rng = self.rng
        tail = int(0.1 * RATE)
        shape = np.zeros(p.count + tail)
        if p.cause == "jump":
            shape[: p.count] = 1
        else:
            slow = (0.008, 0.04) if self.kind == "pitch" else (0.0003, 0.006)
            if self.kind == "pitch":
                p.count = max(p.count, int(0.008 * RATE))
                shape = np.zeros(p.count + tail)
            shape[: p.count] = telegraph(rng, p.count, rng.uniform(*slow))
        on = np.flatnonzero(shape)
        p.count = int(on[-1]) + 1
        shape = smooth(shape, math.exp(rng.uniform(math.log(5e-5), math.log(1.5e-3))))
        low, high = {
            "level": (0.05, 6.0),
            "pitch": (10.0, 600.0),
            "cutoff": (0.01, 2.0),
            "resonance": (0.03, 2.0),
            "width": (1e-4, 0.15),
        }[self.subject]
        sign = -1.0 if self.kind == "level" else float(rng.choice([-1, 1]))
        p.size = sign * math.exp(rng.uniform(math.log(low), math.log(high)))
        p.change = shape * (p.size / 1200 if self.kind == "pitch" else p.size)

    def dirty_gain(self, plan):
        """Return the gain of dirt on the control, beside the slider's own, if it sets a level."""
        if self.kind != "level":
            return 1.0
        db = np.zeros(self.position.size)
        for p in plan:
            if p.change is not None:
                db[p.at : p.at + p.change.size] += p.change[: db.size - p.at]
        return 10 ** (db / 20)


def taper(rng, position):
    """Return gain, to true zero at the foot in most, and the same in dB."""
    law = rng.choice(["linear", "two slopes", "60 dB", "40 dB", "30 dB to the end"])
    if law == "linear":
        gain = position
    elif law == "two slopes":
        gain = np.where(position < 0.5, position * 0.3, 0.15 + (position - 0.5) * 1.7)
    else:
        gain = 10 ** (-float(law.split()[0]) * (1 - position) / 20)
        if "end" not in law:
            gain = gain * np.clip(position / 0.05, 0, 1)
    gain = np.clip(gain, 0, 1)
    return gain, 20 * np.log10(np.maximum(gain, 1e-6))
