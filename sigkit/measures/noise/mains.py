"""Which mains is heard: families of lines at multiples of 50 or 60 Hz, told by their votes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import fft, signal

from sigkit.arrays import Real
from sigkit.measures.noise.spectrum import gentle

NOMINAL_HZ, OFF_HZ = (50.0, 60.0), 1.01
WRONG_RATES = (48 / 44.1, 44.1 / 48)
"""A header that says one usual rate for the sound of another turns 50 and 60 Hz into others."""
WRONG_OFF = 0.004
LOW_RATE_HZ, TOP_HZ = 8000.0, 2450.0
ORDERS = 20
LOOK_S = 16.0
AROUND_HZ = 20.0
CLEARLY = 9.0
"""A peak counts where it is above the noise by this more than the logarithm of all places."""
SLACK_HZ = 0.004
"""Lines of one mains may differ by so much: its wander while they are looked at."""
USUAL_HZ = 0.15
"""The mains of a large grid is hardly ever further off than this."""
NOTE_HZ = 0.3
"""Even multiples alone, of a mains further off than this, are a note unless the mains is given."""
CAP, OF_A_NOTE = 8.0, 0.35
EVEN_HZ = 0.1
"""Even multiples alone, of a mains further off than this, may as well be a note."""


@dataclass(frozen=True)
class Peak:
    """A line of the spectrum: frequency and its uncertainty, power, and power over the noise."""

    hz: float
    u_hz: float
    power: float
    over: float


@dataclass(frozen=True)
class Family:
    """Lines that agree on one mains frequency.

    Parameters
    ----------
    hz, u_hz : float
        That frequency and its standard uncertainty.
    peaks : mapping of int to int
        Index of the peak of each order.
    score : float
        Sum of the logarithms of their powers over the noise, each cut at 8.
    """

    hz: float
    u_hz: float
    peaks: Mapping[int, int]
    score: float


@dataclass(frozen=True)
class Mains:
    """What is known of the mains in a sound.

    Parameters
    ----------
    hz : float
        Rough frequency of the stronger family; nan where there is none.
    second_hz : float
        The same of another mains; nan where there is one only.
    kind : {"found", "none", "ambiguous", "wrong rate"}
        ``ambiguous``: its lines lie at multiples of 50 and of 60 Hz.
    said : str
        What is to be said of it; empty where there is nothing.
    common_hz : tuple of float
        Lines that are multiples of both, where it is ambiguous.
    """

    hz: float
    second_hz: float
    kind: str
    said: str = ""
    common_hz: tuple[float, ...] = ()

    @property
    def doubtful(self) -> bool:
        """Whether it may as well be a note."""
        return "look" in self.said


def lowered(sound: Real, rate: int) -> tuple[Real, float]:
    """Return the lower end of a sound at a low rate; exact up to 2450 Hz."""
    step = max(1, int(rate // LOW_RATE_HZ))
    centred = sound - sound.mean()
    if step == 1:
        return centred, float(rate)
    out: Real = signal.resample_poly(centred, 1, step, window=("kaiser", 12.0))
    return out, rate / step


def peaks_of(low: Real, rate: float) -> tuple[list[Peak], Real, float]:
    """Find the lines of the lower end of a sound.

    Parameters
    ----------
    low : ndarray, shape (n_samples,)
        Sound from `lowered`; the middle 16 s of it are used.
    rate : float
        Its rate in Hz.

    Returns
    -------
    list of Peak
        Those that stand out of the noise around them, by frequency.
    ndarray, shape (n_bins,)
        Noise per hertz around each bin (a full-scale sine has the power 1).
    float
        Width of a bin in Hz.
    """
    x = _middle(low, rate)
    size = fft.next_fast_len(2 * x.size, real=True)
    window = signal.windows.hann(x.size, sym=False)
    spectrum = fft.rfft(x * window, size)
    step = rate / size
    count = min(spectrum.size, int(TOP_HZ / step))
    power = 4 * np.abs(spectrum[:count]) ** 2 / window.sum() ** 2
    width_hz = rate * float(window @ window) / window.sum() ** 2
    middle = gentle(power, round(AROUND_HZ / step)) / math.log(2)
    small = power < CLEARLY * middle
    box = np.ones(max(3, round(AROUND_HZ / step)))
    noise = np.convolve(np.where(small, power, 0), box, "same")
    noise /= np.maximum(np.convolve(small.astype(float), box, "same"), 1)
    noise = np.maximum(noise, 1e-30)
    # Noise cut at 9 times its median's mean lacks little; a block full of lines falls back.
    noise = np.where(noise > 0.3 * middle, noise, middle)
    inner = np.arange(2, count - 2)
    over = power / noise
    is_peak = (power[inner] >= power[inner - 1]) & (power[inner] > power[inner + 1])
    is_peak &= over[inner] > CLEARLY + math.log(max(2, count))
    is_peak &= inner * step > 8 / (x.size / rate)
    found = []
    for k in inner[is_peak].tolist():
        a, b, c = np.log(power[k - 1 : k + 2])
        shift = 0.5 * (a - c) / (a - 2 * b + c)
        height = float(np.exp(b - 0.25 * (a - c) * shift))
        ratio = height / float(noise[k])
        u_hz = 0.45 * rate / x.size / math.sqrt(ratio)
        found.append(Peak(float((k + shift) * step), u_hz, height, ratio))
    return _main_lobes(found, 4 * rate / x.size), noise / width_hz, step


def _middle(low: Real, rate: float) -> Real:
    most = round(LOOK_S * rate)
    skip = max(0, (low.size - most) // 2)
    return low[skip : skip + most]


def power_at(low: Real, rate: float, hz: float, density: float) -> tuple[float, float]:
    """Return the power of a line whose frequency is known, and its uncertainty by noise.

    Parameters
    ----------
    low, rate : ndarray of shape (n_samples,), float
        Sound from `lowered` and its rate; its middle 16 s are used, as in `peaks_of`.
    hz : float
        Frequency of the line.
    density : float
        Noise per hertz around it.

    Notes
    -----
    An amplitude under a Hann window scatters by 1.5 in variance re one without a window.
    """
    x = _middle(low, rate)
    window = signal.windows.hann(x.size, sym=False)
    turn = np.exp(-2j * np.pi * hz / rate * np.arange(x.size))
    power = float(np.abs(2 * np.sum(x * window * turn) / window.sum()) ** 2)
    return power, math.sqrt(2 * 1.5 * power * density * rate / x.size)


def _main_lobes(found: list[Peak], near_hz: float) -> list[Peak]:
    """Leave out side lobes: a peak close to one that is a thousand times stronger."""
    kept = []
    for peak in found:
        worse = [
            other
            for other in found
            if other is not peak
            and other.power > peak.power
            and side_lobe(abs(other.hz - peak.hz) / near_hz * 4) * other.power > peak.power
        ]
        if not worse:
            kept.append(peak)
    return kept


def side_lobe(bins: float) -> float:
    """Upper bound of the power of a Hann window's side lobes, so many bins away."""
    return 1.0 if bins < 1.7 else min(1.0, 4e-3 * (2.5 / bins) ** 6)


