"""Level in dBFS as AES17 has it, against closed forms."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from tones import write_sound

import sigkit
from sigkit.errors import InputError

RATE = 48_000
TIME_S = np.arange(3 * RATE) / RATE


def track_of(folder, x, subtype="FLOAT", **options):
    return sigkit.track_level(
        sigkit.open_capture(write_sound(folder, x, subtype=subtype)), **options
    )


@pytest.mark.parametrize(
    ("name", "x", "level"),
    [
        ("sine", np.sin(2 * np.pi * 1000 * TIME_S), 0.0),
        ("square", np.where(np.sin(2 * np.pi * 1000 * TIME_S + 0.01) > 0, 1.0, -1.0), 3.0103),
        ("triangle", 2 / np.pi * np.arcsin(np.sin(2 * np.pi * 100 * TIME_S)), -1.7609),
        ("sine 20 dB down", 0.1 * np.sin(2 * np.pi * 1000 * TIME_S), -20.0),
        ("direct voltage", np.full(TIME_S.size, 0.5), -3.0103),
    ],
)
def test_full_scale_waves(tmp_path, name, x, level):
    """AES17: a sine that reaches full scale reads 0 dBFS; a square has 3.0103 dB more.

    Mean squares 1/2, 1 and 1/3 of sine, square and triangle: closed forms. All have whole
    periods in 10 ms.
    """
    track = track_of(tmp_path, x)
    assert_allclose(track.level_dbfs, level, atol=2e-3, err_msg=name)


def test_windows_follow_each_other(tmp_path):
    x = np.concatenate([np.zeros(RATE), np.sin(2 * np.pi * 400 * TIME_S[: RATE + 100])])
    track = track_of(tmp_path, x, window_s=0.05)
    assert track.window_s == 0.05
    assert_allclose(track.time_s, 0.025 + 0.05 * np.arange(40))
    assert np.all(track.level_dbfs[:20] == -np.inf)
    assert_allclose(track.level_dbfs[20:], 0, atol=1e-6)
    frame = track.to_frame()
    assert list(frame.columns) == ["time_s", "level_dbfs"]
    assert len(frame) == 40


def test_blocks_do_not_show(tmp_path):
    """35 s are read in several blocks, with a window that does not divide them."""
    x = np.sin(2 * np.pi * 100 * np.arange(35 * RATE) / RATE)
    track = track_of(tmp_path, x, subtype="PCM_24", window_s=0.07)
    assert_allclose(track.level_dbfs, 0, atol=1e-4)
    assert track.time_s.size == 500


def test_capture_shorter_than_a_window_still_has_a_level(tmp_path):
    track = track_of(tmp_path, 0.5 * np.sin(2 * np.pi * 1000 * TIME_S[:240]))
    assert_allclose(track.level_dbfs, -6.0206, atol=1e-3)


@pytest.mark.parametrize("window_s", [0.0, 1e-6, -1.0])
def test_refuses_a_window_without_samples(tmp_path, window_s):
    with pytest.raises(InputError, match="window_s must hold at least one sample"):
        track_of(tmp_path, TIME_S, window_s=window_s)
