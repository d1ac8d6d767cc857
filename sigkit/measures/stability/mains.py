"""Mains wobble: how far the pitch swings at the mains frequency or at twice it.

Ripple on a supply or a control voltage modulates the pitch. That puts a pair of lines beside every
harmonic, at the mains frequency from it, turned against each other and growing with the order of
the harmonic. Hum that is merely added has its lines at the multiples of the mains frequency and
beside one harmonic only on one side; a swing of the level has pairs that are not turned. So the
three are told apart where the lines do not fall on each other.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import fft, interpolate, stats

from sigkit.arrays import Complex, Flags, Real
from sigkit.measures.steadiness import CENTS
from sigkit.quantity import Quantity, Term, combine, not_measurable
from sigkit.tracks.phase import PhaseTrack

MAINS_HZ = (50.0, 60.0)
OFF = 0.01
"""Largest relative departure of the mains from its frequency."""
HUM_OFF = 0.002
"""The same for hum that is added: 0.1 Hz is already rare."""
MOST_S, LEAST_S = 2.5, 1.0
"""Length of each excerpt that is looked at."""
SMOOTH_S = 0.1
"""The pitch that is taken out of an excerpt is that of means so long: whole mains periods."""
MOST_HARMONICS = 8
BASE_HZ = 400.0
HALF = 0.49
"""Side lines are looked for up to half-way to the next harmonic, where its own begin."""
STEADY_HZ = 25.0
"""Modulation below this is wander and vibrato, and turned back as well."""
LEAST_TURN_RAD = 0.2
"""Less of it does no harm, and turning it back would mix lines of added hum."""
APART_BINS = 3.0
"""Lines nearer than this many times the resolution fall on each other."""
AROUND_HZ = (2.0, 9.0)
"""Where the noise of a line is looked for, from it."""
FALSE_ALARM = 1e-3
MAINS_AT_ENDS = "mains wobble at the ends"
"""Source of what a capture that holds no whole number of its periods does to mean and drift."""
ALIKE = 3.0
"""Factor by which harmonics may scatter about the line before that widens the uncertainty."""


@dataclass(frozen=True)
class Wobble:
    """Mains wobble of a tone.

    Parameters
    ----------
    peak : Quantity
        Peak of the modulation in cents, or why there is none to be told.
    bound : Quantity or None
        What it is at most, where none stands out of the noise.
    frequency_hz : float
        Where it was found; nan without one.
    note : str
        The same in words; empty where there is nothing to say.
    lines : tuple of (float, float)
        Frequency and peak in cents of every line that stands out, added hum where that cannot be
        told from a wobble.
    """

    peak: Quantity
    bound: Quantity | None
    frequency_hz: float
    note: str
    lines: tuple[tuple[float, float], ...] = ()

    @property
    def bent_cents(self) -> float:
        """By how much the pitch of the mean frequency lies above the mean pitch.

        The mean of a frequency f 2^(c / 1200) is f (1 + x^2 / 2) to second order, with x = c ln 2 /
        1200; of a swing of peak p, c^2 is p^2 / 2 on average.
        """
        return sum(cents**2 for _, cents in self.lines) / 4 / CENTS

    def at_ends(self, seconds: float) -> tuple[float, float] | None:
        """Return standard uncertainties of a mean and a drift over so long, cents and cents/min.

        A swing of peak p and frequency f moves the phase by p / (2 pi f) at either end, at a moment
        of its period that is not known, which the means over steps of phase do not see. A mean is
        the difference of both over T; a straight line's slope weighs each end by 6 / T^2.
        """
        if not self.lines:
            return None
        moved = math.hypot(*(cents / (2 * math.pi * hz) for hz, cents in self.lines))
        return moved / seconds, 60 * 6 * moved / seconds**2


def mains_wobble(
    excerpts: Sequence[tuple[float, Real]], rate: int, phase: PhaseTrack, mains_hz: float | None
) -> Wobble:
    """Measure the modulation of a pitch at the mains frequency and twice it.

    Parameters
    ----------
    excerpts : sequence of (float, ndarray)
        Start in seconds and sound of a few stretches of the capture.
    rate : int
        Sample rate in Hz.
    phase : PhaseTrack
        Phase of the tone.
    mains_hz : float, optional
        Frequency of the mains; by default 50 and 60 Hz are tried.

    Returns
    -------
    Wobble
        The larger of the two lines where it stands out of the noise about it, else a bound. No
        value where one is found and added hum hides the other, as that may be the larger one; notes
        too low for the other are told so.

    Notes
    -----
    The sound is turned back by its own slow phase, one harmonic at a time, which leaves each at
    0 Hz with its side lines. The half difference of the upper line and the mirrored lower one,
    over the order of the harmonic, is the phase modulation; harmonics are averaged by the noise
    around that place. Pairs of lines on which a line of added hum, another harmonic or its side
    lines fall are left out. The peak in cents is 1731 times phase modulation times modulation
    frequency over pitch.
    """
    pieces = [p for p in (_piece(s, x, rate, phase) for s, x in excerpts) if p is not None]
    if not pieces:
        reason = f"no unbroken {LEAST_S:g} s of tone where it was looked for; record 10 s or more"
        return Wobble(not_measurable("cents", reason), None, math.nan, "")
    bases = MAINS_HZ if mains_hz is None else (float(mains_hz),)
    nominal = [base * times for base in bases for times in (1, 2)]
    hum = MAINS_HZ if mains_hz is None else bases
    found = {hz: _line(pieces, hz, hum) for hz in nominal}
    seen = [line for line in found.values() if line is not None]
    every = [line or _line(pieces, hz, ()) for hz, line in found.items()]
    lines = tuple((e.hz, e.cents) for e in every if e is not None and e.chance < FALSE_ALARM)
    hidden = _hidden(pieces[0].hz, [hz for hz, line in found.items() if line is None])
    if not seen:
        return Wobble(not_measurable("cents", hidden), None, math.nan, "", lines)
    tests = sum(line.tries for line in seen)
    clear = [line for line in seen if line.chance * tests < FALSE_ALARM]
    largest = max(seen, key=lambda line: line.cents + 2 * line.u_cents)
    line = _first_of(clear, pieces[0].hz, nominal) if clear else largest
    size = combine(line.cents, "cents", [Term("noise around the line", line.u_cents, "A")])
    partner = [
        hz
        for hz, other in found.items()
        if other is None and _of_one_mains(hz, line.hz) and pieces[0].hz >= _lowest_note(hz)
    ]
    if clear and partner:
        seen_at = f"{line.cents:.2g} cents peak at {line.hz:.1f} Hz"
        reason = f"{seen_at}; but {_hidden(pieces[0].hz, partner)}"
        return Wobble(not_measurable("cents", reason), None, line.hz, "", lines)
    if clear:
        note = f"mains wobble of {line.cents:.2g} cents peak, at {line.hz:.1f} Hz"
        note = f"{note}; {hidden}" if hidden else note
        return Wobble(size, None, line.hz, note, lines)
    where = ", ".join(f"{hz:g}" for hz, line in found.items() if line is not None)
    reason = f"none above {line.cents + 2 * line.u_cents:.2g} cents found at {where} Hz"
    return Wobble(not_measurable("cents", reason), size, math.nan, hidden, lines)


def _hidden(hz: float, lines: list[float]) -> str:
    """Say where no wobble could be told, and which note it takes; empty where there is no such."""
    if not lines:
        return ""
    where, least = " and ".join(f"{line:g}" for line in lines), _lowest_note(max(lines))
    if hz < least:
        return f"a wobble at {where} Hz needs a note above {least:.0f} Hz; this one has {hz:.0f} Hz"
    return (
        f"added hum would lie on a wobble at {where} Hz with this note of {hz:.1f} Hz; take one "
        "that is some Hz away from the multiples of 10 Hz"
    )


def _lowest_note(line_hz: float) -> float:
    """Return the lowest note that shows a wobble of that frequency."""
    return 1.05 * line_hz / HALF


def _of_one_mains(hz: float, other_hz: float) -> bool:
    """Say whether one frequency is about twice the other."""
    return abs(max(hz, other_hz) / min(hz, other_hz) / 2 - 1) < 2 * OFF


def _first_of(lines: list[_Line], hz: float, nominal: list[float]) -> _Line:
    """Return the largest line, at the place where mains is likelier of the two it may have.

    The side lines of one harmonic lie beside its neighbours too, at the pitch less the modulation.
    """
    line = max(lines, key=lambda line: line.cents)
    other_hz = hz - line.hz
    nearest = min(nominal, key=lambda place: abs(other_hz / place - 1))
    off, mirrored_off = abs(line.hz / line.nominal_hz - 1), abs(other_hz / nearest - 1)
    if mirrored_off < min(off, OFF):
        by = other_hz / line.hz
        return replace(line, hz=other_hz, cents=by * line.cents, u_cents=by * line.u_cents)
    return line


@dataclass(frozen=True, eq=False)
class _Piece:
    """Harmonics of one excerpt, turned back to 0 Hz, at a low rate; ``time_s`` about its middle."""

    hz: float
    time_s: Real
    orders: Real
    turned: Complex

    @property
    def resolution_hz(self) -> float:
        return 1.0 / float(np.ptp(self.time_s))

    def modulation(self, offsets_hz: Real) -> Complex:
        """Phase modulation of the fundamental in rad, shape (n_harmonics, n_offsets)."""
        turns = np.exp(-2j * np.pi * offsets_hz[:, None] * self.time_s)
        # einsum, not a matrix product: the threads of that cost more than they save here.
        upper = np.einsum("fm,km->kf", turns, self.turned)
        lower = np.einsum("fm,km->kf", turns, np.conj(self.turned))
        found: Complex = (upper - lower) / self.orders[:, None]
        return found


def _piece(start_s: float, sound: Real, rate: int, phase: PhaseTrack) -> _Piece | None:
    """Turn the harmonics of an excerpt back by the slow phase of the tone."""
    stop_s = start_s + sound.size / rate
    inside = np.flatnonzero((phase.time_s > start_s) & (phase.time_s < stop_s))
    if inside.size < 20:
        return None
    numbers, counts = np.unique(phase.tone[inside], return_counts=True)
    own = inside[phase.tone[inside] == numbers[np.argmax(counts)]]
    t, cycles = phase.time_s[own], phase.cycles[own]
    bins = np.floor((t - t[0]) / SMOOTH_S).astype(np.intp)
    count = np.bincount(bins)
    if (count < 2).any() or count.size < LEAST_S / SMOOTH_S:
        return None
    hz = float((cycles[-1] - cycles[0]) / (t[-1] - t[0]))
    middle, mean = np.bincount(bins, t) / count, np.bincount(bins, cycles - hz * t) / count
    if count[-1] < count[0]:
        middle, mean = middle[:-1], mean[:-1]
    excess = max(0.0, float(np.ptp(middle)) - MOST_S) / 2
    begin, end = (round((v - start_s) * rate) for v in (middle[0] + excess, middle[-1] - excess))
    size = fft.prev_fast_len(end - begin)
    if size < LEAST_S * 0.8 * rate:
        return None
    slow = interpolate.CubicSpline(middle - start_s - begin / rate, mean)
    return _turned(sound[begin : begin + size], slow, hz, rate)


def _turned(sound: Real, slow: Callable[[Real], Real], hz: float, rate: int) -> _Piece:
    """Cut the harmonics out of the spectrum, and turn them back by the slow phase."""
    spectrum = fft.rfft(sound * np.hanning(sound.size))
    length_s = sound.size / rate
    reach = int(min(BASE_HZ / 2, HALF * hz) * length_s)
    count = 2 * reach + 1
    at = np.arange(count) / count * length_s
    rest = slow(at)
    orders = np.arange(1.0, max(1, min(MOST_HARMONICS, int((0.49 * rate - BASE_HZ / 2) / hz))) + 1)
    rows = []
    for order in orders.tolist():
        centre = round(order * hz * length_s)
        places = np.arange(centre - reach, centre + reach + 1)
        cut = np.where(places > 0, spectrum[np.clip(places, 0, spectrum.size - 1)], 0)
        low = fft.ifft(np.roll(cut, -reach))
        off_hz = order * hz - centre / length_s
        rows.append(low * np.exp(-2j * np.pi * (off_hz * at + order * rest)))
    turned = np.array(rows)
    turned *= _faster(turned, orders, hz, length_s)
    carrier = turned.sum(axis=1)
    strong = np.abs(carrier) > 1e-3 * np.abs(carrier).max()
    turned = turned[strong] / carrier[strong, None]
    return _Piece(hz, at - length_s / 2, orders[strong], turned)


def _faster(turned: Complex, orders: Real, hz: float, length_s: float) -> Complex:
    """Turn back what the slow phase left, below half the mains frequency, by the clearest line."""
    clearest = int(np.argmax(np.abs(turned.sum(axis=1)) * np.sqrt(orders)))
    spectrum = fft.fft(turned[clearest])
    offsets = np.abs(fft.fftfreq(spectrum.size, length_s / spectrum.size))
    spectrum[offsets > min(STEADY_HZ, 0.4 * hz)] = 0
    phase = np.unwrap(np.angle(fft.ifft(spectrum))) / orders[clearest]
    if float(np.std(phase)) * float(orders[-1]) < LEAST_TURN_RAD:
        return np.ones_like(turned)
    back: Complex = np.exp(-1j * orders[:, None] * (phase - phase.mean()))
    return back


@dataclass(frozen=True)
class _Line:
    """A line of modulation, the strongest near its nominal place."""

    hz: float
    cents: float
    u_cents: float
    chance: float
    tries: float
    nominal_hz: float


def _line(pieces: list[_Piece], nominal_hz: float, hum: Sequence[float]) -> _Line | None:
    """Find the strongest line near a nominal frequency; None where others lie on its place."""
    reach = nominal_hz * OFF
    step = 0.2 * min(p.resolution_hz for p in pieces)
    offsets = nominal_hz + np.arange(-reach, reach + step / 2, step)
    heard = [(p, free) for p in pieces if (free := _free(p, nominal_hz, hum)).any()]
    if not heard:
        return None
    # Where harmonics disagree most the line itself may stand: the place goes by the power alone.
    rough = [_combined(piece, offsets, free) for piece, free in heard]
    place = _summit(offsets, np.sum([np.abs(found) ** 2 / noise for found, noise, _ in rough], 0))
    ends = np.array([offsets[0], place, offsets[-1]])
    there = [_combined(piece, ends, free) for piece, free in heard]
    power = np.array([np.abs(found[1]) ** 2 for found, _, _ in there])
    variance = np.array([noise + spread[1] for _, noise, spread in there])
    squared, expected, used = float(power.mean()), float(variance.mean()), len(heard)
    scale = CENTS * place / pieces[0].hz
    size = math.sqrt(max(squared - expected, 0.25 * expected))
    u = math.sqrt(expected / 2 / used) * max(1.0, math.sqrt(expected) / size)
    chance = float(stats.gamma.sf(np.sum(power / variance), used))
    tries = max(1.0, 2 * reach / pieces[0].resolution_hz)
    return _Line(place, scale * size, scale * u, chance, tries, nominal_hz)


def _summit(offsets: Real, power: Real) -> float:
    """Return where a line is strongest, between the places it was looked for at.

    A parabola through the logarithms of three places: between two of them a line would read up to
    0.6 % low.
    """
    best = int(np.argmax(power))
    if not 0 < best < power.size - 1:
        return float(offsets[best])
    before, at, after = np.log(power[best - 1 : best + 2])
    bend = before - 2 * at + after
    aside = (before - after) / (2 * bend) if bend < 0 else 0.0
    return float(offsets[best] + np.clip(aside, -0.5, 0.5) * (offsets[1] - offsets[0]))


def _combined(piece: _Piece, offsets: Real, free: Flags) -> tuple[Complex, float, Real]:
    """Average the harmonics' modulation by the noise around; with its variance.

    Beside the variance by noise that of harmonics which do not agree: they show something else than
    a wobble of the pitch.
    """
    near, far = AROUND_HZ
    side = np.arange(near, far, piece.resolution_hz)
    around = np.concatenate([offsets[0] - side, offsets[-1] + side])
    around = around[(around > STEADY_HZ) & (around < HALF * piece.hz)]
    beside = piece.modulation(around)[free]
    variance = np.median(np.abs(beside) ** 2, axis=1) / math.log(2)
    weight = 1 / np.maximum(variance, 1e-300)
    weight /= weight.sum()
    at = piece.modulation(offsets)[free]
    found = weight @ at
    averaged = weight @ beside
    expected = float(np.median(np.abs(averaged) ** 2)) / math.log(2)
    dof = int(free.sum()) - 1
    spread = np.zeros(offsets.size)
    if dof > 0:
        misfit = np.sum(np.abs(at - found) ** 2 / variance[:, None], axis=0) / dof
        spread = np.where(misfit > ALIKE, weight**2 @ np.abs(at - found) ** 2 * 2, 0.0)
    return found, max(expected, 1e-30), spread


def _free(piece: _Piece, offset: float, hum: Sequence[float]) -> Flags:
    """Harmonics whose side lines lie apart from added hum; none where the pitch is too low."""
    apart = APART_BINS * piece.resolution_hz
    free = np.full(piece.orders.size, offset * (1 + OFF) + apart / 2 < HALF * piece.hz)
    for side in (-offset, offset):
        places = piece.orders * piece.hz + side
        for base in hum:
            orders = np.maximum(1, np.rint(places / base))
            free &= np.abs(places - orders * base) > apart + orders * base * HUM_OFF
    return free
