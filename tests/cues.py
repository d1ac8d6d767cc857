"""Captures with a cue track, made by other means than the reader's own.

The track's WAV file is read with scipy, put on another clock by interpolation on a finer grid,
filtered with scipy's filters, and buried under sounds that share nothing with it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import soundfile as sf
from scipy import signal
from scipy.io import wavfile

import sigkit

BLEEDS = ("saw", "steady saw", "sweep", "pulse", "white", "pink", "chords", "speech", "hum")


@dataclass
class Played:
    """What was put into a channel, and when each beep of the whole track begins and ends there."""

    sound: np.ndarray
    rate: int
    plan: object
    start_s: np.ndarray
    stop_s: np.ndarray


def read_track(path):
    rate, codes = wavfile.read(path)
    return rate, codes / 32768.0


def bleed(kind: str, count: int, rate: int, rng: np.random.Generator) -> np.ndarray:
    """What leaks in from the instrument, rms 1."""
    t = np.arange(count) / rate
    if kind == "white":
        out = rng.standard_normal(count)
    elif kind == "pink":
        spectrum = np.fft.rfft(rng.standard_normal(count))
        spectrum[1:] /= np.sqrt(np.arange(1, spectrum.size))
        out = np.fft.irfft(spectrum, count)
    elif kind == "hum":
        out = sum(np.cos(2 * np.pi * 50 * k * t + k) / k for k in range(1, 20))
    elif kind == "pulse":
        out = signal.square(2 * np.pi * rng.uniform(60, 800) * t, duty=rng.uniform(0.05, 0.5))
    elif kind == "steady saw":
        out = signal.sawtooth(2 * np.pi * 110.0 * t)  # a whole number of periods in every tick
    elif kind == "saw":
        out = signal.sawtooth(2 * np.pi * rng.uniform(50, 600) * t)
    elif kind == "sweep":
        octaves = np.sin(2 * np.pi * t / rng.uniform(5, 10))
        out = signal.sawtooth(2 * np.pi * np.cumsum(200 * 2**octaves) / rate)
    elif kind == "chords":
        out = np.zeros(count)
        for begin in range(0, count, rate // 2):  # a new chord at every tick
            part = t[: min(rate // 2, count - begin)]
            for hz in rng.choice(110 * 2 ** (np.arange(30) / 12), 4, replace=False):
                wave = signal.sawtooth(2 * np.pi * hz * part + rng.uniform(0, 6))
                out[begin : begin + part.size] += wave * np.exp(-3 * part)
    elif kind == "speech":
        hz = 120 * 2 ** (0.3 * np.sin(4.4 * t) + 0.1 * np.sin(13.2 * t))
        voiced = signal.sawtooth(2 * np.pi * np.cumsum(hz) / rate) * np.clip(np.sin(25 * t), 0, 1)
        out = voiced + 0.3 * rng.standard_normal(count) * (np.sin(14.4 * t) > 0.7)
    else:
        raise ValueError(kind)
    out = out - out.mean()
    return out / out.std()


def play(
    folder,
    test,
    seed,
    *,
    under=None,
    below_db=0.0,
    late_s=1.0,
    cut_s=0.0,
    ppm=0.0,
    rate=48000,
    invert=False,
    lowpass_hz=0.0,
    couple_hz=0.0,
    level=0.1,
    **options,
) -> Played:
    """Play a track into a channel, ``below_db`` under what leaks in (rms against rms)."""
    rng = np.random.default_rng(seed)
    path = folder / f"cue-{test}-{seed}.wav"
    plan = sigkit.make_cue(test, path, rate=rate, **options)
    _, track = read_track(path)
    path.unlink()
    track = track / np.sqrt(np.mean(track**2))
    times = 2 if rate < 90000 else 1
    fine = signal.resample_poly(track, times, 1)
    length = round((plan.length_s + max(late_s, 0) + 1.0 - cut_s) * rate)
    at = (np.arange(length) / rate - late_s) * (1 + 1e-6 * ppm) * rate * times
    out = np.interp(at, np.arange(fine.size), fine, left=0.0, right=0.0)
    if under is not None:
        out = out * 10 ** (-below_db / 20) + bleed(under, length, rate, rng)
    if lowpass_hz:
        out = signal.sosfilt(signal.butter(4, lowpass_hz, fs=rate, output="sos"), out)
    if couple_hz:
        out = signal.sosfilt(signal.butter(1, couple_hz, "high", fs=rate, output="sos"), out)
    out = out * (level / np.max(np.abs(out))) * (-1 if invert else 1)
    clock = 1 + 1e-6 * ppm
    start = np.array([late_s + step.start_s / clock for step in plan.steps])
    stop = np.array([late_s + step.stop_s / clock for step in plan.steps])
    return Played(out, rate, plan, start, stop)


def capture_of(folder, played: Played, instrument=None, name="take.wav"):
    """Write it as channel 1 beside the instrument in channel 0."""
    count = played.sound.size
    if instrument is None:
        t = np.arange(count) / played.rate
        instrument = 0.2 * np.sin(2 * np.pi * 220 * t)
    both = np.zeros((max(count, instrument.size), 2))
    both[: instrument.size, 0], both[:count, 1] = instrument, played.sound
    sf.write(folder / name, both, played.rate, subtype="PCM_24")
    return sigkit.open_capture(folder / name)


def compared(cue, played: Played):
    """Largest error of the times in s, items that are wrong, beeps in the capture that are lost."""
    duration = played.sound.size / played.rate
    errors, wrong = [], 0
    for row in cue.items.itertuples():
        at = int(np.argmin(np.abs(played.start_s - row.start_s)))
        step = played.plan.steps[at]
        wrong += (step.item, step.kind) != (row.item, row.kind)
        errors += [row.start_s - played.start_s[at], row.stop_s - played.stop_s[at]]
    inside = (played.start_s >= 0) & (played.start_s < duration - 0.5)
    lost = int(inside.sum()) - int(
        sum(any(abs(cue.items["start_s"] - s) < 0.05) for s in played.start_s[inside])
    )
    return np.array(errors), wrong, lost
