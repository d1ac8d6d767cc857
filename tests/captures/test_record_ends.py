"""Sources that fall silent, stop or run at another speed."""

import time

import numpy as np
import pytest
from made_sources import RATE, Made, pattern
from on_disk import stored, three_lines

from sigkit.captures import disk_writer, record
from sigkit.captures.record import record_capture
from sigkit.errors import SignalError

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
