"""One quiet part of a capture: its spectrum, the lines of the mains in it, and other tones."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from sigkit.arrays import Flags, Real
from sigkit.measures.noise.lines import Lines, lines_of
from sigkit.measures.noise.mains import Mains, identify
from sigkit.measures.noise.peaks import LOOK_S, Peak, lowered, peaks_of, power_at, side_lobe
from sigkit.measures.noise.spectrum import (
    LOBE_BINS,
    Spectrum,
    gentle,
    noise_band_hz,
    spectrum_of,
    without,
)
from sigkit.tracks.level_parts import Part

NEAR_HZ = 40.0
"""The noise around a bin is taken from so many hertz."""
CENTRED_HZ, GOES_ON = 0.3, 4.0
"""A line above the 20th lies so near to its place, and has at most so many times the power of one
of the two before it in its family."""
MOST_REACH, FALLS = 40, 1.5
"""The foot of a strong line is followed over so many bins, where no bin is so much higher."""
BESIDE_HZ, FAR_HZ, FAR_POWER = 4.5, 2.0, 1e-4
""""Close to a line": up to so far; beyond the second, what is no weaker than this is a tone."""
FALSE_ALARM = 1e-3
"""Chance of a line that is none, for a whole spectrum."""


@dataclass(frozen=True)
class Tone:
    """A line that is none of the mains: frequency, power, and its uncertainty."""

    hz: float
    power: float
    u_power: float


@dataclass(frozen=True, eq=False)
class Heard:
    """What a part of a capture holds.

    Parameters
    ----------
    start_s, stop_s, level_dbfs, loudest_db : float
        Of the part, see `Part`.
    bursts : tuple of (float, float)
        Bursts left out, seconds from the start of the capture.
    spectrum : Spectrum
        Its spectrum.
    mains : Mains
        Which mains is heard.
    lines, second : Lines or None
        The lines of the mains, and of another mains.
    cover : ndarray of bool, shape (n_bins,)
        Bins of the spectrum that lines of the mains cover.
    high : ndarray, shape (n_high, 3)
        Order, power and its uncertainty of lines above the 20th that stand out.
    beside : tuple of Tone
        Tones in bins that lines of the mains cover, told apart from these.
    """

    start_s: float
    stop_s: float
    level_dbfs: float
    loudest_db: float
    bursts: tuple[tuple[float, float], ...]
    spectrum: Spectrum
    mains: Mains
    lines: Lines | None
    second: Lines | None
    cover: Flags
    high: Real
    beside: tuple[Tone, ...]

    @property
    def seconds(self) -> float:
        """Length of the part."""
        return self.stop_s - self.start_s


def heard_in(part: Part, mains_hz: float | None, before: Mains | None) -> Heard:
    """Take a part of a capture to pieces.

    Parameters
    ----------
    part : Part
        A part of steady level.
    mains_hz : float, optional
        Nominal frequency of the mains, where it is known.
    before : Mains, optional
        What was found in a part before this; it is kept where this one alone cannot tell.

    Returns
    -------
    Heard
        Spectrum and lines.
    """
    spectrum = spectrum_of(part.sound, part.rate, part.bursts)
    low, rate = lowered(part.sound, part.rate)
    peaks, noise, step = peaks_of(low, rate)
    mains = identify(peaks, mains_hz)
    if mains.kind in ("none", "ambiguous") and before is not None and before.kind == "found":
        mains = before
    every: list[Lines | None] = []
    for hz in (mains.hz, mains.second_hz):
        every.append(lines_of(low, rate, hz, noise, step, peaks) if math.isfinite(hz) else None)
    lines, second = every
    around = noise_around(spectrum)
    cover = np.zeros(around.size, bool)
    high: Real = np.zeros((0, 3))
    for found in (second, lines):
        if found is not None:
            covered, high = _covered(spectrum, around, found)
            cover |= covered
    for hz in mains.common_hz:
        cover |= np.abs(spectrum.frequency_hz - hz) < (LOBE_BINS + 0.5) * spectrum.step_hz
    beside, bins = _beside(spectrum, cover, every, peaks, (low, rate))
    cover |= bins
    return Heard(
        part.start_s, part.stop_s, part.level_dbfs, part.loudest_db,
        tuple((part.start_s + a, part.start_s + b) for a, b in part.bursts),
        spectrum, mains, lines, second, cover, high, beside,
    )  # fmt: skip


def _beside(
    spectrum: Spectrum,
    cover: Flags,
    every: Sequence[Lines | None],
    peaks: Sequence[Peak],
    sound: tuple[Real, float],
) -> tuple[tuple[Tone, ...], Flags]:
    """Return the tones that lie close to lines of the mains, and the bins that they cover.

    Near a line they do not stand alone in the spectrum: their power is that at the place of their
    peak in the finer one in which lines are looked for.
    """
    step, own = spectrum.step_hz, LOBE_BINS
    bins = np.zeros(cover.size, bool)
    found: dict[float, Tone] = {}
    for lines in every:
        if lines is None:
            continue
        for peak in peaks:
            row = min(lines.orders.size, max(1, round(peak.hz / lines.hz))) - 1
            away = abs(peak.hz - float(lines.orders[row]) * lines.hz)
            at = round(peak.hz / step)
            if away > BESIDE_HZ or not cover[max(0, at - own) : at + own + 1].any():
                continue
            apart = abs(peak.hz - float(lines.beside_hz[row])) < 0.01
            far = away > FAR_HZ and peak.power > FAR_POWER * float(lines.power[row])
            if not (apart or far):
                continue
            density = float(lines.bin_noise[row]) * sound[0].size / sound[1]
            power, u = power_at(*sound, peak.hz, density)
            lobe = side_lobe(away * min(LOOK_S, sound[0].size / sound[1]))
            leak = math.sqrt(2 * lobe * max(float(lines.power[row]), 0.0) * power)
            found[peak.hz] = Tone(peak.hz, power, math.hypot(u, leak))
            bins[max(0, at - own) : at + own + 1] = True
    return tuple(found.values()), bins


def noise_around(spectrum: Spectrum) -> Real:
    """Return the noise per hertz around each bin, lines left aside."""
    width = max(24, round(NEAR_HZ / spectrum.step_hz))
    middle = gentle(spectrum.density, width)
    out: Real = np.maximum(middle * spectrum.looks / stats.gamma.ppf(0.5, spectrum.looks), 1e-30)
    return out


def stands_out(spectrum: Spectrum) -> float:
    """Return how many times the noise a bin must hold before it is a line."""
    chance = FALSE_ALARM / spectrum.frequency_hz.size
    return float(stats.gamma.isf(chance, spectrum.looks) / spectrum.looks)


def _covered(spectrum: Spectrum, around: Real, lines: Lines) -> tuple[Flags, Real]:
    """Mark the bins of the lines of a mains; measure those above the 20th that stand out."""
    top = noise_band_hz(round(2 * spectrum.frequency_hz[-1]))[1]
    step, count = spectrum.step_hz, spectrum.frequency_hz.size
    cover, high = np.zeros(count, bool), []
    last = int(lines.orders[-1])
    least = stands_out(spectrum)
    over = spectrum.density > least * around
    own_lines = lines.seen & lines.follows
    comb = {
        int(h): float(p)
        for h, p in zip(lines.orders[own_lines], lines.power[own_lines], strict=True)
    }
    for order in range(1, int(top / lines.hz) + 1):
        middle, reach = order * lines.hz / step, LOBE_BINS + order * lines.spread_hz / 2 / step
        row = order - 1
        if order <= last and not (lines.seen[row] and lines.follows[row]):
            continue
        begin = max(1, math.ceil(middle - reach))
        end = min(count, math.floor(middle + reach) + 1)
        if order > last:
            near = slice(max(1, round(middle) - 1), min(count, round(middle) + 2))
            if not over[near].any():
                continue
            own = slice(begin, end)
            noise = float(around[own].sum()) * step
            power = float(spectrum.density[own].sum()) * step - noise
            centre = float(spectrum.density[own] @ spectrum.frequency_hz[own])
            off_hz = abs(centre / float(spectrum.density[own].sum()) - order * lines.hz)
            # A comb goes on, ever weaker; a tone that happens to lie there does not.
            before = max(comb.get(order - 2, 0.0), comb.get(order - 4, 0.0))
            if off_hz > CENTRED_HZ or power > GOES_ON * before:
                continue
            comb[order] = power
            width = (end - begin) * step
            u = math.sqrt((2 * max(power, 0) * noise / width + noise**2 / width) / spectrum.time_s)
            high.append((order, power, u))
        cover[_foot(spectrum.density, over, middle, begin, end)] = True
    return cover, np.array(high).reshape(-1, 3)


def bridged(spectrum: Spectrum, lines: Flags) -> Real:
    """Return the density with the bins of lines bridged by the noise around, tones left aside."""
    strong = spectrum.density > stands_out(spectrum) * noise_around(spectrum)
    wide: Flags = np.convolve(strong, np.ones(2 * LOBE_BINS + 1), "same") > 0.5
    return without(spectrum, lines, wide)


def _foot(density: Real, over: Flags, middle: float, begin: int, end: int) -> slice:
    """Widen the bins of a line over its foot: as long as that stands out, and falls."""
    while begin > 1 and middle - begin < MOST_REACH and over[begin - 1]:
        if density[begin - 1] > FALLS * density[begin]:
            break
        begin -= 1
    while end < density.size and end - middle < MOST_REACH and over[end]:
        if density[end] > FALLS * density[end - 1]:
            break
        end += 1
    return slice(begin, end)


def tones_of(spectrum: Spectrum, cover: Flags, *, above: bool = False) -> tuple[list[Tone], Flags]:
    """Find the lines in the band, or above it, that mains lines do not cover.

    Parameters
    ----------
    spectrum : Spectrum
        The spectrum.
    cover : ndarray of bool, shape (n_bins,)
        Bins of the mains.
    above : bool
        Above the band rather than in it.

    Returns
    -------
    list of Tone
        The strongest first.
    ndarray of bool, shape (n_bins,)
        The bins that they cover.
    """
    around, step = noise_around(spectrum), spectrum.step_hz
    density = spectrum.density
    low, high = noise_band_hz(round(2 * spectrum.frequency_hz[-1]))
    f = spectrum.frequency_hz
    edge = LOBE_BINS * step
    inside = (f > high + edge) & (f < f[-1] - edge) if above else (f > low) & (f < high)
    inside = inside & ~cover
    found: list[Tone] = []
    taken = np.zeros(density.size, bool)
    strong = np.flatnonzero(inside & (density > stands_out(spectrum) * around))
    for k in strong[np.argsort(-density[strong])].tolist():
        if taken[k]:
            continue
        begin, end = max(1, k - LOBE_BINS), min(density.size, k + LOBE_BINS + 1)
        own = begin + np.flatnonzero(~cover[begin:end])
        width = own.size * step
        noise = float(around[own].sum()) * step
        power = float(density[own].sum()) * step - noise
        hz = float(density[own] @ f[own] / density[own].sum())
        u = math.sqrt((2 * max(power, 0) * noise / width + noise**2 / width) / spectrum.time_s)
        # A bin beside a line that moved, or its foot, is no line of its own.
        if not taken[max(0, begin - 2) : end + 2].any() and power > 0:
            found.append(Tone(hz, power, u))
        taken[own] = True
    found.sort(key=lambda tone: -tone.power)
    return found, taken
