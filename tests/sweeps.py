"""Slider passes by additive synthesis, with exact truth; shares nothing with the estimator.

A tone is a sum of harmonics whose gains are those of a waveform and a low-pass; the slider is a
path of positions and a taper; dirt sits at places of the travel and fires when they are crossed.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import soundfile as sf
from tones import fourier_sum

from sigkit.captures.wav import open_capture

RATE = 48_000
LEVEL = 0.1  # rms of the full tone, full scale = 1


@dataclass
class Planted:
    start_s: float
    stop_s: float
    kind: str
    level_db: float  # rms of (dirty - clean) over the event re the tone around it
    over_noise_db: float  # the same re the hiss
    tone_db: float  # tone around it re the full tone
    depth_db: float = 0.0


@dataclass
class Sweep:
    sound: np.ndarray
    waveform: str
    planted: list[Planted] = field(default_factory=list)

    def capture(self, folder, name="slider-volume.wav"):
        sf.write(folder / name, self.sound, RATE, subtype="FLOAT")
        return open_capture(folder / name)


def tone(rng, count, pitch_hz, waveform):
    """A tone of rms 1 that drifts by some cents."""
    t = np.arange(count) / RATE
    cents = 3 * np.sin(2 * np.pi * rng.uniform(0.02, 0.2) * t + rng.uniform(0, 6))
    cents += rng.uniform(-2, 2) * t / t[-1]
    phase = np.cumsum(pitch_hz * 2 ** (cents / 1200)) / RATE
    k = np.arange(1, int(min(0.45 * RATE / pitch_hz, 400)) + 1)
    if waveform == "triangle":
        gains = np.where(k % 2 == 1, (-1.0) ** ((k - 1) // 2) / k**2, 0).astype(complex)
    elif waveform == "sine":
        gains = (k == 1).astype(complex)
    else:  # a saw, or a saw through 6 or 24 dB an octave
        poles, low, high = {
            "saw": (0, 1, 1),
            "saw, 6 dB filter": (1, 1, 3),
            "saw, 24 dB filter": (4, 1.5, 5),
        }[waveform]
        gains = 1 / k / (1 + 1j * k / rng.uniform(low, high)) ** poles
    out = fourier_sum(gains, phase)
    return out / np.sqrt(np.mean(out**2))


def travel(rng, count, flicks=True):
    """Positions 0 to 1: passes of 1 to 5 s, pauses, part passes, flicks of 0.1 to 0.25 s."""
    out, here = [], float(rng.choice([0.0, 0.1, 1.0]))
    while sum(map(len, out)) < count:
        move = rng.choice(["pass", "pause", "part", "flick"], p=[0.55, 0.25, 0.12, 0.08])
        if move == "pause" or (move == "flick" and not flicks):
            out.append(np.full(int(rng.uniform(0.3, 1.5) * RATE), here))
            continue
        low = 0.0 if rng.random() < 0.4 else rng.uniform(0.05, 0.15)
        there = rng.uniform(0.1, 1) if move == "part" else (1.0 if here < 0.5 else low)
        seconds = rng.uniform(0.1, 0.25) if move == "flick" else rng.uniform(1, 5)
        u = np.linspace(0, 1, int(seconds * RATE))
        if rng.random() < 0.5:
            u = u**3 * (10 - 15 * u + 6 * u**2)
        out.append(here + (there - here) * u)
        here = there
    return np.concatenate(out)[:count]


def taper(rng, position):
    law = rng.choice(["linear", "two slopes", "60 dB", "40 dB"])
    if law == "linear":
        return position
    if law == "two slopes":
        return np.where(position < 0.5, position * 0.3, 0.15 + (position - 0.5) * 1.7)
    span = float(law.split()[0])
    return 10 ** (-span * (1 - position) / 20) * np.clip(position / 0.05, 0, 1)


def hum(rng, t, level_db):
    mains = rng.choice([50, 60])
    orders, drops = (1, 2, 3, 4, 5, 7), (0, 3, 4, 12, 10, 16)
    out = sum(
        10 ** (-d / 20) * np.sin(2 * np.pi * mains * k * t + rng.uniform(0, 6))
        for k, d in zip(orders, drops, strict=True)
    )
    return out * LEVEL * 10 ** (level_db / 20) / np.sqrt(np.mean(out**2))


def telegraph(rng, count, dwell_s):
    flips = np.cumsum(np.maximum(1, rng.exponential(dwell_s, count + 1) * RATE)).astype(int)
    return (np.searchsorted(flips, np.arange(count), side="right") + rng.integers(2)) % 2


def dirt(rng, clean):
    """One event in place of a stretch of clean tone: its difference, kind and depth."""
    count = clean.size
    rms = np.sqrt(np.mean(clean**2))
    level = rms * 10 ** (rng.uniform(-40, -10) / 20)
    if rng.random() < 0.25:
        count = min(count, int(np.exp(rng.uniform(np.log(0.005), np.log(0.1))) * RATE))
        ramp = rng.integers(0, RATE // 1000)
        ends = np.minimum(np.arange(count), np.arange(count)[::-1])
        depth = rng.uniform(10, 40)
        shape = np.clip((ends + 1) / (ramp + 1), 0, 1)
        return -clean[:count] * shape * (1 - 10 ** (-depth / 20)), "dropout", depth
    count = int(np.exp(rng.uniform(np.log(0.001), np.log(0.08))) * RATE)
    if rng.random() < 0.5:
        change = rng.standard_normal(count)
        return change * level / np.sqrt(np.mean(change**2)), "burst", 0.0
    chop = telegraph(rng, count, rng.uniform(0.0003, 0.003))
    change = -clean[:count] * (chop if chop.any() else 1)
    return change * min(1, level / np.sqrt(np.mean(change**2))), "burst", 0.0


def sweep(seed, seconds=30.0, pitch_hz=(60, 110), waveforms=None, dirty=True):
    rng = np.random.default_rng(seed)
    count = int(seconds * RATE)
    t = np.arange(count) / RATE
    names = ("saw, 6 dB filter", "saw, 24 dB filter", "triangle", "sine")
    waveform = str(rng.choice(waveforms or names))
    position = travel(rng, count)
    clean = tone(rng, count, float(np.exp(rng.uniform(*np.log(pitch_hz)))), waveform)
    clean *= LEVEL * taper(rng, position)
    press, release = int(rng.uniform(0.3, 1) * RATE), count - int(rng.uniform(0.6, 1) * RATE)
    clean[:press] = 0
    attack = int(rng.uniform(0.001, 0.02) * RATE)
    clean[press : press + attack] *= np.linspace(0, 1, attack)
    clean[release:] *= np.exp(-np.arange(count - release) / (rng.uniform(0.01, 0.2) * RATE))
    hiss = LEVEL * 10 ** (rng.uniform(-85, -60) / 20)
    noise = rng.standard_normal(count) * hiss + hum(rng, t, rng.uniform(-80, -50))
    for at in (int(0.15 * RATE), count - int(0.1 * RATE)):  # switch clicks outside the note
        noise[at : at + 48] += 0.02 * rng.standard_normal(48) * np.exp(-np.arange(48) / 15)
    sound, planted = clean.copy(), []
    if dirty:
        free = press
        places = rng.uniform(0.08, 0.98, rng.integers(3, 7))
        crossings = [np.flatnonzero(np.diff(np.sign(position - p))) for p in places]
        for at in np.sort(np.concatenate(crossings)):
            if at < free + 0.15 * RATE or at > release - 0.35 * RATE or rng.random() > 0.88:
                continue
            change, kind, depth = dirt(rng, clean[at : at + RATE // 10])
            stop = at + change.size
            around = np.sqrt(np.mean(clean[at - RATE // 50 : stop + RATE // 50] ** 2))
            power = np.mean(change**2)
            if not power > 0 or not around > 0:
                continue
            sound[at:stop] += change
            free = stop
            planted.append(
                Planted(
                    at / RATE,
                    stop / RATE,
                    kind,
                    10 * np.log10(power / around**2),
                    10 * np.log10(power / hiss**2),
                    20 * np.log10(around / LEVEL),
                    depth,
                )
            )
    return Sweep(sound + noise, waveform, planted)


def found_of(result, event, slack_s=0.008):
    """Rows of the result's events that touch a planted event."""
    rows = result.events
    return rows[(rows.start_s < event.stop_s + slack_s) & (rows.stop_s > event.start_s - slack_s)]


def assessed_at(result, event):
    here = (result.time_s > event.start_s - 0.02) & (result.time_s < event.stop_s + 0.02)
    return bool(result.assessed[here].all())
