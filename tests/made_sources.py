"""Sources to record from that fail on purpose; their samples tell their own place."""

import threading
import time

import numpy as np

RATE = 48000


def pattern(first, count, channels=1, bits=24):
    """Integer samples that no other place shares for a long while; no clipping, never zero."""
    place = np.arange(first, first + count, dtype=np.int64)[:, None]
    mixed = (place * 40503 + 7919 * np.arange(channels)) % (2 ** (bits - 1) - 3)
    return (mixed + 1).astype(np.int32) * np.where(place % 2, -1, 1)


def packed(samples, bits=24):
    wide = np.ascontiguousarray(samples, "<i4").view(np.uint8).reshape(-1, 4)
    return memoryview(wide[:, : bits // 8].tobytes())


class Made:
    """Delivers `pattern` in blocks of uneven length, at ``speed`` times its own time.

    ``speed`` None waits for room in the queue instead. ``halt_at`` goes silent at that frame,
    ``fail_at`` says so, ``end_at`` has no more; ``overflows`` are frames before which the sound
    card has lost some.
    """

    def __init__(
        self,
        channels=1,
        bits=24,
        *,
        speed=1.0,
        halt_at=None,
        fail_at=None,
        end_at=None,
        overflows=(),
        rate=RATE,
        wait_for=None,
        hangs=False,
    ):
        self.rate, self.channels, self.bits = rate, channels, bits
        self.name, self.notes, self.ended, self.delay_s = "a made source", (), "", 0.0
        self.live = False
        self.speed, self.overflows = speed, list(overflows)
        self.halt_at, self.fail_at, self.end_at = halt_at, fail_at, end_at
        self.wait_for = wait_for
        self.hangs = hangs
        self.begun = None
        self.halt, self.free = threading.Event(), threading.Event()
        self.slowest_s = 0.0

    def start(self, intake):
        self.begun = time.monotonic()
        self.thread = threading.Thread(target=self.play, args=(intake,), daemon=True)
        self.thread.start()

    def stop(self):
        self.halt.set()
        if self.hangs:
            self.free.wait(60)
        self.thread.join()

    def play(self, intake):
        rng, first = np.random.default_rng(0), 0
        stops = [at for at in (self.halt_at, self.fail_at, self.end_at) if at is not None]
        if self.wait_for is not None:
            self.wait_for.wait()
        while not self.halt.is_set() and not intake.closed:
            count = int(rng.integers(1, self.rate // 50))
            coming = [at for at in (*stops, *(at for at, _ in self.overflows)) if at > first]
            count = min([count, *(at - first for at in coming)])
            if first == self.end_at:
                self.ended = "end"
                return
            if first == self.fail_at:
                self.ended = "The made source was unplugged."
                return
            if first == self.halt_at:
                self.halt.wait()
                return
            if self.speed is None:
                while intake.room < count and not self.halt.is_set():
                    time.sleep(0.0005)
            else:
                due = self.begun + (first + count) / self.rate / self.speed
                self.halt.wait(max(0.0, due - time.monotonic()))
            options = {}
            if self.overflows and self.overflows[0][0] == first:
                options = {"overflowed": True, "about_s": self.overflows.pop(0)[1]}
            block = packed(pattern(first, count, self.channels, self.bits), self.bits)
            at = time.perf_counter()
            intake.deliver(block, **options)
            self.slowest_s = max(self.slowest_s, time.perf_counter() - at)
            first += count
