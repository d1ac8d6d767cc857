"""The capture reader against files written by other means: samples, blocks, channels, size."""

from __future__ import annotations

import hashlib
import math
import pickle
import struct
import time
import wave
from pathlib import Path

import numpy as np
import pytest
import scipy.io
import soundfile as sf
from packing import RATE, ints, packed, three_lines, tone
from scipy.io import wavfile

import sigkit
from sigkit.errors import InputError, SignalError

ODD_FILES = sorted((Path(scipy.io.__file__).parent / "tests" / "data").glob("*.wav"))


# --- samples as they are, whoever wrote them


@pytest.mark.parametrize("rate", [8000, 11025, 44100, 96000, 192000])
@pytest.mark.parametrize("subtype", ["PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"])
@pytest.mark.parametrize("container", ["WAV", "WAVEX", "RF64", "W64"])
def test_reads_what_soundfile_wrote(tmp_path, container, subtype, rate):
    x = 0.5 * np.random.default_rng(rate).uniform(-1, 1, (1000, 3))
    path = tmp_path / "x.wav"
    sf.write(path, x, rate, subtype=subtype, format=container)
    for channel in range(3):
        capture = sigkit.open_capture(path, channel)
        assert (capture.rate, capture.channels, capture.frames) == (rate, 3, 1000)
        assert (capture.channel, capture.notes, capture.salvaged) == (channel, (), False)
        assert capture.subtype == subtype
        assert capture.duration_s == 1000 / rate
        step = {"PCM_U8": 2**-7, "PCM_16": 2**-15, "PCM_24": 2**-23, "PCM_32": 2**-31}
        tolerance = step.get(subtype, 2**-24)
        np.testing.assert_allclose(capture.read(), x[:, channel], rtol=0, atol=tolerance)


def test_reads_the_exact_codes_of_the_standard_librarys_wave_module(tmp_path):
    codes = np.random.default_rng(1).integers(-32768, 32768, (5000, 2)).astype("<i2")
    path = tmp_path / "x.wav"
    with wave.open(str(path), "wb") as file:
        file.setparams((2, 2, RATE, 0, "NONE", ""))
        file.writeframes(codes.tobytes())
    for channel in (0, 1):
        got = sigkit.open_capture(path, channel).read()
        assert np.array_equal(got * 32768, codes[:, channel])


@pytest.mark.parametrize("dtype", ["uint8", "int16", "int32", "float32", "float64"])
def test_reads_what_scipy_wrote(tmp_path, dtype):
    rng = np.random.default_rng(2)
    if dtype.startswith("float"):
        x = rng.uniform(-1, 1, 4000).astype(dtype)
        expected = x.astype(float)
    else:
        low, high = np.iinfo(dtype).min, np.iinfo(dtype).max
        x = rng.integers(low, high, 4000, dtype=dtype, endpoint=True)
        middle = 128 if dtype == "uint8" else 0
        expected = (x.astype(float) - middle) / (128 if dtype == "uint8" else -float(low))
    wavfile.write(tmp_path / "x.wav", RATE, x)
    assert np.array_equal(sigkit.open_capture(tmp_path / "x.wav").read(), expected)


def test_reads_24_bit_codes_packed_by_hand_in_both_byte_orders(tmp_path):
    codes = np.random.default_rng(3).integers(-(2**23), 2**23, 777)
    for name, order in ((b"RIFF", "little"), (b"RIFX", "big")):
        data = b"".join(int(c).to_bytes(3, order, signed=True) for c in codes)
        path = tmp_path / f"{order}.wav"
        path.write_bytes(packed(data + b"\0", bits=24, name=name, data_size=len(data)))
        capture = sigkit.open_capture(path)
        assert np.array_equal(capture.read() * 2**23, codes)
        assert capture.notes == ()


def test_decodes_companded_codes_as_the_standard_has_them(tmp_path):
    """ITU-T G.711, tables 1a and 2a, decoder output values 1 and 128 of each sign (from memory).

    Largest A-law value 4032 of 4096, mu-law 8031 of 8192; smallest A-law 1, mu-law 0.
    """
    for tag, codes, values in (
        (6, bytes([0xAA, 0x2A, 0xD5, 0x55]), [4032 / 4096, -4032 / 4096, 1 / 4096, -1 / 4096]),
        (7, bytes([0x80, 0x00, 0xFF, 0x7F]), [8031 / 8192, -8031 / 8192, 0, 0]),
    ):
        path = tmp_path / f"{tag}.wav"
        path.write_bytes(packed(codes, tag=tag, bits=8))
        assert sigkit.open_capture(path).read().tolist() == values


