"""How far a long piece of work has come, and the time that is left."""

from __future__ import annotations

import sys
import threading
import time
from types import TracebackType
from typing import Any, Self

QUIET_S = 3.0
"""Nothing is shown of work that takes less."""
LINE_EVERY_S = 30.0
BAR = "{desc}{percentage:3.0f}%|{bar}| {elapsed} so far, {remaining} left"
LAST = "{postfix}"
"""What was done last, where there is room for it: in a notebook."""


class Progress:
    """Work of known size, shown once it takes more than three seconds.

    A bar on a terminal and in a notebook, else a plain line every half minute on stderr.

    Parameters
    ----------
    what, unit : str
        What is done with how many of what, such as ``measuring`` and ``captures``.
    count : int
        How many there are.
    effort : float
        All of the work, in any unit; the time left follows from the share that is done.
    shown : bool, optional
        Whether to show anything at all.
    soon : bool, optional
        Whether a notebook shows it from the beginning: what was found first stands beside it.
    """

    def __init__(
        self,
        what: str,
        unit: str,
        count: int,
        effort: float,
        *,
        shown: bool = True,
        soon: bool = False,
    ) -> None:
        self.what, self.unit, self.count, self.effort = what, unit, count, effort
        self.soon = soon
        self.shown = shown and count > 0 and effort > 0
        self._finished, self._done = 0, 0.0
        self._begun_s = time.monotonic()
        self._spoke_s = -1.0
        self._over = threading.Event()
        self._ticker: threading.Thread | None = None
        self._bar: Any = None

    def __enter__(self) -> Self:
        self._begun_s = time.monotonic()
        if not self.shown:
            return self
        notebook = "ipykernel" in sys.modules
        if notebook or sys.stderr.isatty():
            from tqdm.auto import tqdm

            self._bar = tqdm(
                total=self.effort,
                desc=self._words(),
                bar_format=BAR + LAST if notebook else BAR,
                smoothing=0,
                delay=0.0 if notebook and self.soon else QUIET_S,
            )
        if not notebook:  # a widget is drawn from the thread that made it
            self._ticker = threading.Thread(target=self._tick, daemon=True)
            self._ticker.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._over.set()
        if self._ticker is not None:
            self._ticker.join()
        if self._bar is not None:
            self._bar.close()
        elif self._spoke_s >= 0 and error is None:
            self._say(f"{self._words()}, done in {spoken(time.monotonic() - self._begun_s)}")

    def done(self, effort: float, count: int = 1, last: str = "") -> None:
        """Say that so many, which are so much of the work, are done, and what came out last."""
        self._finished += count
        self._done += effort
        if self._bar is not None:
            self._bar.set_description(self._words(), refresh=False)
            self._bar.set_postfix_str(last, refresh=False)
            self._bar.update(min(effort, self.effort - self._bar.n))

    def tell(self, last: str) -> None:
        """Say what was found before anything is done, where there is room for it."""
        if self._bar is not None and "ipykernel" in sys.modules:
            self._bar.set_postfix_str(last)

    def left_s(self) -> float | None:
        """Return the seconds left, as far as the share that is done tells; None before that."""
        return left_s(time.monotonic() - self._begun_s, self._done, self.effort)

    def _words(self) -> str:
        return f"{self.what}: {self._finished} of {self.count} {self.unit}"

    def _tick(self) -> None:
        if self._over.wait(QUIET_S):
            return
        while True:
            if self._bar is not None:
                self._bar.refresh()
                pause_s = 1.0
            else:
                left_s = self.left_s()
                told = (
                    "time left not known yet" if left_s is None else f"about {rough(left_s)} left"
                )
                self._say(f"{self._words()}, {told}")
                pause_s = LINE_EVERY_S
            if self._over.wait(pause_s):
                return

    def _say(self, line: str) -> None:
        self._spoke_s = time.monotonic()
        print(line, file=sys.stderr, flush=True)


def left_s(spent_s: float, done: float, total: float) -> float | None:
    """Return the seconds left after some, as far as the share that is done tells; None before that.

    Examples
    --------
    >>> left_s(10.0, 1.0, 4.0), left_s(10.0, 0.0, 4.0), left_s(10.0, 5.0, 4.0)
    (30.0, None, 0.0)
    """
    return spent_s * max(0.0, total - done) / done if done > 0 else None


def rough(seconds: float) -> str:
    """Return a time that is only estimated, in a word or two.

    Examples
    --------
    >>> [rough(seconds) for seconds in (0.2, 81.0, 500.0, 9000.0)]
    ['1 s', '81 s', '8 min', '2.5 h']
    """
    if seconds < 90:
        return f"{max(seconds, 1):.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"


def spoken(seconds: float) -> str:
    """Return a time for people: seconds, or minutes and seconds, or hours and minutes."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    return f"{whole // 3600} h {whole % 3600 // 60} min"
