"""One mark a period: the instants at which a tone crosses a level that it crosses once a period.

However fast a pitch slides, its waveform is gone through period by period. A level that the held
note before and the held note after both cross upwards exactly once a period gives the phase of the
oscillator at these instants as a whole number, without a window and without a wrong cycle.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import fft, signal

from sigkit.arrays import Real

LEVELS = 23
"""Levels tried between the lowest and the highest of the waveform."""
ROOM = (0.02, 0.98)
"""Share of the sound that lies below the lowest and the highest level tried."""
BANDS = (
    *((0.0, top) for top in (math.inf, 24.0, 8.0, 3.0, 1.5)),
    *((0.25, top) for top in (math.inf, 8.0)),
)
"""Bands tried: from zero or, without hum and thumps, from this multiple of the lower note, to that
multiple of the higher one."""
LAST_RESORT = 3.0
"""Bands that reach no higher leave little but the fundamental: only where nothing else marks."""
NARROWER = 0.3
"""A narrower band bends the phase of a quick glide: it has to leave this much less scatter."""
SLACK = 1.0
"""Marks by which a held note may differ from its rough pitch."""
FINE_RATE, FINE_S = 150_000, 6.0
"""Sound shorter than this is read between its samples."""
BACK = 0.04
"""A crossing counts once the sound was below the level by this share of its height, at least."""
ROUGH_PITCH = 0.01
"""How far the rough pitch of a note that is still landing may err."""
SMOOTHED, POINTS = 41, 128
"""Marks that say together, by a parabola, where a period begins, and points of each period, for the
shape of the wave."""
PASSED = 0.4
"""Part of its sample rate up to which a recorder lets harmonics through."""
SECANT, AS_STEEP = 64.0, 0.8
"""The longest secant to either side, in parts of a period,
and part of the steepest one from which on it tells the slope."""
MOST_LEVELS = 6
"""Levels tried on the whole sound."""
BEYOND = 1.7
"""Times the higher note, and part of the lower one, that no period's pitch goes beyond: a glide may
overshoot; a mark too many doubles it at least, and one too few halves it."""
SHOWN_PERIODS = 150
"""Periods of a held note that show how steady the marks of a level are."""
PAD_PERIODS = 4
"""Periods of the lower note beside what is filtered, that the filter may bend."""
EDGE_PERIODS = 3
"""Periods at both ends of the sound that the high-pass bends."""
FINEST, FINER = 1e-4, 1e-5
"""Scatter, in periods, that is always allowed for while levels and laws are chosen, and the least
that is believed: an edge is read between samples no better."""
LEAST_SD = math.sqrt(2) * FINEST
"""What the scatter of both notes comes to at least."""
UNSTEADY = 0.1
"""Scatter, in periods, of marks that mark nothing."""
AS_STEADY = 1.5


@dataclass(frozen=True, eq=False)
class Marks:
    """Crossings of one level in one direction.

    Parameters
    ----------
    time_s : ndarray, shape (n_marks,)
        Instants, one a period.
    before_sd, after_sd : float
        Scatter of the marks in periods, on the held note before and after; at least 1e-4.
    shift : ndarray, shape (n_marks,)
        By how many periods a coupling capacitor moves each mark, for every hertz of its corner:
        hardly at steep edges, by 1/(2 pi f) on a sine.
    fine_sd : tuple of float
        The same, at least 1e-5.
    ripple : float
        By how many periods the highest harmonic that the recorder lets through moves the marks on
        the higher note: a pitch that glides gains or loses one after the other.
    """

    time_s: Real
    before_sd: float
    after_sd: float
    shift: Real
    fine_sd: tuple[float, float]
    ripple: float = 0.0


def find_marks(
    sound: Real,
    rate: int,
    before: tuple[float, float, float],
    after: tuple[float, float, float],
) -> list[Marks]:
    """Find the level, upwards and downwards, that marks the periods best.

    Parameters
    ----------
    sound : ndarray, shape (n_samples,)
        A held note, a change of pitch, another held note.
    rate : int
        Sample rate in Hz.
    before, after : tuple of float
        From and to (s from the start of ``sound``) and rough pitch (Hz) of the two notes, steady
        to within 0.4 % or so.

    Returns
    -------
    list of Marks
        None, one or two: the best upward and the best downward crossing that come once a period
        on both notes, the better one first.
    """
    low, high = sorted((before[2], after[2]))
    margin_s = PAD_PERIODS / low
    times = max(1, math.ceil(FINE_RATE / rate)) if sound.size / rate < FINE_S else 1
    notes = [(max(a, b - SHOWN_PERIODS / hz), b, hz) for a, b, hz in (before, after)]
    cuts = [(max(0.0, a - margin_s), b + margin_s) for a, b, _ in notes]
    cuts = [(round(a * rate), min(round(b * rate), sound.size)) for a, b in cuts]
    best: dict[int, tuple[float, Marks]] = {}
    for bottom, top in BANDS:
        rest = top <= LAST_RESORT and len(best) == 2
        if rest or (math.isfinite(top) and top * high > 0.4 * rate):
            continue
        # Where nothing can scatter so much less that it would be taken, nothing is tried.
        signs = [s for s in (1, -1) if s not in best or NARROWER * best[s][0] > LEAST_SD]
        if not signs:
            break
        band = _Band(rate, bottom * low, top * high, margin_s, times)
        parts = []
        for (a, b, _), (first, last) in zip(notes, cuts, strict=True):
            shown = slice(*(times * (round(at * rate) - first) for at in (a, b)))
            parts.append(band(sound[first:last])[shown])
        whole = None
        for sign in signs:
            levels = _levels([sign * part for part in parts], band.fine_rate, notes)
            least = min((level.sd for level in levels), default=math.inf)
            if not least < (NARROWER * best[sign][0] if sign in best else math.inf):
                continue
            whole = band(sound) if whole is None else whole
            found = _first_level(sign * whole, [sign * p for p in parts], levels, band, notes)
            if found is None:
                continue
            sd = math.hypot(found.before_sd, found.after_sd)
            if sign not in best or sd < NARROWER * best[sign][0]:
                best[sign] = sd, found
    return [marks for _, marks in sorted(best.values(), key=lambda pair: pair[0])]


@dataclass(frozen=True)
class _Band:
    """Sound between two corners, without shift of phase, read ``times`` as fine.

    The filter bends the sound for ``margin_s`` at both ends; this much is reflected there.
    """

    rate: int
    bottom_hz: float
    top_hz: float
    margin_s: float
    times: int

    @property
    def fine_rate(self) -> float:
        """Rate of what comes out."""
        return float(self.rate * self.times)

    def __call__(self, sound: Real) -> Real:
        """Return a sound filtered, shape (times * n_samples,)."""
        margin = min(math.ceil(self.margin_s * self.rate), sound.size - 1)
        padded = np.pad(sound, margin, mode="reflect", reflect_type="odd")
        n = fft.next_fast_len(padded.size, real=True)
        spectrum = fft.rfft(padded, n)
        hz = np.arange(spectrum.size) * (self.rate / n)
        if self.bottom_hz > 0:
            spectrum *= 1 - np.exp(-0.5 * (hz / self.bottom_hz) ** 4)
        if math.isfinite(self.top_hz):
            spectrum /= 1 + (hz / self.top_hz) ** 6
        wide = self.times * fft.irfft(spectrum, self.times * n)
        out: Real = wide[self.times * margin : self.times * (margin + sound.size)]
        return out


@dataclass(frozen=True)
class _Level:
    """A level that is crossed once a period on both notes."""

    at: float
    back: float
    room: float
    fine_sd: tuple[float, float]

    @property
    def spread(self) -> tuple[float, float]:
        """Scatter on both notes as far as it tells levels apart."""
        before, after = self.fine_sd
        return max(before, FINEST), max(after, FINEST)

    @property
    def sd(self) -> float:
        """Scatter of its marks in periods."""
        return math.hypot(*self.spread)


def _levels(
    parts: Sequence[Real], rate: float, notes: Sequence[tuple[float, float, float]]
) -> list[_Level]:
    """Find the levels that both held notes cross once a period, the best first."""
    edges = [np.quantile(part[:: max(1, part.size // 20_000)], ROOM) for part in parts]
    lowest, highest = max(e[0] for e in edges), min(e[1] for e in edges)
    back = BACK * min(float(e[1] - e[0]) for e in edges)
    found = []
    for level in np.linspace(lowest, highest, LEVELS + 2)[1:-1].tolist():
        sides = []
        for part, (a, b, hz) in zip(parts, notes, strict=True):
            at = crossings(part, level, back) / rate
            if abs(at.size - (b - a) * hz) > SLACK + ROUGH_PITCH * (b - a) * hz or at.size < 6:
                break
            sides.append(at)
        if len(sides) == 2:
            room = min(level - lowest, highest - level)
            found.append(_Level(level, back, room, (_scatter(sides[0]), _scatter(sides[1]))))
    found = [level for level in found if level.sd < UNSTEADY]
    steadiest = min((level.sd for level in found), default=0.0)
    # Of levels about as steady, the one furthest from the ends of the wave comes first.
    return sorted(found, key=lambda level: (level.sd > AS_STEADY * steadiest, -level.room))


def _first_level(
    sound: Real,
    parts: Sequence[Real],
    levels: Sequence[_Level],
    band: _Band,
    notes: Sequence[tuple[float, float, float]],
) -> Marks | None:
    """Return the marks of the first level that is crossed once a period between the notes too."""
    rate = band.fine_rate
    low, high = sorted(hz for _, _, hz in notes)
    for level in levels[:MOST_LEVELS]:
        at = crossings(sound, level.at, level.back) / rate
        at = at[(at > EDGE_PERIODS / low) & (at < sound.size / rate - EDGE_PERIODS / low)]
        pitch = 1 / np.diff(at)
        # A ripple beside an edge may reach the level now and then.
        if pitch.size and pitch.min() > low / BEYOND and pitch.max() < high * BEYOND:
            held = [_Held.of(part - level.at, level.back) for part in parts]
            shift = _shifts(at, held, rate, notes)
            ripple = held[0 if notes[0][2] > notes[1][2] else 1].ripple(high, band.rate)
            return Marks(at, *level.spread, shift, level.fine_sd, ripple)
    return None


def crossings(sound: Real, level: float, back: float) -> Real:
    """Return where a sound rises through a level, in samples, after it was ``back`` below it."""
    above = sound >= level
    up = np.flatnonzero(above[1:] > above[:-1])
    if not up.size:
        return np.empty(0)
    down = np.minimum.reduceat(sound, np.concatenate([[0], up[:-1] + 1]))
    # The lowest sample since the crossing before; reduceat's last slice runs to the end.
    down[-1] = sound[(up[-2] + 1 if up.size > 1 else 0) : up[-1] + 1].min()
    up = up[down < level - back]
    up = up[(up > 0) & (up < sound.size - 2)]
    y = sound[up + np.arange(-1, 3)[:, None]] - level
    # The cubic through four samples, by Newton's method from the straight line.
    a = y[1]
    b = y[2] - y[0] / 3 - y[1] / 2 - y[3] / 6
    c = (y[0] + y[2]) / 2 - y[1]
    d = (y[3] - y[0]) / 6 + (y[1] - y[2]) / 2
    x = y[1] / (y[1] - y[2])
    for _ in range(3):
        slope = b + x * (2 * c + 3 * d * x)
        step = (a + x * (b + x * (c + d * x))) / np.where(slope > 0, slope, np.inf)
        x = np.clip(x - step, 0.0, 1.0)
    out: Real = up + x
    return out


def _shifts(
    at: Real,
    held: Sequence[_Held],
    rate: float,
    notes: Sequence[tuple[float, float, float]],
) -> Real:
    """Return how far each hertz of a coupling's corner moves each mark, in periods.

    A coupling takes from the sound its own integral times 2 pi times the corner, and a mark moves
    by that over the slope there. The integral is a period times a share of the wave's height, also
    while the period changes: what it gains over a period whose end is shorter than its beginning is
    what that share of the next is less (integration by parts, to first order in the change).
    """
    slopes = [one.slope * rate for one in held]
    areas = [one.area for one in held]
    ln_hz = np.log([note[2] for note in notes])
    share = (-np.log(np.gradient(at)) - ln_hz[0]) / (ln_hz[1] - ln_hz[0])
    share = np.clip(share, 0, 1)
    slope = np.exp(np.log(slopes[0]) * (1 - share) + np.log(slopes[1]) * share)
    return np.asarray(2 * math.pi * (areas[0] * (1 - share) + areas[1] * share) / slope)


@dataclass(frozen=True, eq=False)
class _Held:
    """A held note that rises through zero once a period.

    Parameters
    ----------
    sound : ndarray, shape (n_samples,)
        Its sound less the level.
    first : ndarray, shape (n_periods,)
        Where periods begin, in samples, as parabolas through their marks say: about each mark
        itself noise would look steeper than the wave, for that is where it crosses.
    period : float
        Their length in samples.
    """

    sound: Real
    first: Real
    period: float

    @classmethod
    def of(cls, sound: Real, back: float) -> _Held:
        """Find the periods of a sound."""
        at = crossings(sound, 0.0, back)
        even = signal.savgol_filter(at, min(SMOOTHED, (at.size - 1) // 2 * 2 + 1), 2)
        return cls(sound, np.asarray(even[1:-1]), float(even[-1] - even[0]) / (at.size - 1))

    @functools.cached_property
    def wave(self) -> Real:
        """A period from its mark on, about its mean, many laid over each other."""
        grid = self.first[:, None] + self.period * np.arange(POINTS) / POINTS
        wave = np.interp(grid, np.arange(self.sound.size), self.sound).mean(axis=0)
        return np.asarray(wave - wave.mean())

    @property
    def area(self) -> float:
        """Integral of the wave at its marks, over a period, about its mean."""
        wave = self.wave
        integral = np.concatenate([[0.0], np.cumsum((wave + np.roll(wave, -1))[:-1] / 2)]) / POINTS
        return float(integral[0] - integral.mean())

    @functools.cached_property
    def slope(self) -> float:
        """How steeply the sound rises through zero, a sample, by the mean of many periods.

        The longest secant that is nearly as steep as any: shorter ones look steeper by their noise.
        """
        count = max(1, math.ceil(math.log2(self.period / SECANT)))
        half = self.period / SECANT * 2.0 ** -np.arange(count)
        index = np.arange(self.sound.size)
        ends = [
            np.interp(self.first + h * np.array([[1], [-1]]), index, self.sound)
            for h in half.tolist()
        ]
        rises = np.array([up - down for up, down in ends]) / (2 * half[:, None])
        secants, u = rises.mean(axis=1), rises.std(axis=1) / math.sqrt(self.first.size)
        steepest = float((secants - 2 * u).max())
        return float(secants[np.flatnonzero(secants >= AS_STEEP * steepest)[0]])

    def ripple(self, hz: float, rate: int) -> float:
        """Return the highest harmonic below the recorder's own filter over the slope at the marks.

        The largest of the highest three: a pulse lacks some.
        """
        size = 2 / POINTS * np.abs(fft.rfft(self.wave))
        top = min(int(PASSED * rate / hz), POINTS // 2 - 1)
        slope = self.slope * self.period
        return float(size[max(top - 2, 2) : top + 1].max(initial=0.0) / slope)


def _scatter(time_s: Real) -> float:
    """Scatter of marks in periods, from their second differences: a drift of pitch leaves none."""
    bend = np.diff(time_s, 2)
    period = (time_s[-1] - time_s[0]) / (time_s.size - 1)
    robust = 1.4826 * float(np.median(np.abs(bend))) / math.sqrt(6) / period
    plain = math.sqrt(float(np.mean(bend**2)) / 6) / period
    return float(max(robust, plain, FINER))
