"""From the quiet parts of a capture to its numbers, each with u."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from sigkit.arrays import Flags, Real
from sigkit.measures.noise.families import (
    ambiguous_table,
    family_of,
    hum_table,
    joined,
    mains_of,
    unsettled,
)
from sigkit.measures.noise.floors import DB, decibels, floors_of, total_of, unsteady_of
from sigkit.measures.noise.part import Heard, Tone, bridged, tones_of
from sigkit.measures.noise.result import HUM_COLUMNS, TONE_COLUMNS
from sigkit.measures.noise.spectrum import Spectrum, average, band_power
from sigkit.measures.noise.tone import FullTone, belongs, bleed_of
from sigkit.quantity import Quantity, Term, combine, not_measurable

MOST_TONES = 20
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
    above: tuple[Tone, ...] = ()

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
    unsteady, excess_db = unsteady_of(whole, clean, band_hz)
    found, taken = tones_of(whole, cover)
    beside = _averaged(parts, seconds)
    found = sorted([*found, *beside], key=lambda tone: -tone.power)
    hiss = bridged(whole, cover | taken)
    lines, second = (joined([getattr(p, name) for p in parts], seconds) for name in NAMES)
    beating = unsettled(lines, second)
    answers = floors_of(whole, clean, hiss, band_hz, beside, beating)
    answers["hiss"] = decibels(*band_power(whole, hiss, band_hz), "dBFS", "noise", unsteady)
    answers |= mains_of(parts, lines, second)
    hum, bounds = hum_table(lines), {}
    for name, orders in (("mains_line", [1]), ("hum_odd", None), ("ripple", None)):
        even = name == "ripple"
        answers[name], bound = family_of(lines, parts, whole, even, orders)
        if bound is not None:
            bounds[name] = bound
    answers["total"] = total_of(whole, hiss, band_hz, beating)
    answers |= _relative(answers, bounds, tone)
    answers["bleed"], bound = _bleed(found, whole, tone)
    if bound is not None:
        bounds["bleed"] = bound
    if lines is None and parts[0].mains.kind == "ambiguous":
        hum = ambiguous_table(parts[0], whole)
    return QuietSum(
        answers,
        hum,
        hum_table(second),
        _tone_table(found, tone),
        whole.frequency_hz,
        whole.density,
        cover,
        bounds,
        excess_db,
        tuple(tones_of(whole, np.zeros(size, bool), above=True)[0]),
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