def family(
    peaks: Sequence[Peak], low_hz: float, high_hz: float, usual_hz: float, *, notes: bool = False
) -> Family | None:
    """Return the family on which most lines agree, with its base between two frequencies.

    Those that a note explains far better are left out, unless ``notes`` are asked for.
    """
    votes = [
        (peak.hz / order, peak.u_hz / order, order, index)
        for index, peak in enumerate(peaks)
        for order in range(1, ORDERS + 1)
        if low_hz <= peak.hz / order <= high_hz
    ]
    best: Family | None = None
    best_score = 0.0
    for hz, u_hz, _, _ in votes:
        own: dict[int, int] = {}
        for other_hz, other_u, order, index in votes:
            if abs(other_hz - hz) < 3 * math.hypot(u_hz, other_u) + SLACK_HZ and (
                order not in own or peaks[index].over > peaks[own[order]].over
            ):
                own[order] = index
        far = math.gcd(*own) > 1 and abs(hz - usual_hz) > NOTE_HZ
        if not _is_mains(own, peaks) or (far and not notes):
            continue
        score = sum(_weight(order) * min(CAP, math.log(peaks[i].over)) for order, i in own.items())
        # Multiples of one line alone are the harmonics of a note as well.
        if math.gcd(*own) > 1:
            score *= OF_A_NOTE
        # The mains keeps to its frequency; a note may lie anywhere.
        score += CAP * math.exp(-0.5 * ((hz - usual_hz) / USUAL_HZ) ** 2)
        if score > best_score:
            weights = [(order / peaks[i].u_hz) ** 2 for order, i in own.items()]
            values = [peaks[i].hz / order for order, i in own.items()]
            mean = float(np.average(values, weights=weights))
            best = Family(mean, 1 / math.sqrt(math.fsum(weights)), own, score)
            best_score = score
    return best


