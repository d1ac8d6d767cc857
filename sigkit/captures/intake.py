"""Between the sound card and the disk: a bounded queue that its writer never waits for.

The sound card's callback may neither wait nor ask for memory. It copies its block into a ring of
fixed size. Where the ring is full, because the disk has stood still for longer than the ring lasts,
the block is lost; how many frames, and where, is known exactly.
"""

from __future__ import annotations

import math
import sys
import time
from collections import deque
from dataclasses import dataclass

RESUME_SHARE = 0.5
"""Once frames are lost, the ring takes sound again when it is this empty: one patch, not dozens."""


@dataclass(frozen=True, slots=True)
class Mark:
    """Something that happened to the sound before a byte of the ring.

    Parameters
    ----------
    at : int
        Bytes that had been put into the ring by then.
    frames : int
        Frames lost there because the ring was full; 0 where the sound card lost them itself.
    about_s : float
        Seconds that the sound card lost, by its own clock; NaN where that does not tell.
    padded : int
        Frames of silence that the sound system put in there, having no sound.
    """

    at: int
    frames: int = 0
    about_s: float = math.nan
    padded: int = 0


@dataclass(frozen=True, slots=True)
class Moment:
    """When a block came.

    Parameters
    ----------
    passing_s, since_1970_s : float
        The time by two clocks: one that is never set, and that of the day.
    frames : int
        Frames delivered by then, this block included.
    """

    passing_s: float
    since_1970_s: float
    frames: int


def passing() -> float:
    """Return seconds by a clock that runs on while the computer sleeps."""
    if sys.platform == "linux":
        return time.clock_gettime(time.CLOCK_BOOTTIME)
    return time.time()


class Intake:
    """A bounded queue of frames from one thread to another, without a lock.

    Parameters
    ----------
    frame_bytes : int
        Bytes of one frame.
    frames : int
        How many of them the queue holds.

    Notes
    -----
    One thread calls `deliver`, another one `take` and `release`. Each counter is written by one of
    them only, and what it stands for is there before it moves; so neither has to wait.
    """

    def __init__(self, frame_bytes: int, frames: int) -> None:
        self.frame_bytes = frame_bytes
        self.capacity = frame_bytes * frames
        self.marks: deque[Mark] = deque()
        self.began: Moment | None = None
        self.latest: Moment | None = None
        self.delivered = 0
        self.overflows = 0
        self.missed = 0
        self.closed = False
        self._ring = memoryview(bytearray(self.capacity))
        self._put = 0
        self._taken = 0
        self._lossy = False

    @property
    def held(self) -> int:
        """Bytes in the queue."""
        return self._put - self._taken

    @property
    def room(self) -> int:
        """Frames that fit in."""
        return (self.capacity - self.held) // self.frame_bytes

    def deliver(
        self,
        block: memoryview,
        *,
        overflowed: bool = False,
        about_s: float = math.nan,
        padded: bool = False,
    ) -> None:
        """Take over one block of whole frames; never waits.

        Parameters
        ----------
        block : memoryview
            The frames as bytes, in the order of the file.
        overflowed : bool, optional
            The sound card says that it lost sound before this block.
        about_s : float, optional
            How much, where its clock tells.
        padded : bool, optional
            The block is silence that the sound system put in for want of sound.
        """
        if self.closed:
            return
        size = len(block)
        self.delivered += size // self.frame_bytes
        self.latest = Moment(passing(), time.time(), self.delivered)
        if self.began is None:
            self.began = self.latest
        if overflowed:
            self.overflows += 1
            self.marks.append(Mark(self._put, 0, about_s))
        if padded:
            self.marks.append(Mark(self._put, padded=size // self.frame_bytes))
        free = self.capacity - self.held
        if size > free or (self._lossy and free < RESUME_SHARE * self.capacity):
            self._lossy = True
            self.missed += size // self.frame_bytes
            return
        if self.missed:
            self.marks.append(Mark(self._put, self.missed))
            self.missed = 0
        self._lossy = False
        at = self._put % self.capacity
        first = min(size, self.capacity - at)
        self._ring[at : at + first] = block[:first]
        self._ring[: size - first] = block[first:]
        self._put += size

    def take(self) -> Mark | memoryview | None:
        """Return what comes next: a mark, some frames (then `release` them), or None."""
        put = self._put  # before the marks: those in front of it are there by now
        if self.marks and self.marks[0].at <= self._taken:
            return self.marks.popleft()
        end = min(put, self.marks[0].at) if self.marks else put
        if end <= self._taken:
            return None
        at = self._taken % self.capacity
        return self._ring[at : min(at + end - self._taken, self.capacity)]

    def release(self, size: int) -> None:
        """Give the room of so many bytes back."""
        self._taken += size

    def close(self) -> None:
        """Take nothing more; what was missed at the very end becomes a mark."""
        self.closed = True
        if self.missed:
            self.marks.append(Mark(self._put, self.missed))
            self.missed = 0
