"""The time left is said of whatever takes more than three seconds, and of nothing else."""

import io
import sys

import pytest

from sigkit.evidence.run import progress
from sigkit.evidence.run.progress import Progress, spoken


@pytest.fixture(autouse=True)
def no_notebook(monkeypatch):
    """Whatever other tests have imported."""
    monkeypatch.delitem(sys.modules, "ipykernel", raising=False)


class Terminal(io.StringIO):
    def isatty(self):
        return True


class Clock:
    def __init__(self):
        self.now_s = 100.0

    def __call__(self):
        return self.now_s


@pytest.fixture
def clock(monkeypatch):
    clock = Clock()
    monkeypatch.setattr(progress.time, "monotonic", clock)
    return clock


def test_time_left_follows_from_the_work_done_not_from_the_count(clock):
    with Progress("measuring", "captures", 3, 10.0, shown=False) as shown:
        assert shown.left_s() is None
        clock.now_s += 6
        shown.done(4.0)
        assert shown.left_s() == pytest.approx(9.0)  # 6 s for 4 of 10
        clock.now_s += 9
        shown.done(6.0, 2)
        assert shown.left_s() == 0.0


def test_plain_lines_where_there_is_no_terminal(monkeypatch, capsys):
    monkeypatch.setattr(progress, "QUIET_S", 0.05)
    monkeypatch.setattr(progress, "LINE_EVERY_S", 0.05)
    with Progress("measuring", "captures", 2, 2.0) as shown:
        shown._over.wait(0.12)
        shown.done(1.0)
        shown._over.wait(0.12)
        shown.done(1.0)
    lines = capsys.readouterr().err.splitlines()
    assert lines[0] == "measuring: 0 of 2 captures, time left not known yet"
    assert any(line.startswith("measuring: 1 of 2 captures, ") for line in lines)
    assert lines[-1].startswith("measuring: 2 of 2 captures, done in ")


def test_a_bar_on_a_terminal_appears_only_after_three_seconds(monkeypatch):
    screen = Terminal()
    monkeypatch.setattr("sys.stderr", screen)
    monkeypatch.setattr(progress, "QUIET_S", 0.05)
    with Progress("measuring", "captures", 2, 4.0) as shown:
        shown.done(1.0)
        assert screen.getvalue() == ""
        shown._over.wait(0.2)
        shown.done(3.0)
    assert "measuring: 2 of 2 captures: 100%|" in screen.getvalue()
    assert " so far, " in screen.getvalue()


def test_a_notebook_names_the_last_number_and_never_less_than_no_time_left(monkeypatch):
    screen = Terminal()
    monkeypatch.setattr("sys.stderr", screen)
    monkeypatch.setitem(sys.modules, "ipykernel", None)
    monkeypatch.setattr(progress, "QUIET_S", 0.0)
    with Progress("measuring", "captures", 3, 0.3) as shown:
        for _ in range(2):
            shown.done(0.1)
        shown.done(0.1 + 1e-6, last="1_before/slider-volume.wav: 6.0 per pass")
        assert shown._bar.n <= shown._bar.total
        shown._bar.refresh()
    assert "slider-volume.wav: 6.0 per pass" in screen.getvalue()
    assert "-00:00" not in screen.getvalue()


def test_what_is_quick_says_nothing(capsys):
    with Progress("measuring", "captures", 1, 1.0) as shown:
        shown.done(1.0)
    with Progress("measuring", "captures", 0, 0.0):
        pass
    assert capsys.readouterr() == ("", "")


def test_nothing_is_left_running_after_an_error():
    with pytest.raises(KeyboardInterrupt), Progress("measuring", "captures", 1, 1.0) as shown:
        raise KeyboardInterrupt
    assert not shown._ticker.is_alive()


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0.4, "0 s"), (59.6, "1 min 0 s"), (125, "2 min 5 s"), (7260, "2 h 1 min")],
)
def test_times_for_people(seconds, words):
    assert spoken(seconds) == words
