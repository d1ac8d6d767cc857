"""Captures of every bench test as they should be, and the same with one defect planted.

Everything is drawn here from plain Fourier sums and noise, by nothing that sigkit uses.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile as sf
from scipy import signal
from tones import tone

NOTE_HZ = 440.0 * 2.0 ** ((np.arange(128) - 69) / 12)


@dataclass(frozen=True)
class Made:
    """A capture to be written: samples of every channel, and what was planted in it."""

    test: str
    frames: np.ndarray
    rate: int
    subtype: str = "PCM_24"
    kinds: tuple[str, ...] = ()  # names under which the defect may be found
    at_s: float = math.nan
    size: float = math.nan

    def write(self, path: Path) -> Path:
        sf.write(path, self.frames, self.rate, subtype=self.subtype)
        return path


# --- pieces


def hiss(count: int, dbfs: float, rng: np.random.Generator, slope: float = 0.0) -> np.ndarray:
    """Noise of a level re a full-scale sine, white or falling by ``slope`` dB an octave."""
    x = rng.standard_normal(count)
    if slope:
        lines = np.fft.rfft(x)
        hz = np.maximum(np.arange(lines.size), 20 * count / 48000)
        x = np.fft.irfft(lines * hz ** (-slope / 6.02), count)
    return x * 10 ** (dbfs / 20) / math.sqrt(2) / x.std()


def mains(t: np.ndarray, dbfs: float, rng: np.random.Generator, hz: float = 50.0) -> np.ndarray:
    """A hum family, together of a level re a full-scale sine."""
    x = np.zeros(t.size)
    for k in range(1, 9):
        size = rng.uniform(0.3, 1) / k
        x += size * np.sin(2 * np.pi * k * hz * t + rng.uniform(0, 6.28))
    return x * 10 ** (dbfs / 20) / math.sqrt(2) / x.std()


def wave(kind: str, cycles: np.ndarray, top_hz: float, rate: int, duty: float = 0.3) -> np.ndarray:
    """A wave along its phase, up to 0.45 of the rate."""
    top = max(1, int(0.45 * rate / top_hz))
    x = tone(kind, cycles, min(top, 1200), duty)
    return x / np.abs(x).max()


def held(rng, rate, seconds, kind=None, low=55.0, high=880.0, cents=None):
    """A held note that drifts and wanders a little."""
    n = round(seconds * rate)
    t = np.arange(n) / rate
    hz = low * 2 ** rng.uniform(0, math.log2(high / low))
    move = rng.uniform(-2, 2) * t / seconds if cents is None else cents
    cycles = np.cumsum(hz * 2 ** (move / 1200)) / rate + rng.random()
    kind = kind or str(rng.choice(["saw", "pulse", "triangle", "sine"]))
    return wave(kind, cycles, hz * 1.1, rate, rng.uniform(0.05, 0.95))


def gates(rng, seconds, on=(0.5, 1.2), off=(0.4, 0.9)):
    """Begin and end of notes."""
    at, found = rng.uniform(0.3, 0.8), []
    while True:
        stop = at + rng.uniform(*on)
        if stop > seconds - 0.4:
            return found
        found.append((at, stop))
        at = stop + rng.uniform(*off)


def contour(rng, rate, seconds, notes, attack=None, release=None, sustain=1.0, decay=0.2):
    """An exponential envelope over gates."""
    n = round(seconds * rate)
    gate = np.zeros(n)
    for begin, stop in notes:
        gate[round(begin * rate) : round(stop * rate)] = 1
    attack = attack or 10 ** rng.uniform(-2.7, -0.7)
    release = release or 10 ** rng.uniform(-2.0, -0.8)
    env, level, peak = np.zeros(n), 0.0, False
    step = 16
    for i in range(0, n, step):
        if gate[i] and not peak:
            level += (1.25 - level) * (1 - math.exp(-step / rate / attack))
            if level >= 1:
                level, peak = 1.0, True
        elif gate[i]:
            level += (sustain - level) * (1 - math.exp(-step / rate / decay))
        else:
            level -= level * (1 - math.exp(-step / rate / release))
            peak = False
        env[i : i + step] = level
    return np.convolve(env, np.ones(step) / step, "same")


def room(
    x: np.ndarray, rate: int, rng: np.random.Generator, *, quiet_ends: bool = True, level=None
):
    """What is around any sound on a bench: a level, ends, hiss, a little hum."""
    peak_dbfs = rng.uniform(-18, -6) if level is None else level
    x = x * 10 ** (peak_dbfs / 20)
    if quiet_ends and rng.random() < 0.6:
        rest = np.zeros(round(rng.uniform(0.5, 1.5) * rate))
        edge = np.minimum(np.arange(x.size), np.arange(x.size)[::-1]) / (0.005 * rate)
        x = np.concatenate([rest, x * np.minimum(edge, 1), rest])
    t = np.arange(x.size) / rate
    x = x + hiss(x.size, peak_dbfs - rng.uniform(50, 75), rng, rng.choice([0, 0, 3]))
    if rng.random() < 0.5:
        x = x + mains(t, peak_dbfs - rng.uniform(55, 70), rng, rng.choice([50.0, 60.0]))
    return x


# --- clean captures


def clean_stability(rng, rate):
    return room(held(rng, rate, rng.uniform(5, 8)), rate, rng)


def clean_narrow_pulse(rng, rate):
    n = round(6 * rate)
    hz = rng.uniform(60, 400)
    x = wave("pulse", hz * np.arange(n) / rate, hz, rate, rng.choice([0.02, 0.03, 0.97]))
    return room(x, rate, rng)


def clean_drawn_square(rng, rate):
    n = round(6 * rate)
    return room(np.sign(np.sin(2 * np.pi * rng.uniform(40, 900) * np.arange(n) / rate)), rate, rng)


def clean_drawn_saw(rng, rate):
    n = round(6 * rate)
    return room(2 * (rng.uniform(40, 900) * np.arange(n) / rate % 1) - 1, rate, rng)


def clean_dark_sine(rng, rate):
    """No noise but rounding, nothing above the tone."""
    n = round(6 * rate)
    return 0.3 * np.sin(2 * np.pi * rng.uniform(40, 800) * np.arange(n) / rate)


def clean_closed_filter(rng, rate):
    x = held(rng, rate, 6, "saw", 60, 220)
    sos = signal.butter(4, rng.uniform(200, 1500), fs=rate, output="sos")
    return room(signal.sosfilt(sos, x), rate, rng)


def clean_warmup(rng, rate, seconds=125):
    n = round(seconds * rate)
    t = np.arange(n) / rate
    move = -rng.uniform(10, 80) * np.exp(-t / rng.uniform(20, 90))
    x = held(rng, rate, seconds, "saw", 200, 440, cents=move) * (t > 5)
    x[round(5 * rate) : round(5.05 * rate)] += hiss(round(5.05 * rate) - round(5 * rate), -14, rng)
    return room(x, rate, rng, quiet_ends=False)


def clean_beating(rng, rate):
    n = round(8 * rate)
    hz = rng.uniform(110, 440)
    t = np.arange(n) / rate
    other = hz + rng.uniform(0.3, 4)
    x = wave("saw", hz * t, hz, rate) + wave("saw", other * t + 0.3, other, rate)
    return room(x / 2, rate, rng)


def clean_glide(rng, rate):
    seconds = 9.0
    t = np.arange(round(seconds * rate)) / rate
    tau, span = rng.uniform(0.02, 0.6), rng.choice([1200, 2400])
    goal = np.where((t // 2.2).astype(int) % 2 == 0, 0.0, span)
    cents = signal.lfilter([1 / (tau * rate)], [1, -(1 - 1 / (tau * rate))], goal)
    hz = rng.uniform(100, 300) * 2 ** (cents / 1200)
    cycles = np.cumsum(hz) / rate
    x = wave(str(rng.choice(["saw", "triangle", "sine"])), cycles, hz.max(), rate)
    return room(x, rate, rng)


def clean_envelope(rng, rate, attack=None):
    seconds = rng.uniform(7, 10)
    env = contour(rng, rate, seconds, gates(rng, seconds), attack, sustain=rng.uniform(0.2, 1))
    return room(held(rng, rate, seconds, None, 400, 1500) * env, rate, rng, quiet_ends=False)


def clean_slow_attack(rng, rate):
    seconds = 10.0
    env = contour(rng, rate, seconds, [(0.5, 4.0), (5.5, 9.0)], rng.uniform(0.8, 2.0))
    return room(held(rng, rate, seconds, "saw", 400, 1500) * env, rate, rng, quiet_ends=False)


def clean_digital_rests(rng, rate):
    """Notes with true zeros between them, and edges of a few milliseconds."""
    seconds = 8.0
    env = np.zeros(round(seconds * rate))
    for begin, stop in gates(rng, seconds):
        env[round(begin * rate) : round(stop * rate)] = 1
    ramp = round(rng.uniform(0.001, 0.01) * rate)
    env = np.convolve(env, np.ones(ramp) / ramp, "same")
    return 0.3 * held(rng, rate, seconds, None, 300, 1200) * env


def clean_filter_envelope(rng, rate):
    """Brightness that follows the level."""
    seconds = 8.0
    env = contour(rng, rate, seconds, gates(rng, seconds), 0.05, 0.15, 0.4, 0.3)
    n, t = env.size, np.arange(env.size) / rate
    hz, x = rng.uniform(150, 400), np.zeros(env.size)
    for k in range(1, int(0.4 * rate / hz)):
        cut = 200 + 5000 * env
        x += np.sin(2 * np.pi * k * hz * t) / k / (1 + (k * hz / cut) ** 4)
    return room(x * env / np.abs(x * env).max(), rate, rng, quiet_ends=False) if n else x


def clean_keyed_envelope(rng, rate):
    """An envelope with a gate, clicks of a key or a cue on the second channel."""
    seconds = 8.0
    notes = gates(rng, seconds)
    env = contour(rng, rate, seconds, notes)
    x = room(held(rng, rate, seconds, "saw", 400, 1200) * env, rate, rng, quiet_ends=False)
    n, gate = x.size, np.zeros(x.size)
    for begin, stop in notes:
        gate[round(begin * rate) : round(stop * rate)] = 1
    if rng.random() < 0.5:
        y = 0.3 * signal.sosfilt(signal.butter(1, 5, "high", fs=rate, output="sos"), gate)
    else:
        y = np.zeros(n)
        for edge in np.flatnonzero(np.diff(gate)):
            size = min(round(0.01 * rate), n - edge)
            y[edge : edge + size] += hiss(size, -12, rng) * np.exp(-np.arange(size) / 0.002 / rate)
    return np.stack([x, y + hiss(n, -75, rng)], axis=1)


def strokes(rate, seconds):
    t = np.arange(round(seconds * rate)) / rate
    place = np.interp(t % 5, [0, 0.5, 2.2, 2.7, 4.4, 5], [0, 0, 1, 1, 0, 0])
    return np.convolve(place, np.ones(200) / 200, "same")


def clean_volume_slider(rng, rate):
    """Swept to true zero, with crackle."""
    place = strokes(rate, 10)
    gain = place**2
    for _ in range(rng.integers(0, 30)):
        at, size = rng.integers(0, gain.size - 400), rng.integers(5, 400)
        gain[at : at + size] *= rng.uniform(0, 1)
    x = 0.3 * held(rng, rate, 10, str(rng.choice(["triangle", "sine"])), 65, 110) * gain
    return x + (hiss(x.size, -80, rng) if rng.random() < 0.7 else 0)


def clean_cutoff_slider(rng, rate):
    place, t = strokes(rate, 10), np.arange(10 * rate) / rate
    hz, x = rng.uniform(80, 200), np.zeros(t.size)
    cut = 100 * 2 ** (6 * place)
    for k in range(1, int(0.4 * rate / hz)):
        x += np.sin(2 * np.pi * k * hz * t) / k / (1 + (k * hz / cut) ** 4)
    return room(x / np.abs(x).max(), rate, rng)


def clean_tune_slider(rng, rate):
    cents = rng.uniform(80, 600) * strokes(rate, 10)
    return room(held(rng, rate, 10, None, 300, 900, cents=cents), rate, rng)


def clean_width_slider(rng, rate):
    place = 0.5 - 0.4 * strokes(rate, 10)
    hz = rng.uniform(80, 300)
    phase = hz * np.arange(place.size) / rate
    x = wave("saw", phase, hz, rate) - wave("saw", phase + place, hz, rate)
    return room(x / 2, rate, rng)


def clean_keyboard(rng, rate):
    first, count = rng.integers(36, 50), rng.integers(11, 16)
    parts = []
    for key in range(first, first + count):
        n, rest = round(rng.uniform(0.5, 0.8) * rate), round(rng.uniform(0.2, 0.4) * rate)
        hz = NOTE_HZ[key] * 2 ** (rng.normal(0, 5) / 1200)
        x = wave("saw", hz * np.arange(n) / rate + rng.random(), hz, rate)
        edge = np.minimum(np.arange(n), np.arange(n)[::-1]) / (0.004 * rate)
        parts += [x * np.minimum(edge, 1), np.zeros(rest)]
    return room(np.concatenate(parts), rate, rng)


def clean_idle(rng, rate):
    """Hum and hiss, then one key at full level."""
    n, m = round(6 * rate), round(4 * rate)
    t = np.arange(n + m) / rate
    level = rng.uniform(-90, -55)
    x = hiss(n + m, level, rng, rng.choice([0, 3]))
    x += mains(t, level + rng.uniform(-10, 10), rng, rng.choice([50.0, 60.0]))
    x[n:] += 0.3 * held(rng, rate, m / rate, None, 100, 900)[:m]
    return x


def clean_hiss(rng, rate):
    x = hiss(8 * rate, rng.uniform(-85, -60), rng, rng.choice([0, 3]))
    return x + mains(np.arange(8 * rate) / rate, rng.uniform(-95, -70), rng)


def clean_waveform(rng, rate):
    return room(held(rng, rate, rng.uniform(2, 4), None, 40, 900), rate, rng, quiet_ends=False)


def clean_tremolo(rng, rate):
    x = held(rng, rate, 8, None, 100, 500)
    t = np.arange(x.size) / rate
    shape = np.sin(2 * np.pi * rng.uniform(0.5, 7) * t + rng.uniform(0, 6))
    if rng.random() < 0.3:
        shape = np.sign(shape)
    return room(x * (1 + rng.uniform(0.3, 0.99) * shape) / 2, rate, rng)


def clean_vibrato(rng, rate):
    t = np.arange(8 * rate) / rate
    cents = rng.uniform(10, 60) * np.sin(2 * np.pi * rng.uniform(2, 7) * t)
    return room(held(rng, rate, 8, None, 100, 700, cents=cents), rate, rng)


def clean_sample_and_hold(rng, rate):
    steps = rng.uniform(-40, 40, 40)
    t = np.arange(8 * rate) / rate
    return room(held(rng, rate, 8, None, 200, 500, cents=steps[(5 * t).astype(int)]), rate, rng)


def clean_eight_bits(rng, rate):
    return 0.7 * held(rng, rate, 6) + hiss(6 * rate, -50, rng)


CLEAN = {
    "stability": ("stability", clean_stability),
    "narrow pulse": ("stability", clean_narrow_pulse),
    "drawn square": ("waveform", clean_drawn_square),
    "drawn saw": ("waveform", clean_drawn_saw),
    "dark sine": ("stability", clean_dark_sine),
    "closed filter": ("stability", clean_closed_filter),
    "warm-up": ("warmup", clean_warmup),
    "beating": ("beating", clean_beating),
    "glide": ("glide", clean_glide),
    "envelope": ("envelope", clean_envelope),
    "slow attack": ("envelope", clean_slow_attack),
    "digital rests": ("envelope", clean_digital_rests),
    "filter envelope": ("envelope", clean_filter_envelope),
    "envelope with key": ("envelope", clean_keyed_envelope),
    "volume slider": ("slider", clean_volume_slider),
    "cutoff slider": ("slider", clean_cutoff_slider),
    "tune slider": ("slider", clean_tune_slider),
    "width slider": ("slider", clean_width_slider),
    "keyboard": ("keyboard", clean_keyboard),
    "idle and tone": ("noise", clean_idle),
    "idle alone": ("noise", clean_hiss),
    "waveform": ("waveform", clean_waveform),
    "tremolo": ("stability", clean_tremolo),
    "vibrato": ("stability", clean_vibrato),
    "sample and hold": ("stability", clean_sample_and_hold),
    "eight bits": ("stability", clean_eight_bits),
}


def make_clean(name: str, seed: int) -> Made:
    """Return a clean capture, named by its kind."""
    rng = np.random.default_rng([seed, sorted(CLEAN).index(name)])
    rate = int(rng.choice([44100, 48000, 48000, 96000]))
    rate = 16000 if name == "warm-up" else rate
    test, make = CLEAN[name]
    frames = make(rng, rate)
    assert np.abs(frames).max() < 0.99, name
    subtype = "PCM_U8" if name == "eight bits" else str(rng.choice(["PCM_24", "PCM_24", "PCM_16"]))
    return Made(test, frames, rate, subtype)
