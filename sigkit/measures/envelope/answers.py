"""The notes of a capture as a table, and together: means, repeats and counts."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from sigkit.measures.envelope.notes import HeardNote
from sigkit.measures.envelope.result import COLUMNS, VALUES
from sigkit.measures.envelope.sixty import MODEL_SHARE
from sigkit.quantity import Quantity, Term, combine, not_measurable

REASONS_APART = " | "
"""Between the reasons of one note."""
COUNT_U = 0.2
"""Standard uncertainty of a count of notes: 1 in 25 captures may be off by one."""
OTHER_LAW = 4.0
"""Scatter about the model, in units of the noise and of 1 % of the peak, that is told."""
QUIET_THUMP_DB = -50.0
ALIKE = 3.0
"""Standard uncertainties from the highest or lowest peak within which another may be it."""

UNITS = {
    "attack": "s",
    "onset_to_peak": "s",
    "decay_time_constant": "s",
    "sustain": "dB",
    "sag": "dB",
    "release_20": "s",
    "release_40": "s",
    "release": "s",
    "release_time_constant": "s",
    "peak": "dBFS",
    "peak_spread": "dB",
    "attack_repeat": "%",
    "decay_repeat": "%",
    "release_repeat": "%",
    "retriggers": "",
    "missed_triggers": "",
    "thump": "dB",
}
MEANS = {
    "attack": "attack_s",
    "onset_to_peak": "onset_to_peak_s",
    "decay_time_constant": "decay_time_constant_s",
    "sustain": "sustain_db",
    "sag": "sag_db_per_10s",
    "release_20": "release_20_s",
    "release_40": "release_40_s",
    "release": "release_s",
    "release_time_constant": "release_time_constant_s",
    "peak": "peak_dbfs",
}
REPEATS = {
    "attack_repeat": "attack_s",
    "decay_repeat": "decay_time_constant_s",
    "release_repeat": "release_20_s",
}


def notes_table(heard: list[HeardNote], keyed: bool) -> pd.DataFrame:
    """Return one row a note, with the columns of `EnvelopeResult.notes`.

    Parameters
    ----------
    heard : list of HeardNote
        The notes, in order.
    keyed : bool
        Whether keys were looked for: a note without one is a retrigger.
    """
    rows = []
    for number, note in enumerate(heard, 1):
        values, flags = note.numbers.values, note.numbers.flags
        row: dict[str, Any] = {"number": number}
        for name in VALUES:
            value, u = values.get(name, (math.nan, math.nan))
            row[name], row[f"u_{name}"] = value, u if math.isfinite(value) else math.nan
        down = float(str(flags.get("key_down_s", math.nan)))
        row |= {
            "release_extrapolated": bool(flags.get("release_extrapolated", False)),
            "law": flags.get("law", ""),
            "law_power": flags.get("law_power", math.nan),
            "misfit": flags.get("misfit", math.nan),
            "thump_db": flags.get("thump_db", math.nan),
            "carrier_hz": note.carrier_hz,
            "method": "wave" if note.coherent else "power",
            "times_from": "key" if math.isfinite(down) else "sound",
            "key_down_s": down,
            "key_up_s": flags.get("key_up_s", math.nan),
            "retrigger": bool(note.retrigger or (keyed and not math.isfinite(down))),
            "reason": _reasons(note.numbers.reasons),
        }
        rows.append(row)
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    return table.astype({"retrigger": bool, "release_extrapolated": bool, "number": int})


def _reasons(reasons: dict[str, str]) -> str:
    """Say each reason once, with the numbers it holds for."""
    by_reason: dict[str, list[str]] = {}
    for name, why in reasons.items():
        by_reason.setdefault(why, []).append(name)
    return REASONS_APART.join(f"{', '.join(names)}: {why}" for why, names in by_reason.items())


def answers_of(table: pd.DataFrame, missed: Quantity, *, keyed: bool) -> dict[str, Quantity]:
    """Return the quantities of a capture by name.

    Parameters
    ----------
    table : DataFrame
        As from `notes_table`.
    missed : Quantity
        Missed triggers.
    keyed : bool
        Whether keys were seen.
    """
    own = table[~table["retrigger"]]
    nothing = "no note stands out of the noise: play louder, raise the gain"
    out: dict[str, Quantity] = {}
    for name, column in MEANS.items():
        unit = UNITS[name]
        out[name] = not_measurable(unit, nothing) if own.empty else _mean(own, column, unit)
    out["peak_spread"] = _peak_spread(own)
    for name, column in REPEATS.items():
        out[name] = _repeat(own, column)
    if table.empty:
        out["retriggers"] = not_measurable("", nothing)
    else:
        source = "notes without a key of their own" if keyed else "notes taken for retriggers"
        out["retriggers"] = combine(
            float(table["retrigger"].sum()), "", [Term(source, COUNT_U, "B")]
        )
    out["missed_triggers"] = missed
    out["thump"] = _thump(own)
    return {name: out[name] for name in UNITS}


def _mean(own: pd.DataFrame, column: str, unit: str) -> Quantity:
    """Mean over the notes, with what their scatter shows beyond their own uncertainty."""
    known = own[np.isfinite(own[column].to_numpy(float))]
    if known.empty:
        reasons = [r for r in own["reason"] if r]
        return not_measurable(unit, _own_reason(reasons, column))
    values, u = known[column].to_numpy(float), known[f"u_{column}"].to_numpy(float)
    n = values.size
    alike = np.zeros(n)
    if column == "release_s":
        # Another law would make the same of every note that is extrapolated.
        last = np.fmax(known["release_20_s"].to_numpy(float), known["release_40_s"].to_numpy(float))
        share = known["law"].map(MODEL_SHARE).to_numpy(float) * (values - last)
        alike = np.where(known["release_extrapolated"], share, 0.0)
    own_u = float(np.sqrt(np.sum(u**2 - alike**2))) / n
    terms = [Term("noise, wave and model of each note", own_u, "A")]
    if alike.any():
        terms.append(Term("law of the fall below what is seen", float(np.mean(alike)), "B"))
    if n > 1:
        beyond = float(np.var(values, ddof=1) - np.mean(u**2))
        if beyond > 0:
            terms.append(Term("repeats", math.sqrt(beyond / n), "A", n - 1))
    return combine(float(values.mean()), unit, terms)


def _own_reason(reasons: list[str], column: str) -> str:
    for reason in reasons:
        for part in reason.split(REASONS_APART):
            names, _, why = part.partition(": ")
            if column in names.split(", "):
                return why
    return "no note has it"


def _peak_spread(own: pd.DataFrame) -> Quantity:
    peaks = own["peak_dbfs"].to_numpy(float)
    known = np.isfinite(peaks)
    if known.sum() < 2:
        return not_measurable("dB", "a single note: press five times")
    peaks, u = peaks[known], own["u_peak_dbfs"].to_numpy(float)[known]
    noise = math.sqrt(float(np.mean(u**2)))
    # Of notes that are alike, noise picks the highest and the lowest.
    near = np.minimum(peaks.max() - peaks, peaks - peaks.min()) < ALIKE * noise
    u_range = noise * _range_of_noise(int(near.sum())) / 2
    return combine(float(np.ptp(peaks)), "dB", [Term("noise of the peaks", u_range, "A")])


@lru_cache
def _range_of_noise(count: int) -> float:
    """Return the range that so many normal deviates keep within in 95 % (Studentized range)."""
    return float(stats.studentized_range.ppf(0.95, count, math.inf))


def _repeat(own: pd.DataFrame, column: str) -> Quantity:
    values, u = own[column].to_numpy(float), own[f"u_{column}"].to_numpy(float)
    known = np.isfinite(values)
    values, u = values[known], u[known]
    if values.size < 3:
        return not_measurable("%", "three notes or more have to show it: press five times")
    mean = float(np.mean(values))
    noise = float(np.mean(u**2))
    spread = math.sqrt(max(float(np.var(values, ddof=1)) - noise, 0.0))
    whole = math.sqrt(max(float(np.var(values, ddof=1)), noise))
    u_spread = max(whole / math.sqrt(2 * (values.size - 1)), 1e-9)
    term = Term("few repeats", 100 * u_spread / mean, "A", values.size - 1)
    return combine(100 * spread / mean, "%", [term])


def _thump(own: pd.DataFrame) -> Quantity:
    if own.empty:
        return not_measurable("dB", "no note stands out of the noise")
    levels = own["thump_db"].to_numpy(float)
    known = levels[np.isfinite(levels)]
    known = known[known > QUIET_THUMP_DB]
    if not known.size:
        return not_measurable(
            "dB", f"nothing above {QUIET_THUMP_DB:.0f} dB re the peak beside the carrier"
        )
    return combine(float(known.max()), "dB", [Term("noise and the carrier's wave", 1.0, "B")])


def remarks_of(table: pd.DataFrame, heard: list[HeardNote]) -> list[str]:
    """Return what a reader of the numbers should know."""
    if table.empty:
        return ["no note found"]
    said = []
    laws = set(table["law"]) - {""}
    if laws == {"exponential"}:
        said.append(
            "the amplifier is exponential: time constants are those of the control, levels and "
            "10 to 90 % those of the sound"
        )
    elif "power" in laws:
        power = float(table.loc[table["law"] == "power", "law_power"].median())
        said.append(
            f"the amplifier bends: its gain goes with the control to the power of {power:.2f}; a "
            "decay's time constant is that of the control, all else is as heard"
        )
    if len(laws) > 1:
        said.append(
            f"notes tell different laws of the amplifier ({', '.join(sorted(laws))}): play a "
            "higher or louder note before trusting any one of them"
        )
    if (table["method"] == "power").any():
        said.append(
            "measured by power alone: the carrier is noise, or its pitch or wave changes; attacks "
            "are told from three periods on, and time constants as heard, whatever the amplifier"
        )
    if table["release_extrapolated"].any():
        said.append("release to 60 dB extrapolated where the floor hides it")
    hum = [n.hum_hz for n in heard if math.isfinite(n.hum_hz)]
    if hum:
        said.append(f"hum at {np.median(hum):.2f} Hz taken out")
    if table["retrigger"].any():
        at = ", ".join(f"{t:.2f}" for t in table.loc[table["retrigger"], "onset_s"].head(4))
        said.append(f"retriggered at {at} s")
    misfit = float(table["misfit"].median())
    if not math.isfinite(misfit):
        return said
    said.append(
        f"scatter about the model of a capacitor: {math.sqrt(misfit):.1f} times the noise"
        + ("; another law may be at work" if misfit > 100 * OTHER_LAW else "")
    )
    return said
