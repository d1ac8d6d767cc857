"""The sound of a key sweep, read once: at a rate that its notes need, its hum taken out."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import ndimage, signal

from sigkit.arrays import Flags, Real, runs
from sigkit.captures.wav import Capture
from sigkit.errors import SignalError
from sigkit.tracks.keyboard.hum import take_mains_out

LEAST_RATE = 22_050
"""The rate is divided as long as it stays at this or above: partials up to 9.5 kHz are kept."""
MOST_S = 1800.0
"""Longest capture: 61 keys held for 10 s each, up and down, take 20 min. It bounds the memory."""
BLOCK_S = 5.0
MAINS_S = 240.0
"""Hum is learned and taken out in sections of so long at most."""
FRAME_S = 0.005
FRAMES = 4096
"""Frames whose sums are worked out at once."""
QUIET = 2.5
"""Power re the floor below which nothing sounds."""
QUIET_S = 0.06


@dataclass(frozen=True, eq=False)
class KeySound:
    """A whole key sweep at a reduced rate.

    Parameters
    ----------
    sound : ndarray, shape (n_samples,)
        Samples, full scale = 1, hum and direct voltage taken out.
    rate : int
        Samples a second.
    power : ndarray, shape (n_frames,)
        Mean square of the sound over the time of a period of the lowest note, every 5 ms.
    floor, typical : float
        Power where nothing sounds, and of a usual note.
    mains_hz : float
        Frequency of the hum that was taken out; nan: none.
    strays : bool
        Whether that strays, so that some hum is left.
    """

    sound: Real
    rate: int
    power: Real
    floor: float
    typical: float
    mains_hz: float
    strays: bool = False

    @property
    def frame_s(self) -> float:
        """From one frame of ``power`` to the next, s: 5 ms in whole samples."""
        return frame_size(self.rate) / self.rate

    @property
    def end_s(self) -> float:
        """Length in seconds."""
        return self.sound.size / self.rate

    def part(self, start_s: float, stop_s: float) -> Real:
        """Return the samples between two instants."""
        first, last = round(start_s * self.rate), round(stop_s * self.rate)
        return self.sound[max(0, first) : max(0, last)]


def key_sound(capture: Capture, low_hz: float) -> KeySound:
    """Read a capture once and take out hum and direct voltage.

    Parameters
    ----------
    capture : Capture
        A key sweep.
    low_hz : float
        Lowest pitch expected.

    Raises
    ------
    SignalError
        Longer than a sweep can be, or nothing stands out of the noise.
    """
    if capture.duration_s > MOST_S:
        raise SignalError(
            f"The capture lasts {capture.duration_s / 60:.0f} min; a key sweep is read up to "
            f"{MOST_S / 60:.0f} min.",
            where=capture.path.name,
            remedy="Cut a copy to the sweep, or record the sweep by itself.",
        )
    factor = max(1, capture.rate // LEAST_RATE)
    while capture.rate % factor:
        factor -= 1
    sound = _thinned(capture, factor)
    rate = capture.rate // factor
    if not all(np.isfinite(part).all() for part in _sections(sound, rate)):
        raise SignalError(
            "The capture holds samples that are not numbers.",
            where=capture.path.name,
            remedy="Record again.",
        )
    window_s = max(0.01, 1 / low_hz)
    mean, power = _framed(sound, rate, window_s)
    still = _quiet(power)
    sound -= np.float32(mean[still if still.any() else slice(None)].mean())
    found = [take_mains_out(part, rate) for part in _sections(sound, rate)]
    mains = [hz for hz, _ in found if np.isfinite(hz)]
    strays = any(part for _, part in found)
    mains_hz = float(np.median(mains)) if mains else float("nan")
    power = power_of(sound, rate, window_s)
    quiet = _quiet(power)
    floor = float(np.median(power[quiet])) if quiet.any() else float(power.min(initial=0.0))
    loud = power[power > max(20 * floor, 1e-3 * float(power.max(initial=0.0)), 1e-18)]
    if loud.size < 10:
        raise SignalError(
            "No note stands out of the noise.",
            where=capture.path.name,
            remedy="Play louder, raise the gain, and record nothing but the sweep.",
        )
    return KeySound(sound, rate, power, floor, float(np.median(loud)), mains_hz, strays)


def frame_size(rate: int) -> int:
    """Return the samples of a frame."""
    return max(1, round(FRAME_S * rate))


def power_of(sound: Real, rate: int, window_s: float) -> Real:
    """Mean square over a running window, every 5 ms, shape (n_frames,)."""
    return _framed(sound, rate, window_s)[1]


def _framed(sound: Real, rate: int, window_s: float) -> tuple[Real, Real]:
    """Mean of every 5 ms, and mean square over a running window, shape (n_frames,) each."""
    size = frame_size(rate)
    count = sound.size // size
    mean, square = np.empty(count), np.empty(count)
    for i in range(0, count, FRAMES):
        part = sound[i * size : min(i + FRAMES, count) * size].reshape(-1, size)
        part = part.astype(np.float64)
        mean[i : i + FRAMES] = part.mean(axis=1)
        square[i : i + FRAMES] = np.mean(part**2, axis=1)
    width = max(2, round(window_s / FRAME_S))
    # Running sums may end a little below zero in digital silence.
    return mean, np.maximum(ndimage.uniform_filter1d(square, width, mode="nearest"), 0.0)


def _sections(sound: Real, rate: int) -> list[Real]:
    """Return a sound in equal sections, as views of it."""
    count = max(1, -(-sound.size // round(MAINS_S * rate)))
    edges = np.linspace(0, sound.size, count + 1).astype(int).tolist()
    return [sound[a:b] for a, b in itertools.pairwise(edges)]


def _thinned(capture: Capture, factor: int) -> Real:
    """Read the capture block by block, low-passed and thinned by a whole factor."""
    out = np.empty(-(-capture.frames // factor), np.float32)
    size = 0
    for part in _thin_parts(capture, factor):
        part = part[: out.size - size]
        out[size : size + part.size] = part
        size += part.size
    return out[:size]


def _thin_parts(capture: Capture, factor: int) -> Iterator[Real]:
    if factor == 1:
        yield from capture.blocks(BLOCK_S)
        return
    half = 32 * factor
    taps = signal.firwin(2 * half + 1, 0.43 * 2 / factor, window=("kaiser", 8.0))
    held, begin, next_out = np.zeros(half), -half, 0
    for block in capture.blocks(BLOCK_S):
        held = np.concatenate([held, block])
        part = _filtered(held, begin, next_out, taps, factor)
        yield part
        next_out += part.size
        drop = next_out * factor - half - begin
        held, begin = held[drop:], begin + drop
    held = np.concatenate([held, np.zeros(half)])
    yield _filtered(held, begin, next_out, taps, factor)


def _filtered(held: Real, begin: int, next_out: int, taps: Real, factor: int) -> Real:
    """Return the outputs that the held samples allow, from ``next_out`` on."""
    half = taps.size // 2
    first = next_out * factor - half - begin
    count = max(0, (held.size - first - taps.size) // factor + 1)
    if not count:
        return np.zeros(0, np.float32)
    piece = held[first : first + (count - 1) * factor + taps.size]
    full = signal.upfirdn(taps, piece, down=1)[taps.size - 1 : piece.size : factor]
    return full[:count].astype(np.float32)


def _quiet(power: Real) -> Flags:
    """Say in which frames nothing sounds."""
    if not power.size:
        return np.zeros(0, bool)
    floor = float(np.quantile(power, 0.03))
    calm = power <= QUIET * max(floor, 1e-20)
    out = np.zeros(power.size, bool)
    for a, b in runs(calm):
        if (b - a) * FRAME_S >= QUIET_S:
            out[a + 2 : b - 2] = True
    return out