@pytest.mark.parametrize("path", ODD_FILES, ids=lambda p: p.stem)
def test_odd_files_shipped_with_scipy(path):
    """Odd WAV files that scipy tests its own reader with, where its wheel ships them.

    They read as libsndfile reads them; what it does not read (integers above 32 bits, files that
    end before their sound) is one clear error. libsndfile is what decodes here too, so the raw
    bytes are compared below.
    """
    before = path.read_bytes()
    unreadable = ("36bit", "45bit", "53bit", "64bit", "no-data", "incomplete")
    if any(word in path.stem for word in unreadable) and "float" not in path.stem:
        with pytest.raises(SignalError, match=r"integers of \d\d bits|no samples") as error:
            sigkit.open_capture(path, 0)
        assert three_lines(error)
    else:
        capture = sigkit.open_capture(path, 0)
        expected = sf.read(path, always_2d=True)[0][:, 0]
        assert np.array_equal(capture.read(), expected)
        assert capture.salvaged == ("early-eof" in path.stem)
    assert path.read_bytes() == before


@pytest.mark.skipif(not ODD_FILES, reason="this scipy ships no test files")
def test_an_odd_file_by_its_bytes():
    path = next(p for p in ODD_FILES if p.stem == "test-44100Hz-le-1ch-4bytes-early-eof")
    raw = path.read_bytes()
    start = raw.index(b"data") + 8
    codes = np.frombuffer(raw[start : start + (len(raw) - start) // 4 * 4], "<i4")
    assert np.array_equal(sigkit.open_capture(path).read() * 2**31, codes)


def test_flac_and_aiff_give_the_same_samples(tmp_path):
    x = np.round(tone() * 2**23) / 2**23
    for suffix in ("wav", "flac", "aiff"):
        sf.write(tmp_path / f"x.{suffix}", x, RATE, subtype="PCM_24")
    wav, flac, aiff = (sigkit.open_capture(tmp_path / f"x.{s}") for s in ("wav", "flac", "aiff"))
    assert np.array_equal(wav.read(), flac.read())
    assert np.array_equal(wav.read(), aiff.read())
    assert np.array_equal(flac.read(0.5, 1.25), wav.read()[24000:60000])


@pytest.mark.parametrize(
    "name",
    [
        "two words.wav",
        "Schieberegler für Lautstärke.wav",
        "take [1] (b).wav",
        "UPPER.WAV",
        "no suffix",
        "音.wav",
        "odd.raw",
        b"latin-\xfc.wav",
    ],
)
def test_file_names(tmp_path, name):
    path = Path(
        f"{tmp_path}/" + (name if isinstance(name, str) else name.decode("utf8", "surrogateescape"))
    )
    path.write_bytes(packed(ints(tone()).tobytes()))
    assert sigkit.open_capture(str(path)).frames == 2 * RATE
    assert sigkit.open_capture(path).path == path


# --- blocks, times, identity


def test_blocks_join_to_the_whole(tmp_path):
    x = np.stack([tone(), -0.1 * tone()], axis=1)
    sf.write(tmp_path / "x.wav", x, RATE, subtype="PCM_24")
    capture = sigkit.open_capture(tmp_path / "x.wav", 1)
    for seconds in (0.01, 0.37, 10.0, 1e12):
        blocks = list(capture.blocks(seconds))
        assert all(b.ndim == 1 and b.dtype == np.float64 and b.flags.c_contiguous for b in blocks)
        assert {len(b) for b in blocks[:-1]} <= {round(seconds * RATE)}
        assert np.array_equal(np.concatenate(blocks), capture.read())
    first, second = list(capture.blocks(1.0))
    first[:] = 0
    assert second.any()
    for seconds in (0, -1, math.nan, math.inf):
        with pytest.raises(InputError, match="above zero") as error:
            next(capture.blocks(seconds))
        assert three_lines(error)


def test_read_takes_times_in_seconds(tmp_path):
    sf.write(tmp_path / "x.wav", tone(), RATE, subtype="DOUBLE")
    capture = sigkit.open_capture(tmp_path / "x.wav")
    assert np.array_equal(capture.read(0.25, 0.75), tone()[12000:36000])
    assert np.array_equal(capture.read(1.5), tone()[72000:])
    for start, stop in (
        (-0.1, 1),
        (0, 2.1),
        (1, 1),
        (1.5, 1),
        (math.nan, 1),
        (0, math.nan),
        (2, None),
    ):
        with pytest.raises(InputError, match="start_s < stop_s") as error:
            capture.read(start, stop)
        assert three_lines(error)


def test_a_capture_is_frozen_cheap_and_travels_to_other_processes(tmp_path):
    data = ints(tone()).tobytes()
    (tmp_path / "x.wav").write_bytes(packed(data, data_size=0))
    capture = sigkit.open_capture(tmp_path / "x.wav")
    copy = pickle.loads(pickle.dumps(capture))
    assert len(pickle.dumps(capture)) < 2000
    assert copy != capture
    assert capture == capture
    assert copy.notes == capture.notes
    assert np.array_equal(copy.read(), capture.read())
    with pytest.raises(AttributeError):
        capture.channel = 1  # type: ignore[misc]


def test_hash_is_of_the_file_and_the_file_stays_as_it_is(tmp_path):
    raw = packed(ints(tone()).tobytes()[:-1], data_size=0xFFFFFFFF, riff_size=0xFFFFFFFF)
    path = tmp_path / "x.wav"
    path.write_bytes(raw)
    stamp = path.stat().st_mtime_ns
    capture = sigkit.open_capture(path)
    list(capture.blocks(0.1))
    capture.read(0.5)
    capture.fitness()
    assert capture.sha256 == hashlib.sha256(raw).hexdigest()
    assert path.read_bytes() == raw
    assert path.stat().st_mtime_ns == stamp
    assert [p.name for p in tmp_path.iterdir()] == ["x.wav"]


# --- which channel


@pytest.mark.parametrize("seconds", [0.2, 30.0])
def test_the_louder_channel_is_taken_and_said(tmp_path, seconds):
    x = tone(seconds)
    quiet = 10 ** (-43 / 20) * x + 0.3  # a DC offset is not loudness
    sf.write(tmp_path / "x.wav", np.stack([quiet, x], axis=1), RATE, subtype="FLOAT")
    capture = sigkit.open_capture(tmp_path / "x.wav")
    assert capture.channel == 1
    assert capture.notes == ("channel 1 (of 0 and 1) taken: 43 dB louder",)
    assert np.array_equal(capture.read(), x.astype(np.float32))
    sf.write(tmp_path / "x.wav", np.stack([0 * x, x, 0.1 * x], axis=1), RATE, subtype="PCM_24")
    note = "channel 1 (of 0 to 2) taken: 20 dB louder than the next"
    assert sigkit.open_capture(tmp_path / "x.wav").notes == (note,)
    sf.write(tmp_path / "x.wav", np.stack([0 * x, x], axis=1), RATE, subtype="PCM_24")
    note = "channel 1 (of 0 and 1) taken: the other is silent where looked"
    assert sigkit.open_capture(tmp_path / "x.wav").notes == (note,)
    sf.write(tmp_path / "x.wav", np.stack([x, x], axis=1), RATE, subtype="PCM_24")
    note = "channel 0 (of 0 and 1) taken: within 1 dB of the other"
    assert sigkit.open_capture(tmp_path / "x.wav").notes == (note,)
    sf.write(tmp_path / "x.wav", 0 * np.stack([x, x], axis=1), RATE, subtype="PCM_24")
    note = "channel 0 (of 0 and 1) taken: all are silent where looked"
    assert sigkit.open_capture(tmp_path / "x.wav").notes == (note,)


@pytest.mark.parametrize("channel", [2, -1, True, 0.0, "left"])
def test_a_wrong_channel_is_an_error(tmp_path, channel):
    sf.write(tmp_path / "x.wav", np.stack([tone(), tone()], axis=1), RATE)
    with pytest.raises(InputError, match="channels 0 to 1") as error:
        sigkit.open_capture(tmp_path / "x.wav", channel)
    assert three_lines(error)
    assert sigkit.open_capture(tmp_path / "x.wav", np.int64(1)).channel == 1


# --- size


def test_a_sparse_5_gib_file_opens_fast(tmp_path):
    """RF64 as EBU Tech 3306 lays it out, packed by hand; 5 GiB of silence that is not on disk."""
    path, frames = tmp_path / "x.wav", 5 * 2**30 // 6
    mark = np.full((RATE, 2), 2**22)
    data = b"".join(int(c).to_bytes(3, "little") for c in mark.ravel()[: 2 * RATE])
    fmt = struct.pack("<HHIIHH", 1, 2, RATE, RATE * 6, 6, 24)
    head = (
        b"RF64"
        + b"\xff" * 4
        + b"WAVE"
        + b"ds64"
        + struct.pack("<IQQQI", 28, frames * 6 + 72, frames * 6, frames, 0)
    )
    head += b"fmt " + struct.pack("<I", 16) + fmt + b"data" + b"\xff" * 4
    with path.open("wb") as file:
        file.write(head)
        file.truncate(len(head) + frames * 6)
        file.seek(len(head) + 6 * (frames - RATE))
        file.write(data)
    started = time.perf_counter()
    capture = sigkit.open_capture(path)
    assert time.perf_counter() - started < 1.0
    assert capture.frames == frames
    assert capture.notes[0].startswith("channel 0 (of 0 and 1) taken")
    assert (capture.read(frames / RATE - 1.5) == np.repeat([0, 0.5], [RATE // 2, RATE])).all()
    with path.open("r+b") as file:  # the same, as a crash leaves it
        file.seek(20)
        file.write(bytes(16))
    started = time.perf_counter()
    capture = sigkit.open_capture(path)
    assert time.perf_counter() - started < 1.0
    assert capture.salvaged
    assert capture.frames == frames
    assert (capture.read(frames / RATE - 1.5) == np.repeat([0, 0.5], [RATE // 2, RATE])).all()
