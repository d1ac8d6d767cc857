"""Writing: the same bytes each time, the samples that were meant, nothing overwritten."""

import hashlib
import math

import numpy as np
import pytest
from scipy.io import wavfile

from sigkit.errors import InputError
from sigkit.synth import Sound, quantise, tone, write_blocks, write_wav


def sine(seconds=0.5, rate=8000):
    return tone("sine", 441.7, rate=rate, seconds=seconds, level_dbfs=-10.0)


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24"])
def test_bytes_depend_on_the_arguments_alone(tmp_path, subtype):
    a = write_wav(tmp_path / "a.wav", sine(), subtype=subtype, seed=1).read_bytes()
    b = write_wav(tmp_path / "b.wav", sine(), subtype=subtype, seed=1).read_bytes()
    c = write_wav(tmp_path / "c.wav", sine(), subtype=subtype, seed=2).read_bytes()
    assert hashlib.sha256(a).digest() == hashlib.sha256(b).digest()
    assert a != c
    assert list(tmp_path.glob("*.part")) == []


def test_read_back_by_another_reader(tmp_path):
    """scipy.io.wavfile, which reads WAV files without libsndfile."""
    s = sine()
    for subtype, shift, full in (("PCM_16", 0, 2**15), ("PCM_24", 8, 2**23)):
        path = write_wav(tmp_path / f"{subtype}.wav", s, subtype=subtype, dither=False)
        rate, samples = wavfile.read(path)
        assert rate == 8000
        values = samples.astype(np.int64) >> shift
        assert np.array_equal(values, np.rint(s.samples * full))


def test_full_scale_is_clipped_not_wrapped():
    x = np.array([1.5, 1.0, -1.0, -1.5, 0.0])
    assert quantise(x, bits=16, rng=None).tolist() == [32767, 32767, -32768, -32768, 0]


def test_dither_leaves_the_mean_and_a_known_noise():
    """TPDF of 2 LSB plus rounding: total error variance 1/4 LSB^2 and no bias (Lipshitz 1992)."""
    n = 400_000
    for value in (0.0, 0.25, 0.5):
        error = quantise(np.full(n, value / 2**15), bits=16, rng=np.random.default_rng(4)) - value
        assert error.mean() == pytest.approx(0.0, abs=4 * 0.5 / math.sqrt(n))
        assert error.var() == pytest.approx(0.25, rel=0.02)


def test_nothing_is_overwritten_unasked(tmp_path):
    path = write_wav(tmp_path / "a.wav", sine())
    before = path.read_bytes()
    with pytest.raises(InputError, match="exists already"):
        write_wav(path, sine(1.0))
    assert path.read_bytes() == before
    write_wav(path, sine(1.0), overwrite=True)
    assert path.read_bytes() != before


def test_two_channels_in_blocks(tmp_path):
    left, right = sine().samples, -sine().samples
    both = np.stack([left, right], axis=1)
    path = write_blocks(tmp_path / "a.wav", [both[:100], both[100:]], 8000, dither=False)
    rate, samples = wavfile.read(path)
    assert samples.shape == (4000, 2)
    assert rate == 8000


def test_refusals_leave_no_file(tmp_path):
    path = tmp_path / "a.wav"
    with pytest.raises(InputError, match="sample format 'FLOAT'"):
        write_wav(path, sine(), subtype="FLOAT")
    with pytest.raises(InputError, match="not finite"):
        write_wav(path, Sound(np.array([0.0, np.nan]), 8000))
    with pytest.raises(InputError, match="no sound"):
        write_blocks(path, [], 8000)
    assert list(tmp_path.iterdir()) == []
