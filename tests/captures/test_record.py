"""Recording from sources that fail on purpose: what is on disk is checked frame by frame."""

import errno
import json
import os
import shutil
import subprocess
import sys
import threading
import time
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from made_sources import RATE, Made, packed, pattern

import sigkit
from sigkit.captures import disk_writer, record
from sigkit.captures.input_level import InputLevel, integers
from sigkit.captures.intake import Intake, Mark
from sigkit.captures.record import record_capture
from sigkit.captures.recording import list_path
from sigkit.captures.spool import GrowingWav
from sigkit.errors import InputError, SignalError


@pytest.fixture
def path(tmp_path):
    return tmp_path / "stability-oscillator_1.wav"


def stored(path, bits=24):
    capture = sigkit.open_capture(path, channel=0)
    assert not capture.salvaged
    frames = np.concatenate([block for _, block in capture.frame_blocks()])
    return np.round(frames * 2 ** (bits - 1)).astype(np.int32)


def listed(recording):
    data = json.loads(list_path(recording.path).read_text())
    assert data == json.loads(json.dumps(recording.to_dict()))
    return data


def three_lines(error):
    return len(str(error.value).splitlines()) == 3


@pytest.mark.parametrize(
    ("channels", "bits", "rate"), [(1, 16, 8000), (2, 24, 96000), (3, 32, 44100)]
)
def test_every_frame_arrives(path, channels, bits, rate):
    source = Made(channels, bits, speed=None, rate=rate)
    recording = record_capture(path, source, seconds=3.21)
    count = round(3.21 * rate)
    assert (recording.frames, recording.ended) == (count, "length reached")
    assert recording.complete
    assert recording.duration_s == pytest.approx(3.21, abs=1 / rate)
    assert np.array_equal(stored(path, bits), pattern(0, count, channels, bits))
    assert (recording.rate, recording.channels, recording.bits) == (rate, channels, bits)
    assert listed(recording)["frames"] == count
    assert source.halt.is_set()


def test_a_source_that_ends(path):
    recording = record_capture(path, Made(speed=None, end_at=12345))
    assert (recording.ended, recording.frames, recording.problem) == ("source ended", 12345, "")
    assert np.array_equal(stored(path), pattern(0, 12345))


def test_stopped_by_the_caller_and_by_ctrl_c(tmp_path):
    stop = threading.Event()
    seen = []

    def watch(progress):
        seen.append(progress)
        if progress.duration_s > 0.3:
            stop.set()

    def interrupted(progress):
        if progress.duration_s > 0.3:
            raise KeyboardInterrupt

    for name, options in (("a", {"stop": stop, "watch": watch}), ("b", {"watch": interrupted})):
        path = tmp_path / f"noise-{name}.wav"
        recording = record_capture(path, Made(2), **options)
        assert (recording.ended, recording.problem) == ("stopped", "")
        assert 0.3 * RATE < recording.frames < 2 * RATE
        assert np.array_equal(stored(path), pattern(0, recording.frames, 2))
    assert seen[-1].lost == 0
    assert max(seen[-1].peaks_dbfs) == pytest.approx(0.0, abs=0.01)
    assert seen[-1].left_s > 0
    assert seen[-1].queue_share < 0.1
    assert max(seen[-1].recent_dbfs) <= max(seen[-1].peaks_dbfs)


