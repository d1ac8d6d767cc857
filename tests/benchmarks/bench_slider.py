"""Recall, precision, false alarms, floor and speed on random sweeps; run with -m benchmark -s.

Seeds of this file were used for nothing else when thresholds were set. The clean sweeps of each
range hold at least 15 min of assessed tone (30 min in the lowest): 5 to 10 min a range to run.
"""

import time

import numpy as np
import pytest
import soundfile as sf
from scipy import stats
from sweeps import RATE, assessed_at, found_of, sweep

from sigkit.captures.wav import open_capture
from sigkit.measures.slider import measure_slider
from sigkit.synth import LowPass, dirty_level_slider, hum, travel, white

RANGES = {(60, 110): 84, (110, 400): 42, (400, 1100): 68}
"""Pitch range in Hz: number of clean sweeps of 30 s."""


def limits(count, minutes):
    """Exact 95 % limits of a Poisson rate, for 10 min."""
    low = stats.chi2.ppf(0.025, 2 * count) / 2 if count else 0.0
    return 10 * low / minutes, 10 * stats.chi2.ppf(0.975, 2 * count + 2) / 2 / minutes


def smooth_pass(folder, seed, pitch_hz):
    """A clean slider moved up and down with smooth starts and stops, from `sigkit.synth`."""
    rng = np.random.default_rng(seed)
    f0 = float(np.exp(rng.uniform(*np.log(pitch_hz))))
    shape = str(rng.choice(["saw", "triangle", "sine"]))
    path = travel(
        RATE,
        passes=int(rng.integers(4, 9)),
        travel_s=rng.uniform(1, 5),
        rest_s=rng.uniform(0.3, 1),
        low=float(rng.choice([0, 0.1, 0.3])),
    )
    sound = dirty_level_slider(
        path,
        frequency_hz=f0,
        places=[],
        rng=rng,
        shape=shape,
        response=LowPass(f0 * rng.uniform(1, 2)) if shape == "saw" else None,
        level_dbfs=-14.0,
    )
    count = len(sound.samples)
    mains = float(rng.choice([50, 60])) * (1 + 1e-4 * rng.standard_normal())
    lines = {1: rng.uniform(-90, -65), 2: rng.uniform(-90, -68), 3: -80.0}
    noise = white(count, level_dbfs=rng.uniform(-95, -75), rng=rng)
    noise += hum(np.arange(count) / RATE, mains_hz=mains, levels_dbfs=lines)
    sf.write(folder / "slider-smooth.wav", sound.samples + noise, RATE, subtype="FLOAT")
    return open_capture(folder / "slider-smooth.wav")


def alarms_of(captures):
    """False alarms, minutes assessed, floors, refusals and seconds spent on clean captures."""
    alarms, heard, floors, refused, spent, length = 0, 0.0, [], 0, 0.0, 0.0
    for capture in captures:
        begun = time.perf_counter()
        result = measure_slider(capture)
        spent += time.perf_counter() - begun
        length += capture.duration_s
        if not result.floor.measurable:
            refused += 1
            continue
        alarms += len(result.events)
        heard += result.assessed_s / 60
        floors.append(result.floor.value)
    low, high = limits(alarms, heard)
    print(
        f"  {alarms} false alarms in {heard:.1f} min of clean sweep (95 %: {low:.2f} to "
        f"{high:.2f} in 10 min); refused {refused} of {refused + len(floors)}; floor "
        f"{np.median(floors):.1f} dB ({min(floors):.1f} to {max(floors):.1f}); "
        f"{spent / length:.3f} of real time"
    )
    return alarms, heard


@pytest.mark.benchmark
@pytest.mark.parametrize("pitch_hz", RANGES)
def test_false_alarms(tmp_path, pitch_hz):
    print(f"\n{pitch_hz[0]}-{pitch_hz[1]} Hz, abrupt and smooth hand:")
    alarms, heard = alarms_of(
        sweep(70_000 + seed, 30.0, pitch_hz, dirty=False).capture(tmp_path)
        for seed in range(RANGES[pitch_hz])
    )
    assert limits(alarms, heard)[0] <= 1  # no evidence of more than one in 10 min
    print(f"{pitch_hz[0]}-{pitch_hz[1]} Hz, smooth passes:")
    alarms, heard = alarms_of(smooth_pass(tmp_path, 75_000 + k, pitch_hz) for k in range(16))
    assert limits(alarms, heard)[0] <= 1


@pytest.mark.benchmark
@pytest.mark.parametrize("pitch_hz", RANGES)
def test_recall(tmp_path, pitch_hz):
    hits = {"burst": [], "dropout": []}
    true, false = 0, 0
    for seed in range(20):
        made = sweep(80_000 + seed, 30.0, pitch_hz)
        result = measure_slider(made.capture(tmp_path))
        if not result.floor.measurable:
            continue
        matched = set()
        for event in made.planted:
            rows = found_of(result, event)
            matched |= set(rows.index)
            if assessed_at(result, event) and (event.over_noise_db >= 12):
                same = event.kind == "burst" or "dropout" in set(rows.kind)
                hits[event.kind].append(len(rows) > 0 and same)
        true += len(matched)
        false += len(result.events) - len(matched)
    print(
        f"\n{pitch_hz[0]}-{pitch_hz[1]} Hz: recall of bursts {np.mean(hits['burst']):.3f} "
        f"(n {len(hits['burst'])}), of dropouts {np.mean(hits['dropout']):.3f} "
        f"(n {len(hits['dropout'])}); precision {true / (true + false):.3f}"
    )
    assert np.mean(hits["burst"]) >= 0.9
    assert np.mean(hits["dropout"]) >= 0.9
