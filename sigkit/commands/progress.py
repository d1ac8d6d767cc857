"""How far a run is and how long it may still take, as a line on stderr."""

from __future__ import annotations

import contextlib
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

from sigkit.commands.say import WIDTH
from sigkit.evidence.run.progress import QUIET_S, left_s, rough

FIRST_S, RENEW_S, LINE_S = QUIET_S, 0.25, 10.0
"""Nothing is said of what takes less than the first; a terminal's line is renewed, a pipe gets
whole lines, each no more often than that."""


class Progress:
    """A line that says how far a run is.

    Parameters
    ----------
    doing : str
        What is being done, such as ``checking``.
    total : float
        How much there is to do, in any unit.
    """

    def __init__(self, doing: str, total: float) -> None:
        self.doing, self.total = doing, total
        self.terminal = sys.stderr.isatty()
        self._began = time.monotonic()
        self._shown_at = self._began
        self._on_screen = False

    def __call__(self, done: float, words: str = "") -> None:
        """Show how far it is, if it is time.

        Parameters
        ----------
        done : float
            How much is done, in the unit of the total.
        words : str, optional
            What to show beside it, such as ``3 of 46``.
        """
        if not self.due():
            return
        left = left_s(time.monotonic() - self._began, done, self.total)
        told = "" if left is None else f", about {rough(left)} left"
        self.show(f"{self.doing} {words}{told}".replace("  ", " "))

    def due(self) -> bool:
        """Return whether it is time to show something; then the next time counts from now."""
        now = time.monotonic()
        wait_s = RENEW_S if self.terminal else LINE_S
        if now - self._began < FIRST_S or now - self._shown_at < wait_s:
            return False
        self._shown_at = now
        return True

    def show(self, text: str) -> None:
        """Write a text over the line, or as a line where there is no terminal."""
        with contextlib.suppress(OSError):
            end = "" if self.terminal else "\n"
            start = "\r" if self.terminal else ""
            shown = f"{text[: WIDTH - 1]:{WIDTH - 1}}" if self.terminal else text
            print(f"{start}{shown}", end=end, file=sys.stderr, flush=True)
            self._on_screen = self.terminal

    def clear(self) -> None:
        """Take the line off the terminal, so that something else can be printed."""
        if self._on_screen:
            with contextlib.suppress(OSError):
                print(f"\r{'':{WIDTH - 1}}\r", end="", file=sys.stderr, flush=True)
            self._on_screen = False


@contextmanager
def waiting(doing: str, usual_s: float) -> Iterator[None]:
    """Show how long something goes on that does not say how far it is.

    Parameters
    ----------
    doing : str
        What is being done.
    usual_s : float
        How long that usually takes.
    """
    progress, done = Progress(doing, usual_s), threading.Event()

    def tick() -> None:
        began = time.monotonic()
        while not done.wait(RENEW_S):
            if not progress.due():
                continue
            spent = time.monotonic() - began
            left = usual_s - spent
            more = f"usually about {rough(left)} more" if left > 1 else "longer than usual"
            progress.show(f"{doing}: {rough(spent)} so far, {more}")

    thread = threading.Thread(target=tick, daemon=True)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join()
        progress.clear()