def test_started_is_when_the_first_sample_was_taken(path):
    source = Made(end_at=RATE // 2)
    source.delay_s = 0.25
    now, monotonic = datetime.now().astimezone(), time.monotonic()
    recording = record_capture(path, source)
    began = now + timedelta(seconds=source.begun - monotonic - 0.25)
    assert abs(recording.started - began) < timedelta(seconds=0.1)
    midnight = recording.started.replace(hour=0, minute=0, second=0, microsecond=0)
    with path.open("rb") as file:
        stamp = sigkit.captures.header.time_reference(
            file, sigkit.captures.header.find_data(file, path.stat().st_size)
        )
    assert stamp == pytest.approx((recording.started - midnight).total_seconds() * RATE, abs=1)
    assert recording.reference in path.read_bytes()[:700].decode("latin-1")
    assert datetime.fromisoformat(listed(recording)["started"]).utcoffset() is not None


# the queue


def test_a_disk_that_stands_still_loses_frames_whose_place_is_known(path, monkeypatch):
    """Zeros stand where frames were lost, so that every later one keeps its time."""
    write, stalls = GrowingWav.write, iter([0.8, 0.0, 0.7])

    def slow(self, frames):
        if self.length > 5000 * 6:
            time.sleep(next(stalls, 0.0))
        write(self, frames)

    monkeypatch.setattr(GrowingWav, "write", slow)
    recording = record_capture(path, Made(2, speed=1.0, end_at=3 * RATE), queue_s=0.25)
    assert recording.frames == 3 * RATE
    heard, true = stored(path), pattern(0, 3 * RATE, 2)
    lost = np.zeros(len(true), bool)
    for one in recording.lost:
        assert one.filled
        assert one.at_s == one.frame / RATE
        assert one.cause == "the disk did not keep up"
        lost[one.frame : one.frame + one.frames] = True
    print(f"\n{len(recording.lost)} places, {lost.sum()} frames")
    assert 1 <= len(recording.lost) <= 6
    assert lost.sum() > RATE // 5
    assert not heard[lost].any()
    assert np.array_equal(heard[~lost], true[~lost])
    assert not recording.complete
    assert [one["frame"] for one in listed(recording)["lost"]] == [
        one.frame for one in recording.lost
    ]
    assert "frames lost, zeros in their place" in "\n".join(recording.lines())


def test_what_is_lost_at_the_very_end_is_counted_too(path, monkeypatch):
    """The queue is still full when the source ends."""
    write = GrowingWav.write
    monkeypatch.setattr(
        GrowingWav, "write", lambda self, frames: (time.sleep(0.5), write(self, frames))
    )
    recording = record_capture(path, Made(end_at=RATE), queue_s=0.1)
    assert recording.frames == RATE
    assert recording.lost[-1].frame + recording.lost[-1].frames == RATE


def test_the_callback_never_waits(path, monkeypatch):
    """However slow the disk; the bound is one block at 96 kHz."""
    write = GrowingWav.write
    monkeypatch.setattr(
        GrowingWav, "write", lambda self, frames: (time.sleep(0.2), write(self, frames))
    )
    source = Made(2, end_at=96000, rate=96000)
    record_capture(path, source, queue_s=0.1)
    print(f"\nslowest delivery: {1e3 * source.slowest_s:.2f} ms")
    assert source.slowest_s < 0.1


def test_sound_that_the_sound_card_lost_is_placed(path):
    source = Made(end_at=20000, speed=None, overflows=[(0, np.nan), (7001, 0.05), (15000, np.nan)])
    recording = record_capture(path, source)
    assert [(one.frame, one.frames, one.filled) for one in recording.lost] == [
        (0, 0, False),
        (7001, 2400, False),
        (15000, 0, False),
    ]
    assert recording.frames == 20000  # nothing is put in where its length is not known
    assert np.array_equal(stored(path), pattern(0, 20000))
    words = "\n".join(recording.lines())
    assert "in 3 places" in words
    assert "at 0.146 s about 50 ms lost" in words
    assert "how much is not known" in words


def test_losses_are_listed_while_it_runs(path):
    """A recorder that is killed leaves the list of what was lost until then."""
    seen = []

    def watch(_):
        if list_path(path).exists():
            seen.append(json.loads(list_path(path).read_text()))

    record_capture(path, Made(end_at=RATE, overflows=[(100, np.nan)]), watch=watch)
    assert any(data["ended"] == "recording" and data["lost"] for data in seen)


def test_queue_of_frames():
    queue = Intake(2, 4)
    queue.deliver(memoryview(b"aabb"))
    assert bytes(queue.take()) == b"aabb"
    queue.release(4)
    queue.deliver(memoryview(b"ccddee"))
    assert bytes(queue.take()) == b"ccdd"  # to the end of the ring
    queue.release(4)
    queue.deliver(memoryview(b"ffgghhii"))  # no room: four frames lost
    assert (queue.held, queue.room, queue.missed) == (2, 3, 4)
    queue.deliver(memoryview(b"jj"))  # more than half of it is free: it goes on
    assert bytes(queue.take()) == b"ee"
    queue.release(2)
    assert queue.take() == Mark(10, 4)
    assert bytes(queue.take()) == b"jj"
    queue.release(2)
    assert queue.take() is None
    queue.deliver(memoryview(b"k" * 10))
    queue.close()
    assert queue.take() == Mark(12, 5)
    queue.deliver(memoryview(b"ll"))
    assert queue.take() is None
    assert queue.delivered == 15


def test_queue_against_a_plain_list():
    """Random deliveries and takes: what comes out, zeros for what was lost, is what went in."""
    rng = np.random.default_rng(5)
    for _ in range(200):
        queue, put, got = Intake(2, int(rng.integers(3, 30))), [], []
        for _ in range(int(rng.integers(5, 80))):
            if rng.random() < 0.5:
                block = rng.integers(1, 256, 2 * int(rng.integers(1, 12)), np.uint8).tobytes()
                queue.deliver(memoryview(block))
                put.append(block)
            elif (piece := queue.take()) is not None:
                take_over(queue, piece, got, rng)
        queue.close()
        while (piece := queue.take()) is not None:
            take_over(queue, piece, got, rng)
        sent, heard = b"".join(put), b"".join(got)
        assert len(heard) == len(sent) == 2 * queue.delivered
        assert all(h in (0, s) for h, s in zip(heard, sent, strict=True))
        assert queue.held == 0


def take_over(queue, piece, got, rng):
    if isinstance(piece, Mark):
        got.append(bytes(2 * piece.frames))
    else:
        some = piece[: 2 * int(rng.integers(1, len(piece) // 2 + 1))]
        got.append(bytes(some))
        queue.release(len(some))


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


# the sound card


@pytest.mark.parametrize("hangs", [False, True])
def test_a_source_that_falls_silent_is_unplugged(path, monkeypatch, hangs):
    """Also where stopping it never comes back."""
    monkeypatch.setattr(record, "STALL_S", 0.4)
    monkeypatch.setattr(record, "STOP_S", 0.3)
    start = time.monotonic()
    source = Made(halt_at=10_000, hangs=hangs)
    recording = record_capture(path, source)
    source.free.set()
    assert time.monotonic() - start < 3
    assert (recording.ended, recording.frames) == ("no sound arrives", 10_000)
    assert "No sound has come from a made source" in recording.problem
    assert "cable" in recording.remedy
    assert np.array_equal(stored(path), pattern(0, 10_000))


def test_a_source_that_says_it_is_gone(path):
    recording = record_capture(path, Made(fail_at=10_000))
    assert recording.problem == "The made source was unplugged."
    assert np.array_equal(stored(path), pattern(0, 10_000))


def test_not_a_single_frame_leaves_no_file(path, monkeypatch):
    monkeypatch.setattr(record, "STALL_S", 0.2)
    with pytest.raises(SignalError, match="No sound has come") as error:
        record_capture(path, Made(halt_at=0))
    assert three_lines(error)
    assert not list(path.parent.iterdir())
    with pytest.raises(SignalError, match="Not a single frame"):
        record_capture(path, Made(end_at=0))
    assert not list(path.parent.iterdir())


def test_a_source_that_does_not_start_leaves_no_file(path):
    source = Made()
    source.start = lambda _: (_ for _ in ()).throw(SignalError("It is in use."))
    with pytest.raises(SignalError, match="in use"):
        record_capture(path, source)
    assert not list(path.parent.iterdir())


def test_sound_slower_than_the_clock_is_said(path):
    source = Made(speed=0.6, end_at=RATE)
    source.live = True
    recording = record_capture(path, source)
    assert any("by the computer's clock" in note for note in recording.notes)


def test_a_computer_that_slept_is_said(path, monkeypatch):
    slept = [0.0]
    passing = disk_writer.passing
    monkeypatch.setattr(disk_writer, "passing", lambda: passing() + slept[0])

    def watch(progress):
        if progress.duration_s > 0.3:
            slept[0] = 600.0

    source = Made(end_at=RATE)
    source.live = True
    recording = record_capture(path, source, watch=watch)
    assert [one.cause for one in recording.lost] == ["the computer slept"]
    assert recording.lost[0].frames == pytest.approx(600 * RATE, rel=1e-4)
    assert 0.2 < recording.lost[0].at_s < 0.9
    assert not recording.lost[0].filled


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


# refusals


def test_nothing_is_written_over(path):
    path.write_bytes(b"mine")
    with pytest.raises(InputError, match="nothing is ever written over") as error:
        record_capture(path, Made(), seconds=1)
    assert three_lines(error)
    assert path.read_bytes() == b"mine"
    path.unlink()
    list_path(path).write_text("mine too")
    with pytest.raises(InputError, match="nothing is ever written over"):
        record_capture(path, Made(), seconds=1)
    assert list_path(path).read_text() == "mine too"
    assert not path.exists()


def test_a_file_that_comes_up_meanwhile_is_not_written_over(path, monkeypatch):
    monkeypatch.setattr(record, "_target", Path)
    path.write_bytes(b"mine")
    with pytest.raises(InputError, match="nothing is ever written over"):
        record_capture(path, Made(), seconds=1)
    path.unlink()
    list_path(path).write_text("mine too")
    with pytest.raises(InputError, match="nothing is ever written over"):
        record_capture(path, Made(), seconds=1)
    assert not path.exists()


@pytest.mark.parametrize(
    ("name", "options", "words"),
    [
        ("x.flac", {}, "A recording is a WAV file"),
        ("nowhere/x.wav", {}, "no such folder"),
        ("x.wav", {"seconds": 0}, "above zero"),
        ("x.wav", {"seconds": float("nan")}, "above zero"),
    ],
)
def test_refusals(tmp_path, name, options, words):
    with pytest.raises(InputError, match=words) as error:
        record_capture(tmp_path / name, Made(), **options)
    assert three_lines(error)
    assert not list(tmp_path.iterdir())


def test_a_source_of_odd_bits(path):
    with pytest.raises(InputError, match="20 bits"):
        record_capture(path, Made(bits=20))


def test_a_folder_that_may_not_be_written(path, monkeypatch):
    def refused(*_, **__):
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "open", refused)
    with pytest.raises(SignalError, match="No file can be made there: Permission denied") as error:
        record_capture(path, Made(), seconds=1)
    assert three_lines(error)


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


# what is said when the capture is opened


def test_losses_are_a_note_of_the_capture(path):
    record_capture(path, Made(end_at=90000, speed=None, overflows=[(48000, np.nan)]))
    assert sigkit.open_capture(path).notes == ("sound lost while recording in 1 place, at 1.000 s",)
    list_path(path).write_text(list_path(path).read_text().replace("90000", "90001"))
    assert sigkit.open_capture(path).notes == ()  # the list of another recording
    for text in ("", "[]", "{}", '{"schema": 1, "ended": "recording", "lost": [1], "problem": 1}'):
        list_path(path).write_text(text)
        assert sigkit.open_capture(path).notes == ()


def test_an_early_end_is_a_note_of_the_capture(path):
    record_capture(path, Made(fail_at=50000, speed=None))
    assert sigkit.open_capture(path).notes == (
        "the recorder ended early: The made source was unplugged.",
    )


def test_silence_that_the_system_put_in_is_listed(path):
    class Padded(Made):
        def play(self, intake):
            for first in range(0, 5000, 1000):
                intake.deliver(packed(pattern(first, 1000)), padded=first == 3000)
            self.ended = "end"

    recording = record_capture(path, Padded(speed=None))
    assert [(one.frame, one.frames, one.filled) for one in recording.lost] == [(3000, 1000, True)]
    assert "put silence in" in recording.lost[0].cause
    assert recording.frames == 5000


# faults of a program


def test_a_fault_of_ours_or_of_the_caller_keeps_the_sound(tmp_path, monkeypatch):
    """Raised as it is, but after the file is closed; no thread is left."""
    before = set(threading.enumerate())

    def clumsy(progress):
        if progress.duration_s > 0.3:
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        record_capture(tmp_path / "noise-a.wav", Made(), watch=clumsy)
    add, calls = InputLevel.add, []

    def wrong(self, raw):
        calls.append(raw)
        if len(calls) > 3:
            raise LookupError
        add(self, raw)

    monkeypatch.setattr(InputLevel, "add", wrong)
    with pytest.raises(LookupError):
        record_capture(tmp_path / "noise-b.wav", Made())
    for name in ("a", "b"):
        heard = stored(tmp_path / f"noise-{name}.wav")
        assert len(heard) > RATE // 10
        assert np.array_equal(heard, pattern(0, len(heard)))
    assert set(threading.enumerate()) <= before
