"""How well stability keeps its promises on random tones: values, intervals, jumps, faults, cost.

Run with ``pytest -m benchmark -s tests/benchmarks/bench_stability.py``; it prints its figures. The
limits asserted are the promises of the documentation.
"""

import math
import time

import numpy as np
import pytest
from tones import moving_tone, sharp_windows, write_sound

import sigkit
from sigkit.synth import wander_cents

pytestmark = pytest.mark.benchmark

SECONDS, TONES, SEED = 20, 60, 20260307
RATES = (16_000, 48_000)


def random_tone(rng, steps):
    """Wave, pitch, noise of 25 to 60 dB, drift, wander and steps; path in cents, steps, sound."""
    rate = int(rng.choice(RATES))
    t = np.arange(SECONDS * rate) / rate
    hz = math.exp(rng.uniform(math.log(45), math.log(1500)))
    cents = rng.uniform(-6, 6) * t / 60 + wander_cents(
        t,
        spread_cents=10 ** rng.uniform(-1.5, 0),
        time_constant_s=10 ** rng.uniform(0, 1),
        seed=int(rng.integers(2**31)),
    )
    at_s = np.sort(rng.uniform(0.25, SECONDS - 0.25, steps))
    at_s = at_s[np.diff(at_s, prepend=-1) > 0.35]
    sizes = rng.choice([-1, 1], at_s.size) * np.exp(
        rng.uniform(math.log(5), math.log(60), at_s.size)
    )
    cents = cents + sum(np.where(t >= at, size, 0.0) for at, size in zip(at_s, sizes, strict=True))
    wave = rng.choice(["saw", "pulse", "triangle", "sine"])
    x = moving_tone(wave, hz * 2 ** (cents / 1200), rate, duty=0.3)
    x += 0.2 * 10 ** (-rng.uniform(25, 60) / 20) * rng.standard_normal(x.size)
    return hz, rate, t, cents, list(zip(at_s, sizes, strict=True)), x


def in_windows(cents, rate, hz):
    """Path as windows of 0.1 s, or 6 periods, see it, bend given back, held at its ends."""
    window_s = max(0.1, 6 / hz)
    ends = round(2 * window_s * rate)
    longer = np.concatenate([np.full(ends, cents[0]), cents, np.full(ends, cents[-1])])
    at_s = ends / rate + np.arange(0, cents.size / rate, 0.01)
    return sharp_windows(longer, rate, at_s, window_s)


def measured(folder, x, rate):
    path = write_sound(folder, x, rate)
    result = sigkit.measure_stability(sigkit.open_capture(path))
    path.unlink()
    return result


def test_values_of_steady_and_wandering_tones(tmp_path):
    """Frequency within 0.05 cent, drift within 0.1 cent/min, spread within 0.1 cent; no jumps."""
    rng, errors, scaled = np.random.default_rng(SEED), {}, {}
    for _ in range(TONES):
        hz, rate, t, cents, _, x = random_tone(rng, 0)
        r = measured(tmp_path, x, rate)
        assert r.jumps.empty
        assert r.recorder_faults.empty
        truth = {
            "frequency": cents.mean(),
            "drift": np.polyfit(t / 60, cents, 1)[0],
            "spread": cents.std(),
            "peak_to_peak": np.ptp(in_windows(cents, rate, hz)),
        }
        found = {
            "frequency": 1200 * math.log2(float(r.frequency) / hz),
            "drift": r.drift.value,
            "spread": r.spread.value,
            "peak_to_peak": r.peak_to_peak.value,
        }
        u = {"frequency": r.offset.budget} | {
            name: getattr(r, name).budget for name in ("drift", "spread", "peak_to_peak")
        }
        for name in truth:
            error = found[name] - truth[name]
            noise = math.hypot(*(term.u for term in u[name] if "clock" not in term.source))
            errors.setdefault(name, []).append(abs(error))
            scaled.setdefault(name, []).append(abs(error) / noise)
    print(f"\n{TONES} tones of {SECONDS} s, 25 to 60 dB: error in cents, cents/min")
    for name, limit in (
        ("frequency", 0.05),
        ("drift", 0.1),
        ("spread", 0.1),
        ("peak_to_peak", 0.5),
    ):
        size, held = np.array(errors[name]), np.mean(np.array(scaled[name]) <= 2)
        print(
            f"  {name:12s} median {np.median(size):.5f}  95 % {np.quantile(size, 0.95):.5f}  "
            f"worst {size.max():.5f}  2 u hold {held:.1%}"
        )
        assert size.max() < limit, name


def test_every_step_and_none_invented(tmp_path):
    rng, planted, missed, invented, off = np.random.default_rng(SEED + 1), 0, [], [], []
    for number in range(TONES):
        hz, rate, _, _, steps, x = random_tone(rng, int(rng.integers(1, 5)))
        found = measured(tmp_path, x, rate).jumps
        left = list(zip(found.time_s, found.size_cents, strict=True))
        for at, size in steps:
            planted += 1
            near = [f for f in left if abs(f[0] - at) < 0.06 + 3 / hz and f[1] * size > 0]
            if near:
                best = min(near, key=lambda f: abs(f[0] - at))
                off.append(abs(best[1] - size))
                left.remove(best)
            else:
                missed.append((number, round(hz), round(float(at), 2), round(float(size), 1)))
        invented += [(number, round(hz), *f) for f in left]
    print(f"\nsteps of 5 to 60 cents: {planted}, missed {len(missed)}, invented {len(invented)}")
    print(f"  size off by {np.median(off):.3f} cents in the median, {np.max(off):.2f} at worst")
    print(f"  missed {missed}, invented {invented}")
    assert not missed
    assert not invented


def test_lost_samples_are_faults(tmp_path):
    """A loss of 8 to 4000 samples in each: no jump; its size modulo the period."""
    rng, tried, found, scaled = np.random.default_rng(SEED + 2), 0, 0, []
    for _ in range(TONES // 2):
        hz, rate, _, cents, _, x = random_tone(rng, 0)
        lost, at = int(rng.integers(8, 4000)), int(rng.uniform(1, SECONDS - 2) * rate)
        period = rate / (hz * 2 ** (cents[at : at + lost].mean() / 1200))
        if abs((lost + period / 2) % period - period / 2) < 6:
            continue
        r = measured(tmp_path, np.delete(x, slice(at, at + lost)), rate)
        assert r.jumps.empty, (hz, rate, lost, r.jumps)
        tried += 1
        if list(r.recorder_faults.kind) == ["lost or repeated samples"]:
            found += 1
            fault = r.recorder_faults.iloc[0]
            off = (fault.samples - lost + period / 2) % period - period / 2
            scaled.append(abs(off) / fault.u_samples)
    held = np.mean(np.array(scaled) <= 2)
    print(f"\nlost samples: {found} of {tried} found, none taken for a jump, 2 u hold {held:.1%}")
    assert found > 0.85 * tried


def test_cost(tmp_path):
    x = random_tone(np.random.default_rng(SEED + 3), 0)[-1]
    path = write_sound(tmp_path, np.tile(x, 3), 48_000)
    capture = sigkit.open_capture(path)
    sigkit.measure_stability(capture)
    costs = []
    for work in (sigkit.track_pitch, sigkit.measure_stability):
        start = time.process_time()
        work(capture)
        costs.append((time.process_time() - start) / capture.duration_s * 1e3)
    print(f"\nCPU per second of sound: track_pitch {costs[0]:.1f} ms, stability {costs[1]:.1f} ms")
