"""Made-up glides with exact truth: an oscillator along a pitch that a portamento slews.

The pitch is stepped through sample by sample, so that a glide may start before the one before it
has landed; the sound comes from ``voice``. Shares nothing with the estimator, nor with
``sigkit.synth``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import soundfile as sf
import voice

from sigkit import open_capture

RATE = voice.RATE
LN9 = math.log(9)
TIME = np.arange(round(3.2 * RATE)) / RATE
LATER_S = 0.625 / RATE
"""The oscillator holds each quarter of a sample's pitch at its end."""


@dataclass(frozen=True)
class Slew:
    """A portamento: its law, 10-90 % time and, where mixed, the share run at constant rate."""

    law: str
    seconds: float
    share: float = 0.0

    def progress(self, t: np.ndarray) -> np.ndarray:
        """Share of the interval that is covered t seconds after the key."""
        t = np.maximum(t, 0.0)
        if self.law == "exponential":
            return -np.expm1(-t * LN9 / self.seconds)
        if self.law == "linear":
            return np.minimum(0.8 * t / self.seconds, 1.0)
        tau = self.seconds / self._in_tau()
        turn = self.share * tau / (1 - self.share)
        late = 1 - (1 - self.share) * np.exp(-np.maximum(t - turn, 0) / tau)
        return np.where(t < turn, t * (1 - self.share) / tau, late)

    def _in_tau(self) -> float:
        def at(y: float) -> float:
            if y <= self.share:
                return y / (1 - self.share)
            return self.share / (1 - self.share) + math.log((1 - self.share) / (1 - y))

        return at(0.9) - at(0.1)

    def time_constant_s(self) -> float:
        return self.seconds / LN9 if self.law == "exponential" else math.nan


@dataclass(frozen=True)
class Played:
    """A capture and what is true of it: one row a glide."""

    sound: np.ndarray
    truth: pd.DataFrame
    rate: int = RATE
    cents: np.ndarray = field(default_factory=lambda: np.zeros(0))

    def write(self, path) -> str:
        sf.write(path, self.sound, self.rate, subtype="PCM_24")
        return str(path)


def play(
    rng: np.random.Generator,
    slews: list[Slew],
    *,
    low_hz: float,
    octaves: float,
    wave: str = "saw",
    hold_s: float | list[float] = 1.5,
    snr_db: float = 50.0,
    up_first: bool = True,
    width: float = 0.5,
    overshoot: float = 0.0,
    couple_hz: float = 0.0,
    cutoff_hz: float = 0.0,
    hum_db: float = -math.inf,
    drift_cents_s: float = 0.0,
    jitter: float = 0.0,
) -> Played:
    """Play low, high, low ... each after ``hold_s`` on the note before, a slew a change."""
    holds = [hold_s] * (len(slews) + 1) if isinstance(hold_s, float) else list(hold_s)
    begins = np.cumsum([0.3, *holds])
    count = round((begins[-1] + 0.2) * RATE)
    t = np.arange(count) / RATE
    high = 1200.0 * octaves
    now = 0.0 if up_first else high
    pitch = np.full(count, now)
    rows = []
    for slew, start in zip(slews, begins[1:-1], strict=True):
        start += rng.uniform(0, 0.02)
        target = high - (round((target_of(rows, now)) / high) * high if high else 0)
        after = t >= start
        first = int(np.argmax(after))
        from_c = float(pitch[first - 1])
        s = t[after] - start
        shape = slew.progress(s)
        if overshoot:
            period = slew.seconds / 2
            shape = shape + overshoot * np.where(
                s > slew.seconds,
                np.exp(-(s - slew.seconds) / period) * (s - slew.seconds) / period * math.e,
                0,
            )
        pitch[after] = from_c + (target - from_c) * shape
        rows.append(
            {
                "start_s": start + LATER_S,
                "from_hz": low_hz * 2 ** (from_c / 1200),
                "to_hz": low_hz * 2 ** (target / 1200),
                "interval_cents": target - from_c,
                "glide_time_s": slew.seconds,
                "time_constant_s": slew.time_constant_s(),
                "law": slew.law,
                "target": target,
            }
        )
    pitch = pitch + drift_cents_s * t
    path = np.log2(low_hz) + pitch / 1200
    wobble = jitter * rng.standard_normal(int(np.sum(2**path) / RATE) + 64)
    x = voice.oscillate(wave, path, np.full(count, width), wobble, rng.random())
    if cutoff_hz:
        x = voice.lowpass(x, np.full(count, cutoff_hz), np.full(count, 0.7), 2)
    x = voice.decimate(x)
    if couple_hz:
        x = voice.couple(x, couple_hz)
    rms = float(np.sqrt(np.mean(x**2)))
    x = x * (0.15 / rms)
    x += 0.15 * 10 ** (-snr_db / 20) * rng.standard_normal(count)
    if math.isfinite(hum_db):
        phase = rng.random(3) * 2 * math.pi
        for k, weight in ((1, 1.0), (2, 0.6), (3, 0.4)):
            x += (
                0.15
                * math.sqrt(2)
                * 10 ** (hum_db / 20)
                * weight
                * np.sin(2 * math.pi * 50 * k * t + phase[k - 1])
            )
    ramp = np.clip(t / 0.01, 0, 1) * np.clip((t[-1] - t) / 0.01, 0, 1)
    return Played(x * ramp, pd.DataFrame(rows), cents=pitch)


def landings_of(played: Played, found: pd.DataFrame) -> np.ndarray:
    """Return where each note was played after its glide, re the median of its other holds, cents.

    By the planted pitch, over the parts of the notes that the table of glides tells; a note is the
    same within 60 cents.
    """

    def mean(from_s: float, to_s: float) -> float:
        inside = slice(round(from_s * played.rate), round(to_s * played.rate))
        return float(played.cents[inside].mean())

    first = found.iloc[0]
    stands = [mean(first["before_from_s"], first["before_to_s"])]
    stands += [mean(*pair) for pair in found[["after_from_s", "after_to_s"]].to_numpy()]
    out = []
    for number in range(1, len(stands)):
        others = np.array(stands[:number] + stands[number + 1 :])
        others = others[np.abs(others - stands[number]) < 60]
        out.append(stands[number] - np.median(others) if others.size else math.nan)
    return np.array(out)


def settled_of(law: str, seconds: float, interval_cents: float, band_cents: float = 5.0) -> float:
    """Return when a glide by one law is within a band of its target (closed forms)."""
    left = band_cents / abs(interval_cents)
    if law == "exponential":
        return -seconds / LN9 * math.log(left)
    return seconds / 0.8 * (1 - left) if law == "linear" else math.nan


def target_of(rows: list[dict], first: float) -> float:
    """Return where the note before this one was heading."""
    return rows[-1]["target"] if rows else first


def bent(path, pitch_cents, low_hz=262.0, snr_db=45.0, seed=0, wave="saw"):
    """A saw, or another wave, along any pitch above ``low_hz``."""
    rng = np.random.default_rng(seed)
    octaves = np.log2(low_hz) + pitch_cents / 1200
    count = pitch_cents.size
    still = np.zeros(int(np.sum(2**octaves) / voice.RATE) + 64)
    x = voice.decimate(voice.oscillate(wave, octaves, np.full(count, 0.5), still, 0.3))
    x = 0.15 * x / np.std(x)
    sf.write(path, x + 0.15 * 10 ** (-snr_db / 20) * rng.standard_normal(count), voice.RATE)
    return open_capture(path)