def _weight(order: int) -> float:
    """Low orders speak louder: high ones meet another tone by chance."""
    return 1.0 if order <= 4 else 4.0 / order


def identify(peaks: Sequence[Peak], mains_hz: float | None) -> Mains:
    """Say which mains is heard.

    Parameters
    ----------
    peaks : sequence of Peak
        The lines of the sound.
    mains_hz : float, optional
        Nominal frequency of the mains where it is known; by default 50 and 60 Hz are tried.

    Returns
    -------
    Mains
        Found, none, two, ambiguous, or a family where only a wrong sample rate would put it.
    """
    bases = NOMINAL_HZ if mains_hz is None else _bases(mains_hz)
    found = {}
    for base in bases:
        one = family(peaks, base - OFF_HZ, base + OFF_HZ, base)
        if one is not None:
            found[base] = one
    if not found:
        return _note_or(_elsewhere(peaks, mains_hz), peaks, bases)
    if len(found) == 1:
        base, one = next(iter(found.items()))
        if _multiples_of_300(one.peaks, peaks) and mains_hz is None:
            return _ambiguous(peaks, [one])
        return _named(peaks, one, base, mains_hz)
    one, two = found.values()
    only = [_apart(a, b) for a, b in ((one, two), (two, one))]
    if not only[0] and not only[1]:
        if mains_hz is None:
            return _ambiguous(peaks, [one, two])
        return _named(peaks, one, bases[0], mains_hz)
    strong = [_stands(own) for own in only]
    if all(strong):
        sizes = [
            sum(peaks[f.peaks[order]].power for order in own)
            for f, own in zip((one, two), only, strict=True)
        ]
        first, second = (one, two) if sizes[0] >= sizes[1] else (two, one)
        return Mains(
            first.hz,
            second.hz,
            "found",
            f"two mains frequencies are heard, {first.hz:.2f} and {second.hz:.2f} Hz, the first "
            "the stronger: another supply, a monitor or a note may be one of them",
        )
    ranks = [
        (_stands(own), bool(own), sum(_weight(o) * math.log(peaks[f.peaks[o]].over) for o in own))
        for f, own in zip((one, two), only, strict=True)
    ]
    first = one if ranks[0] >= ranks[1] else two
    return _named(peaks, first, bases[0] if first is one else bases[1], mains_hz)


def _note_or(other: Mains, peaks: Sequence[Peak], bases: Sequence[float]) -> Mains:
    """Say which note could be ripple of a mains that is far off, where nothing else is found."""
    if other.kind != "none":
        return other
    for base in bases:
        one = family(peaks, base - OFF_HZ, base + OFF_HZ, base, notes=True)
        if one is not None:
            least = min(peaks[index].hz for index in one.peaks.values())
            said = (
                f"a tone of {least:.2f} Hz is taken for a note: no line of 50 or 60 Hz mains "
                f"stands out; if your mains has {one.hz:.2f} Hz, give that as mains_hz"
            )
            return replace(other, said=said)
    return other


