"""The file that grows: read by other libraries at every moment, past 4 GiB, and never written over.

Layouts are those of EBU Tech 3306 version 1.1 (2009) and EBU Tech 3285 version 2 (2011), from
memory of their tables; the readers are libsndfile, scipy and Python's own.
"""

import errno
import struct
import warnings
import wave
from datetime import datetime, timedelta

import numpy as np
import pytest
import soundfile as sf
from made_sources import RATE, packed, pattern
from scipy.io import wavfile

import sigkit
from sigkit.captures.broadcast import extension, samples_since_midnight
from sigkit.captures.header import find_data, time_reference
from sigkit.captures.parts import join_parts
from sigkit.captures.spool import GrowingWav

STARTED = datetime(2026, 3, 2, 13, 45, 6, 250_000)


def stamp(started=STARTED, rate=RATE, **more):
    about = {"description": "warmup-oscillator_1", "reference": "f" * 32} | more
    return extension(started=started, rate=rate, channels=2, bits=24, **about)


def read_by_scipy(path):
    """Without its warning that it does not know the chunk ``bext``, or that more follows."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", wavfile.WavFileWarning)
        return wavfile.read(path)


def chunks(data):
    """Walk a RIFF or RF64 file by the book."""
    found, at = {}, 12
    sizes = struct.unpack("<QQQI", data[20:48]) if data[:4] == b"RF64" else None
    while at + 8 <= len(data):
        name, length = data[at : at + 4], struct.unpack("<I", data[at + 4 : at + 8])[0]
        if name == b"data" and sizes:
            assert length == 2**32 - 1
            length = sizes[1]
        found[name] = data[at + 8 : at + 8 + length]
        at += 8 + length + length % 2
    assert at == len(data)
    return found


@pytest.mark.parametrize("limit", [2**32 - 2, 1000])
@pytest.mark.parametrize(("channels", "bits", "count"), [(1, 24, 4801), (2, 16, 999), (3, 32, 500)])
def test_other_libraries_read_it(channels, bits, count, limit, tmp_path):
    path = tmp_path / "x.wav"
    wav = GrowingWav(path, RATE, channels, bits, stamp(), limit)
    samples = pattern(0, count, channels, bits)
    wav.write(packed(samples, bits))
    wav.close()
    with sf.SoundFile(path) as file:
        assert (file.format, file.subtype) == (
            ("WAVEX" if channels > 2 else "WAV") if limit > 1000 else "RF64",
            f"PCM_{bits}",
        )
        read = file.read(dtype="int32", always_2d=True)
    assert np.array_equal(read, samples << (32 - bits))
    rate, by_scipy = read_by_scipy(path)
    assert rate == RATE
    shift = 8 if bits == 24 else 0
    assert np.array_equal(by_scipy.reshape(count, channels), samples.astype(np.int64) << shift)
    if limit > 1000 and channels < 3:
        with wave.open(str(path)) as file:
            assert (file.getnframes(), file.getsampwidth()) == (count, bits // 8)
            assert file.readframes(count) == bytes(packed(samples, bits))
    capture = sigkit.open_capture(path, channel=0)
    assert (capture.frames, capture.notes, capture.salvaged) == (count, (), False)


def test_layout_below_and_above_the_limit(tmp_path):
    for limit, names in ((10**6, [b"JUNK"]), (1000, [b"ds64"])):
        path = tmp_path / f"{limit}.wav"
        wav = GrowingWav(path, RATE, 1, 24, stamp(), limit)
        wav.write(packed(pattern(0, 501)))  # an odd number of bytes
        wav.close()
        data = path.read_bytes()
        found = chunks(data)
        assert list(found) == [*names, b"bext", b"fmt ", b"data"]
        assert data[16:20] == struct.pack("<I", 28)
        assert len(found[b"data"]) == 1503
        if names == [b"ds64"]:
            riff, length, frames, table = struct.unpack("<QQQI", found[b"ds64"])
            assert (riff, length, frames, table) == (len(data) - 8, 1503, 501, 0)
            assert data[:8] == b"RF64" + b"\xff" * 4
        else:
            assert data[:8] == b"RIFF" + struct.pack("<I", len(data) - 8)


def test_the_header_turns_into_rf64_at_4_gib(tmp_path):
    """One frame short of the limit and one past it; sparse, so that nothing is written."""
    for extra, kind in ((0, "WAV"), (1, "RF64")):
        path = tmp_path / f"{kind}.wav"
        wav = GrowingWav(path, 96000, 2, 24, stamp())
        start = len(wav.header())
        most = (2**32 - 2 - (start - 8)) // 6
        with path.open("r+b") as file:
            file.truncate(start + (most + extra - 1) * 6)
        wav.length = (most + extra - 1) * 6
        wav._file.seek(0, 2)
        wav.write(packed(pattern(7, 1, 2)))
        wav.refresh()  # as it stands while it is recorded
        assert sigkit.open_capture(path, channel=0).frames == most + extra
        wav.close()
        capture = sigkit.open_capture(path, channel=0)
        assert (capture.frames, capture.container, capture.notes) == (most + extra, kind, ())
        with sf.SoundFile(path) as file:
            assert (file.format, file.frames) == (kind, most + extra)
            file.seek(most + extra - 1)
            last = file.read(1, dtype="int32")
        assert np.array_equal(last >> 8, pattern(7, 1, 2))
        assert path.stat().st_size == start + (most + extra) * 6
        path.unlink()


@pytest.mark.parametrize("limit", [2**32 - 2, 1000])
def test_an_open_file_is_read_whole(limit, tmp_path):
    """Its header is a moment old; what came since is there all the same, and the file unchanged."""
    path = tmp_path / "x.wav"
    wav = GrowingWav(path, RATE, 1, 24, stamp(), limit)
    wav.write(packed(pattern(0, 5000)))
    wav.refresh()
    wav.write(packed(pattern(5000, 3000)))
    with path.open("ab") as file:
        file.write(b"\x12\x34")  # and a broken frame
    capture = sigkit.open_capture(path)
    assert capture.frames == 8000
    assert any("did not close this file" in note for note in capture.notes)
    assert np.array_equal(np.round(capture.read() * 2**23), pattern(0, 8000)[:, 0])
    with sf.SoundFile(path) as file:  # others see what the header says, or all
        assert file.frames >= 5000
    assert read_by_scipy(path)[1].size >= 5000
    wav.close()
    assert sigkit.open_capture(path).frames == 8000
    assert not sigkit.open_capture(path).salvaged
    assert path.stat().st_size == len(wav.header()) + 24000


def broadcast_info(path):
    """What libsndfile reads from the chunk: SF_BROADCAST_INFO of its sndfile.h, from memory."""
    size = 602 + 2 + 4 + 256 + 64
    with sf.SoundFile(path) as file:
        data = sf._ffi.new("char[]", size)
        assert sf._snd.sf_command(file._file, 0x10F0, data, 860) == 1
    return bytes(sf._ffi.buffer(data, size))


def test_the_stamp_as_libsndfile_and_our_reader_see_it(tmp_path):
    path = tmp_path / "x.wav"
    wav = GrowingWav(path, RATE, 2, 24, stamp(description="Größe", reference="a" * 40))
    wav.write(packed(pattern(0, 100, 2)))
    wav.close()
    info = broadcast_info(path)
    assert info[:256].rstrip(b"\0") == b"Gr??e"
    assert info[256:288].rstrip(b"\0") == b"sigkit"
    assert info[288:320] == b"a" * 32
    assert info[320:338] == b"2026-03-0213-45-06"
    low, high, version = struct.unpack("<IIH", info[340:350])
    samples = ((13 * 60 + 45) * 60 + 6) * RATE + RATE // 4
    assert low + (high << 32) == samples == samples_since_midnight(STARTED, RATE)
    assert version == 1
    assert b"A=PCM,F=48000,W=24,M=stereo,T=sigkit\r\n" in info
    with path.open("rb") as file:
        assert time_reference(file, find_data(file, path.stat().st_size)) == samples


@pytest.mark.parametrize("gap_s", [0.0, 1.7])
@pytest.mark.parametrize("late", [False, True])
def test_parts_are_joined_by_its_stamps(gap_s, late, tmp_path):
    """Also across midnight at 192 kHz, where a day has more samples than 32 bits hold."""
    rate = 192000
    began = datetime(2026, 3, 2, 23, 59, 59, 500_000) if late else STARTED
    paths = [tmp_path / f"warmup-osc-p{i}.wav" for i in (1, 2)]
    begins = (began, began + timedelta(seconds=1 + gap_s))
    for i, (path, started) in enumerate(zip(paths, begins, strict=True)):
        wav = GrowingWav(path, rate, 2, 24, stamp(started, rate))
        wav.write(packed(pattern(i * rate, rate, 2)))
        wav.close()
    assert samples_since_midnight(datetime(2026, 3, 2, 23, 0), rate) > 2**32
    joined = join_parts(paths, channel=0)
    assert joined.frames == (2 + gap_s) * rate
    assert joined.seams[0].how == "time stamps"


def test_it_never_writes_over_a_file(tmp_path):
    path = tmp_path / "x.wav"
    path.write_bytes(b"mine")
    with pytest.raises(FileExistsError):
        GrowingWav(path, RATE, 1, 24)
    link = tmp_path / "link.wav"
    link.symlink_to(tmp_path / "nothing.wav")
    with pytest.raises(FileExistsError):
        GrowingWav(link, RATE, 1, 24)
    assert path.read_bytes() == b"mine"


def test_a_disk_that_refuses_even_the_header_leaves_nothing(tmp_path, monkeypatch):
    def full(*_, **__):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(GrowingWav, "_append", full)
    with pytest.raises(OSError, match="No space"):
        GrowingWav(tmp_path / "x.wav", RATE, 1, 24)
    assert not list(tmp_path.iterdir())
