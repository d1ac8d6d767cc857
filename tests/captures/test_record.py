"""Recording from sources that fail on purpose: what is on disk is checked frame by frame."""

import errno
import json
import threading
import time
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from made_sources import RATE, Made, packed, pattern
from on_disk import listed, stored, three_lines

import sigkit
from sigkit.captures import record
from sigkit.captures.input_level import InputLevel
from sigkit.captures.record import record_capture
from sigkit.captures.recording import list_path
from sigkit.captures.spool import GrowingWav
from sigkit.errors import InputError, SignalError


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
