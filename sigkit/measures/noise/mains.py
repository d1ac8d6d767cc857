"""Which mains is heard: families of lines at multiples of 50 or 60 Hz, told by their votes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from sigkit.measures.noise.peaks import Peak

NOMINAL_HZ, OFF_HZ = (50.0, 60.0), 1.01
WRONG_RATES = (48 / 44.1, 44.1 / 48)
"""A header that says one usual rate for the sound of another turns 50 and 60 Hz into others."""
WRONG_OFF = 0.004
ORDERS = 20
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
