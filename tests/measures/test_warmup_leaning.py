"""A slow straight drift under a warm-up: told where it is clear, else allowed for."""

import math

import numpy as np
import pytest
from tones import moving_tone, write_sound

import sigkit
from sigkit.measures.warmup.numbers import time_constant
from sigkit.measures.warmup.shape import find_shape

SECONDS, TAU_S = 300.0, 50.0
T = np.arange(0.0, SECONDS, 0.25)


def curve(size, slope, seed, *, scatter=0.02, tau_s=TAU_S):
    """Approach and line, and wander that forgets itself within 10 s: white noise through a mean."""
    white = np.random.default_rng(seed).standard_normal(T.size + 39)
    wander = scatter * math.sqrt(40) * np.convolve(white, np.full(40, 1 / 40), "valid")
    return size * np.exp(-T / tau_s) + slope * T / 60 + wander


def test_a_clear_drift_is_told_apart():
    shape = find_shape(T, curve(30.0, 0.5, 1), np.empty(0))
    assert shape.kind == "leaning"
    slope, u = (60 * v for v in shape.slope)
    assert abs(slope - 0.5) < 3 * u < 0.3
    found = time_constant(shape, SECONDS)
    assert abs(found.value - TAU_S) < 3 * found.u < 3
    assert shape.at(T) == pytest.approx(30 * np.exp(-T / TAU_S) + 0.5 * T / 60, abs=0.15)


def test_what_may_be_a_drift_is_in_the_uncertainty():
    """Drifts of 0 to 0.1 cents/min either way; of 40, 2 u holds 33 of 95 % with 3 deviations."""
    rng, held, wider = np.random.default_rng(4), 0, 0
    for seed in range(40):
        tau_s = rng.uniform(40, 90)
        shape = find_shape(T, curve(-12.0, rng.uniform(-0.1, 0.1), seed, tau_s=tau_s), np.empty(0))
        found = time_constant(shape, SECONDS)
        held += abs(found.value - tau_s) <= 2 * found.u
        if shape.other is not None:
            low, high = sorted((float(shape.fit.values[0]), float(shape.other[1].values[0])))
            assert low < found.value < high
        [by_drift] = [t.u for t in found.budget if "straight drift" in t.source] or [0.0]
        wider += by_drift > 0.1 * float(shape.fit.u[0])
    assert held >= 40 * 0.95 - 3 * math.sqrt(40 * 0.95 * 0.05)
    assert wider > 10


def test_the_drift_is_said(tmp_path):
    t = np.arange(120 * 8_000) / 8_000
    cents = 20 * np.exp(-t / 20) + 1.2 * t / 60
    x = moving_tone("sine", 261.63 * 2 ** (cents / 1200), 8_000)
    x += 1e-4 * np.random.default_rng(2).standard_normal(x.size)
    r = sigkit.measure_warmup(sigkit.open_capture(write_sound(tmp_path, x, 8_000)))
    assert any("a straight drift of +1.2" in note for note in r.notes)
    assert r.time_constant.value == pytest.approx(20, abs=2 * r.time_constant.u)
    late = t >= 90
    slope = np.polyfit(t[late] / 60, cents[late], 1)[0]
    assert r.residual_drift.value == pytest.approx(slope, abs=2 * r.residual_drift.u)
