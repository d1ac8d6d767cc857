"""A tone that is played while it is recorded: to learn recording without a sound card."""

from __future__ import annotations

import threading
import time

import numpy as np
from numpy.typing import NDArray

from sigkit.captures.intake import Intake

BLOCK_S = 0.02


class LiveTone:
    """A sine on every channel, as a sound card would deliver it.

    Parameters
    ----------
    frequency_hz : float
        Its frequency.
    level_dbfs : float, optional
        Its level; a full-scale sine reads 0 dBFS.
    rate, channels, bits : int, optional
        Sample rate in Hz, channels, bits of a sample (16, 24 or 32).
    live : bool, optional
        Deliver a second of sound in a second; else as fast as it is taken.
    """

    def __init__(
        self,
        frequency_hz: float,
        level_dbfs: float = -12.0,
        *,
        rate: int = 48000,
        channels: int = 1,
        bits: int = 24,
        live: bool = True,
    ) -> None:
        self.frequency_hz, self.level_dbfs = frequency_hz, level_dbfs
        self.rate, self.channels, self.bits, self.live = rate, channels, bits, live
        self.name = f"a made tone of {frequency_hz:g} Hz"
        self.notes: tuple[str, ...] = ()
        self.ended = ""
        self.delay_s = 0.0
        self._halt = threading.Event()
        self._thread: threading.Thread | None = None

    def frames(self, first: int, count: int) -> NDArray[np.int32]:
        """Return some of its frames as integers, shape (count, channels)."""
        top = 2 ** (self.bits - 1) - 1
        phase = 2 * np.pi * self.frequency_hz / self.rate * np.arange(first, first + count)
        wave = np.round(top * 10 ** (self.level_dbfs / 20) * np.sin(phase)).astype(np.int32)
        return np.repeat(wave[:, None], self.channels, axis=1)

    def start(self, intake: Intake) -> None:
        """Begin to deliver."""
        self._thread = threading.Thread(target=self._play, args=(intake,), daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Stop delivering."""
        self._halt.set()
        if self._thread is not None:
            self._thread.join()

    def _play(self, intake: Intake) -> None:
        begun, first, count = time.monotonic(), 0, round(BLOCK_S * self.rate)
        while not self._halt.is_set() and not intake.closed:
            wait_s = begun + (first + count) / self.rate - time.monotonic() if self.live else 0.0
            if self.live and wait_s > 0:
                self._halt.wait(wait_s)
                continue
            if not self.live and intake.room < intake.capacity // intake.frame_bytes // 2 + count:
                self._halt.wait(0.001)
                continue
            wide = np.ascontiguousarray(self.frames(first, count), "<i4")
            packed = wide.view(np.uint8).reshape(-1, 4)[:, : self.bits // 8]
            intake.deliver(memoryview(packed.tobytes()))
            first += count
