"""What a tone leaves over once everything that moves smoothly is taken out, block by block.

A tone whose level, pitch, timbre or pulse width is moved by hand changes little from one period to
the next. The sound is cut into periods on its own phase, each period is foretold from those around
it, and what differs is the residual: hiss, hum, and whatever a dirty contact adds, chops or shifts.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy import fft

from sigkit.captures.watch import single_samples
from sigkit.tracks.clean_tone import CleanTone, clean_tone
from sigkit.tracks.sound import knots

if TYPE_CHECKING:
    from sigkit.captures.wav import Capture

Array = NDArray[np.floating]
Bins = NDArray[np.float32]

BIN_S = 0.001
"""Length of one bin of the track in seconds."""
CORE_S, MARGIN_S = 12.0, 1.0
LOW_HZ, SPLIT_HZ, HIGH_HZ = 500.0, 4000.0, 20_000.0
"""The mid band reaches from LOW_HZ to SPLIT_HZ, the high band from there to HIGH_HZ."""
SLOPE = 0.15
"""Half the width of a band's edges, as a share of their frequency."""
SIDE, FLOOR_S = 12, 0.2
"""Values to each side whose median is the floor, and the least time they reach."""
CORNER = 0.5
"""Share of a change of slope, within one period, by which a foretold period may be wrong."""
NEAR = (-1, 0, 1)
"""Periods in which a change of slope may show."""
BEND, NOISE_BENDS = 0.25, 6.0
"""Share of a bend by which it may be wrong, and a bend's power where there is noise alone."""


@dataclass(frozen=True, kw_only=True, eq=False)
class ResidualTrack:
    """Tone and residual in bins of 1 ms; powers are means over a bin, full scale = 1.

    Parameters
    ----------
    power : ndarray, shape (n_bins,)
        Power of the sound.
    tone_rms : ndarray, shape (n_bins,)
        Rms of the clean tone over a period; 0 where there is no tone.
    told, cross, rest : ndarray, shape (n_bins,)
        Mean square of the clean tone, mean of clean tone times residual, mean square of the
        residual.
    centre : ndarray, shape (n_bins,)
        Where in its bin the residual's energy has its centre, 0 to 1.
    mid, mid_floor, high, high_floor : ndarray, shape (n_bins,)
        Residual power in the two bands and what is usual there at this phase of the period.
    tone : ndarray of bool, shape (n_bins,)
        Where a tone is heard, gaps up to 0.35 s included.
    hz : ndarray, shape (n_bins,)
        Pitch over one period, 0 where no tone was found in the block.
    brightness : ndarray, shape (n_bins,)
        Octaves by which the clean tone's slope is steeper than that of a sine of its pitch.
    change : ndarray, shape (n_bins,)
        Power of the change of the clean tone's change, from period to period, re its own.
    even : ndarray of complex, shape (n_bins,)
        Second harmonic re the first, at the phase of the first.
    third : ndarray of complex, shape (n_bins,)
        Third harmonic, the same.
    first : ndarray, shape (n_bins,)
        Rms of the clean tone's first harmonic.
    turned : ndarray, shape (n_bins,)
        Cycles by which that turns from the bin before to this one.
    glitch : ndarray of bool, shape (n_bins,)
        Where a single sample of the residual sticks out: a recorder's fault, for whatever comes
        through a converter's filter takes several.
    clarity : ndarray, shape (n_blocks,)
        Median likeness, one period apart, of the sounding frames of each block; nan: none.
    rate : int
        Sample rate in Hz.
    """

    power: Bins
    tone_rms: Bins
    told: Bins
    cross: Bins
    rest: Bins
    centre: NDArray[np.float16]
    mid: Bins
    mid_floor: Bins
    high: Bins
    high_floor: Bins
    tone: NDArray[np.bool_]
    hz: Bins
    brightness: Bins
    change: Bins
    even: NDArray[np.complex64]
    third: NDArray[np.complex64]
    first: Bins
    turned: Bins
    glitch: NDArray[np.bool_]
    clarity: Array
    rate: int

    @property
    def time_s(self) -> Array:
        """Start of each bin in seconds."""
        return np.arange(self.power.size) * BIN_S

    @property
    def bands_hz(self) -> dict[str, tuple[float, float]]:
        """Edges of the bands; a band the sample rate leaves no room for is missing."""
        return bands_hz(self.rate)


