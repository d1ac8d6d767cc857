"""What a tone leaves over once its own repeating waveform is taken out, block by block.

A steady tone at a moving level is one waveform, repeated, times a gain. The sound is read on the
tone's own phase, the waveform is the running median over about 0.4 s of periods, and what differs
from gain times waveform is the residual: hiss, hum, and whatever a dirty contact adds or chops.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage, signal

from sigkit.tracks.frames import FRAME_HOP_S, FRAME_S, pitch_frames, sounding_bins

if TYPE_CHECKING:
    from sigkit.captures.wav import Capture

Array = NDArray[np.floating]
Bins = NDArray[np.float32]

BIN_S = 0.001
"""Length of one bin of the track in seconds."""
CORE_S, MARGIN_S = 8.0, 1.0
SPLIT_HZ, LOW_HZ = 4000.0, 400.0
"""The mid band reaches from LOW_HZ to SPLIT_HZ, the high band from there to half the rate."""
MID_HARMONICS = 2.5
"""A band that begins below so many times the pitch holds the tone itself and is not judged."""
CLEAR = 0.85
"""Least normalised autocorrelation, one period apart, of a frame that holds a tone."""
GROUPS, TEMPLATE_S = 25, 0.4
PHASE_S = 0.12
DOUBT = 0.5
TREND = 0.4
"""Share of the gain's change within one period by which the gain path may be wrong."""
CORNER = 2.5
"""The same for a corner of the gain path, in widths squared times the curvature left: a Gaussian
takes off 1, and the median before it, two widths to each side, 1.5 of an upturned corner."""


@dataclass(frozen=True, kw_only=True, eq=False)
class ResidualTrack:
    """Tone and residual in bins of 1 ms; powers are means over a bin, full scale = 1.

    Parameters
    ----------
    power : ndarray, shape (n_bins,)
        Power of the sound, above 5 Hz.
    tone_rms : ndarray, shape (n_bins,)
        Smooth gain of the tone, as its rms over a period; 0 where there is no tone.
    shape, cross, rest : ndarray, shape (n_bins,)
        Mean of the squared waveform (1 over a period), of waveform times residual, and of the
        squared residual: the residual for any other gain follows from these three.
    mid, mid_floor, high, high_floor : ndarray, shape (n_bins,)
        Residual power in the two bands and what is usual there at this phase of the period;
        the floor is 0 where the band isn't judged (the mid band of tones above 160 Hz).
    tone : ndarray of bool, shape (n_bins,)
        Where a tone at the pitch of its block is heard, gaps up to 0.35 s included.
    frequency_hz, brightness, clarity : ndarray, shape (n_blocks,)
        Per block of 8 s: pitch, power share above 4 kHz (or four times the pitch, if that is
        higher), and the median normalised autocorrelation of its sounding frames; nan: no tone.
    rate : int
        Sample rate in Hz.
    """

    power: Bins
    tone_rms: Bins
    shape: Bins
    cross: Bins
    rest: Bins
    mid: Bins
    mid_floor: Bins
    high: Bins
    high_floor: Bins
    tone: NDArray[np.bool_]
    frequency_hz: Array
    brightness: Array
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
        bands["high"] = (SPLIT_HZ, rate / 2)
    return bands


def track_residual(capture: Capture) -> ResidualTrack:
    """Take the tone's own waveform out of a capture and keep tone and residual in 1 ms bins.

    Parameters
    ----------
    capture : Capture
        A tone of steady pitch, 45 to 1250 Hz, at any moving level; read once, in blocks.

    Returns
    -------
    ResidualTrack
        About 40 bytes for each millisecond of sound.

    Notes
    -----
    Pitch: per frame of 100 ms by the normalised square difference function [1]_, the median over
    a block; then phase by heterodyning at that pitch with a Gaussian window of 120 ms (sigma).
    Waveform: the median over 25 groups of periods that together last 0.4 s, so that a fault
    shorter than half of that does not enter it, and any slow change of level or pitch does not
    leave it. The floor is a running median too, one for each millisecond of the period, because
    what a waveform's edges leave behind comes back at the same phase.

    References
    ----------
    .. [1] P. McLeod and G. Wyvill, "A smarter way to find pitch", ICMC 2005.
    """
    rows: dict[str, list[NDArray[np.generic]]] = {}
    facts = []
    for x, start, stop in _overlapping(capture):
        bins, fact = residual_of_block(x, capture.rate)
        for name, row in bins.items():
            rows.setdefault(name, []).append(row[start:stop])
        facts.append(fact)
    joined = {name: np.concatenate(parts) for name, parts in rows.items()}
    frequency, brightness, clarity = np.array(facts, dtype=np.float64).reshape(-1, 3).T
    return ResidualTrack(
        **joined,
        frequency_hz=frequency,
        brightness=brightness,
        clarity=clarity,
        rate=capture.rate,
    )


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


