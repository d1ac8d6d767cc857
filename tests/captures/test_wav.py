"""The capture reader against files written by other means, broken files, and odd ones."""

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
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.io import wavfile

import sigkit
from sigkit.errors import InputError, SigkitError, SignalError

RATE = 48000
ODD_FILES = sorted((Path(scipy.io.__file__).parent / "tests" / "data").glob("*.wav"))


def tone(seconds: float = 2.0, rate: int = RATE, level: float = 0.5) -> np.ndarray:
    return level * np.sin(2 * np.pi * 220 * np.arange(round(seconds * rate)) / rate)


def packed(
    data: bytes,
    *,
    fmt: bytes | None = None,
    channels: int = 1,
    bits: int = 16,
    tag: int = 1,
    name: bytes = b"RIFF",
    riff_size: int | None = None,
    data_size: int | None = None,
    tail: bytes = b"",
    extra: bytes = b"",
) -> bytes:
    """Return a WAV file packed by hand, with any lies in its header."""
    end = ">" if name == b"RIFX" else "<"
    width = channels * bits // 8
    if fmt is None:
        fmt = struct.pack(end + "HHIIHH", tag, channels, RATE, RATE * width, width, bits)
    size = len(data) if data_size is None else data_size
    body = b"WAVE" + b"fmt " + struct.pack(end + "I", len(fmt)) + fmt + extra
    body += b"data" + struct.pack(end + "I", size) + data + tail
    return name + struct.pack(end + "I", len(body) if riff_size is None else riff_size) + body


def ints(x: np.ndarray) -> np.ndarray:
    return np.round(x * 32767).astype("<i2")


def three_lines(error: pytest.ExceptionInfo[SigkitError]) -> bool:
    return len(str(error.value).splitlines()) == 3 and error.value.problem.endswith(".")


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
        with pytest.raises(SignalError, match=r"makes no sense|no samples") as error:
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


# --- files that a recorder did not close


