"""A capture looked over once, frame by frame: level, spectrum, rough pitch, and what repeats.

Everything is coarse and cheap: it tells whether a capture can be measured, and is no measurement.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from sigkit.captures.repeats import Repeat, Repeats
from sigkit.captures.tally import COARSE, STEP
from sigkit.captures.watch import Silence, ZeroRuns

if TYPE_CHECKING:
    from sigkit.captures.wav import Capture

Real = NDArray[np.float64]

FRAME_S = 0.085
PARTS = 4
"""Levels are taken four times a frame as well: syllables are short."""
BANDS = 16
LOWEST_HZ = 40.0
NEIGHBOURS = 40
LOWEST_BIN = 4
"""Nearer to zero, a gate or a thump has as strong a line as a tone."""
LAG_HZ = (25.0, 4000.0)
SLOW_HZ = 1200.0
"""Rate of the slowed-down copy in which mains lines are looked for."""
SLOW_MOST_S = 1800.0
CLASS_DB = 6.0
CLASSES = 25
PLACES, PLACE_FRAMES = 64, 128


@dataclass(eq=False)
class Survey:
    """What a capture looks like.

    Parameters
    ----------
    rate, frame, channel : int
        Sample rate in Hz, samples of a frame, and the channel looked at.
    power : ndarray, shape (n_frames, n_channels)
        Variance of every frame; a full-scale sine has 0.5.
    parts : ndarray, shape (n_frames, 4, 2)
        Variance of each quarter of a frame, and of its sample-to-sample steps.
    peak : ndarray, shape (n_frames,)
        Largest distance from the frame's mean.
    contrast_db : ndarray, shape (n_frames, n_looked)
        Strongest line over the median of its neighbourhood, in the chosen channel and, in a
        stereo capture, in the other one.
    line_hz, phase_rad : ndarray, shape (n_frames,)
        The strongest line of the chosen channel: frequency, and phase at the frame's centre.
    pitch_hz, clarity : ndarray, shape (n_frames,)
        Rough pitch by the autocorrelation, and its height there, 1 for a strictly periodic sound.
    bands_db : ndarray, shape (n_frames, 16)
        Power in bands from 40 Hz to 0.45 times the rate, evenly spaced in octaves.
    floors_db : ndarray, shape (n_frames, 4)
        Tenth percentile of the power of a line in four bands from 300 Hz up: noise between lines.
    class_power, class_count : ndarray
        Power spectra of frames summed by level, in classes of 6 dB below full scale.
    slow : ndarray
        The chosen channel at about 1200 Hz, at most its first half hour.
    slow_rate : float
        Its rate in Hz.
    """

    rate: int
    frame: int
    channel: int
    power: Real
    parts: Real
    peak: Real
    contrast_db: Real
    line_hz: Real
    phase_rad: Real
    pitch_hz: Real
    clarity: Real
    bands_db: Real
    floors_db: Real
    class_power: Real
    class_count: Real
    slow: Real
    slow_rate: float
    other_channel: int = -1
    products: Real = field(default_factory=lambda: np.zeros(3))
    same: bool = False
    silences: list[Silence] = field(default_factory=list)
    repeats: list[Repeat] = field(default_factory=list)
    samples_sha256: str = ""
    excerpts: Real = field(default_factory=lambda: np.zeros((0, 0)))
    step: float = 2.0**-23

    @property
    def level_dbfs(self) -> Real:
        """Level of every frame of the chosen channel; a full-scale sine reads 0."""
        return to_dbfs(self.power[:, self.channel])

    @property
    def frame_s(self) -> float:
        """Length of a frame in seconds."""
        return self.frame / self.rate

    @property
    def top_dbfs(self) -> float:
        """Level that one frame in twenty exceeds."""
        return float(np.percentile(self.level_dbfs, 95)) if len(self.power) else -math.inf

    def loud(self, below_db: float = 30.0) -> NDArray[np.bool_]:
        """Frames within so many dB of the loud ones."""
        return self.level_dbfs > max(self.top_dbfs - below_db, -75.0)

    def tonal(self) -> NDArray[np.bool_]:
        """Frames with a pitch or a line that noise does not have."""
        return (self.contrast_db[:, 0] > 17.0) | (self.clarity > 0.7)

    def at_s(self, frame: int) -> float:
        """Return the time at which a frame begins."""
        return frame * self.frame_s


def to_dbfs(power: Real) -> Real:
    """Return a variance as a level; a full-scale sine reads 0 dBFS."""
    return 10 * np.log10(np.maximum(2 * power, 1e-20))


class Surveyor:
    """Makes a `Survey` from consecutive blocks of all channels."""

    def __init__(self, capture: Capture) -> None:
        self.capture = capture
        rate = capture.rate
        self.frame = 2 ** max(5, round(math.log2(max(rate * FRAME_S, 32))))
        self.window = signal.windows.hann(self.frame, sym=False)
        bins = self.frame // 2 + 1
        self.hz = np.arange(bins) * rate / self.frame
        top_hz = 0.45 * rate
        edges = np.geomspace(min(LOWEST_HZ, top_hz / 4), top_hz, BANDS + 1)
        at = np.searchsorted(self.hz, edges)
        for i in range(1, at.size):
            at[i] = max(at[i], at[i - 1] + 1)
        self.edges = np.minimum(at, bins - 1)
        quarter = np.geomspace(min(300.0, top_hz / 8), min(12000.0, top_hz), 5)
        self.quarters = np.maximum(np.searchsorted(self.hz, quarter), [1, 2, 3, 4, 5])
        lags = fft.irfft(np.abs(fft.rfft(self.window, 2 * self.frame)) ** 2)[: self.frame // 2]
        self.window_acf = lags / lags[0]
        other = 1 - capture.channel if capture.channels == 2 else -1
        self.other = other
        self.lists: dict[str, list[Real]] = {
            name: []
            for name in [
                "power",
                "parts",
                "peak",
                "contrast_db",
                "line_hz",
                "phase_rad",
                "pitch_hz",
                "clarity",
                "bands_db",
                "floors_db",
            ]
        }
        self.class_power, self.class_count = np.zeros((CLASSES, bins)), np.zeros(CLASSES)
        self.rest = np.zeros((0, capture.channels))
        self.every = max(1, round(rate / SLOW_HZ))
        self.taps = signal.firwin(8 * self.every + 1, 0.8 / self.every) if self.every > 1 else None
        self.slow: list[Real] = []
        self.slow_rest, self.slow_count = np.zeros(0), 0
        self.products, self.same = np.zeros(3), capture.channels == 2
        self.silences: list[Silence] = []
        self.zeros = ZeroRuns(capture.channel, self.silences)
        self.repeats = Repeats(capture.channel, STEP.get(capture.subtype, 2.0**-23))
        self.hash = hashlib.sha256()
        starts = (np.arange(PLACES) + 0.5) / PLACES * capture.frames
        self.starts = np.unique(starts.astype(int))
        self.excerpts: dict[int, Real] = {}

    def add(self, first: int, frames: Real) -> None:
        """Look at one block of all channels."""
        self.hash.update(np.ascontiguousarray(frames).data)
        self._keep_excerpts(first, frames)
        self.zeros.add(first, frames)
        if self.capture.subtype not in COARSE:  # few codes repeat by themselves
            self.repeats.add(first, frames)
        self._slow_down(frames[:, self.capture.channel])
        if self.other >= 0:
            x, y = frames[:, self.capture.channel], frames[:, self.other]
            self.products += (float(x @ x), float(y @ y), float(x @ y))
            self.same = self.same and bool(np.array_equal(x, y))
        joined = np.concatenate([self.rest, frames]) if len(self.rest) else frames
        count = len(joined) // self.frame
        self.rest = joined[count * self.frame :].copy()
        if count:
            self._look(joined[: count * self.frame].reshape(count, self.frame, -1))

    def _look(self, frames: Real) -> None:
        keep = self.lists
        power, kept = np.zeros((len(frames), frames.shape[2])), {}
        for c in range(frames.shape[2]):
            sound = frames[:, :, c] - frames[:, :, c].mean(axis=1, keepdims=True)
            power[:, c] = np.einsum("ij,ij->i", sound, sound) / self.frame
            if c in (self.capture.channel, self.other):
                kept[c] = sound
        x = kept[self.capture.channel]
        keep["power"].append(power)
        keep["peak"].append(np.abs(x).max(axis=1))
        split = x.reshape(len(x), PARTS, -1)
        steps = np.diff(split, axis=2)
        size = split.shape[2]
        both = np.einsum("ijk,ijk->ij", split, split), np.einsum("ijk,ijk->ij", steps, steps)
        spread = both[0] / size - split.mean(axis=2) ** 2
        keep["parts"].append(np.stack([np.maximum(spread, 0.0), both[1] / (size - 1)], axis=2))
        spectrum = fft.rfft(x * self.window, axis=1)
        lines = spectrum.real**2 + spectrum.imag**2 + 1e-30
        contrast, at = self._contrast(lines)
        looked = [contrast]
        if self.other >= 0:
            other = fft.rfft(kept[self.other] * self.window, axis=1)
            looked.append(self._contrast(other.real**2 + other.imag**2 + 1e-30)[0])
        keep["contrast_db"].append(np.stack(looked, axis=1))
        rows = np.arange(len(x))
        logs = np.log(lines[rows[:, None], at[:, None] + [-1, 0, 1]])
        bend = logs[:, 0] - 2 * logs[:, 1] + logs[:, 2]
        bend = np.where(bend < 0, bend, -1)
        place = at + np.clip(0.5 * (logs[:, 0] - logs[:, 2]) / bend, -0.5, 0.5)
        keep["line_hz"].append(place * self.capture.rate / self.frame)
        keep["phase_rad"].append(np.angle(spectrum[rows, at] * (1 - 2 * (at % 2))))
        pitch, clarity = self._pitch(lines)
        keep["pitch_hz"].append(pitch)
        keep["clarity"].append(clarity)
        sums = np.add.reduceat(lines, self.edges, axis=1)[:, :BANDS]
        keep["bands_db"].append(10 * np.log10(sums))
        floors = []
        for low, high in zip(self.quarters[:-1], self.quarters[1:], strict=True):
            band = lines[:, min(low, lines.shape[1] - 2) : max(high, low + 1)]
            floors.append(np.partition(band, band.shape[1] // 10, axis=1)[:, band.shape[1] // 10])
        keep["floors_db"].append(10 * np.log10(np.stack(floors, axis=1)))
        own = to_dbfs(power[:, self.capture.channel])
        number = np.clip((-own / CLASS_DB).astype(int), 0, CLASSES - 1)
        for i in np.unique(number):
            self.class_power[i] += lines[number == i].sum(axis=0)
            self.class_count[i] += np.count_nonzero(number == i)

    def _contrast(self, lines: Real) -> tuple[Real, NDArray[np.intp]]:
        """Return the strongest line over the median of its neighbourhood in dB, and its place."""
        low = max(1, math.ceil(22.0 * self.frame / self.capture.rate))
        at = lines[:, low:-1].argmax(axis=1) + low
        rows = np.arange(len(lines))
        near = np.clip(at[:, None] + np.arange(-NEIGHBOURS, NEIGHBOURS + 1), 1, lines.shape[1] - 1)
        middle = np.median(lines[rows[:, None], near], axis=1)
        contrast = 10 * np.log10(lines[rows, at] / middle)
        return np.where(at >= LOWEST_BIN, contrast, 0.0), at

    def _pitch(self, lines: Real) -> tuple[Real, Real]:
        """Return the pitch by the first of the high peaks of the autocorrelation."""
        rate = self.capture.rate
        acf = fft.irfft(lines, n=self.frame, axis=1)[:, : self.frame // 2]
        low = max(2, math.floor(rate / LAG_HZ[1]))
        high = min(max(round(rate / LAG_HZ[0]), 8), round(0.45 * self.frame))
        acf = acf[:, : high + 2] / acf[:, :1] / self.window_acf[: high + 2]
        part = acf[:, low - 1 : high + 2]
        inner = part[:, 1:-1]
        dips = np.minimum.accumulate(acf[:, : high + 1], axis=1)[:, low:]
        real = (inner > part[:, :-2]) & (inner >= part[:, 2:]) & (dips < 0.6 * inner)
        peaks = np.where(real, inner, -1.0)
        best = peaks.max(axis=1)
        lag = (peaks >= 0.93 * best[:, None]).argmax(axis=1)
        rows = np.arange(len(lines))
        left, own, right = (part[rows, lag + i] for i in (0, 1, 2))
        bend = left - 2 * own + right
        shift = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1), 0)
        pitch = rate / (lag + low + np.clip(shift, -0.5, 0.5))
        return pitch, np.clip(best, 0.0, 1.0)

    def _slow_down(self, x: Real) -> None:
        """Filter and thin out the chosen channel for the mains lines."""
        if self.slow_count >= SLOW_MOST_S * self.capture.rate / self.every:
            return
        if self.taps is None:
            self.slow.append(x.copy())
            self.slow_count += len(x)
            return
        joined = np.concatenate([self.slow_rest, x])
        length = len(self.taps)
        count = (len(joined) - length) // self.every + 1
        if count < 1:
            self.slow_rest = joined
            return
        self.slow.append(signal.upfirdn(self.taps, joined, 1, self.every)[8 : 8 + count])
        self.slow_count += count
        self.slow_rest = joined[count * self.every :].copy()

    def _keep_excerpts(self, first: int, frames: Real) -> None:
        low, high = np.searchsorted(self.starts, [first, first + len(frames)])
        for start in self.starts[low:high].tolist():
            piece = frames[start - first : start - first + PLACE_FRAMES, self.capture.channel]
            self.excerpts[start] = np.pad(piece, (0, PLACE_FRAMES - len(piece)))

    def survey(self) -> Survey:
        """Return what was seen."""
        empty = {"power": (0, self.capture.channels), "parts": (0, PARTS, 2)}
        empty |= {"contrast_db": (0, 1), "bands_db": (0, BANDS), "floors_db": (0, 4)}
        series = {
            name: np.concatenate(found) if found else np.zeros(empty.get(name, (0,)))
            for name, found in self.lists.items()
        }
        return Survey(
            rate=self.capture.rate,
            frame=self.frame,
            channel=self.capture.channel,
            class_power=self.class_power,
            class_count=self.class_count,
            slow=np.concatenate(self.slow) if self.slow else np.zeros(0),
            slow_rate=self.capture.rate / self.every,
            other_channel=self.other,
            products=self.products,
            same=self.same,
            silences=self.silences,
            repeats=self.repeats.found(),
            samples_sha256=self.hash.hexdigest(),
            excerpts=np.array(list(self.excerpts.values())),
            step=STEP.get(self.capture.subtype, 2.0**-23),
            **series,
        )
