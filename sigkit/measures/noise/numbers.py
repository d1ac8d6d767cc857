"""From the quiet parts of a capture to its numbers: floor, lines, families, each with u."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from scipy import stats

from sigkit.arrays import Flags, Real
from sigkit.measures.held_note import clock_term
from sigkit.measures.noise.lines import SEEN, Lines
from sigkit.measures.noise.mains import CLEARLY, LOOK_S, TOP_HZ
from sigkit.measures.noise.part import Heard, Tone, bridged, tones_of
from sigkit.measures.noise.result import HUM_COLUMNS, TONE_COLUMNS
from sigkit.measures.noise.spectrum import (
    Spectrum,
    average,
    band_power,
    unsteadiness,
)
from sigkit.measures.noise.tone import FullTone, belongs, bleed_of
from sigkit.measures.noise.weighting import a_weighting_db, weighting_468_db
from sigkit.quantity import Quantity, Term, combine, not_measurable

DB = 10 / math.log(10)
"""Decibels of a small relative change of power."""
MOST_TONES, HIDDEN_LINES = 20, 3
FALSE_ALARM = 1e-3
"""Chance of calling steady noise unsteady."""
ALONE = (
    "mains_line",
    "hum_odd",
    "ripple",
)
RE_TONE = ("floor", "floor_a", *ALONE)


@dataclass(frozen=True, eq=False)
class QuietSum:
    """Everything that the quiet tells, as fields of the result."""

    answers: dict[str, Quantity]
    hum: pd.DataFrame
    second_hum: pd.DataFrame
    tones: pd.DataFrame
    frequency_hz: Real
    density: Real
    covered: Flags
    bounds: dict[str, Quantity] = field(default_factory=dict)
    excess_db: float = 0.0

    @staticmethod
    def none(reason: str, tone: FullTone) -> QuietSum:
        """Return the answers of a capture that holds no quiet: reasons."""
        units = dict.fromkeys(("floor", "hiss", "total", *ALONE), "dBFS")
        units |= {"floor_a": "dBFS(A)", "floor_468": "dBFS(468, rms)"}
        units |= dict.fromkeys(("mains_frequency", "second_mains"), "Hz")
        units |= dict.fromkeys((*(f"{name}_re_tone" for name in RE_TONE), "bleed"), "dB")
        answers = {name: not_measurable(unit, reason) for name, unit in units.items()}
        answers["tone"] = tone.level
        hum, tones = pd.DataFrame(columns=list(HUM_COLUMNS)), pd.DataFrame(columns=[*TONE_COLUMNS])
        return QuietSum(
            answers, hum, hum.copy(), tones, np.zeros(0), np.zeros(0), np.zeros(0, bool)
        )


def decibels(
    power: float, u_power: float, unit: str, source: str, more: Sequence[Term] = ()
) -> Quantity:
    """Return a power (a full-scale sine has 1) as a level with its uncertainty."""
    noise = Term(source, max(DB * u_power / power, 1e-4), "A")
    return combine(10 * math.log10(power), unit, [noise, *more])


def quiet_sum(
    parts: Sequence[Heard], band_hz: tuple[float, float], tone: FullTone
) -> QuietSum | None:
    """Put the quiet parts of a capture together.

    Parameters
    ----------
    parts : sequence of Heard
        Quiet parts of one level, in order.
    band_hz : tuple of float
        Band of the floor.
    tone : FullTone
        What levels are given relative to.

    Returns
    -------
    QuietSum or None
        None where there is no quiet.
    """
    if not parts:
        return None
    seconds = [part.seconds for part in parts]
    whole = average([part.spectrum for part in parts], seconds)
    every = [replace(p.spectrum, density=bridged(p.spectrum, p.cover)) for p in parts]
    clean = average(every, seconds).density
    size = whole.frequency_hz.size
    cover: Flags = np.any([p.cover for p in parts if p.cover.size == size], axis=0)
    unsteady, excess_db = _unsteady(whole, clean, band_hz)
    found, taken = tones_of(whole, cover)
    beside = _averaged(parts, seconds)
    found = sorted([*found, *beside], key=lambda tone: -tone.power)
    hiss = bridged(whole, cover | taken)
    answers = _floors(whole, clean, hiss, band_hz, beside, unsteady)
    answers["hiss"] = decibels(*band_power(whole, hiss, band_hz), "dBFS", "noise", unsteady)
    lines, second = (joined([getattr(p, name) for p in parts], seconds) for name in NAMES)
    answers |= _mains(parts, lines, second)
    hum, bounds = _hum_table(lines), {}
    for name, orders in (("mains_line", [1]), ("hum_odd", None), ("ripple", None)):
        even = name == "ripple"
        answers[name], bound = _family(lines, parts, whole, even, orders)
        if bound is not None:
            bounds[name] = bound
    answers["total"] = _total(whole, band_hz, unsteady)
    answers |= _relative(answers, bounds, tone)
    answers["bleed"], bound = _bleed(found, whole, tone)
    if bound is not None:
        bounds["bleed"] = bound
    if lines is None and parts[0].mains.kind == "ambiguous":
        hum = _ambiguous_table(parts[0], whole)
    return QuietSum(
        answers,
        hum,
        _hum_table(second),
        _tone_table(found, tone),
        whole.frequency_hz,
        whole.density,
        cover,
        bounds,
        excess_db,
    )


NAMES = ("lines", "second")


def _averaged(parts: Sequence[Heard], seconds: Sequence[float]) -> list[Tone]:
    """Tones that were told apart from mains lines, averaged over the parts."""
    total, found = math.fsum(seconds), list[Tone]()
    for part, length in zip(parts, seconds, strict=True):
        for tone in part.beside:
            share = length / total
            same = [t for t in found if abs(t.hz - tone.hz) < 0.5]
            more = Tone(tone.hz, tone.power * share, tone.u_power * share)
            if same:
                found.remove(same[0])
                more = Tone(tone.hz, same[0].power + more.power, same[0].u_power + more.u_power)
            found.append(more)
    return found


def _unsteady(
    whole: Spectrum, clean: Real, band_hz: tuple[float, float]
) -> tuple[list[Term], float]:
    """Term for noise that is not steady; and by how much it swings, dB."""
    power, u = band_power(whole, clean, band_hz)
    total = float(whole.band_power.mean())
    if not (power > 0 and total > 0) or power < 0.5 * total:
        return [], 0.0
    segments = whole.band_power.size / 4
    if segments < 4:
        return [], 0.0
    expected = u / power * math.sqrt(whole.time_s / whole.segment_s)
    seen = unsteadiness(whole)
    dof = max(1.0, segments - 1)
    if seen**2 < expected**2 * float(stats.chi2.isf(FALSE_ALARM, dof)) / dof:
        return [], 0.0
    extra = math.sqrt(seen**2 - expected**2)
    return [Term("noise not steady", DB * extra / math.sqrt(segments), "A")], DB * extra


def _floors(
    whole: Spectrum,
    clean: Real,
    hiss: Real,
    band_hz: tuple[float, float],
    beside: Sequence[Tone],
    unsteady: list[Term],
) -> dict[str, Quantity]:
    """Floor and weighted floors: tones are in them, but only noise makes them uncertain."""
    f = whole.frequency_hz
    weights = {
        "floor": (np.ones(f.size), "dBFS"),
        "floor_a": (10 ** (a_weighting_db(f) / 10), "dBFS(A)"),
        "floor_468": (10 ** (weighting_468_db(f) / 10), "dBFS(468, rms)"),
    }
    out = {}
    for name, (weight, unit) in weights.items():
        power, _ = band_power(whole, clean, band_hz, weight)
        power += math.fsum(t.power * float(np.interp(t.hz, f, weight)) for t in beside)
        noise, u_noise = band_power(whole, hiss, band_hz, weight)
        # A tone and the noise under it: their product is what scatters.
        tones = max(power - noise, 0.0)
        near = float(np.max(hiss * weight)) if tones > 0.01 * noise else 0.0
        u = math.sqrt(u_noise**2 + 2 * tones * near / whole.time_s)
        out[name] = decibels(power, u, unit, "noise", unsteady)
    return out


def _total(whole: Spectrum, band_hz: tuple[float, float], unsteady: list[Term]) -> Quantity:
    """Everything in the band; lines are steady, so that only noise makes it uncertain."""
    power, u = band_power(whole, whole.density, band_hz)
    seen = unsteadiness(whole) / math.sqrt(max(1.0, whole.band_power.size / 4))
    return decibels(power, min(u, max(seen * power, 1e-4 * power)), "dBFS", "noise", unsteady)


def joined(every: Sequence[Lines | None], seconds: Sequence[float]) -> Lines | None:
    """Average the lines of several parts, each weighed by its length."""
    known = [(line, s) for line, s in zip(every, seconds, strict=True) if line is not None]
    if not known:
        return None
    count = min(line.orders.size for line, _ in known)
    weight = np.array([s for _, s in known])
    weight = weight / weight.sum()
    stack = {
        name: np.array([getattr(line, name)[:count] for line, _ in known])
        for name in (
            "power",
            "u_power",
            "u_noise",
            "bin_noise",
            "follows",
            "beside_hz",
            "beside_power",
        )
    }
    hz = np.array([line.hz for line, _ in known])
    first = known[0][0]
    u_hz = np.array([line.u_hz for line, _ in known])
    return Lines(
        hz=float(weight @ hz),
        u_hz=float(np.sqrt(weight**2 @ u_hz**2)),
        spread_hz=max([line.spread_hz for line, _ in known] + [float(np.ptp(hz))]),
        orders=first.orders[:count],
        power=weight @ stack["power"],
        u_power=np.sqrt(weight**2 @ stack["u_power"] ** 2),
        u_noise=np.sqrt(weight**2 @ stack["u_noise"] ** 2),
        bin_noise=weight**2 @ stack["bin_noise"],
        follows=np.array(stack["follows"].all(axis=0), bool),
        beside_hz=stack["beside_hz"][int(np.argmax(weight))],
        beside_power=stack["beside_power"][int(np.argmax(weight))],
    )


def _mains(
    parts: Sequence[Heard], lines: Lines | None, second: Lines | None
) -> dict[str, Quantity]:
    kinds = [p.mains.kind for p in parts]
    out = {}
    if lines is None or "found" not in kinds:
        said = next((p.mains.said for p in parts if p.mains.said), "")
        said = said or "no line of 50 or 60 Hz mains stands out of the noise"
        out["mains_frequency"] = not_measurable("Hz", said)
    else:
        out["mains_frequency"] = _frequency(lines)
    out["second_mains"] = (
        not_measurable("Hz", "no second mains is heard") if second is None else _frequency(second)
    )
    return out


def _frequency(lines: Lines) -> Quantity:
    if not math.isfinite(lines.u_hz):
        return not_measurable("Hz", "its lines are too weak to be followed; record longer")
    noise = Term("noise", max(lines.u_hz, 1e-9), "A")
    return combine(lines.hz, "Hz", [noise, clock_term(lines.hz)])


def _hum_table(lines: Lines | None) -> pd.DataFrame:
    if lines is None:
        return pd.DataFrame(columns=list(HUM_COLUMNS))
    rows = []
    for i, order in enumerate(lines.orders.tolist()):
        power, u, seen = float(lines.power[i]), float(lines.u_power[i]), bool(lines.seen[i])
        bound = max(power, 0.0) + 2 * max(u, float(lines.u_noise[i]))
        remark = ""
        if not lines.follows[i]:
            remark = "does not follow the mains: another tone lies here; left out of the families"
        elif math.isfinite(lines.beside_hz[i]):
            remark = f"told apart from a tone at {lines.beside_hz[i]:.2f} Hz"
        over = 10 * math.log10(power / float(lines.bin_noise[i])) if power > 0 else math.nan
        rows.append(
            (
                round(order),
                order * lines.hz,
                10 * math.log10(power) if seen else math.nan,
                DB * u / power if seen else math.nan,
                10 * math.log10(bound),
                over,
                "odd" if order % 2 else "even",
                remark,
            )
        )
    return pd.DataFrame(rows, columns=list(HUM_COLUMNS))


def _ambiguous_table(part: Heard, whole: Spectrum) -> pd.DataFrame:
    """Lines that may be of 50 or of 60 Hz, without orders."""
    found, _ = tones_of(whole, np.zeros(whole.density.size, bool))
    rows = []
    for hz in part.mains.common_hz:
        for tone in found:
            if abs(tone.hz - hz) < 2 * whole.step_hz:
                level = 10 * math.log10(tone.power)
                bound = 10 * math.log10(tone.power + 2 * tone.u_power)
                u = DB * tone.u_power / tone.power
                rows.append((0, hz, level, u, bound, math.nan, "", "of 50 or of 60 Hz"))
                break
    return pd.DataFrame(rows, columns=list(HUM_COLUMNS))


def _family(
    lines: Lines | None,
    parts: Sequence[Heard],
    whole: Spectrum,
    even: bool,
    orders: list[int] | None,
) -> tuple[Quantity, Quantity | None]:
    """Power sum of a family, or why there is none, and then a bound."""
    if lines is None:
        why = next((p.mains.said for p in parts if p.mains.said), "")
        if why:
            return not_measurable("dBFS", why), None
        return _bounded(_unseen(whole, math.fsum(p.seconds for p in parts)))
    own = np.isin(lines.orders, orders) if orders else (lines.orders % 2 == 0) == even
    astray = own & ~lines.follows
    own &= lines.follows
    if astray.any() and not own.any():
        return not_measurable("dBFS", "another tone lies on it and cannot be told apart"), None
    power = float(lines.power[own].sum())
    u = float(np.sqrt(np.sum(lines.u_power[own] ** 2)))
    u_noise = float(np.sqrt(np.sum(lines.u_noise[own] ** 2)))
    if not orders:
        total = math.fsum(p.seconds for p in parts)
        for part in parts:
            for order, more, u_more in part.high:
                if (order % 2 == 0) == even:
                    power += more * part.seconds / total
                    u = math.hypot(u, u_more * part.seconds / total)
    if power > SEEN * u_noise and power > SEEN * u:
        return decibels(power, u, "dBFS", "noise"), None
    return _bounded(max(power, 0.0) + 2 * max(u, u_noise))


def _bounded(most: float) -> tuple[Quantity, Quantity]:
    level = 10 * math.log10(most)
    bound = combine(level, "dBFS", [Term("noise", DB / SEEN, "A")])
    return not_measurable("dBFS", f"none above {level:.0f} dBFS stands out of the noise"), bound


def _unseen(whole: Spectrum, seconds: float) -> float:
    """Power that a few lines of the mains together may have without one of them standing out."""
    low = (whole.frequency_hz > 45) & (whole.frequency_hz < 500)
    per_bin = float(np.median(whole.density[low])) * 1.5 / min(seconds, LOOK_S)
    return HIDDEN_LINES * (CLEARLY + math.log(LOOK_S * TOP_HZ)) * per_bin


def _relative(
    answers: dict[str, Quantity], bounds: dict[str, Quantity], tone: FullTone
) -> dict[str, Quantity]:
    """Levels less that of the tone; bounds too."""
    out = {"tone": tone.level}
    for name in RE_TONE:
        own = answers[name]
        if not tone.level.measurable or not own.measurable:
            reason = tone.level.reason or own.reason
            out[f"{name}_re_tone"] = not_measurable("dB", reason)
            if tone.level.measurable and name in bounds:
                bounds[f"{name}_re_tone"] = _less(bounds[name], tone.level)
                most = float(bounds[f"{name}_re_tone"])
                out[f"{name}_re_tone"] = not_measurable("dB", f"none above {most:.0f} dB")
            continue
        out[f"{name}_re_tone"] = _less(own, tone.level)
    return out


def _less(one: Quantity, two: Quantity) -> Quantity:
    return combine(one.value - two.value, "dB", [*one.budget, *two.budget])


def _bleed(
    found: Sequence[Tone], whole: Spectrum, tone: FullTone
) -> tuple[Quantity, Quantity | None]:
    if not tone.level.measurable:
        return not_measurable("dB", tone.level.reason), None
    power, u, most = bleed_of(found, whole, tone)
    shared = tone.level.budget
    if power > 0:
        return decibels(power, u, "dB", "noise", shared), None
    bound = combine(10 * math.log10(max(most, 1e-30)), "dB", [Term("noise", 1.0, "A"), *shared])
    reason = f"no line of the tone above {float(bound):.0f} dB is heard where nothing plays"
    return not_measurable("dB", reason), bound


def _tone_table(found: Sequence[Tone], tone: FullTone) -> pd.DataFrame:
    rows = [
        (
            t.hz,
            10 * math.log10(t.power),
            DB * t.u_power / t.power,
            belongs(t.hz, tone),
        )
        for t in found[:MOST_TONES]
    ]
    return pd.DataFrame(rows, columns=list(TONE_COLUMNS))