def bands_hz(rate: int) -> dict[str, tuple[float, float]]:
    """Return the edges of the bands that a sample rate has room for."""
    top = 0.45 * rate
    bands = {"mid": (LOW_HZ, min(SPLIT_HZ, top))}
    if top > 1.2 * SPLIT_HZ:
        bands["high"] = (SPLIT_HZ, min(HIGH_HZ, top))
    return bands


def track_residual(capture: Capture) -> ResidualTrack:
    """Take the clean tone out of a capture and keep tone and residual in 1 ms bins.

    Parameters
    ----------
    capture : Capture
        One tone, 45 to 2400 Hz, whose level, pitch, timbre or pulse width may move; read once, in
        blocks.

    Returns
    -------
    ResidualTrack
        About 70 bytes for each millisecond of sound.

    Notes
    -----
    `sigkit.tracks.clean_tone` says how a period is foretold. The floor of a bin is the median of
    the residual's power over the same millisecond of 12 periods to each side or more, because what
    a waveform's edges leave behind comes back at the same phase; where the movement changes its
    speed, half of that change within a period is added.
    """
    rows: dict[str, list[NDArray[np.generic]]] = {}
    clarity = []
    for x, start, stop in _overlapping(capture):
        bins, clear = residual_of_block(x, capture.rate)
        for name, row in bins.items():
            rows.setdefault(name, []).append(row[start:stop])
        clarity.append(clear)
    joined = {name: np.concatenate(parts) for name, parts in rows.items()}
    return ResidualTrack(**joined, clarity=np.array(clarity), rate=capture.rate)


def _overlapping(capture: Capture) -> Iterator[tuple[Array, int, int]]:
    """Yield blocks with a margin at each side, and which of their bins to keep."""
    margin = round(MARGIN_S * capture.rate)
    before: Array = np.zeros(0)
    block: Array | None = None
    for following in capture.blocks(CORE_S):
        if block is not None:
            yield _framed(before, block, following[:margin], capture.rate)
            before = block[-margin:]
        block = following
    if block is not None:
        yield _framed(before, block, np.zeros(0), capture.rate)


def _framed(before: Array, core: Array, after: Array, rate: int) -> tuple[Array, int, int]:
    start = round(before.size / rate / BIN_S)
    count = max(1, int(core.size / rate / BIN_S + 1e-6))
    return np.concatenate([before, core, after]), start, start + count


def residual_of_block(x: Array, rate: int) -> tuple[dict[str, NDArray[Any]], float]:
    """Return the rows of `ResidualTrack` for one block, and its clarity."""
    count = int(np.ceil(x.size / rate / BIN_S)) + 1
    names = ["tone_rms", "told", "cross", "rest", "mid", "mid_floor", "high", "high_floor"]
    names += ["first", "turned"]
    bins: dict[str, NDArray[Any]] = {
        n: np.zeros(count, np.float32) for n in [*names, "hz", "brightness", "change"]
    }
    bins["even"], bins["third"] = np.zeros(count, np.complex64), np.zeros(count, np.complex64)
    bins["centre"] = np.full(count, 0.5, np.float16)
    bins["tone"], bins["glitch"] = np.zeros(count, bool), np.zeros(count, bool)
    x = x - x.mean()
    bins["power"] = _means(x**2, rate, count)
    tone = clean_tone(x, rate)
    if tone is None:
        return bins, np.nan
    _fill(bins, x, tone, rate, count)
    clear = tone.clarity[tone.heard]
    return bins, float(np.median(clear)) if clear.size else np.nan


