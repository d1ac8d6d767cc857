"""Random held notes, warm-ups and pairs of oscillators with their truth, for `held`."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from held import RATES, cases_of
from scipy import ndimage
from tones import moving_tone, sharp_windows, tone, window_mean_hz, write_sound

import sigkit

WAVES = ("saw", "pulse", "triangle", "sine")


def forgetful(rng, count, step_s, spread, memory_s):
    """Random pitch that forgets itself: an Ornstein-Uhlenbeck path by its exact recursion."""
    keep = math.exp(-step_s / memory_s)
    values = np.empty(count)
    values[0] = rng.standard_normal()
    kicks = math.sqrt(1 - keep**2) * rng.standard_normal(count)
    for i in range(1, count):
        values[i] = keep * values[i - 1] + kicks[i]
    return spread * values


def measured(folder, test, x, rate, **options):
    path = write_sound(folder, x, rate)
    capture = sigkit.open_capture(path)
    result = getattr(sigkit, f"measure_{test}")(capture, **options)
    path.unlink()
    return result


def wobbling(rng, folder):
    """The same with a wobble of 0.2 to 2 cents at the mains frequency or twice it."""
    return stability(rng, folder, wobble=True)


def stability(rng, folder, *, wobble=False):
    """One note of 45 Hz to 1.5 kHz, 25 to 60 dB, 6 to 20 s, 8 to 96 kHz, drifting, wandering."""
    rate, seconds = int(rng.choice(RATES)), float(rng.uniform(6, 20))
    if wobble:
        rate = max(rate, 16_000)
    lowest = 220 if wobble else 45
    hz = math.exp(rng.uniform(math.log(lowest), math.log(min(1500, rate / 8))))
    # The pitch goes on beyond either end of the capture: windows about its first moment see that.
    window_s = max(0.1, 6 / hz)
    ends = round(1.1 * window_s * rate) + 1
    t = np.arange(-ends, round(seconds * rate) + ends) / rate
    knots_s = np.arange(-2 * window_s, seconds + 2 * window_s, 0.01)
    spread, memory_s = 10 ** rng.uniform(-1.5, 0.3), 10 ** rng.uniform(-0.7, 1)
    wander = forgetful(rng, knots_s.size, 0.01, spread, memory_s)
    cents = np.interp(t, knots_s, wander) + rng.uniform(-8, 8) * t / 60
    swing = 10 ** rng.uniform(-0.7, 0.3) if wobble else 0.0
    mains = float(rng.choice([50, 60]) * rng.choice([1, 2]) + rng.uniform(-0.05, 0.05))
    moving = cents + swing * np.sin(2 * np.pi * mains * t + rng.uniform(0, 6))
    seen = sharp_windows(moving, rate, ends / rate + np.arange(0, seconds, 0.01), window_s)
    t, cents, moving = (v[ends:-ends] for v in (t, cents, moving))
    x = moving_tone(str(rng.choice(WAVES)), hz * 2 ** (moving / 1200), rate, duty=0.3)
    x += 0.2 * 10 ** (-rng.uniform(25, 60) / 20) * rng.standard_normal(x.size)
    result = measured(folder, "stability", x, rate, nominal_hz=440.0)
    whole = seen[: seen.size // 100 * 100].reshape(-1, 100)
    truths = {
        "frequency": hz * 2 ** (moving.mean() / 1200),
        "offset": 1200 * math.log2(hz / 440) + moving.mean(),
        "spread": cents.std(),
        "peak_to_peak": np.ptp(seen),
        "wander": np.ptp(np.median(whole, axis=1)),
        "drift": float(np.polyfit(t[::50] / 60, moving[::50], 1)[0]),
        "jitter": true_jitter(cents, rate, max(0.05, 2 / hz)),
    }
    if wobble:
        truths["mains_wobble"] = swing
    name = "stability, wobbling" if wobble else "stability"
    return cases_of(name, result, truths, rng, hz=["frequency"], cents=["offset"])


def true_jitter(cents, rate, wide_s):
    """Means over 0.05 s less their running mean over 1 s, wherever the means begin."""
    total = np.concatenate([[0.0], np.cumsum(cents)])
    squares = []
    for first in np.linspace(0, wide_s, 8, endpoint=False):
        edges = np.rint(np.arange(first, cents.size / rate, wide_s) * rate).astype(int)
        means = np.diff(total[edges]) / np.diff(edges)
        length = 2 * round(1 / wide_s / 2) + 1
        fast = (means - ndimage.uniform_filter1d(means, length))[length // 2 : -(length // 2)]
        squares.append(np.mean(fast**2))
    return math.sqrt(np.mean(squares))


def warmup(rng, folder):
    """A sine that settles within 3 to 8 min, with wander, in part with a cycle, a step, a room."""
    rate, minutes = int(rng.choice([8_000, 8_000, 11_025])), float(rng.uniform(3, 8))
    t = np.arange(round(60 * minutes * rate)) / rate
    knots_s = np.arange(0, 60 * minutes + 2, 1.0)
    tau = 60 * minutes * 10 ** rng.uniform(-1.3, -0.65)
    size = rng.choice([-1, 1]) * 10 ** rng.uniform(0.9, 1.7)
    kind = str(rng.choice(["still", "walk", "forgets"]))
    wander = np.zeros(knots_s.size)
    if kind == "walk":
        steps = rng.standard_normal(knots_s.size).cumsum()
        wander = 0.15 * steps / math.sqrt(knots_s.size)
    elif kind == "forgets":
        wander = forgetful(rng, knots_s.size, 1.0, 0.1, 10 ** rng.uniform(0, 1.5))
    drift = -size * np.expm1(-t / tau)
    step_s, step = rng.uniform(0.3, 0.9) * t[-1], 0.0
    if rng.random() < 0.4:
        step = rng.choice([-1, 1]) * 10 ** rng.uniform(0.5, 1.5)
    smooth = drift + np.interp(t, knots_s, wander)
    path = smooth + np.where(t >= step_s, step, 0.0)
    hz = rng.uniform(200, 500)
    x = moving_tone("sine", hz * 2 ** (path / 1200), rate)
    x += 0.2 * 10 ** (-rng.uniform(30, 60) / 20) * rng.standard_normal(x.size)
    result = measured(folder, "warmup", x, rate)
    late = t >= 0.75 * t[-1]
    away = np.flatnonzero(np.abs(smooth - smooth[-1]) > 2.0)
    truths = {
        "total_drift": path[-1] - path[0],
        "drift_without_steps": smooth[-1] - smooth[0],
        "time_constant": tau,
        "settling_time": float(t[away[-1]]) if away.size else 0.0,
        "residual_drift": float(np.polyfit(t[late][::100] / 60, drift[late][::100], 1)[0]),
        "largest_step": step or math.nan,
    }
    return cases_of("warmup", result, truths, rng)


def heated(rng, folder):
    """Twenty minutes with a room that is heated in turns, and its thermometer."""
    rate, minutes = 8_000, 20.0
    t = np.arange(round(60 * minutes * rate)) / rate
    period, peak, per_c = rng.uniform(150, 360), rng.uniform(1.2, 2.5), rng.uniform(0.5, 3)
    turn = rng.uniform(0, 6)
    knots_s = np.arange(0, 60 * minutes + 2, 1.0)
    walk = 0.1 * rng.standard_normal(knots_s.size).cumsum() / math.sqrt(knots_s.size)
    path = -rng.uniform(8, 30) * np.expm1(-t / rng.uniform(100, 250))
    path += per_c * peak * np.sin(2 * np.pi * t / period + turn) + np.interp(t, knots_s, walk)
    x = moving_tone("sine", rng.uniform(200, 500) * 2 ** (path / 1200), rate)
    x += 0.2 * 10 ** (-rng.uniform(30, 60) / 20) * rng.standard_normal(x.size)
    read_s = np.arange(0.0, 60 * minutes, 30.0)
    room = 20 + peak * np.sin(2 * np.pi * read_s / period + turn)
    room += 0.05 * rng.standard_normal(read_s.size)
    readings = pd.DataFrame({"time_s": read_s, "room_c": room})
    result = measured(folder, "warmup", x, rate, readings=readings)
    truths = {"cycle_period": period, "cycle_cents": per_c * peak, "temperature_coefficient": per_c}
    return cases_of("warmup", result, truths, rng)


RATIOS = ((1, 1), (1, 1), (2, 1), (3, 2))


def beating(rng, folder):
    """Two waves of 80 to 700 Hz, 20 to 60 dB, 8 to 16 s, still or walking."""
    rate = int(rng.choice(RATES[2:]))
    high, low = RATIOS[rng.integers(len(RATIOS))]
    seconds = float(rng.uniform(8, 16))
    count = round(seconds * rate)
    common = 2 ** rng.uniform(math.log2(80), math.log2(min(700, rate / 40))) / low
    offset = rng.uniform(1, 30) / seconds / math.lcm(high, low) / common
    walk = float(rng.choice([0.0, 0.05, 0.2]))
    sound, paths = np.zeros(count), []
    for hz, times, size in ((common, low, 1.0), (common * (1 + offset), high, rng.uniform(0.3, 1))):
        cents = walk * np.cumsum(rng.standard_normal(count)) / math.sqrt(rate)
        path = times * hz * 2 ** (cents / 1200)
        cycles = np.concatenate([[0.0], np.cumsum((path[1:] + path[:-1]) / 2 / rate)])
        top = int(0.47 * rate / (times * hz))
        one = tone(str(rng.choice(WAVES[:3])), cycles + rng.random(), top, 0.3)
        sound += size * one / np.sqrt(np.mean(one**2))
        paths.append(path)
    sound *= 0.1 / np.sqrt(np.mean(sound**2))
    sound += 0.1 * 10 ** (-rng.uniform(20, 60) / 20) * rng.standard_normal(count)
    result = measured(folder, "beating", sound, rate)
    cents = [1200 * np.log2(p / p[0]) for p in paths]
    window_s = window_of(result, common)
    told = told_apart(result, rate, count, window_s)
    minutes = np.flatnonzero(told) / rate / 60
    first, second = (p[0] * 2 ** (c[told].mean() / 1200) for p, c in zip(paths, cents, strict=True))
    truths = {
        "frequency_1": first,
        "frequency_2": second,
        "beat_rate": abs(high * first - low * second),
        "detune": 1200 * math.log2(second * low / first / high),
        "drift_1": float(np.polyfit(minutes[::100], cents[0][told][::100], 1)[0]),
        "drift_2": float(np.polyfit(minutes[::100], cents[1][told][::100], 1)[0]),
        "beat_wander": windows_apart(result, paths, rate, window_s),
    }
    if result.ratio != (high, low):
        truths = dict.fromkeys(truths, math.nan)
    return cases_of("beating", result, truths, rng, hz=["frequency_1", "frequency_2", "beat_rate"])


def window_of(result, common_hz):
    """Return the length of the windows, which overlap by half: less six periods at either end."""
    at_s = result.curve.dropna()["time_s"].to_numpy()
    step_s = float(np.median(np.diff(at_s))) if at_s.size > 1 else 1.0
    return 2 * step_s - 12 / common_hz


def told_apart(result, rate, count, window_s):
    """Say which samples lie in the windows that hold both pitches."""
    at_s = result.curve.dropna()["time_s"].to_numpy()
    told = np.zeros(count, dtype=bool)
    for time_s in at_s:
        begin, end = ((time_s + way * window_s / 2) * rate for way in (-1, 1))
        told[max(0, round(begin)) : round(end)] = True
    return told if told.any() else ~told


def windows_apart(result, paths, rate, window_s):
    """Highest less lowest detune as windows see it."""
    apart = 1200 * np.log2(paths[1] / paths[0])
    at_s = result.curve.dropna()["time_s"].to_numpy()
    if at_s.size < 3:
        return math.nan
    return float(np.ptp(window_mean_hz(apart, rate, at_s, window_s)))


def locking(rng, folder):
    """A slow sweep through a locked stretch by Adler's equation (Proc. IRE 34 (1946), 351-357)."""
    rate, lock, slope = 16_000, float(rng.uniform(0.5, 3)), float(rng.uniform(0.4, 0.8))
    hz, reach = float(rng.uniform(200, 500)), float(rng.uniform(8, 12))
    t = np.arange(round((2 * reach / slope + 2) * rate)) / rate
    tuned = np.clip(-reach + slope * (t - 1), -reach, reach)
    free = np.sign(tuned) * np.sqrt(np.maximum(tuned**2 - lock**2, 0))
    sound = np.zeros(t.size)
    for path in (np.full(t.size, hz), hz * 2 ** (free / 1200)):
        sound += moving_tone("saw", path, rate)
    sound += 0.2 * 10 ** (-rng.uniform(30, 60) / 20) * rng.standard_normal(t.size)
    result = measured(folder, "beating", 0.5 * sound, rate)
    return cases_of("beating", result, {"locking_width": 2 * lock}, rng)
