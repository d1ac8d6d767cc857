"""Whether stated intervals hold the truth: one case, its score, the table over many.

A case is a quantity of a result and its truth. The sound card's clock is in the budget of what
scales with time or frequency; made-up captures are made by a clock that is right. So the truth is
moved by a clock drawn anew for each capture, within its 50 ppm, and the interval without the
clock's part is held against the unmoved truth beside it: an even law of that width, k = 2 wide,
holds always, and would hide what else is wrong.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from sigkit.quantity import Quantity, combine

CLOCK = "sound-card clock"
PPM = 50e-6
RATES = (8_000, 11_025, 16_000, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000)


@dataclass(frozen=True)
class Case:
    """One quantity and its truth; ``moved`` is the truth by the clock that was drawn."""

    test: str
    name: str
    quantity: Quantity
    truth: float
    moved: float


def drawn_clock(rng: np.random.Generator) -> float:
    """Return by how much the sound card's rate is off, relative."""
    return float(rng.uniform(-PPM, PPM))


def cases_of(test, result, truths, rng, **of_clock):
    """Return the cases of one result.

    ``truths`` maps quantities to truths; what scales with the clock is named in ``hz`` (grows with
    it), ``s`` (falls with it) or ``cents`` (of a pitch).
    """
    off = drawn_clock(rng)
    out = []
    for name, truth in truths.items():
        moved = truth
        if name in of_clock.get("hz", ()):
            moved = truth * (1 + off)
        elif name in of_clock.get("s", ()):
            moved = truth / (1 + off)
        elif name in of_clock.get("cents", ()):
            moved = truth + 1200 * math.log2(1 + off)
        out.append(Case(test, name, result.quantities()[name], truth, moved))
    return out


def without_clock(quantity: Quantity) -> Quantity:
    """Return a quantity without the clock's part, where there is another."""
    rest = [term for term in quantity.budget if term.source != CLOCK]
    if len(rest) == len(quantity.budget) or not any(term.u > 0 for term in rest):
        return quantity
    return combine(quantity.value, quantity.unit, rest)


def scores_of(cases) -> pd.DataFrame:
    """Return one row per case: whether the interval holds, with the clock's part and without, z."""
    out = []
    for case in cases:
        known = case.quantity.measurable and math.isfinite(case.truth)
        bare = without_clock(case.quantity)
        z = (bare.value - case.truth) / bare.u if known else math.nan
        out.append(
            {
                "test": case.test,
                "quantity": case.name,
                "known": known,
                "held": known and abs(bare.value - case.truth) <= bare.expanded,
                "z": z,
                "clock": bare is not case.quantity,
                "held with clock": known
                and abs(case.quantity.value - case.moved) <= case.quantity.expanded,
            }
        )
    return pd.DataFrame(out)


def table_of(scores: pd.DataFrame) -> pd.DataFrame:
    """Return one row per test and quantity.

    Columns: cases, those without a value, share that the interval holds with its exact binomial
    95 % limits (C. Clopper, E. Pearson, Biometrika 26 (1934), 404-413), root mean square of error
    over u, all without the clock's part; the share with it where it has one.
    """
    out = []
    for (test, name), own in scores.groupby(["test", "quantity"], sort=False):
        known = own[own["known"]]
        n, held = len(known), int(known["held"].sum())
        low, high = stats.binomtest(held, n).proportion_ci() if n else (math.nan, math.nan)
        clock = bool(known["clock"].any())
        out.append(
            {
                "test": test,
                "quantity": name,
                "cases": n,
                "no value": len(own) - n,
                "held": 100 * held / n if n else math.nan,
                "from": 100 * low,
                "to": 100 * high,
                "rms(z)": float(np.sqrt(np.mean(known["z"] ** 2))) if n else math.nan,
                "with clock": 100 * known["held with clock"].mean() if clock else math.nan,
            }
        )
    return pd.DataFrame(out)


def outside(table: pd.DataFrame) -> pd.DataFrame:
    """Return the rows whose exact limits leave out all of 93 to 97 %."""
    return table[(table["to"] < 93) | (table["from"] > 97)]


def markdown(table: pd.DataFrame) -> str:
    """Return the table as Markdown."""
    lines = [
        "| test | quantity | cases (none) | held, % | 95 % limits | rms(z) | with clock, % |",
        "|---|---|---|---|---|---|---|",
    ]
    for row in table.itertuples(index=False):
        test, name, n, none, held, low, high, z, clock = row
        shown = "" if math.isnan(clock) else f"{clock:.1f}"
        if not n:
            lines.append(f"| {test} | {name} | 0 ({none}) | | | | |")
            continue
        lines.append(
            f"| {test} | {name} | {n} ({none}) | {held:.1f} | {low:.1f} to {high:.1f} | {z:.2f} | "
            f"{shown} |"
        )
    return "\n".join(lines)
