"""How near two pitches at once come to their bound, what is taken for two, and what it costs.

Run with ``pytest -m benchmark -s tests/benchmarks/bench_beating.py``; it prints its tables. The
limits asserted are the promises of the documentation, the figures are for reading.
"""

import collections
import math
import time

import numpy as np
import pytest
from tones import bound_cents, moving_tone, noisy_tone, tone, write_sound

import sigkit

pytestmark = pytest.mark.benchmark

RATE = 48_000
RATIOS = ((1, 1), (2, 1), (3, 2))
WAVES = ("saw", "pulse", "triangle")
CASES = 30


def pair(rng, ratio, seconds, beats, *, walk=0.0):
    """Two tones with a detune that beats so often; sound, pitches along it, levels."""
    high, low = ratio
    count = round(seconds * RATE)
    common = 2 ** rng.uniform(math.log2(80), math.log2(700)) / low
    offset = beats / seconds / math.lcm(*ratio) / common
    scaled = common * np.array([1.0, 1 + offset])
    level = 10 ** (-rng.uniform(0, 12) / 20)
    waves = rng.choice(WAVES, 2)
    sound, paths, powers = np.zeros(count), [], []
    for hz, step, wave, size in zip(scaled, (low, high), waves, (1.0, level), strict=True):
        steps = walk * np.cumsum(rng.standard_normal(count)) / math.sqrt(RATE)
        path = step * hz * 2 ** (steps / 1200)
        cycles = np.concatenate([[0.0], np.cumsum((path[1:] + path[:-1]) / 2 / RATE)])
        one = tone(wave, cycles + rng.random(), int(0.48 * RATE / (step * hz)), 0.3)
        sound += size * one / np.sqrt(np.mean(one**2))
        paths.append(path)
        powers.append(size**2)
    snr_db = rng.uniform(20, 60)
    scale = 0.1 / np.sqrt(np.mean(sound**2))
    sound = scale * sound + 0.1 * 10 ** (-snr_db / 20) * rng.standard_normal(count)
    own_db = [snr_db + 10 * math.log10(p / sum(powers)) for p in powers]
    return sound, paths, waves, own_db


def without_clock(quantity):
    own = [t.u for t in quantity.budget if t.source != "sound-card clock"]
    return math.hypot(*own)


