"""Key sweeps with exact truth, made without sigkit: one voice a key, each with its own pitch.

Every voice is a Fourier series read at a phase that is known at every sample, times a capacitor
that a gate charges and discharges; a bouncing contact closes the gate, opens and closes it again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd
import soundfile as sf
from envelopes import carrier
from noises import mains_path
from scipy import signal

A4_HZ, A4_KEY = 440.0, 69
"""ISO 16:1975, and the number of that key in MIDI."""


@dataclass(frozen=True, kw_only=True)
class Press:
    """One press of a key: its number, its gates, and what the pitch does at key-down."""

    key: int
    on_s: float
    off_s: float
    cents: float = 0.0
    level_db: float = 0.0
    contact_s: float = 0.0
    open_s: float = 0.0
    bend_cents: float = 0.0
    bend_s: float = 0.08


@dataclass(frozen=True, kw_only=True)
class Instrument:
    """What all keys share."""

    wave: str = "saw"
    duty: float = 0.5
    attack_s: float = 0.0015
    release_s: float = 0.05
    cutoff_hz: float = 0.0
    rate: int = 48_000


@dataclass
class Sweep:
    """A capture and what is true of it: one row a key, and the presses."""

    samples: np.ndarray
    rate: int
    lowest: int
    keys: pd.DataFrame
    presses: list = field(default_factory=list)

    def write(self, path: Path, subtype: str = "PCM_24") -> Path:
        sf.write(path, self.samples, self.rate, subtype=subtype)
        return path


def nominal_hz(key: float) -> float:
    """Equal temperament: 440 Hz times the twelfth root of two a key."""
    return A4_HZ * 2 ** ((key - A4_KEY) / 12)


def gain_of(press: Press, how: Instrument, t: np.ndarray) -> np.ndarray:
    """The capacitor's voltage, 0 to 1, along the press's gates."""
    edges = [(press.on_s, 1.0)]
    if press.contact_s:
        edges += [(press.on_s + press.contact_s, 0.0)]
        edges += [(press.on_s + press.contact_s + press.open_s, 1.0)]
    edges += [(press.off_s, 0.0)]
    out, level = np.zeros(t.size), 0.0
    for i, (start, aim) in enumerate(edges):
        stop = edges[i + 1][0] if i + 1 < len(edges) else math.inf
        tau = how.attack_s if aim else how.release_s
        a, b = np.searchsorted(t, [start, stop])
        out[a:b] = aim - (aim - level) * np.exp(-(t[a:b] - start) / tau)
        level = aim - (aim - level) * math.exp(-min((stop - start) / tau, 700.0))
    return out


def render(
    presses: list[Press],
    how: Instrument,
    seconds: float,
    rng: np.random.Generator,
    *,
    snr_db: float = 50.0,
    noise: str = "white",
    hum_db: float = -math.inf,
    mains_hz: float = 50.0,
    stray_hz: float = 0.0,
    dc: float = 0.0,
    couple_hz: float = 0.0,
    drift_cents_per_min: float = 0.0,
    level: float = 0.1,
) -> np.ndarray:
    """Sound of presses; levels in dB are re the rms of a held note, which is ``level``.

    The mains strays by ``stray_hz``, as a random walk that forgets itself within 20 s.
    """
    t = np.arange(round(seconds * how.rate)) / how.rate
    x = np.zeros(t.size)
    for press in presses:
        last = press.off_s + 16 * how.release_s
        a, b = np.searchsorted(t, [press.on_s, last])
        s = t[a:b]
        since = s - press.on_s
        hz = nominal_hz(press.key + press.cents / 100)
        drift = drift_cents_per_min / 60 * s
        cents = drift + press.bend_cents * np.exp(-since / press.bend_s)
        # Rounding of a sum of steps is far below a millionth of a cycle here.
        phase = np.cumsum(hz * 2 ** (cents / 1200)) / how.rate
        top = max(1, math.floor(0.47 * how.rate / (hz * 1.03)))
        wave = carrier(how.wave, phase + rng.random(), top, how.duty)
        x[a:b] += 10 ** (press.level_db / 20) * gain_of(press, how, s) * wave
    if how.cutoff_hz:
        sos = signal.butter(2, how.cutoff_hz, fs=how.rate, output="sos")
        x = signal.sosfilt(sos, x)
    x *= level
    if math.isfinite(hum_db):
        turns = mains_hz * t
        if stray_hz:
            own = np.random.default_rng(rng.integers(2**32))
            turns = np.cumsum(mains_path(t.size, how.rate, mains_hz, own, stray_hz)) / how.rate
        for k, down in ((1, 0.0), (2, 3.0), (3, 8.0), (5, 15.0)):
            size = level * 10 ** ((hum_db - down) / 20) * math.sqrt(2)
            x += size * np.cos(2 * np.pi * (k * turns + rng.random()))
    hiss = rng.standard_normal(t.size)
    if noise == "pink":
        spectrum = np.fft.rfft(hiss)
        spectrum /= np.sqrt(np.maximum(np.fft.rfftfreq(t.size, 1 / how.rate), 20.0))
        hiss = np.fft.irfft(spectrum, t.size)
        hiss /= hiss.std()
    x += level * 10 ** (-snr_db / 20) * hiss + dc * level
    if couple_hz:
        x = signal.lfilter(*signal.butter(1, couple_hz, "high", fs=how.rate), x)
    return x


def steady_presses(
    lowest: int,
    errors: np.ndarray,
    *,
    hold_s: float = 0.7,
    gap_s: float = 0.2,
    first_s: float = 0.6,
    legato: bool = False,
) -> list[Press]:
    """One press a key, evenly, with the given errors in cents."""
    step = hold_s if legato else hold_s + gap_s
    return [
        Press(
            key=lowest + i,
            cents=float(e),
            on_s=first_s + step * i,
            off_s=first_s + step * i + hold_s,
        )
        for i, e in enumerate(errors)
    ]


FAULTS = ("ok", "missing", "double trigger", "stuck", "unsteady")


def random_sweep(
    seed: int,
    *,
    keys: int = 37,
    lowest: int | None = None,
    wave: str | None = None,
    snr_db: float = 50.0,
    hum_db: float = -math.inf,
    noise: str | None = None,
    healthy: bool = False,
    down: bool | None = None,
    player: bool = False,
    scatter: float | None = None,
    stray_hz: float = 0.0,
    **how_more,
) -> Sweep:
    """A random detached sweep: errors with a slope, dead, bouncing, stuck, unsteady, quiet keys."""
    rng = np.random.default_rng(seed)
    lowest = int(rng.integers(36, 54)) if lowest is None else lowest
    how = Instrument(
        wave=wave or str(rng.choice(["saw", "pulse", "triangle", "sine"])),
        duty=float(rng.uniform(0.25, 0.5)),
        attack_s=float(rng.uniform(0.0008, 0.003)),
        release_s=float(rng.uniform(0.01, 0.05)),
        cutoff_hz=float(rng.choice([0.0, rng.uniform(2000, 6000)])),
        rate=int(rng.choice([44_100, 48_000])),
    )
    how = replace(how, **how_more)
    octaves = np.arange(keys) / 12
    slope, offset = rng.uniform(-8, 8), rng.uniform(-20, 20)
    sd = float(rng.uniform(0.3, 4)) if scatter is None else scatter
    errors = offset + slope * octaves + sd * rng.standard_normal(keys)
    odds = [0.78, 0.06, 0.07, 0.03, 0.06] if not healthy else [1.0, 0, 0, 0, 0]
    status = rng.choice(FAULTS, size=keys, p=odds)
    levels = 1.5 * rng.standard_normal(keys) - 12.0 * (rng.random(keys) < 0.05)
    under = rng.integers(1, 6, keys)
    now, presses = float(rng.uniform(0.4, 1.0)), []
    order = list(range(keys))
    swapped = []
    if player:
        i = int(rng.integers(2, keys - 3))
        order[i], order[i + 1] = order[i + 1], order[i]
        swapped = [i, i + 1]
        j = int(rng.integers(2, keys - 3))
        order.insert(order.index(j), j)
    if down if down is not None else rng.random() < 0.3:
        order += list(range(keys - 1, -1, -1))
    seen: set[int] = set()
    waiting: list[tuple[int, int]] = []
    for k in order:
        hold_s = 0.7 * float(rng.uniform(0.95, 1.05))
        gap_s = float(rng.uniform(0.1, 0.3))
        kind = status[k]
        press = Press(
            key=lowest + k,
            cents=float(errors[k]),
            on_s=now,
            off_s=now + hold_s,
            level_db=float(levels[k]),
        )
        if kind == "double trigger":
            press = replace(
                press,
                contact_s=float(rng.uniform(0.0005, 0.002)),
                open_s=float(rng.uniform(0.002, 0.02)),
            )
        if kind == "unsteady":
            press = replace(
                press,
                bend_cents=float(rng.choice([-1, 1]) * rng.uniform(12, 40)),
                bend_s=float(rng.uniform(0.05, 0.12)),
            )
        if kind == "stuck" and k not in seen:
            waiting.append((len(presses), int(under[k]) + 1))
        if kind != "missing":
            presses.append(press)
        seen.add(k)
        now += hold_s + gap_s
        waiting = [(at, left - 1) for at, left in waiting]
        for at, left in waiting:
            if left <= 0:
                presses[at] = replace(presses[at], off_s=now - gap_s)
        waiting = [(at, left) for at, left in waiting if left > 0]
    for at, _ in waiting:
        presses[at] = replace(presses[at], off_s=now + 0.3)
    x = render(
        presses,
        how,
        now + 1.2,
        rng,
        snr_db=snr_db,
        hum_db=hum_db,
        stray_hz=stray_hz,
        mains_hz=float(rng.choice([50.0, 60.0]) + rng.uniform(-0.05, 0.05)),
        noise=noise or str(rng.choice(["white", "pink"])),
        dc=float(rng.choice([0.0, 0.1])),
        couple_hz=float(rng.choice([0.0, 5.0])),
    )
    truth = pd.DataFrame(
        {
            "key": np.arange(keys) + 1,
            "status": status,
            "error_cents": errors,
            "level_db": levels,
            "stuck_under": np.where(status == "stuck", under, 0),
        }
    )
    truth.attrs |= {"slope": slope, "offset": offset, "scatter": sd, "how": how, "swapped": swapped}
    return Sweep(x, how.rate, lowest, truth, presses)
