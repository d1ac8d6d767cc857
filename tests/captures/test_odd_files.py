"""Odd files one by one: each is read, salvaged with a note, or refused in three lines."""

from __future__ import annotations

import hashlib
import io
import re
import struct
import sysconfig
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from packing import RATE, ints, packed, three_lines, tone

import sigkit
from sigkit.errors import SigkitError

SOUND = tone(1.5)
CODES = ints(SOUND).tobytes()
GUID_TAIL = bytes.fromhex("000000001000800000aa00389b71")  # behind the tag, by mmreg.h
AUDIODATA = Path(sysconfig.get_paths()["stdlib"]) / "test" / "audiodata"


def form(tag: int, channels: int, align: int, bits: int, rate: int = RATE) -> bytes:
    """Body of a ``fmt `` chunk."""
    return struct.pack("<HHIIHH", tag, channels, rate, rate * align, align, bits)


def extensible(tag: int, align: int, bits: int, valid: int) -> bytes:
    """WAVE_FORMAT_EXTENSIBLE: 22 more bytes, valid bits, speakers, sub-format."""
    more = struct.pack("<HHIH", 22, valid, 4, tag) + GUID_TAIL
    return form(0xFFFE, 1, align, bits) + more


def integers(bits: int, wide: int) -> bytes:
    """The sound as integers of some bits, in the upper bits of so many bytes."""
    codes = np.round(SOUND * (2 ** (bits - 1) - 1)).astype(np.int64) << (8 * wide - bits)
    return codes.astype("<i8").view(np.uint8).reshape(-1, 8)[:, :wide].tobytes()


def chunk(name: bytes, body: bytes) -> bytes:
    return name + struct.pack("<I", len(body)) + body + bytes(len(body) % 2)