def residual_of_block(
    x: Array, rate: int
) -> tuple[dict[str, NDArray[np.generic]], tuple[float, float, float]]:
    """Return the rows of `ResidualTrack` for one block, and its pitch, brightness and clarity."""
    count = int(np.ceil(x.size / rate / BIN_S)) + 1
    names = ["tone_rms", "shape", "cross", "rest", "mid", "mid_floor", "high", "high_floor"]
    bins: dict[str, NDArray[np.generic]] = {n: np.zeros(count, np.float32) for n in names}
    bins["tone"] = np.zeros(count, bool)
    x = x - x.mean()
    if x.size > rate // 4:
        x = signal.sosfiltfilt(signal.butter(1, 5.0, "high", fs=rate, output="sos"), x)
    here = (np.arange(x.size) / rate / BIN_S).astype(np.intp)
    bins["power"] = _mean(here, x**2, count)
    frames = np.empty((0, 3)) if x.size < 2 * FRAME_S * rate else pitch_frames(x, rate)
    sounding = frames[frames[:, 2] > 0] if frames.size else frames
    clear = sounding[sounding[:, 1] > CLEAR]
    clarity = float(np.median(sounding[:, 1])) if sounding.size else np.nan
    if clear.shape[0] < 4:
        return bins, (np.nan, np.nan, clarity)
    loud = clear[clear[:, 2] >= 0.03 * clear[:, 2].max()]
    f0 = float(np.median(loud[:, 0]))
    near = (np.abs(frames[:, 0] / f0 - 1) < 0.03) & (frames[:, 1] > CLEAR) & (frames[:, 2] > 0)
    centre = FRAME_S / 2 + FRAME_HOP_S * np.arange(near.size)
    bins["tone"] = sounding_bins(near, centre, BIN_S, count)
    if np.count_nonzero(near) < 4:
        return bins, (np.nan, np.nan, clarity)
    brightness = _fill(bins, x, rate, f0, centre[near], count)
    return bins, (f0, brightness, clarity)


def _fill(
    bins: dict[str, NDArray[np.generic]], x: Array, rate: int, f0: float, heard: Array, count: int
) -> float:
    """Work out the rows of one block on the tone's own phase; return its brightness."""
    at, y = _on_phase(x, rate, f0, heard)
    periods, size = y.shape
    if periods < 8:
        return float("nan")
    where = (np.arange(periods * size) + 0.5) / size - 0.5
    level_y = y
    for _ in range(2):  # once more with the gain made level, or the waveform holds its slope
        waveform = _waveform(level_y, f0)
        each = (level_y * waveform).mean(axis=1)  # the waveform's own power is 1
        gain = _smooth_gain(each, f0)
        log_gain = np.log(gain)
        sample_gain = np.exp(np.interp(where, np.arange(periods), log_gain))
        within = np.clip(sample_gain.reshape(y.shape) / gain[:, None], 0.5, 2.0)
        level_y = y / within
    flat = waveform.ravel()
    rest = y.ravel() - sample_gain * flat
    here = np.clip((at / BIN_S).astype(np.intp), 0, count - 1)
    bins["tone_rms"] = _mean(here, sample_gain, count)
    bins["shape"] = _mean(here, flat**2, count)
    bins["cross"] = _mean(here, rest * flat, count)
    bins["rest"] = _mean(here, rest**2, count)
    reach = 2 * max(2, round(0.04 * f0)) + 1
    slope = np.gradient(log_gain)
    bend = _gain_width(f0) * ndimage.maximum_filter1d(np.abs(np.gradient(slope)), reach)
    unsure = TREND * ndimage.maximum_filter1d(np.abs(slope), reach)
    unsure += CORNER * _gain_width(f0) * bend
    kink = np.sqrt(2 * np.pi) * bend * f0  # change of slope at a corner, 1/s
    for name, (low, top) in bands_hz(rate).items():
        sos = _band(low, top, rate, size * f0)
        error = signal.sosfiltfilt(sos, rest)
        own = signal.sosfiltfilt(sos, sample_gain * flat)
        error, doubt = _retimed(error, own, size, f0)
        floor = _floor(error.reshape(y.shape), own.reshape(y.shape), gain, unsure, f0)
        floor += doubt.reshape(y.shape) + ((kink / (2 * np.pi * low) * gain) ** 2)[:, None]
        bins[name] = _mean(here, error**2, count)
        if low > MID_HARMONICS * f0:
            bins[f"{name}_floor"] = _mean(here, floor.ravel(), count)
    return _brightness(waveform, gain, f0)


