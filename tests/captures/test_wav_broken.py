"""The capture reader on files cut off, lying or not audio at all, and on any bytes in a header."""

from __future__ import annotations

import io
import math
import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from packing import RATE, ints, packed, three_lines, tone

import sigkit
from sigkit.errors import InputError, SigkitError, SignalError

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


@pytest.mark.parametrize("pad", [b"\0", b""])
def test_salvage_behind_a_chunk_of_odd_length_with_and_without_its_pad_byte(tmp_path, pad):
    extra = b"note" + struct.pack("<I", 5) + b"hello" + pad
    (tmp_path / "x.wav").write_bytes(packed(ints(tone()).tobytes(), data_size=0, extra=extra))
    capture = sigkit.open_capture(tmp_path / "x.wav")
    assert np.array_equal(capture.read() * 32768, ints(tone()))


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


@pytest.mark.parametrize("lie", ["cut", "zero", "all ones"])
def test_w64_that_lost_its_end_or_its_lengths(tmp_path, lie):
    x = tone()
    path = tmp_path / "x.wav"
    sf.write(path, x, RATE, subtype="PCM_24", format="W64")
    raw = bytearray(path.read_bytes())
    at = raw.index(b"data") + 16
    frames = len(x)
    if lie == "cut":
        raw, frames = raw[: at + 8 + 3000 * 3 + 2], 3000
    else:
        raw[at : at + 8] = bytes(8) if lie == "zero" else b"\xff" * 8
        raw[16:24] = raw[at : at + 8]
    path.write_bytes(raw)
    capture = sigkit.open_capture(path)
    assert capture.salvaged
    assert capture.frames == frames
    np.testing.assert_allclose(capture.read(), x[:frames], rtol=0, atol=2**-23)


def test_an_aiff_file_that_lost_its_end_says_so(tmp_path):
    path = tmp_path / "x.aiff"
    sf.write(path, tone(), RATE, subtype="PCM_16")
    assert sigkit.open_capture(path).notes == ()
    path.write_bytes(path.read_bytes()[: 54 + 2 * RATE])
    capture = sigkit.open_capture(path)
    assert capture.notes == ("the file ends before its header says; 1 s can be read",)
    assert len(capture.read()) == capture.frames


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
        (
            packed(bytes(4000), tag=0x55),
            r"codec that cannot be read: MPEG audio layer 3 \(0x0055\)",
        ),
        (packed(bytes(4000), tag=0xFF), "AAC"),
        (packed(bytes(4000), tag=0x7777), r"unknown \(0x7777\)"),
        (packed(bytes(4000), channels=0), "makes no sense|no sample"),
        (packed(bytes(4000), bits=40), "integers of 40 bits"),
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


def test_other_formats_are_refused(tmp_path):
    for container, subtype in (("OGG", "VORBIS"), ("MP3", "MPEG_LAYER_III")):
        sf.write(tmp_path / "x.wav", tone(), RATE, format=container, subtype=subtype)
        with pytest.raises(SignalError, match=r"not audio in a format that is read here") as error:
            sigkit.open_capture(tmp_path / "x.wav")
        assert three_lines(error)
    sf.write(tmp_path / "x.aiff", tone(), RATE, format="SVX", subtype="PCM_16")
    with pytest.raises(SignalError, match=r"not read here") as error:
        sigkit.open_capture(tmp_path / "x.aiff")
    assert three_lines(error)


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


def w64() -> bytes:
    file = io.BytesIO()
    sf.write(file, tone(0.05), RATE, subtype="PCM_16", format="W64")
    return file.getvalue()


GOOD.append(w64())
EDITS = st.lists(
    st.tuples(
        st.integers(0, 110),
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
