"""One line of plain text that shows how a recording is going."""

from __future__ import annotations

import contextlib
import math
import sys
import time

from sigkit.captures.disk_writer import Progress
from sigkit.captures.recording import clock

WIDTH = 80
SHOW_S, LINE_S = 0.25, 10.0
LOW_DBFS, HIGH_DBFS = -18.0, -6.0
"""Where the peaks of a tone at full volume belong; common practice, no source."""


class LevelLine:
    """The line that shows how a recording is going; give it to `record_capture` as ``watch``.

    Parameters
    ----------
    terminal : bool, optional
        Renew one line, as on a terminal or in a notebook; else write one every ten seconds.
    """

    def __init__(self, terminal: bool = True) -> None:
        self.terminal = terminal
        self._shown_at = time.monotonic() if not terminal else -math.inf
        self._recent: tuple[float, ...] = ()

    def __call__(self, now: Progress) -> None:
        """Show it, if it is time."""
        pairs = zip(self._recent or now.recent_dbfs, now.recent_dbfs, strict=True)
        self._recent = tuple(max(pair) for pair in pairs)
        if time.monotonic() - self._shown_at < (SHOW_S if self.terminal else LINE_S):
            return
        self._shown_at = time.monotonic()
        text = progress_line(now, self._recent)
        self._recent = ()
        line = f"\r{text:{WIDTH - 1}}" if self.terminal else f"{text}\n"
        with contextlib.suppress(OSError):  # a closed terminal does not end a recording
            sys.stdout.write(line)
            sys.stdout.flush()

    def end(self) -> None:
        """Leave the line behind."""
        if self.terminal:
            with contextlib.suppress(OSError):
                print(flush=True)


def progress_line(now: Progress, recent_dbfs: tuple[float, ...]) -> str:
    """Return one line of at most 79 characters: time, level, clipping, losses, room on the disk."""
    top = max(now.peaks_dbfs)
    if now.clipped:
        word = f"CLIPPED {now.clipped}"
    elif top > HIGH_DBFS:
        word = "too high"
    else:
        word = "good" if top >= LOW_DBFS else "low"
    parts = [
        clock(now.duration_s),
        f"{_levels(recent_dbfs)} dBFS",
        f"highest {_levels(now.peaks_dbfs)} {word}",
        f"lost {now.lost}",
        f"disk {time_left(now.left_s)}",
    ]
    if now.queue_share > 0.25:
        parts[-1] = f"disk slow, queue {100 * now.queue_share:.0f} %"
    return "  ".join(parts)[: WIDTH - 1]


def _levels(levels_dbfs: tuple[float, ...]) -> str:
    """Return the levels of up to two channels, else the highest one."""
    shown = levels_dbfs if len(levels_dbfs) <= 2 else (max(levels_dbfs),)
    return " ".join(f"{level:.0f}" if level > -99.5 else "--" for level in shown)


def time_left(seconds: float) -> str:
    """Return how long the disk lasts, in hours or minutes."""
    if not math.isfinite(seconds):
        return "?"
    return f"{seconds / 3600:.0f} h" if seconds >= 36000 else f"{seconds / 60:.0f} min"