def _on_phase(x: Array, rate: int, f0: float, heard: Array) -> tuple[Array, Array]:
    """Return the time of each phase sample, and the samples, shape (n_periods, n_phases)."""
    hop_s = 0.001
    t = np.arange(x.size) / rate
    slot, share = np.divmod(t / hop_s, 1)
    slot = slot.astype(np.intp)
    wave = x * np.exp(-2j * np.pi * f0 * t)
    z = np.zeros(slot[-1] + 2, complex)
    for step, weight in ((0, 1 - share), (1, share)):  # triangles: images fall in double zeros
        part = wave * weight
        z += np.bincount(slot + step, part.real, z.size)
        z += 1j * np.bincount(slot + step, part.imag, z.size)
    middle: Array = np.arange(z.size) * hop_s
    z, turned = _even(z), np.zeros(z.size)
    for _ in range(2):  # once more about the pitch found: a steep level no longer shifts the phase
        smooth = ndimage.gaussian_filter1d(z * np.exp(-1j * turned), PHASE_S / hop_s)
        turned = turned + _unwrapped(smooth, middle, heard)
    phase = f0 * middle + turned / (2 * np.pi)
    size = int(np.ceil(rate / f0))
    first, last = np.ceil(phase[0]), np.floor(phase[-1])
    grid = first + np.arange(int(last - first) * size) / size
    at = np.interp(grid, np.maximum.accumulate(phase), middle)
    y = ndimage.map_coordinates(x, [at * rate], order=3, mode="nearest")
    return at, y.reshape(-1, size)


