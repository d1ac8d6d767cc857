"""A capture that is watched while it is read: what a recorder does wrong shows without a pitch.

Runs of zeros, and single samples that stick out of every channel at once, are found in the same
pass in which a track is made; a few excerpts are kept for what is measured afterwards.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, fields

import numpy as np
from numpy.typing import NDArray

from sigkit.arrays import Flags, Real
from sigkit.captures.wav import Capture

LEAST_ZEROS = 8
"""Zeros in a row that are a patch of silence; less is what 16 bits make of a quiet passage."""
PART_S = 0.05
"""Length of sound whose sharpest sample is compared with that of its neighbours: a period."""
NEIGHBOURS = 4
STICKS_OUT = 4.0
"""How many times a glitch sticks out further than any other sample near it."""
MOST = 20_000
"""Finds that are kept; a sound with more rests at zero by itself."""
EXCERPTS_AT = (0.25, 0.5, 0.75)


@dataclass(frozen=True)
class Silence:
    """A run of zeros in the chosen channel.

    Parameters
    ----------
    first, samples : int
        Where it begins and how long it is.
    channels : tuple of int
        Channels that are zero too.
    beside : float
        The larger of the samples just before and after it.
    """

    first: int
    samples: int
    channels: tuple[int, ...]
    beside: float


@dataclass(frozen=True)
class Glitch:
    """A single sample that sticks out, and the channels in which it does."""

    at: int
    channels: tuple[int, ...]


@dataclass
class Watch:
    """What was seen in passing.

    Parameters
    ----------
    silences : list of Silence
        Runs of 8 zeros or more.
    glitches : list of Glitch
        Single samples that stick out of the chosen channel.
    peaks : ndarray, shape (n_channels,)
        Largest sample of every channel.
    excerpts : list of (float, ndarray)
        Start in seconds and sound of a few blocks of the chosen channel.
    """

    silences: list[Silence] = field(default_factory=list)
    glitches: list[Glitch] = field(default_factory=list)
    peaks: Real = field(default_factory=lambda: np.zeros(0))
    excerpts: list[tuple[float, Real]] = field(default_factory=list)

    @property
    def alive(self) -> tuple[int, ...]:
        """Channels that hold any sound: a silent one proves nothing."""
        return tuple(np.flatnonzero(self.peaks > 0).tolist())


class ZeroRuns:
    """Runs of zeros through consecutive blocks."""

    def __init__(self, channel: int, found: list[Silence]) -> None:
        self.channel, self.found = channel, found
        self.run, self.before = 0, 0.0
        self.shared: Flags = np.zeros(0, dtype=bool)

    def add(self, first: int, frames: Real) -> None:
        """Look at one block of all channels."""
        sound = frames[:, self.channel]
        zero = sound == 0
        edges = np.flatnonzero(np.diff(np.concatenate([[self.run > 0], zero, [False]])))
        if self.run:
            edges = np.concatenate([[0], edges])
        for begin, end in edges.reshape(-1, 2).tolist():
            shared: Flags = ~np.any(frames[begin:end], axis=0)
            if begin == 0 and self.run:
                length, before, shared = self.run + end, self.before, shared & self.shared
            else:
                length = end - begin
                before = float(abs(sound[begin - 1])) if begin else self.before
            if end == zero.size:
                self.run, self.before, self.shared = length, before, shared
                return
            if length >= LEAST_ZEROS and len(self.found) < MOST:
                beside = max(before, float(abs(sound[end])))
                channels = tuple(np.flatnonzero(shared).tolist())
                self.found.append(Silence(first + end - length, length, channels, beside))
        self.run, self.before = 0, float(abs(sound[-1]))


@dataclass(frozen=True, eq=False)
class WatchedCapture(Capture):
    """A capture that looks at what `blocks` hands out; see `watched`."""

    inner: Capture = field(kw_only=True)
    watch: Watch = field(default_factory=Watch, kw_only=True)

    def frame_blocks(self, seconds: float = 10.0) -> Iterator[tuple[int, NDArray[np.float64]]]:
        """Read every channel in blocks, as the capture behind it does."""
        return self.inner.frame_blocks(seconds)

    def read(self, start_s: float = 0.0, stop_s: float | None = None) -> NDArray[np.float64]:
        """Read a stretch, as the capture behind it does."""
        return self.inner.read(start_s, stop_s)

    def blocks(self, seconds: float = 10.0) -> Iterator[NDArray[np.float64]]:
        """Read the channel in blocks, as `Capture.blocks` does, and watch every channel."""
        watch, wanted = self.watch, [int(share * self.frames) for share in EXCERPTS_AT]
        watch.silences, watch.glitches, watch.excerpts = [], [], []
        watch.peaks = np.zeros(self.channels)
        zeros = ZeroRuns(self.channel, watch.silences)
        last = np.zeros((2, self.channels))
        for first, frames in self.frame_blocks(seconds):
            sound = np.ascontiguousarray(frames[:, self.channel])
            np.maximum(watch.peaks, np.abs(frames).max(axis=0), out=watch.peaks)
            zeros.add(first, frames)
            joined = np.concatenate([last, frames])
            for at, channels in _glitches(joined, self.channel, round(PART_S * self.rate)):
                if len(watch.glitches) < MOST:
                    watch.glitches.append(Glitch(first - 2 + at, channels))
            last = joined[-2:]
            if any(first <= at < first + len(frames) for at in wanted):
                watch.excerpts.append((first / self.rate, sound.copy()))
            yield sound


def _glitches(frames: Real, channel: int, size: int) -> Iterator[tuple[int, tuple[int, ...]]]:
    """Yield single samples that stick out of both neighbours, further than any other near."""
    parts = (len(frames) - 2) // size
    if parts < 2 * NEIGHBOURS:
        return
    sharp = _sharpness(frames[:, channel])
    split = sharp[: parts * size].reshape(parts, size)
    place = split.argmax(axis=1)
    peak = split[np.arange(parts), place]
    around = np.lib.stride_tricks.sliding_window_view(
        np.pad(peak, NEIGHBOURS, mode="reflect"), 2 * NEIGHBOURS + 1
    ).copy()
    around[:, NEIGHBOURS] = 0.0
    for part in np.flatnonzero(peak > STICKS_OUT * around.max(axis=1)).tolist():
        at = part * size + int(place[part]) + 1
        channels = [c for c in range(frames.shape[1]) if _sticks_out(frames[:, c], at, size)]
        if channel in channels:
            yield at, tuple(channels)


def _sharpness(sound: Real) -> Real:
    """By how much each sample but the outer ones sticks out of both its neighbours, same side."""
    step = np.diff(sound)
    left, right = step[:-1], -step[1:]
    sharp: Real = np.where(left * right > 0, np.minimum(np.abs(left), np.abs(right)), 0.0)
    return sharp


def _sticks_out(sound: Real, at: int, reach: int) -> bool:
    """Whether one sample sticks out further than any other within reach."""
    begin = max(0, at - reach)
    sharp = _sharpness(sound[begin : at + reach])
    own, sharp[at - 1 - begin] = float(sharp[at - 1 - begin]), 0.0
    return own > STICKS_OUT * float(sharp.max())


def single_samples(sound: Real, rate: int) -> NDArray[np.intp]:
    """Return the samples that stick out alone, further than any other for 0.2 s around.

    Parameters
    ----------
    sound : ndarray, shape (n_samples,)
        A sound, or what is left of it.
    rate : int
        Sample rate in Hz.
    """
    found = [at for at, _ in _glitches(sound[:, None], 0, round(PART_S * rate))]
    return np.array(found, np.intp)


def watched(capture: Capture) -> WatchedCapture:
    """Return a capture that watches what it reads; its ``watch`` is filled by ``blocks``.

    Parameters
    ----------
    capture : Capture
        Any capture.
    """
    known = {f.name: getattr(capture, f.name) for f in fields(Capture)}
    return WatchedCapture(**known, inner=capture)