def _fill(bins: dict[str, NDArray[Any]], x: Array, tone: CleanTone, rate: int, count: int) -> None:
    """Work out the rows of one block."""
    rest = x - tone.sound
    rest[~tone.known] = 0.0
    middle = (np.arange(count) + 0.5) * BIN_S * rate
    phase = np.interp(middle, np.arange(x.size), tone.cycles)
    samples = np.arange(x.size)
    known = knots(tone.cycles)
    early, late = (np.interp(phase + k, *known) for k in (-0.5, 0.5))
    turn = np.maximum(late - early, 2.0)
    own = np.interp(middle, samples, tone.quick)
    first, last = (np.interp(own + k, tone.quick, samples) for k in (-0.5, 0.5))
    bins["hz"] = (rate / np.maximum(last - first, 2.0)).astype(np.float32)
    period = Places(early, late, x.size)
    power = Running(tone.sound**2).mean(period)
    bins["tone_rms"] = np.sqrt(np.maximum(power, 0)).astype(np.float32)
    bins["first"], bins["turned"] = _first_harmonic(tone, period, phase)
    change = Running(tone.bend**2).mean(period) / np.maximum(power, 1e-20)
    bins["change"] = change.astype(np.float32)
    slope = Running(np.gradient(tone.sound) ** 2).mean(period)
    with np.errstate(divide="ignore", invalid="ignore"):
        steep = np.log2(slope / power * (turn / (2 * np.pi)) ** 2) / 2
    bins["brightness"] = np.nan_to_num(steep, posinf=0, neginf=0).astype(np.float32)
    bins["even"], bins["third"] = (
        np.interp(phase, tone.middle, h.real) + 1j * np.interp(phase, tone.middle, h.imag)
        for h in (tone.even, tone.third)
    )
    bins["told"] = _means(tone.sound**2, rate, count)
    bins["cross"] = _means(rest * tone.sound, rate, count)
    bins["rest"], bins["centre"] = _centred(rest**2, rate, count)
    bins["tone"] = tone.sounding(count, BIN_S)
    bins["glitch"][(single_samples(rest, rate) / rate / BIN_S).astype(np.intp)] = True
    here = _half_a_bin_around(middle, rate, x.size)
    around, there = _periods_around(phase, known, rate)
    near = [_half_a_bin_around(np.interp(phase + k, *known), rate, x.size) for k in NEAR]
    edges_hz = bands_hz(rate)
    each = bands((rest, tone.corner, tone.bend), edges_hz.values(), rate)
    for name, parts in zip(edges_hz, each, strict=True):
        error, kink, curve = (Running(v**2) for v in parts)
        bins[name] = np.maximum(error.mean(here), 0.0).astype(np.float32)
        floor = _floor(error, around, there)
        floor += CORNER**2 * _widest(kink, near)
        floor += BEND**2 * np.maximum(_widest(curve, near) - NOISE_BENDS * floor, 0.0)
        bins[f"{name}_floor"] = floor.astype(np.float32)


def _first_harmonic(tone: CleanTone, period: Places, phase: Array) -> tuple[Bins, Bins]:
    """Return the rms of a clean tone's first harmonic, and the cycles it turns from bin to bin."""
    turn = 2 * np.pi * tone.cycles
    real, imaginary = (Running(tone.sound * wave(turn)).mean(period) for wave in (np.cos, np.sin))
    away = np.unwrap(np.arctan2(-imaginary, real)) / (2 * np.pi)
    turned = np.diff(phase + away, prepend=0.0)
    rms = math.sqrt(2) * np.hypot(real, imaginary)
    return rms.astype(np.float32), turned.astype(np.float32)


class Places:
    """Stretches of a series of some samples, from one position to another; 0 beyond the ends."""

    def __init__(self, first: Array, last: Array, size: int) -> None:
        self.first, self.last = self._between(first, size), self._between(last, size)
        self.length = np.maximum(last - first, 1e-9)

    @staticmethod
    def _between(position: Array, size: int) -> tuple[NDArray[np.intp], Array]:
        """Return the sample before each position, and how far beyond it that lies."""
        inside = np.clip(position, 0, size)
        whole = np.minimum(inside.astype(np.intp), size - 1)
        return whole, inside - whole