def test_multiples_of_the_bound(tmp_path):
    """Static: error over the exact bound of each tone as if the other were known.

    That bound (Rife and Boorstyn 1974) is below the joint one, so the multiples are upper ones.
    """
    print(f"\nstatic, {CASES // 3} random cases a row    error / single-tone bound  u / bound")
    print("ratio  beats in the capture      rms   median   95 %   worst      median   worst")
    every, hits, total = [], 0, 0
    for ratio in RATIOS:
        for beats in (0.3, 1.0, 5.0):
            rng = np.random.default_rng([*ratio, round(10 * beats)])
            errors, stated = [], []
            for _ in range(CASES // 3):
                seconds = float(rng.choice([3.0, 6.0]))
                sound, paths, waves, own_db = pair(rng, ratio, seconds, beats)
                result = sigkit.measure_beating(sigkit.open_capture(write_sound(tmp_path, sound)))
                found = result.frequency_1, result.frequency_2
                if not result.frequency_1.measurable:
                    errors += [math.inf]
                    continue
                for quantity, path, wave, db in zip(found, paths, waves, own_db, strict=True):
                    bound = bound_cents(wave, path[0], db, seconds, duty=0.3)
                    error = 1200 * math.log2(float(quantity) / path[0])
                    u = 1200 / math.log(2) * without_clock(quantity) / path[0]
                    errors.append(abs(error) / bound)
                    stated.append(u / bound)
                    hits += abs(error) <= 2 * u
                    total += 1
            known = np.array(errors)[np.isfinite(errors)]
            every += list(known)
            print(
                f"{ratio[0]}:{ratio[1]}   {beats:6.1f} {np.sqrt(np.mean(known**2)):22.2f} "
                f"{np.median(known):7.2f} {np.quantile(known, 0.95):7.2f} {known.max():7.2f} "
                f"{np.median(stated):11.2f} {max(stated):7.2f}"
                f"{'' if known.size == len(errors) else f'  {len(errors) - known.size} not told'}"
            )
    print(f"2u holds the truth in {hits / total:.1%} of {total}")


def test_walking_pitches(tmp_path):
    """Independent walks of 0.1 cent/sqrt(s), windows of 2 s, parabola-weighted true mean."""
    errors, hits, total = [], 0, 0
    rng = np.random.default_rng(1)
    for case in range(CASES // 2):
        ratio = RATIOS[case % 3]
        sound, paths, _, _ = pair(rng, ratio, 6.0, rng.uniform(2, 10), walk=0.1)
        result = sigkit.measure_beating(sigkit.open_capture(write_sound(tmp_path, sound)))
        curve = result.curve.dropna()
        periods_hz = paths[0][0] / ratio[1]
        for row in curve.itertuples():
            # The window less what the bands reach over at either end, in whole periods.
            length = (math.floor(2.0 * periods_hz + 1e-9) - 13) / periods_hz
            half = round(length / 2 * RATE)
            middle = round(row.time_s * RATE)
            inside = slice(max(0, middle - half), middle + half)
            weight = 1 - np.linspace(-1, 1, paths[0][inside].size) ** 2
            for path, hz, u in (
                (paths[0], row.frequency_1_hz, row.u_1_hz),
                (paths[1], row.frequency_2_hz, row.u_2_hz),
            ):
                true = float(path[inside] @ weight / weight.sum())
                errors.append(1200 * math.log2(hz / true))
                hits += abs(hz - true) <= 2 * u
                total += 1
    rms = math.sqrt(np.mean(np.square(errors)))
    print(
        f"\nwalks of 0.1 cent/sqrt(s), 2 s windows: rms {rms:.5f} cents, worst "
        f"{np.abs(errors).max():.5f}, 2u holds {hits / total:.1%} of {total}"
    )
    assert rms < 0.01


def test_one_or_two(tmp_path):
    """What is named two oscillators, and what is not."""
    rng = np.random.default_rng(2)
    t = np.arange(5 * RATE) / RATE

    def single(kind):
        hz = 2 ** rng.uniform(math.log2(60), math.log2(1000))
        speed, phase = rng.uniform(0.1, 7), rng.uniform(0, 6)
        wobble = np.sin(2 * np.pi * speed * t + phase)
        wave = str(rng.choice([*WAVES, "sine"]))
        if kind == "vibrato":
            return moving_tone(wave, hz * 2 ** (rng.uniform(1, 30) * wobble / 1200), RATE)
        if kind == "walk":
            steps = rng.choice([0.03, 0.3]) * np.cumsum(rng.standard_normal(t.size))
            return moving_tone(wave, hz * 2 ** (steps / math.sqrt(RATE) / 1200), RATE)
        if kind == "pulse width":
            width = 0.5 + rng.uniform(0.05, 0.4) * np.sin(2 * np.pi * speed / 4 * t + phase)
            top = int(0.48 * RATE / hz)
            return tone("saw", hz * t, top) - tone("saw", hz * t - width, top)
        steady = noisy_tone(wave, hz, 60, 5.0, rng)[0]
        if kind == "tremolo":
            return steady * (1 + rng.uniform(0.05, 0.9) * wobble)
        if kind == "decay":
            return steady * np.exp(-t / rng.uniform(1, 5))
        return steady

    table = collections.defaultdict(collections.Counter)
    singles = ("steady", "vibrato", "walk", "tremolo", "decay", "pulse width")
    for kind in singles:
        for _ in range(CASES // 3):
            x = single(kind)
            x = 0.1 * x / np.std(x) + 10 ** -rng.uniform(2, 4) * rng.standard_normal(t.size)
            table[kind][said(tmp_path, x)] += 1
    for ratio in RATIOS:
        for walk in (0.0, 0.1):
            for _ in range(CASES // 3):
                x, *_ = pair(rng, ratio, 5.0, math.exp(rng.uniform(-1, 3)), walk=walk)
                table[f"{ratio[0]}:{ratio[1]}{' walking' if walk else ''}"][said(tmp_path, x)] += 1
    print("\nheld                 said")
    for kind, counts in table.items():
        print(f"{kind:20s} " + ", ".join(f"{n} x {word}" for word, n in counts.items()))
    assert all(set(table[kind]) <= {"one or locked"} for kind in singles)


def said(folder, sound):
    path = write_sound(folder, sound, subtype="PCM_16")
    try:
        result = sigkit.measure_beating(sigkit.open_capture(path))
    except sigkit.SignalError:
        return "no tone"
    finally:
        path.unlink()
    if not result.frequency_1.measurable:
        return "one or locked"
    return f"two at {result.ratio[0]}:{result.ratio[1]}"


def test_cost(tmp_path):
    """CPU per second of sound: two steady saws, two that walk, one that walks."""
    print("\n30 s at 48 kHz             CPU per second of sound")
    rng = np.random.default_rng(3)
    count = 30 * RATE
    for name, levels, walk in (("two, steady", 2, 0), ("two, walking", 2, 0.1), ("one", 1, 0.1)):
        for hz in (110.0, 440.0):
            x = 1e-3 * rng.standard_normal(count)
            for tone_hz in (hz, hz + 0.7)[:levels]:
                steps = walk * np.cumsum(rng.standard_normal(count)) / math.sqrt(RATE)
                x = x + moving_tone("saw", tone_hz * 2 ** (steps / 1200), RATE)
            capture = sigkit.open_capture(write_sound(tmp_path, 0.3 * x))
            start = time.process_time()
            sigkit.measure_beating(capture)
            print(f"  {name:14s} {hz:4.0f} Hz {(time.process_time() - start) / 30 * 1e3:12.0f} ms")