def long_form(name: bytes, data_length: int, keep: int | None = None) -> bytes:
    """RF64 of EBU Tech 3306, or BW64 of Recommendation ITU-R BS.2088."""
    sizes = struct.pack("<QQQI", 72 + len(CODES), data_length, len(CODES) // 2, 0)
    head = name + b"\xff" * 4 + b"WAVE" + chunk(b"ds64", sizes) + chunk(b"fmt ", form(1, 1, 2, 16))
    return (head + b"data" + b"\xff" * 4 + CODES)[:keep]


def written(container: str, subtype: str, rate: int = RATE, cut: float = 1.0) -> bytes:
    """What libsndfile writes, cut off after a share of it."""
    file = io.BytesIO()
    sf.write(file, tone(1.5, rate), rate, format=container, subtype=subtype)
    return file.getvalue()[: round(cut * len(file.getvalue()))]


LIST = chunk(b"LIST", b"INFO")
EIGHT = (np.round(SOUND * 127) + 128).astype(np.uint8).tobytes()

READ = {
    "8 bits": (packed(EIGHT, bits=8), 7),
    "12 bits in 2 bytes": (packed(integers(12, 2), fmt=form(1, 1, 2, 12)), 11),
    "20 bits in 3 bytes": (packed(integers(20, 3), fmt=form(1, 1, 3, 20)), 19),
    "24 bits": (packed(integers(24, 3), bits=24), 23),
    "24 bits in 4 bytes": (packed(integers(24, 4), fmt=form(1, 1, 4, 24)), 23),
    "32 bits": (packed(integers(32, 4), bits=32), 31),
    "extensible 16": (packed(CODES, fmt=extensible(1, 2, 16, 16)), 15),
    "extensible 20 in 24": (packed(integers(20, 3), fmt=extensible(1, 3, 24, 20)), 19),
    "extensible 24 in 32": (packed(integers(24, 4), fmt=extensible(1, 4, 32, 24)), 23),
    "extensible float": (packed(SOUND.astype("<f4").tobytes(), fmt=extensible(3, 4, 32, 32)), 23),
    "float 64": (packed(SOUND.astype("<f8").tobytes(), tag=3, bits=64), 40),
    "RIFX": (packed(ints(SOUND).astype(">i2").tobytes(), name=b"RIFX"), 15),
    "RIFF size 0": (packed(CODES, riff_size=0), 15),
    "format chunk of 18 bytes": (packed(CODES, fmt=form(1, 1, 2, 16) + b"\0\0"), 15),
    "JUNK in front": (packed(CODES, extra=chunk(b"JUNK", bytes(28))), 15),
    "LIST behind": (packed(CODES, tail=LIST), 15),
    "odd length, no pad byte, LIST": (packed(EIGHT[:-1], bits=8, tail=LIST), 7),
    "RF64": (long_form(b"RF64", len(CODES)), 15),
    "BW64": (long_form(b"BW64", len(CODES)), 15),
    "W64": (written("W64", "PCM_24"), 23),
}
"""Content, and how many bits of the sound it holds."""

NOTED = {
    "data length 0": (packed(CODES, data_size=0), "did not close this file"),
    "data length all ones": (packed(CODES, data_size=0xFFFFFFFF), "did not close this file"),
    "both lengths 0": (packed(CODES, riff_size=0, data_size=0), "did not close this file"),
    "RF64 without its lengths": (long_form(b"RF64", 0), "did not close this file"),
    "cut off": (packed(CODES)[:-1001], "ends before its header says"),
    "cut off within a frame": (packed(CODES)[:-1001], "1 byte at the end of the sound left out"),
    "BW64 cut off": (long_form(b"BW64", len(CODES), -5000), "ends before its header says"),
    "RF64 with a length of 2**63": (long_form(b"RF64", 2**63), "ends before its header says"),
    "W64 cut off": (written("W64", "PCM_24", cut=0.8), "ends before its header says"),
    "AIFF cut off": (written("AIFF", "PCM_16", cut=0.8), "ends before its header says"),
    "rubbish behind": (packed(CODES, tail=b"\0\1thumb drive" * 9), "117 bytes behind the sound"),
    "two stretches": (packed(CODES, tail=chunk(b"data", CODES)), "second stretch of sound left"),
    "AIFF named .wav": (written("AIFF", "PCM_24"), "but it is AIFF; read as such"),
    "FLAC named .wav": (written("FLAC", "PCM_24"), "but it is FLAC; read as such"),
    "two rates": (
        packed(CODES, fmt=struct.pack("<HHIIHH", 1, 1, 48000, 88200, 2, 16)),
        "48000 Hz, but as many bytes a second as 44100 Hz",
    ),
    "rate of 1 Hz": (packed(CODES, fmt=form(1, 1, 2, 16, rate=1)), "outside 8 to 192 kHz"),
}
"""Content, and a part of the note."""

REFUSED = {
    "nothing": (b"", "0 bytes"),
    "one byte": (b"R", "not audio"),
    "a name alone": (b"RIFF", "no samples"),
    "cut off in the format": (packed(CODES)[:30], "ends before its sound"),
    "cut off before the sound": (packed(CODES)[:44], "ends before its sound"),
    "no whole frame": (packed(CODES)[:45], "no whole sample frame"),
    "a chunk that runs past the end": (
        packed(CODES, extra=b"JUNK" + struct.pack("<I", 2**31) + bytes(28)),
        "ends before its sound",
    ),
    "no sound": (packed(b"", tail=LIST), "no samples"),
    "no format": (packed(CODES).replace(b"fmt ", b"fmtx"), "makes no sense"),
    "format chunk of 4 bytes": (packed(CODES, fmt=b"\1\0\1\0"), "makes no sense"),
    "no channels": (packed(CODES, fmt=form(1, 0, 2, 16)), "makes no sense"),
    "65535 channels": (packed(CODES, fmt=form(1, 65535, 2, 16)), "makes no sense"),
    "rate of 0": (packed(CODES, fmt=form(1, 1, 2, 16, rate=0)), "makes no sense"),
    "0 bits": (packed(CODES, fmt=form(1, 1, 2, 0)), "makes no sense"),
    "integers of 64 bits": (packed(bytes(8000), bits=64), "integers of 64 bits"),
    "floats of 16 bits": (packed(bytes(8000), tag=3, bits=16), "floats of 16 bits"),
    "not numbers": (packed(b"\0\0\xc0\x7f" * 4000, tag=3, bits=32), "not a number"),
    "MP3 in RIFF": (packed(b"\xff\xfb\x90\0" + bytes(4000), tag=0x55), "MPEG audio layer 3"),
    "AAC in RIFF": (packed(bytes(4000), tag=0xFF), "AAC"),
    "an unknown codec": (packed(CODES, fmt=extensible(0x1234, 2, 16, 16)), "0x1234"),
    "MP3 named .wav": (written("MP3", "MPEG_LAYER_III"), "is MP3, not audio in a format"),
    "Ogg named .wav": (written("OGG", "VORBIS"), "is Ogg, not audio in a format"),
    "AU named .wav": (written("AU", "PCM_16"), "is AU, not audio in a format"),
    "CAF named .wav": (written("CAF", "PCM_16"), "is CAF, not audio in a format"),
    "M4A named .wav": (bytes(4) + b"ftypM4A " + bytes(900), "is MP4 or M4A, not audio"),
    "an archive": (b"PK\3\4" + bytes(900), "is a ZIP archive, not audio"),
    "a web page": (b"<!doctype html><html>not found</html>", "not audio"),
}
"""Content, and a part of the problem."""

LOSSY = {
    "IMA ADPCM": written("WAV", "IMA_ADPCM"),
    "MS ADPCM": written("WAV", "MS_ADPCM"),
    "GSM 6.10": written("WAV", "GSM610", rate=8000),
    "G.721": written("WAV", "G721_32", rate=8000),
    "IMA ADPCM cut off": written("WAV", "IMA_ADPCM", cut=0.8),
}


def put(folder: Path, content: bytes) -> Path:
    path = folder / "Größe [2] (b).WAV"
    path.write_bytes(content)
    return path


@pytest.fixture(autouse=True)
def file_stays(tmp_path):
    """No file is changed by opening, reading and checking it."""
    yield
    path = tmp_path / "Größe [2] (b).WAV"
    if path.exists():
        assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("case", READ)
def test_read(tmp_path, case):
    """The sound is that which was packed, to its last bit, and there is nothing to remark."""
    content, bits = READ[case]
    path = put(tmp_path, content)
    capture = sigkit.open_capture(path)
    assert (capture.rate, capture.channels, capture.notes) == (RATE, 1, ())
    assert not capture.salvaged
    expected = SOUND[: capture.frames]
    assert len(expected) >= len(SOUND) - 1
    assert np.abs(capture.read() - expected).max() <= 1.6 * 2.0**-bits
    assert capture.fitness().verdict == "usable"
    assert path.read_bytes() == content


@pytest.mark.parametrize("case", NOTED)
def test_read_or_salvaged_with_a_note(tmp_path, case):
    content, note = NOTED[case]
    path = put(tmp_path, content)
    capture = sigkit.open_capture(path)
    assert any(note in said for said in capture.notes)
    assert np.abs(capture.read() - SOUND[: capture.frames]).max() <= 2**-14
    assert capture.frames > 0.79 * len(SOUND)
    capture.fitness()
    assert path.read_bytes() == content


@pytest.mark.parametrize("case", REFUSED)
def test_refused_in_three_lines(tmp_path, case):
    content, problem = REFUSED[case]
    path = put(tmp_path, content)
    with pytest.raises(SigkitError, match=problem) as error:
        sigkit.open_capture(path).read()
    assert three_lines(error)
    assert error.value.where.startswith(str(path))
    assert path.read_bytes() == content


@pytest.mark.parametrize("case", LOSSY)
def test_a_lossy_codec_is_read_and_named(tmp_path, case):
    fitness = sigkit.open_capture(put(tmp_path, LOSSY[case])).fitness()
    assert "lossy codec" in [problem.kind for problem in fitness.problems]
    assert fitness.verdict_for("slider") == "record again"


@pytest.mark.parametrize(
    "path", sorted(AUDIODATA.glob("*.wav")) or [None], ids=lambda p: getattr(p, "stem", "none")
)
def test_the_notes_that_cpython_tests_its_own_readers_with(path):
    """CPython's test/audiodata: a plucked note of two channels, in four widths; by their bytes."""
    if path is None:
        pytest.skip("this Python comes without its own tests")
    raw = path.read_bytes()
    capture = sigkit.open_capture(path)
    assert (capture.rate, capture.channels, capture.frames) == (11025, 2, 3307)
    wide = int(re.search(r"pcm(\d+)", path.stem)[1]) // 8
    start = raw.index(b"data") + 8
    codes = np.frombuffer(raw[start : start + 2 * 3307 * wide], np.uint8).reshape(-1, 2, wide)
    codes = codes ^ 0x80 if wide == 1 else codes  # bytes are unsigned, all others are not
    padded = np.concatenate([np.zeros((*codes.shape[:2], 4 - wide), np.uint8), codes], axis=2)
    expected = padded.view("<i4")[:, capture.channel, 0] / 2**31
    assert np.array_equal(capture.read(), expected)
    assert capture.sha256 == hashlib.sha256(raw).hexdigest()
    assert path.read_bytes() == raw