def _even(z: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Return the phasor at nearly even strength, so that every moment weighs the same."""
    strength = np.abs(ndimage.gaussian_filter1d(z, 20))
    out: NDArray[np.complex128] = z / np.maximum(strength, 0.1 * strength.max() + 1e-12)
    return out


def _unwrapped(z: NDArray[np.complex128], time_s: Array, heard: Array) -> Array:
    """Return the phase in radians where a tone is heard, drawn straight across the gaps."""
    after = np.clip(np.searchsorted(heard, time_s), 1, heard.size - 1)
    near = np.minimum(np.abs(time_s - heard[after - 1]), np.abs(time_s - heard[after]))
    valid = near <= FRAME_HOP_S
    out: Array = np.interp(time_s, time_s[valid], np.unwrap(np.angle(z[valid])))
    return out


def _waveform(y: Array, f0: float) -> Array:
    """Return the waveform around each period, of power 1: a running median over groups.

    Only periods within 34 dB of the loudest take part; the others borrow from the nearest.
    """
    per_group = max(1, round(TEMPLATE_S * f0 / GROUPS))
    rms = np.sqrt((y**2).mean(axis=1)) + 1e-12
    loud = np.flatnonzero(rms > 0.02 * rms.max())
    starts = np.arange(0, loud.size, per_group)
    groups = np.add.reduceat(y[loud] * rms[loud, None], starts, axis=0)
    groups /= np.add.reduceat(rms[loud] ** 2, starts)[:, None]
    size = min(GROUPS, 2 * ((starts.size - 1) // 2) + 1)
    middle = ndimage.median_filter(groups, size=(size, 1), mode="nearest")
    place = np.interp(np.arange(y.shape[0]), loud, np.arange(loud.size))
    place = np.clip((place - (per_group - 1) / 2) / per_group, 0, starts.size - 1)
    low = np.minimum(place.astype(np.intp), max(starts.size - 2, 0))
    share = (place - low)[:, None]
    high = np.minimum(low + 1, starts.size - 1)
    out: Array = (1 - share) * middle[low] + share * middle[high]
    out /= np.sqrt((out**2).mean(axis=1, keepdims=True)) + 1e-12
    return out


def _smooth_gain(each: Array, f0: float) -> Array:
    """Smooth the gain of the periods in decibels: follows a hand, not a chopped contact."""
    least = max(1e-7, 1e-5 * float(np.abs(each).max()))
    width = max(3, 2 * round(0.02 * f0) + 1)
    log = np.log(np.maximum(each, least))
    log = ndimage.median_filter(log, size=width, mode="nearest")
    out: Array = np.exp(ndimage.gaussian_filter1d(log, _gain_width(f0), mode="nearest"))
    return out


def _gain_width(f0: float) -> float:
    """Return the width (sigma) over which the gain is smoothed, in periods: 10 ms."""
    return max(0.7, 0.01 * f0)


def _retimed(error: Array, own: Array, size: int, f0: float) -> tuple[Array, Array]:
    """Take out what the band's own waveform leaves behind where the phase is slightly off.

    Returns the error, and the power that half of the correction would leave behind.
    """
    slope = np.gradient(own)
    starts = np.arange(0, error.size, size)
    known = np.add.reduceat(slope**2, starts)
    late = np.add.reduceat(error * slope, starts) / (known + 1e-30)
    late = ndimage.median_filter(late, 2 * max(6, round(0.1 * f0)) + 1)  # an event doesn't count
    late = np.clip(ndimage.gaussian_filter1d(late, max(2.0, 0.03 * f0)), -1.0, 1.0)
    most = ndimage.maximum_filter1d(np.abs(late), 2 * max(3, round(0.1 * f0)) + 1)
    doubt = (DOUBT * most) ** 2 * known / size
    where = (np.arange(error.size) - size / 2) / size
    out: Array = error - slope * np.interp(where, np.arange(late.size), late)
    return out, np.repeat(doubt, size)


def _floor(error: Array, own: Array, gain: Array, doubt: Array, f0: float) -> Array:
    """Return the usual power of the residual at each phase sample."""
    periods, size = error.shape
    parts = max(1, min(size, round(1 / (f0 * BIN_S))))
    cut = np.arange(parts) * size // parts
    lengths = np.diff(np.append(cut, size))
    per_group = max(1, round(TEMPLATE_S * f0 / GROUPS))
    starts = np.arange(0, periods, per_group)
    power = np.add.reduceat(error**2, cut, axis=1) / lengths
    tone = np.add.reduceat(own**2, cut, axis=1) / lengths
    grouped = np.add.reduceat(power, starts, axis=0)
    grouped /= np.diff(np.append(starts, periods))[:, None]
    running = ndimage.median_filter(grouped, size=(GROUPS, 1), mode="nearest")
    floor = np.repeat(running, per_group, axis=0)[:periods]
    loud = gain >= np.quantile(gain, 0.75)
    kept = np.median(power[loud] / (tone[loud] + 1e-30), axis=0)  # what prediction leaves
    floor = np.maximum(floor, np.minimum(kept, 1) * tone) + doubt[:, None] ** 2 * tone
    return np.repeat(floor, lengths, axis=1)


def _band(low: float, top: float, rate: int, grid_rate: float) -> Array:
    sos: Array
    if top >= rate / 2:
        sos = signal.butter(4, low, "high", fs=grid_rate, output="sos")
    else:
        sos = signal.butter(3, [low, top], "band", fs=grid_rate, output="sos")
    return sos


def _brightness(waveform: Array, gain: Array, f0: float) -> float:
    """Return the share of the tone's power above 4 kHz, or above four times its pitch."""
    mean = np.average(waveform, axis=0, weights=gain**2)
    power = np.abs(np.fft.rfft(mean)[1:]) ** 2
    order = np.arange(1, power.size + 1)
    return float(power[order * f0 > max(SPLIT_HZ, 4 * f0)].sum() / power.sum())


def _mean(here: NDArray[np.intp], values: Array, count: int) -> Bins:
    """Return the mean of the values in each bin, 0 in an empty one."""
    number = np.bincount(here, minlength=count)[:count]
    total = np.bincount(here, values, minlength=count)[:count]
    out: Bins = (total / np.maximum(number, 1)).astype(np.float32)
    return out