@pytest.mark.parametrize(
    ("lies", "why"),
    [
        ({"data_size": 0}, "did not close"),
        ({"data_size": 0, "riff_size": 0}, "did not close"),
        ({"data_size": 0xFFFFFFFF, "riff_size": 0xFFFFFFFF}, "did not close"),
        ({"data_size": 0x7FFFF000}, "ends before its header says"),
        ({"data_size": 192002}, "ends before its header says"),
        ({"data_size": 4000, "riff_size": 0}, "did not close"),
    ],
)
@pytest.mark.parametrize("bits", [16, 24])
def test_every_whole_frame_of_an_unclosed_file_is_salvaged(tmp_path, lies, why, bits):
    rng = np.random.default_rng(bits)
    codes = rng.integers(-(2 ** (bits - 1)), 2 ** (bits - 1), 64000)
    data = b"".join(int(c).to_bytes(bits // 8, "little", signed=True) for c in codes)
    data = data[:128000]
    whole = len(data) // (bits // 8)
    path = tmp_path / "x.wav"
    path.write_bytes(packed(data, bits=bits, **lies))
    capture = sigkit.open_capture(path)
    assert capture.salvaged
    assert capture.frames == whole
    assert np.array_equal(capture.read() * 2 ** (bits - 1), codes[:whole])
    note = capture.notes[0]
    assert note.startswith("header repaired in memory: ")
    assert why in note
    assert f"{whole / RATE:.3g} s recovered; the file itself is unchanged" in note
    left = len(data) % (bits // 8)
    assert len(capture.notes) == 1 + bool(left)
    if left:
        assert capture.notes[1].startswith(f"{left} bytes at the end of the sound left out")


def test_salvage_of_rifx_and_extensible_and_float(tmp_path):
    x = tone()
    path = tmp_path / "x.wav"
    path.write_bytes(packed(ints(x).astype(">i2").tobytes(), name=b"RIFX", data_size=0))
    assert np.array_equal(sigkit.open_capture(path).read() * 32768, ints(x))
    for subtype in ("FLOAT", "DOUBLE", "PCM_32", "ULAW"):
        sf.write(path, np.stack([x, x], axis=1), RATE, subtype=subtype, format="WAVEX")
        whole = sigkit.open_capture(path, 1).read()
        raw = path.read_bytes()
        at = raw.index(b"data") + 4
        path.write_bytes(raw[:at] + b"\0\0\0\0" + raw[at + 4 : at + 400005])
        capture = sigkit.open_capture(path, 1)
        assert "did not close" in capture.notes[0]
        assert (
            capture.frames
            == 400001 // (2 * {"FLOAT": 4, "DOUBLE": 8, "PCM_32": 4, "ULAW": 1}[subtype])
            or subtype == "ULAW"
        )
        assert np.array_equal(capture.read(), whole[: capture.frames])


@pytest.mark.parametrize("cut", [0, 1, 7, 100000])
def test_rf64_that_lost_its_end_or_its_lengths(tmp_path, cut):
    x = tone()
    path = tmp_path / "x.wav"
    sf.write(path, x, RATE, subtype="PCM_24", format="RF64")
    raw = bytearray(path.read_bytes())
    start = raw.index(b"data") + 8
    if cut == 0:
        raw[raw.index(b"ds64") + 16 : raw.index(b"ds64") + 24] = bytes(8)
    else:
        raw = raw[: start + len(x) * 3 - cut]
    path.write_bytes(raw)
    capture = sigkit.open_capture(path)
    assert capture.salvaged
    assert capture.frames == len(x) - -(-cut // 3)
    np.testing.assert_allclose(capture.read(), x[: capture.frames], rtol=0, atol=2**-23)


def test_spoken_length_of_a_long_salvage(tmp_path):
    path = tmp_path / "x.wav"
    with path.open("wb") as file:
        file.write(packed(b"", data_size=0))
        file.truncate(44 + 2 * RATE * (43 * 60 + 12))
    assert sigkit.open_capture(path).notes == (
        "header repaired in memory: the recorder did not close this file; 43 min 12 s recovered; "
        "the file itself is unchanged",
    )


def test_chunks_around_the_sound_are_not_sound(tmp_path):
    data = ints(tone()).tobytes()
    chunks = b"LIST" + struct.pack("<I", 5) + b"INFOx\0" + b"id3 " + struct.pack("<I", 2) + b"ab"
    path = tmp_path / "x.wav"
    path.write_bytes(packed(data, tail=chunks, extra=chunks))
    capture = sigkit.open_capture(path)
    assert (capture.frames, capture.notes) == (2 * RATE, ())
    assert np.array_equal(capture.read() * 32768, ints(tone()))
    path.write_bytes(packed(data + b"\x01", tail=b"\0" + chunks))  # half a frame, then the pad byte
    capture = sigkit.open_capture(path)
    assert capture.frames == 2 * RATE
    assert capture.notes == (
        "1 byte at the end of the sound left out: less than a frame of 2 bytes",
    )
    path.write_bytes(packed(data, tail=b"\x80\x90" * 500))
    capture = sigkit.open_capture(path)
    assert capture.frames == 2 * RATE
    assert capture.notes[0].startswith("1000 bytes behind the sound left out")


def test_a_length_counted_modulo_4_gib_is_put_right(tmp_path):
    path, frames = tmp_path / "x.wav", 2_500_000_000
    mark = ints(tone(0.1)).tobytes()
    with path.open("wb") as file:
        file.write(packed(b"", data_size=2 * frames - 2**32))
        file.seek(44 + 2 * frames - len(mark))
        file.write(mark)
    capture = sigkit.open_capture(path)
    assert capture.frames == frames
    assert "longer than its kind of header can say" in capture.notes[0]
    tail = capture.read(capture.duration_s - 0.1)
    assert np.array_equal(tail * 32768, ints(tone(0.1)))


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


# --- what cannot be read


@pytest.mark.parametrize(
    ("content", "match"),
    [
        (b"", "empty: 0 bytes"),
        (b"Dear diary, no sound here. " * 9, "not audio"),
        (bytes(4096), "not audio"),
        (packed(b""), "no samples"),
        (packed(b"", tail=b"LIST" + struct.pack("<I", 4) + b"INFO"), "no samples"),
        (packed(b"\1"), "no whole sample frame"),
        (packed(bytes(99), data_size=0)[:30], "no samples"),
        (b"RIFF", "no samples"),
        (packed(bytes(4000), tag=0x55), r"codec that cannot be read: MP3 \(0x0055\)"),
        (packed(bytes(4000), tag=0x161), "Windows Media Audio"),
        (packed(bytes(4000), tag=0x7777), r"unknown \(0x7777\)"),
        (packed(bytes(4000), channels=0), "makes no sense|no sample"),
        (packed(bytes(4000), bits=40), "makes no sense"),
        (b"fLaC" + bytes(100), "makes no sense"),
    ],
)
def test_what_is_not_a_capture_is_one_clear_error(tmp_path, content, match):
    path = tmp_path / "x.wav"
    path.write_bytes(content)
    with pytest.raises(SignalError, match=match) as error:
        sigkit.open_capture(path)
    assert three_lines(error)
    assert error.value.where == str(path)
    assert path.read_bytes() == content


def test_lossy_formats_are_refused_by_name(tmp_path):
    sf.write(tmp_path / "x.wav", tone(), RATE, format="OGG", subtype="VORBIS")
    with pytest.raises(SignalError, match=r"OGG.*not a format for measurements"):
        sigkit.open_capture(tmp_path / "x.wav")


def test_missing_folder_pipe_and_nonsense_are_input_errors(tmp_path):
    import os

    os.mkfifo(tmp_path / "pipe.wav")
    for path, match in (
        (tmp_path / "none.wav", "no such file"),
        (tmp_path / "none" / "x.wav", "no such file"),
        (tmp_path, "this is a folder"),
        (tmp_path / "pipe.wav", "not a regular file"),
        ("a\0b", "not a path"),
        (7, "not a path"),
    ):
        with pytest.raises(InputError, match=match) as error:
            sigkit.open_capture(path)  # type: ignore[arg-type]
        assert len(str(error.value).splitlines()) == 3


@pytest.mark.parametrize(
    ("raised", "match"),
    [(PermissionError(13, "Permission denied"), "no permission"), (OSError(5, "I/O error"), "I/O")],
)
def test_a_file_that_may_not_be_read(tmp_path, monkeypatch, raised, match):
    path = tmp_path / "x.wav"
    path.write_bytes(packed(ints(tone()).tobytes()))
    capture = sigkit.open_capture(path)

    def refuse(*_args: object, **_options: object) -> None:
        raise raised

    monkeypatch.setattr(Path, "open", refuse)
    for attempt in (lambda: sigkit.open_capture(path), capture.read, lambda: capture.sha256):
        with pytest.raises(SignalError, match=match) as error:
            attempt()
        assert three_lines(error)


@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE"])
@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_samples_that_are_no_numbers(tmp_path, bad, subtype):
    x = np.stack([tone(), tone()], axis=1)
    x[60000, 1] = bad
    sf.write(tmp_path / "x.wav", x, RATE, subtype=subtype)
    capture = sigkit.open_capture(tmp_path / "x.wav", 1)
    for attempt in (
        capture.read,
        lambda: list(capture.blocks(0.3)),
        lambda: capture.read(1.1),
        capture.fitness,
    ):
        with pytest.raises(SignalError, match=r"at 1\.250000 s is (nan|-?inf)") as error:
            attempt()
        assert three_lines(error)
        assert str(tmp_path / "x.wav") in error.value.where
    assert len(capture.read(0, 1.2)) == 57600
    assert len(sigkit.open_capture(tmp_path / "x.wav", 0).read()) == 96000
    assert sigkit.open_capture(tmp_path / "x.wav").channels == 2


def test_a_file_that_shrank_or_went_after_opening(tmp_path):
    path = tmp_path / "x.wav"
    path.write_bytes(packed(ints(tone()).tobytes()))
    capture = sigkit.open_capture(path)
    path.write_bytes(path.read_bytes()[: 44 + 2 * RATE])
    with pytest.raises(SignalError, match=r"breaks off at 1\.000 s") as error:
        capture.read()
    assert three_lines(error)
    path.unlink()
    with pytest.raises(InputError, match="no such file"):
        list(capture.blocks())


def test_a_flac_file_that_was_cut_off_is_an_error(tmp_path):
    path = tmp_path / "x.flac"
    sf.write(path, np.random.default_rng(0).uniform(-0.5, 0.5, 4 * RATE), RATE)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(SignalError) as error:
        sigkit.open_capture(path).read()
    assert three_lines(error)


# --- anything at all in the header

GOOD = [
    packed(ints(tone(0.05)).tobytes(), extra=b"LIST" + struct.pack("<I", 4) + b"INFO"),
    packed(tone(0.05).astype("<f4").tobytes(), tag=3, bits=32, channels=2),
    packed(ints(tone(0.05)).astype(">i2").tobytes(), name=b"RIFX"),
    b"RF64"
    + b"\xff" * 4
    + b"WAVEds64"
    + struct.pack("<IQQQI", 28, 4872, 4800, 2400, 0)
    + packed(ints(tone(0.05)).tobytes(), data_size=0xFFFFFFFF)[12:],
]
EDITS = st.lists(
    st.tuples(
        st.integers(0, 90),
        st.one_of(
            st.binary(min_size=1, max_size=4), st.sampled_from([bytes(4), b"\xff" * 4, b"data"])
        ),
    ),
    min_size=1,
    max_size=4,
)


@settings(
    max_examples=400,
    derandomize=True,
    deadline=None,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(good=st.sampled_from(GOOD), edits=EDITS, keep=st.one_of(st.none(), st.integers(0, 300)))
def test_no_header_gets_anything_but_our_errors_out(tmp_path, good, edits, keep):
    raw = bytearray(good if keep is None else good[:keep])
    for at, new in edits:
        raw[at : at + len(new)] = new
    path = tmp_path / "x.wav"
    path.write_bytes(raw)
    try:
        capture = sigkit.open_capture(path)
        assert 0 < capture.frames * capture.channels <= 8 * len(raw)
        assert len(capture.read()) == capture.frames
        assert sum(map(len, capture.blocks(1.0))) == capture.frames
        capture.fitness()
    except SigkitError as error:
        lines = str(error).splitlines()
    else:
        lines = ["", "", ""]
    assert len(lines) == 3
    assert path.read_bytes() == raw
