"""Dirt that moves the tone for several periods: the part that is taken for the tone counts."""

import math
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import soundfile as sf

import sigkit
from sigkit.measures.slider.answers import u_of_another
from sigkit.measures.slider.events import with_edges
from sigkit.measures.slider.followed import foretold_badly

RATE, HZ, ORDERS = 48_000, 545.0, 12


def turned(seconds, at, length_s, by_rad, rng):
    """A saw whose harmonics turn together, as by a shift in time, and come back; and the change."""
    t = np.arange(round(seconds * RATE)) / RATE
    inside = (np.clip((t - at) / 3e-4, 0, 1) - np.clip((t - at - length_s) / 3e-4, 0, 1)) * by_rad
    moved, still = (
        0.1 * sum(np.sin(k * (2 * np.pi * HZ * t + turn)) / k for k in range(1, ORDERS + 1))
        for turn in (inside, 0.0)
    )
    here = (t >= at) & (t < at + length_s)
    change = float(np.mean((moved - still)[here] ** 2) / np.mean(still[here] ** 2))
    return moved + 2e-5 * rng.standard_normal(t.size), 10 * math.log10(change)


@pytest.mark.parametrize("seed", range(3))
def test_a_tone_that_is_turned_for_a_while_is_as_strong_as_it_is(tmp_path, seed):
    rng = np.random.default_rng(seed)
    length_s, by_rad = rng.uniform(0.03, 0.08), rng.uniform(0.03, 0.1)
    x, level_db = turned(3.0, 1.5, length_s, by_rad, rng)
    path = tmp_path / "slider.wav"
    sf.write(path, x, RATE, subtype="FLOAT")
    events = sigkit.measure_slider(sigkit.open_capture(path), controls="timbre").events
    assert len(events) == 1
    assert abs(events["level_db"][0] - level_db) < 2 * events["u_level_db"][0]
    assert events["u_level_db"][0] < 4


def faint(number, rng):
    """A track of a tone of so many periods of 10 ms whose brightness is 2 octaves."""
    count = 10 * number
    return SimpleNamespace(
        hz=np.full(count, 100.0), brightness=2.0 + 0.01 * rng.standard_normal(count)
    )


def test_a_long_hole_under_a_moving_resonance_may_be_foretold_badly():
    """Over 8 periods the centre of the spectrum goes from the 4th to the 5th harmonic."""
    track = faint(100, np.random.default_rng(1))
    moved = faint(100, np.random.default_rng(1))
    moved.brightness = moved.brightness + np.linspace(0, math.log2(5 / 4), 1000) * 4
    assert foretold_badly(track, 400, 480) == 0
    assert foretold_badly(moved, 400, 480) == pytest.approx(0.1)
    assert foretold_badly(moved, 400, 450) == 0  # 5 periods


def pieces(*rows):
    columns = ["start_s", "stop_s", "kind", "level_db", "u_level_db"]
    return pd.DataFrame(rows, columns=columns)


def test_two_edges_may_be_one_burst_that_lasts():
    """1 ms at -20 dB and 20 ms at -30 dB, 59 ms apart: as one 80 ms, of energy 0.03 per 80."""
    events = pieces(
        (1.0, 1.001, "burst", -20.0, 1.0),
        (1.06, 1.08, "burst", -30.0, 1.0),
        (2.0, 2.001, "burst", -20.0, 1.0),
    )
    found = with_edges(events, np.full(3, 0.01))
    as_one = 10 * math.log10((0.01 * 1 + 0.001 * 20) / 80)
    assert found["level_db"].tolist() == pytest.approx([(as_one - 20) / 2, -30, -20])
    half = (-20 - as_one) / 2
    assert found["u_level_db"].tolist() == pytest.approx([math.hypot(1, half), 1, 1])
    assert with_edges(events, np.full(3, 0.0005))["level_db"].tolist() == [-20, -30, -20]
    assert events["level_db"].tolist() == [-20, -30, -20]  # left as it was


def test_what_another_burst_adds_to_the_loudest():
    """The largest of values that are normal about those found, by drawing them."""
    level, u = np.array([-16.0, -16.3, -17.3]), np.array([0.6, 1.0, 4.7])
    drawn = level + u * np.random.default_rng(2).standard_normal((200_000, 3))
    square = float(np.mean((drawn.max(axis=1) + 16.0) ** 2))
    assert u_of_another(level, u) == pytest.approx(math.sqrt(square - 0.6**2), rel=0.02)
    assert u_of_another(level[:1], u[:1]) == 0
    assert u_of_another(np.array([-10.0, -30.0]), np.ones(2)) == 0
