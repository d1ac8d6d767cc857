"""Oscillator waves drawn in time at a high rate, filtered there and decimated, without sigkit.

Every point of the high rate is the mean of the ideal wave over it, from the wave's integral along
the phase; nothing is a Fourier sum. Couplings and low-passes are digital filters at that rate
(bilinear, far below half of it), the interface is a long symmetric FIR filter. So duty cycle,
symmetry and edges are exact whatever the filters do.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from recorders import Recorder
from scipy import signal

FINER = {True: 16, False: 32}
RUN_IN_S = 0.4


@dataclass
class Wave:
    """What is played: a wave, and what lies between it and the file.

    ``kind`` is pulse, ramp, sine or slewed; ``share`` the duty cycle or the rising share of the
    period, 0 to 1, of a slewed pulse with the times in seconds that its edges take (``slews_s``);
    ``also`` are further (kind, share, amplitude, offset in cycles, times the pitch) on top.
    """

    kind: str
    hz: float
    share: float = 0.5
    also: tuple = ()
    seconds: float = 1.5
    rate: int = 48000
    coupling_hz: tuple = ()
    low_pass: tuple = ()
    snr_db: float = 60.0
    pink_db: float | None = None
    hum_db: float | None = None
    hum_hz: float = 50.0
    dc: float = 0.0
    peak: float = 0.25
    drift_cents: float = 0.0
    wander_cents: float = 0.0
    jitter: float = 0.0
    inverted: bool = False
    bits: int | None = 24
    slews_s: tuple = (0.0, 0.0)
    recorder_db: float = 0.0
    seed: int = 0


def integral(kind, share, phase, edges=(0.0, 0.0)):
    """Integral of the wave (-1 to 1) over the phase in cycles."""
    turns = np.floor(phase)
    p = phase - turns
    if kind == "slewed":  # up about 0, down about share, each through 0 in its middle
        rise, fall = edges
        at = np.array([0, rise / 2, share - fall / 2, share + fall / 2, 1 - rise / 2, 1])
        value = np.array([0.0, 1, 1, -1, -1, 0])
        area = np.concatenate([[0], np.cumsum(np.diff(at) * (value[1:] + value[:-1]) / 2)])
        i = np.clip(np.searchsorted(at, p, side="right") - 1, 0, 4)
        beyond = p - at[i]
        slope = np.diff(value) / np.diff(at)
        return turns * area[-1] + area[i] + value[i] * beyond + slope[i] * beyond**2 / 2
    if kind == "pulse":
        return turns * (2 * share - 1) + np.where(p < share, p, 2 * share - p)
    if kind == "sine":
        return -np.cos(2 * np.pi * p) / (2 * np.pi)
    rest = p - share
    up = -p + p * p / max(share, 1e-12)
    down = rest - rest * rest / max(1 - share, 1e-12)
    return np.where(p < share, up, down)


def drawn(kind, share, phase, edges=(0.0, 0.0)):
    """Means of the wave between consecutive phases."""
    total = integral(kind, share, phase, edges)
    return np.diff(total) / np.diff(phase)


def phase_path(wave: Wave, count: int, rate: int, rng) -> np.ndarray:
    t = np.arange(count + 1) / rate
    cents = wave.drift_cents * t / max(wave.seconds, 1e-9)
    if wave.wander_cents:
        steps = rng.standard_normal(max(4, int(t[-1] * 20) + 4)).cumsum()
        steps -= steps.mean()
        steps *= wave.wander_cents / max(steps.std(), 1e-9)
        spline = signal.resample(np.concatenate([steps, steps[::-1]]), 16 * steps.size)
        fine = np.linspace(0, 2 * t[-1], spline.size)
        cents = cents + np.interp(t, fine, spline)
    hz = wave.hz * 2 ** (cents / 1200)
    phase = np.concatenate([[0.0], np.cumsum((hz[1:] + hz[:-1]) / 2)]) / rate + rng.random()
    if wave.jitter:
        periods = int(phase[-1]) + 3
        knots = rng.standard_normal(periods) * wave.jitter
        phase = phase + np.interp(phase, np.arange(periods), knots)
    return phase


def low_passed(x, kind, rate):
    """One low-pass: (poles, corner Hz, Q); two poles have a Q, four are two such pairs."""
    poles, corner, q = kind
    w = 2 * np.pi * corner
    one = ([w], [1, w])
    pair = ([w * w], [1, w / (q or 1), w * w])
    for b, a in {1: [one], 2: [pair], 4: [pair, pair], 3: [one, pair]}[poles]:
        x = signal.lfilter(*signal.bilinear(b, a, rate), x)
    return x


def play(wave: Wave) -> np.ndarray:
    """Return the samples as the file holds them."""
    rng = np.random.default_rng(wave.seed)
    finer = FINER[wave.hz < 1000]
    high = wave.rate * finer
    run_in = int(RUN_IN_S * wave.rate) * finer
    count = run_in + round(wave.seconds * wave.rate) * finer
    half = 32 * finer
    phase = phase_path(wave, count + 2 * half, high, rng)
    x = drawn(wave.kind, wave.share, phase, [wave.hz * s for s in wave.slews_s])
    for kind, share, amplitude, offset, times in wave.also:
        x = x + amplitude * drawn(kind, share, times * phase + offset)
    x = x - x.mean()
    for corner in wave.coupling_hz:
        w = 2 * np.pi * corner
        x = signal.lfilter(*signal.bilinear([1, 0], [1, w], high), x)
    for kind in wave.low_pass:
        x = low_passed(x, kind, high)
    if wave.recorder_db:
        own = np.random.default_rng([wave.seed, 1])
        x = Recorder(own, wave.recorder_db).through(x, high)
    taps = signal.firwin(2 * half + 1, 0.475 * wave.rate, fs=high, window=("kaiser", 9.0))
    x = signal.upfirdn(taps, x[run_in:], 1, finer)[64 : 64 + round(wave.seconds * wave.rate)]
    x = x * (wave.peak / np.abs(x).max())
    rms = x.std()
    n = x.size
    out = x + rms * 10 ** (-wave.snr_db / 20) * rng.standard_normal(n)
    if wave.pink_db is not None:
        f = np.fft.rfftfreq(n, 1 / wave.rate)
        pink = np.fft.irfft(np.fft.rfft(rng.standard_normal(n)) / np.sqrt(np.maximum(f, 10.0)), n)
        out += rms * 10 ** (wave.pink_db / 20) * pink / pink.std()
    if wave.hum_db is not None:
        t = np.arange(n) / wave.rate
        hum = sum(
            np.sin(2 * np.pi * k * wave.hum_hz * t + 6.28 * rng.random()) / k for k in (1, 2, 3, 4)
        )
        out += rms * 10 ** (wave.hum_db / 20) * hum / hum.std()
    out = out + wave.dc
    if wave.inverted:
        out = -out
    if wave.bits:
        full = 2 ** (wave.bits - 1)
        dither = rng.random(n) - rng.random(n)
        out = np.clip(np.rint(out * full + dither), -full, full - 1) / full
    return out
