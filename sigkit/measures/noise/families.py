"""Lines of the mains over all quiet parts: frequency, levels, and the sums of their families."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd

from sigkit.measures.held_note import clock_term
from sigkit.measures.noise.floors import DB, decibels
from sigkit.measures.noise.lines import SEEN, Lines
from sigkit.measures.noise.part import Heard, tones_of
from sigkit.measures.noise.peaks import CLEARLY, LOOK_S, TOP_HZ
from sigkit.measures.noise.result import HUM_COLUMNS
from sigkit.measures.noise.spectrum import Spectrum
from sigkit.quantity import Quantity, Term, combine, not_measurable

HIDDEN_LINES = 3


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


def unsettled(*every: Lines | None) -> list[tuple[float, float]]:
    """Return the frequency of each line on which another tone lies, and how unsure its power is."""
    out = []
    for lines in every:
        if lines is not None:
            rows = np.flatnonzero(lines.seen & ~lines.follows)
            out += [(float(lines.orders[r] * lines.hz), float(lines.u_power[r])) for r in rows]
    return out


def mains_of(
    parts: Sequence[Heard], lines: Lines | None, second: Lines | None
) -> dict[str, Quantity]:
    """Return the frequencies of the mains, or why there are none."""
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


def hum_table(lines: Lines | None) -> pd.DataFrame:
    """Return one row a line of the mains."""
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


def ambiguous_table(part: Heard, whole: Spectrum) -> pd.DataFrame:
    """Return lines that may be of 50 or of 60 Hz, without orders."""
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


def family_of(
    lines: Lines | None,
    parts: Sequence[Heard],
    whole: Spectrum,
    even: bool,
    orders: list[int] | None,
) -> tuple[Quantity, Quantity | None]:
    """Return the power sum of a family, or why there is none, and then a bound."""
    if lines is None:
        why = next((p.mains.said for p in parts if p.mains.said and p.mains.kind != "none"), "")
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