class Running:
    """Means of a series over any stretches, from its running sum."""

    def __init__(self, values: Array) -> None:
        self.total = np.zeros(values.size + 1)
        np.cumsum(values, dtype=np.float64, out=self.total[1:])

    def mean(self, places: Places) -> Array:
        """Return the mean of each stretch."""
        a, b = (self._until(*edge) for edge in (places.first, places.last))
        out: Array = (b - a) / places.length
        return out

    def _until(self, whole: NDArray[np.intp], beyond: Array) -> Array:
        below = self.total[whole]
        out: Array = below + beyond * (self.total[whole + 1] - below)
        return out


def _half_a_bin_around(middle: Array, rate: int, size: int) -> Places:
    """Return the bins around some samples."""
    half = BIN_S * rate / 2
    return Places(middle - half, middle + half, size)


def _periods_around(
    phase: Array, known: tuple[Array, NDArray[np.intp]], rate: int
) -> tuple[list[Places], NDArray[np.bool_]]:
    """Return the bins at the same millisecond of the periods around, and which of them exist."""
    cycles, sample = known
    size = int(sample[-1]) + 1
    stride = np.maximum(1, np.round(np.gradient(phase) / BIN_S * FLOOR_S / SIDE))
    there = phase + np.arange(-SIDE, SIDE + 1)[:, None] * stride
    around = [_half_a_bin_around(np.interp(row, *known), rate, size) for row in there]
    return around, (there >= cycles[0]) & (there <= cycles[-1])


def _floor(error: Running, around: list[Places], known: NDArray[np.bool_]) -> Array:
    """Return the usual power of the residual at the same millisecond of the periods around."""
    power = np.empty(known.shape, np.float32)
    for row, places in zip(power, around, strict=True):
        row[:] = error.mean(places)
    power[~known] = np.inf
    power.sort(axis=0)
    number = known.sum(axis=0)
    low, high = (np.take_along_axis(power, k[None], 0)[0] for k in ((number - 1) // 2, number // 2))
    out: Array = (low.astype(np.float64) + high) / 2
    return out


def _widest(kink: Running, near: list[Places]) -> Array:
    """Return the largest power of a corner in the period before, here, and in the one after."""
    out: Array = np.max([kink.mean(there) for there in near], axis=0)
    return np.maximum(out, 0.0)


def bands(
    sounds: Sequence[Array], edges_hz: Iterable[tuple[float, float]], rate: int
) -> list[list[Bins]]:
    """Return the parts of some sounds in each band, without delay, in single precision."""
    count = sounds[0].size
    size = fft.next_fast_len(count + rate // 20, real=True)
    hz = np.arange(size // 2 + 1, dtype=np.float32) * np.float32(rate / size)
    out = []
    spectra = [fft.rfft(x.astype(np.float32), size) for x in sounds]
    for low, top in edges_hz:
        gain = np.sin(np.pi / 2 * np.clip((hz / low - 1) / (2 * SLOPE) + 0.5, 0, 1))
        gain *= np.cos(np.pi / 2 * np.clip((hz / top - 1) / (2 * SLOPE) + 0.5, 0, 1))
        out.append([fft.irfft(spectrum * gain, size)[:count] for spectrum in spectra])
    return out


def _centred(power: Array, rate: int, count: int) -> tuple[Bins, NDArray[np.float16]]:
    """Return the mean in each bin of 1 ms, and where in the bin its centre lies, 0 to 1."""
    mean = _means(power, rate, count)
    at = np.arange(power.size) / (BIN_S * rate)
    moment = _means(power * (at - np.floor(at)), rate, count)
    centre = np.full(count, 0.5, np.float16)
    np.divide(moment, mean, out=centre, where=mean > 1e-30, casting="unsafe")
    return mean, centre


def _means(values: Array, rate: int, count: int) -> Bins:
    """Return the mean in each bin of 1 ms."""
    edge = np.arange(count + 1) * BIN_S * rate
    places = Places(edge[:-1], edge[1:], values.size)
    out: Bins = Running(values).mean(places).astype(np.float32)
    return out
