"""What a slider controls: a filter turns the phase of a tone, and a slider of pitch its pitch."""

from types import SimpleNamespace

import numpy as np
import pytest

from sigkit.measures.slider.control import control_of

BINS, HZ = 8000, 120.0


def found(cents, *, second):
    """Return what a tone is taken for, by its pitch in cents and its second harmonic, each ms."""
    track = SimpleNamespace(
        power=np.ones(BINS),
        tone_rms=np.ones(BINS),
        tone=np.ones(BINS, bool),
        even=second + 0j,
        third=0.3 * second + 0j,
    )
    points = slice(0, BINS, 10)
    lines = {
        "level": np.zeros(BINS // 10),
        "pitch": 1200 * np.log2(HZ) + cents[points],
        "timbre": 2 * second[points],
    }
    return control_of(track, np.ones(BINS, bool), lines)


def test_a_phase_that_a_filter_turns_is_no_pitch():
    """0.45 cycles in half a second, up and down, are 13 cents at 120 Hz; 40 cents in a sixth."""
    t = np.arange(BINS) / 1000
    rise = np.exp(-(((t - 2) / 0.1) ** 2)) - np.exp(-(((t - 6) / 0.1) ** 2))
    turned = 0.45 * rise / np.sqrt(np.pi) / 0.1  # Hz: a bell whose area is 0.45 cycles
    cents = 1200 * np.log2(1 + turned / HZ)
    assert np.ptp(np.quantile(cents, [0.02, 0.98])) > 30
    swing = 0.5 + 0.3 * np.sin(np.pi * t / 4)
    assert found(cents, second=swing) != "pitch"
    assert found(10 * cents, second=swing) == "pitch"  # 4.5 cycles: no filter does that
    assert found(cents, second=np.full(BINS, 0.5)) == "pitch"  # nor keeps a filter the shape


@pytest.mark.parametrize(("span", "control"), [(0.0, "level"), (60.0, "pitch"), (2400.0, "pitch")])
def test_a_wave_that_keeps_its_shape_has_a_level_or_a_pitch(span, control):
    t = np.linspace(0, 1, BINS)
    assert found(span * t, second=np.full(BINS, 0.5)) == control
