"""What can't show a slider's dirt is refused, with the reason."""

import numpy as np
import pytest
import soundfile as sf
from sweeps import LEVEL, RATE, Sweep, tone

from sigkit.captures.wav import open_capture
from sigkit.errors import InputError
from sigkit.measures.slider import measure_slider


def test_an_unknown_word_is_an_error(tmp_path):
    capture = Sweep(short(np.random.default_rng(2)), "").capture(tmp_path)
    with pytest.raises(InputError, match="volume") as caught:
        measure_slider(capture, controls="volume")
    for word in ("level", "pitch", "timbre", "width"):
        assert word in str(caught.value)


def noise(rng):
    return 0.1 * rng.standard_normal(6 * RATE)


def dull_noise(rng):
    from scipy import signal

    return 3 * signal.sosfilt(signal.butter(2, 200, fs=RATE, output="sos"), noise(rng))


def silent(rng):
    return np.zeros(6 * RATE) + 0 * rng.random()


def short(rng):
    return LEVEL * tone(rng, RATE, 90, "triangle")


@pytest.mark.parametrize(
    ("sound", "reason"),
    [
        (noise, "no steady tone"),
        (dull_noise, "no steady tone"),
        (silent, "silent"),
        (short, "longer|no steady tone"),
    ],
)
def test_what_cannot_show_dirt_is_refused(tmp_path, sound, reason):
    made = Sweep(sound(np.random.default_rng(2)), "")
    result = measure_slider(made.capture(tmp_path))
    for quantity in result.quantities().values():
        assert any(part in quantity.reason for part in reason.split("|"))
    assert result.counts == {}
    assert np.isnan(result.movement_s)
    assert result.assessed_s == 0


def test_refusals_bound_nothing(tmp_path):
    result = measure_slider(Sweep(silent(np.random.default_rng(2)), "").capture(tmp_path))
    assert result.at_most() == {}


def test_a_clipped_capture_is_refused_with_its_remedy(tmp_path):
    """Clipping makes and hides bursts alike: the demo's overdriven pass has none planted in it."""
    t = np.arange(4 * 48_000) / 48_000
    path = tmp_path / "clipped.wav"
    sf.write(path, np.clip(1.4 * np.sin(2 * np.pi * 90 * t), -1, 1), 48_000, subtype="PCM_24")
    result = measure_slider(open_capture(path))
    for quantity in result.quantities().values():
        assert "clipped" in quantity.reason
    assert result.events.empty
