"""Disks that fill up, fail or stand still while something is recorded."""

import errno
import os
import shutil
import subprocess
import sys
import time

import numpy as np
import pytest
import soundfile as sf
from made_sources import RATE, Made, pattern
from on_disk import listed, stored, three_lines

from sigkit.captures import disk_writer, record
from sigkit.captures.record import record_capture
from sigkit.captures.spool import GrowingWav
from sigkit.errors import InputError

# the disk


def full_after(monkeypatch, size, code=errno.ENOSPC):
    """A disk that takes so many bytes of sound, the last of them not a whole frame."""
    append, room = GrowingWav._append, [size]

    def limited(self, data, *, sound=False):
        if not sound:
            return append(self, data)
        fits = memoryview(data)[: room[0]]
        append(self, fits, sound=True)
        room[0] -= len(fits)
        if len(fits) < len(data):
            raise OSError(code, os.strerror(code))
        return None

    monkeypatch.setattr(GrowingWav, "_append", limited)


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (errno.ENOSPC, "The disk is full"),
        (errno.EFBIG, "no larger file"),
        (errno.EIO, "The disk failed"),
    ],
)
def test_a_disk_that_refuses_more(path, monkeypatch, code, words):
    full_after(monkeypatch, 60_001 * 6 + 4, code)
    recording = record_capture(path, Made(2, speed=None))
    assert recording.ended == "disk"
    assert words in recording.problem
    assert recording.remedy
    assert recording.frames == 60_001
    assert np.array_equal(stored(path), pattern(0, 60_001, 2))
    assert listed(recording)["ended"] == "disk"


def test_recording_ends_before_the_disk_is_quite_full(path, monkeypatch):
    usage, calls = shutil.disk_usage, []

    def falling(folder):
        calls.append(folder)
        return usage(folder)._replace(free=10**9 if len(calls) < 3 else 10**6)

    monkeypatch.setattr(shutil, "disk_usage", falling)
    recording = record_capture(path, Made())
    assert recording.ended == "disk"
    assert "The disk is full" in recording.problem
    assert np.array_equal(stored(path), pattern(0, recording.frames))


def test_a_disk_with_too_little_room_is_refused_beforehand(path, monkeypatch):
    usage = shutil.disk_usage(path.parent)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=10**7))
    with pytest.raises(InputError, match=r"10 MB are free, 523 MB wanted") as error:
        record_capture(path, Made(), seconds=3600)
    assert three_lines(error)
    assert not path.exists()


def test_a_real_limit_of_the_system(path):
    """The system takes no more than 300 kB in one file (RLIMIT_FSIZE)."""
    code = (
        "import resource, signal, sys\n"
        "from made_sources import Made\n"
        "from sigkit.captures.record import record_capture\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (300_000, 300_000))\n"
        "r = record_capture(sys.argv[1], Made(2, speed=None))\n"
        "print(r.frames, r.ended, r.problem)"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code, str(path)],
        capture_output=True,
        text=True,
        check=True,
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
    )
    frames, ended, *problem = ran.stdout.split()
    assert ended == "disk"
    assert "takes no larger file" in " ".join(problem)
    assert path.stat().st_size > 299_990
    assert len(stored(path)) == int(frames)
    assert np.array_equal(stored(path), pattern(0, int(frames), 2))


def test_a_real_full_disk(tmp_path, monkeypatch):
    """A file system of 1 MB in memory, where the tests may mount one."""
    monkeypatch.setattr(disk_writer, "RESERVE_BYTES", 0)
    monkeypatch.setattr(record, "RESERVE_BYTES", 0)
    small = tmp_path / "small"
    small.mkdir()
    call = ["mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(small)]
    if shutil.which("mount") is None or subprocess.run(call, capture_output=True).returncode:
        pytest.skip("no right to mount a file system in memory")
    try:
        recording = record_capture(small / "noise-a.wav", Made(2, speed=None))
        heard = stored(small / "noise-a.wav")
    finally:
        subprocess.run(["umount", str(small)], check=True)
    assert "The disk is full" in recording.problem
    assert recording.frames * 6 > 900_000
    assert np.array_equal(heard, pattern(0, recording.frames, 2))


def test_a_disk_that_fails_when_synced(path, monkeypatch):
    def broken(_):
        raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(GrowingWav, "sync", broken)
    recording = record_capture(path, Made(end_at=5 * RATE))
    assert (recording.ended, "The disk failed" in recording.problem) == ("disk", True)
    assert recording.frames > RATE // 4


def test_the_header_is_kept_up_to_date_by_a_disk_that_never_catches_up(path, monkeypatch):
    """The queue is never empty; other programs still see a file that grows."""
    write, seen = GrowingWav.write, []
    monkeypatch.setattr(
        GrowingWav, "write", lambda self, frames: (time.sleep(0.2), write(self, frames))
    )

    def watch(_):
        with sf.SoundFile(path) as file:
            seen.append(file.frames)

    recording = record_capture(path, Made(2, speed=None), seconds=40, watch=watch, queue_s=8)
    assert recording.frames == 40 * RATE
    assert len(set(seen)) >= 3
