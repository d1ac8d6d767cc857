"""Recall, precision, false alarms, floor and speed on random sweeps; run with -m benchmark -s."""

import time

import numpy as np
import pytest
from sweeps import assessed_at, found_of, sweep

from sigkit.measures.slider import measure_slider


@pytest.mark.benchmark
@pytest.mark.parametrize("pitch_hz", [(60, 110), (110, 400), (400, 1100)])
def test_slider_figures(tmp_path, pitch_hz):
    spent, heard, alarms, floors = 0.0, 0.0, 0, []
    for seed in range(20):
        capture = sweep(20_000 + seed, 30.0, pitch_hz, dirty=False).capture(tmp_path)
        begun = time.perf_counter()
        result = measure_slider(capture)
        spent += time.perf_counter() - begun
        if result.floor.measurable:
            alarms += len(result.events)
            heard += result.assessed_s
            floors.append(result.floor.value)
    hits = {"burst": [], "dropout": []}
    true, false = 0, 0
    for seed in range(20):
        made = sweep(30_000 + seed, 30.0, pitch_hz)
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
        f"(n {len(hits['dropout'])}); precision {true / (true + false):.3f}; "
        f"{alarms} false alarms in {heard / 60:.1f} min of clean sweep; "
        f"refused {20 - len(floors)} of 20; floor {np.median(floors):.1f} dB "
        f"({min(floors):.1f} to {max(floors):.1f}); {spent / 600:.3f} of real time"
    )
