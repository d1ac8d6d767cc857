"""Level, clipping and bits of what comes in."""

import numpy as np
import pytest
from made_sources import RATE, Made, packed, pattern

from sigkit.captures.input_level import InputLevel, integers
from sigkit.captures.intake import Intake
from sigkit.captures.record import record_capture

# level


def test_levels_and_clipping():
    """A sine 6.02 dB below full scale on one channel, one cut off at full scale on the other."""
    time_s = np.arange(RATE) / RATE
    half = 0.5 * np.sin(2 * np.pi * 997 * time_s)
    loud = np.clip(2 * np.sin(2 * np.pi * 997 * time_s), -1, 1 - 2.0**-23)
    level = InputLevel(2, 24)
    samples = np.round(np.column_stack([half, loud]) * 2**23).astype(np.int32)
    level.add(packed(samples[:100]))
    level.add(packed(samples[100:]))
    assert level.peaks_dbfs[0] == pytest.approx(-6.02, abs=0.005)
    assert level.peaks_dbfs[1] == pytest.approx(0.0, abs=1e-5)
    at_top = np.abs(samples) >= (2**15 - 2) * 2**8
    assert level.clipped.tolist() == at_top.sum(axis=0).tolist()
    assert level.clipped[0] == 0
    assert level.clipped[1] == pytest.approx(RATE * 2 / 3, rel=0.01)  # |sin| > 1/2
    assert level.bits_used == 24
    assert level.recent_dbfs() == level.peaks_dbfs
    assert level.recent_dbfs() == (-np.inf, -np.inf)


@pytest.mark.parametrize(("shift", "bits"), [(8, 16), (4, 20), (0, 24)])
def test_bits_that_the_sound_card_gives(shift, bits):
    level = InputLevel(1, 24)
    level.add(packed((pattern(0, 5000) >> shift) << shift))
    assert level.bits_used == bits
    assert InputLevel(1, 24).bits_used == 0


def test_a_card_of_16_bits_is_said(path):
    source = Made(end_at=5000, speed=None)
    deliver = Intake.deliver

    class Coarse(Made):
        def start(self, intake):
            intake.deliver = lambda block, **more: deliver(
                intake, packed((integers(block, 1, 24) >> 16) << 8), **more
            )
            super().start(intake)

    source.__class__ = Coarse
    recording = record_capture(path, source)
    assert "the sound card gives 16 bits, the file has 24" in recording.notes


@pytest.mark.parametrize("bits", [16, 24, 32])
def test_integers_by_numpy(bits):
    samples = pattern(0, 1000, 2, bits)
    assert np.array_equal(integers(packed(samples, bits), 2, bits), samples << (32 - bits))
