"""Random captures of idle noise with their truth, and how a measurement compares with it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from noises import coloured, family_power, hum, mains_path, note, white, write

KINDS = ("all lines", "ripple", "loop", "fundamental", "one at 2x", "loop and ripple")
NOISES = ("white", "pink", "filtered")


@dataclass
class Case:
    samples: np.ndarray
    rate: int
    subtype: str
    truth: dict
    kind: str
    noise: str
    seconds: float
    wander: float
    note_hz: float


def levels_of(kind, rng):
    top = rng.uniform(-80, -55)
    if kind == "all lines":
        return {k: top - rng.uniform(0, 40) for k in range(1, 21)}
    if kind == "ripple":
        return {2 * k: top - 5 * (k - 1) - rng.uniform(0, 5) for k in range(1, 9)}
    if kind == "loop":
        return {k: top - 3.5 * (k - 1) - rng.uniform(0, 6) for k in (1, 3, 5, 7)}
    if kind == "fundamental":
        return {1: top}
    if kind == "one at 2x":
        return {2: top}
    own = {k: top - 4 * (k - 1) - rng.uniform(0, 6) for k in (1, 3, 5)}
    other = rng.uniform(-10, 10)
    return own | {2 * k: top + other - 4 * k - rng.uniform(0, 6) for k in range(1, 6)}


def density_of(noise, level):
    """Power per hertz as a function, whose sum from 20 Hz to 20 kHz is about the level."""
    power = 10 ** (level / 10)
    if noise == "pink":
        return lambda f: power / math.log(1000) / f * (f > 3)
    corner = 3000.0 if noise == "filtered" else 1e12
    return lambda f: power / 20_000 / (1 + (f / corner) ** 4)


def random_case(seed, *, seconds=10.0, with_note=None, tone_s=0.0):
    rng = np.random.default_rng([seed, 77])
    kind, noise = KINDS[seed % len(KINDS)], NOISES[(seed // len(KINDS)) % len(NOISES)]
    rate = int(rng.choice([44_100, 48_000, 48_000, 96_000]))
    mains = float(rng.choice([50.0, 60.0]) + rng.uniform(-0.2, 0.2))
    wander = float(rng.choice([0.0, 0.005, 0.02]))
    clock = rng.uniform(-50e-6, 50e-6)
    n = round(seconds * rate)
    path = mains_path(n, rate, mains, rng, wander, float(rng.uniform(5, 60)))
    levels = levels_of(kind, rng)
    floor = rng.uniform(-95, -75)
    density = density_of(noise, floor)
    if noise == "white":
        x = white(n, 10 * math.log10(density(1000.0)), rate, rng)
    else:
        x = coloured(n, density, rate, rng)
    x = x + hum(path * (1 + clock), rate, levels, rng) + rng.uniform(-0.02, 0.02)
    note_hz, own = math.nan, np.zeros(n)
    if rng.random() < 0.3 if with_note is None else with_note:
        note_hz = float(rng.uniform(80, 800))
        own = note(note_hz, seconds, rate, rng.uniform(-80, -50), "saw")
        x = x + own
    subtype = str(rng.choice(["PCM_16", "PCM_24", "PCM_24"]))
    high = min(20_000.0, rate / 2.2)
    f = np.geomspace(20.0, high, 20_001)
    dither = 2 * 3 / 12 * 2.0**-30 * 2 / rate if subtype == "PCM_16" else 0.0
    per_hz = density(f) + dither
    note_part = 0.0
    if math.isfinite(note_hz):
        note_part = note_power(own, rate, note_hz, high)
    truth = {
        "mains_hz": float(path.mean()),
        "recorded_hz": float(path.mean() * (1 + clock)),
        "levels": levels,
        "noise_power": float(np.trapezoid(per_hz, f)),
        "note_power": note_part,
        "density": lambda hz: density(hz) + dither,
        "odd": family_power(levels, even=False),
        "even": family_power(levels, even=True),
    }
    if tone_s:
        x = np.concatenate([x, note(220.0, tone_s, rate, -12.0)])
        truth["tone_dbfs"] = -12.0
    return Case(x, rate, subtype, truth, kind, noise, seconds, wander, note_hz)


def note_power(x, rate, hz, high):
    """Power of a saw's harmonics inside the band, by projection on each."""
    t = np.arange(x.size) / rate
    window = np.hanning(x.size)
    return sum(
        (2 * abs(np.sum(x * window * np.exp(-2j * np.pi * k * hz * t))) / window.sum()) ** 2
        for k in range(1, int(high / hz) + 1)
        if k * hz > 20
    )


def write_case(folder, case, seed):
    rng = np.random.default_rng([seed, 78])
    return write(folder, case.samples, case.rate, case.subtype, rng)


def compared(case, result):
    """Rows of (name, error, error over u): levels in dB, the mains frequency in Hz."""
    truth, rows = case.truth, []

    def add(name, quantity, wanted, **more):
        if quantity.measurable:
            error = quantity.value - wanted
            rows.append({"name": name, "error": error, "z": error / quantity.u, **more})
        else:
            rows.append({"name": name, "error": math.nan, "z": math.nan, **more})

    db = lambda p: 10 * math.log10(p)  # noqa: E731
    add("floor", result.floor, db(truth["noise_power"] + truth["note_power"]))
    add("hiss", result.hiss, db(truth["noise_power"]))
    for name, key in (("ripple", "even"), ("hum_odd", "odd")):
        if truth[key] > 0:
            add(name, getattr(result, name), db(truth[key]))
    f = result.mains_frequency
    add("mains", f, truth["mains_hz"])
    if f.measurable:
        noise = next(t.u for t in f.budget if t.source == "noise")
        error = f.value - truth["recorded_hz"]
        rows.append({"name": "mains, clock known", "error": error, "z": error / noise})
    for row in result.hum.itertuples():
        level = truth["levels"].get(row.order)
        if level is None:
            continue
        per_bin = truth["density"](row.frequency_hz) / case.seconds
        over = level - 10 * math.log10(per_bin)
        bound = 4.343 * math.sqrt(2 * 10 ** (-over / 10))
        known = math.isfinite(row.level_dbfs)
        error = row.level_dbfs - level if known else math.nan
        rows.append(
            {
                "name": "line",
                "error": error,
                "z": error / row.u_level_db if known else math.nan,
                "over": over,
                "bound": bound,
                "remark": row.remark,
            }
        )
    return rows
