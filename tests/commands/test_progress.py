"""Time left: one line on a terminal, taken away again; whole lines now and then in a pipe."""

import io
import time
from types import SimpleNamespace

import pytest

from sigkit.commands import progress
from sigkit.commands.progress import Progress, waiting


class Screen(io.StringIO):
    terminal = True

    def isatty(self):
        return self.terminal


@pytest.fixture
def clock(monkeypatch):
    """A clock that is set by hand."""
    now = [100.0]
    monkeypatch.setattr(progress.time, "monotonic", lambda: now[0])
    return now


@pytest.fixture
def screen(monkeypatch):
    made = Screen()
    monkeypatch.setattr(progress, "sys", SimpleNamespace(stderr=made))
    return made


def test_a_terminal_shows_one_line_and_loses_it(clock, screen):
    line = Progress("checking", 100.0)
    line(10.0, "1 of 10")
    assert screen.getvalue() == ""  # the first three seconds are nobody's business
    clock[0] += 5.0
    line(20.0, "2 of 10")
    line(21.0, "2 of 10")  # too soon
    assert screen.getvalue().strip() == "checking 2 of 10, about 20 s left"
    assert screen.getvalue().startswith("\r")
    assert len(screen.getvalue()) == 80
    line.clear()
    assert screen.getvalue().endswith(f"\r{'':79}\r")


def test_a_pipe_gets_whole_lines_every_ten_seconds(clock, screen):
    screen.terminal = False
    line = Progress("checking", 100.0)
    for second in range(60):
        clock[0] = 100.0 + second
        line(second + 1.0, f"{second} of 100")
    line.clear()
    lines = screen.getvalue().splitlines()
    assert lines[0] == "checking 10 of 100, about 81 s left"
    assert len(lines) == 5
    assert "\r" not in screen.getvalue()


def test_waiting_tells_the_time_and_ends_with_the_work(monkeypatch, screen):
    monkeypatch.setattr(progress, "FIRST_S", 0.0)
    monkeypatch.setattr(progress, "RENEW_S", 0.01)
    with waiting("measuring", 500.0):
        end = time.monotonic() + 10
        while "measuring: 1 s so far, usually about 8 min more" not in screen.getvalue():
            assert time.monotonic() < end
            time.sleep(0.01)
    assert screen.getvalue().endswith("\r")
    shown = len(screen.getvalue())
    time.sleep(0.05)
    assert len(screen.getvalue()) == shown