def _bases(mains_hz: float) -> tuple[float, ...]:
    others = [base for base in NOMINAL_HZ if abs(base - mains_hz) > 2 * OFF_HZ]
    return (float(mains_hz), *(others if abs(mains_hz - 55) < 7 else []))[:2]


def _is_mains(own: Mapping[int, int], peaks: Sequence[Peak]) -> bool:
    """Whether lines are enough to speak of mains: a low order, or several; all of 300 Hz maybe."""
    orders = sorted(own)
    if _multiples_of_300(own, peaks):
        return True
    if len(orders) > 1 and math.gcd(*orders) > 2:
        return False
    return orders[0] <= 3 or len(orders) >= 3


def _stands(orders: Sequence[int]) -> bool:
    if not orders or (len(orders) > 1 and math.gcd(*orders) > 2):
        return False
    return min(orders) <= 2 or len(orders) >= 3


def _apart(one: Family, two: Family) -> list[int]:
    """Orders of one family whose lines are not those of the other too."""
    taken = set(two.peaks.values())
    return [order for order, index in one.peaks.items() if index not in taken]


def _multiples_of_300(own: Mapping[int, int], peaks: Sequence[Peak]) -> bool:
    """Whether the lines are 300 Hz, where 50 and 60 Hz meet, and multiples of it."""
    places = [peaks[index].hz / 300 for index in own.values()]
    near = all(abs(place - round(place)) < 0.02 * place for place in places)
    return near and round(min(places)) == 1


def _ambiguous(peaks: Sequence[Peak], every: Sequence[Family]) -> Mains:
    common = sorted({peaks[index].hz for one in every for index in one.peaks.values()})
    where = ", ".join(f"{hz:.1f}" for hz in common[:6])
    said = (
        f"ambiguous: the lines at {where} Hz are multiples of 50 and of 60 Hz; give mains_hz, the "
        "frequency of your mains"
    )
    return Mains(math.nan, math.nan, "ambiguous", said, tuple(common))


def _named(peaks: Sequence[Peak], one: Family, base: float, mains_hz: float | None) -> Mains:
    said = []
    if mains_hz is not None and abs(base - mains_hz) > OFF_HZ:
        said.append(f"the mains heard has {one.hz:.2f} Hz, not the {mains_hz:g} Hz that was given")
    orders = sorted(one.peaks)
    if len(orders) == 1 and orders[0] > 2:
        said.append(
            f"only one line, at {peaks[one.peaks[orders[0]]].hz:.2f} Hz, speaks for mains: a note "
            "there looks the same"
        )
    elif abs(one.hz - base) > (EVEN_HZ if math.gcd(*orders) > 1 else 2 * USUAL_HZ):
        least = min(peaks[index].hz for index in one.peaks.values())
        said.append(
            f"{one.hz:.2f} Hz is unusual for mains of a large grid: a note of {least:.1f} Hz would "
            "look the same"
        )
    return Mains(one.hz, math.nan, "found", "; ".join(said))


def _elsewhere(peaks: Sequence[Peak], mains_hz: float | None) -> Mains:
    """Look for hum where it would be if the header gave the wrong sample rate."""
    best, what = None, ""
    for base in NOMINAL_HZ if mains_hz is None else (mains_hz,):
        for ratio in WRONG_RATES:
            at = base * ratio
            one = family(peaks, at * (1 - WRONG_OFF), at * (1 + WRONG_OFF), at)
            if one is None or len(one.peaks) < 2 or min(one.peaks) > 2:
                continue
            # Even multiples alone are a note: C3 lies at twice 60 Hz times 48 over 44.1.
            if math.gcd(*one.peaks) > 1:
                continue
            if best is None or one.score > best.score:
                best, what = one, f"{base:g} Hz times {ratio:.4f}"
    if best is None:
        return Mains(math.nan, math.nan, "none")
    said = (
        f"a hum family at {best.hz:.2f} Hz, which is {what}: is the sample rate in the file right? "
        "All its frequencies would be off by that factor. A note there looks the same"
    )
    return Mains(best.hz, math.nan, "wrong rate", said)
