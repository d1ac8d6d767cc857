"""Whether stated intervals hold the truth: one case, its score, the table over many.

A case is a quantity of a result and its truth. Budgets hold what is not known of the recorder: the
clock of its sound card, how far it departs from flat, its gain. Made-up captures are made by a
recorder that is right in all of them. So the truth is moved by a recorder drawn anew for each
capture, within what the budget claims, and held against the interval as stated. Beside that the
interval without the recorder's part is held against the unmoved truth: an even law, k = 2 wide,
holds always, and would hide what else is wrong.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from sigkit.quantity import NUMBER, Quantity, combine

CLOCK, RESPONSE, GAIN = "sound-card clock", "response of the recorder", "gain of the interface"
OF_THE_RECORDER = (CLOCK, RESPONSE, GAIN)
"""Sources of uncertainty that made-up captures lack."""
PPM = 50e-6
RATES = (8_000, 11_025, 16_000, 22_050, 32_000, 44_100, 48_000, 88_200, 96_000)


@dataclass(frozen=True)
class Case:
    """One quantity and its truth; ``moved`` is the truth by the recorder that was drawn.

    ``lacks`` names the sources of the recorder that the capture itself does not have.
    """

    test: str
    name: str
    quantity: Quantity
    truth: float
    moved: float
    lacks: tuple[str, ...] = OF_THE_RECORDER


def drawn_clock(rng: np.random.Generator) -> float:
    """Return by how much the sound card's rate is off, relative."""
    return float(rng.uniform(-PPM, PPM))


def cases_of(test, result, truths, rng, *, before=None, lacks=OF_THE_RECORDER, **of_clock):
    """Return the cases of one result.

    ``truths`` maps quantities to truths; what scales with the clock is named in ``hz`` (grows with
    it), ``s`` (falls with it) or ``cents`` (of a pitch). ``before`` maps quantities to their truths
    in front of the recorder that was drawn, ``lacks`` names what of it the capture does not have.
    """
    off = drawn_clock(rng)
    out = []
    for name, truth in truths.items():
        moved = (before or {}).get(name, truth)
        if name in of_clock.get("hz", ()):
            moved = truth * (1 + off)
        elif name in of_clock.get("s", ()):
            moved = truth / (1 + off)
        elif name in of_clock.get("cents", ()):
            moved = truth + 1200 * math.log2(1 + off)
        out.append(Case(test, name, result.quantities()[name], truth, moved, lacks))
    return out


def without(quantity: Quantity, sources=OF_THE_RECORDER) -> Quantity:
    """Return a quantity without some parts of its budget, where there is another."""
    rest = [term for term in quantity.budget if term.source not in sources]
    if len(rest) == len(quantity.budget) or not any(term.u > 0 for term in rest):
        return quantity
    return combine(quantity.value, quantity.unit, rest)


def normal_z(error: float, quantity: Quantity) -> float:
    """Return the normal deviate that is as rare as an error over u by Student's t is."""
    z = abs(error) / quantity.u
    if math.isfinite(quantity.dof):
        rare = stats.t.sf(z, quantity.dof)
        z = float(stats.norm.isf(rare)) if rare > 0 else z
    return math.copysign(z, error)


def scores_of(cases) -> pd.DataFrame:
    """Return one row per case: whether the interval holds, and its error re u.

    Without what of the recorder the capture lacks, and as stated.
    """
    out = []
    for case in cases:
        known = case.quantity.measurable and math.isfinite(case.truth)
        bare = without(case.quantity, case.lacks)
        out.append(
            {
                "test": case.test,
                "quantity": case.name,
                "known": known,
                "held": known and abs(bare.value - case.truth) <= bare.expanded,
                "z": normal_z(bare.value - case.truth, bare) if known else math.nan,
                "recorder": bare is not case.quantity,
                "as stated": known
                and abs(case.quantity.value - case.moved) <= case.quantity.expanded,
                "counted": case.quantity.unit == NUMBER and float(case.truth).is_integer(),
            }
        )
    return pd.DataFrame(out)


def table_of(scores: pd.DataFrame) -> pd.DataFrame:
    """Return one row per test and quantity.

    Columns: cases, those without a value, share that the interval holds with its exact binomial
    95 % limits (C. Clopper, E. Pearson, Biometrika 26 (1934), 404-413), root mean square of error
    over u (of few degrees of freedom as the normal deviate that is as rare), all without the
    recorder's part; the share as stated where it has one; where that lies, see `place_of`.
    """
    out = []
    for (test, name), own in scores.groupby(["test", "quantity"], sort=False):
        known = own[own["known"]]
        n, held = len(known), int(known["held"].sum())
        low, high = stats.binomtest(held, n).proportion_ci() if n else (math.nan, math.nan)
        recorder = bool(known["recorder"].any())
        row = {
            "test": test,
            "quantity": name,
            "cases": n,
            "no value": len(own) - n,
            "held": 100 * held / n if n else math.nan,
            "from": 100 * low,
            "to": 100 * high,
            "rms(z)": float(np.sqrt(np.mean(known["z"] ** 2))) if n else math.nan,
            "as stated": 100 * known["as stated"].mean() if recorder else math.nan,
        }
        out.append(row | {"place": place_of(row, counted=bool(n) and known["counted"].all())})
    return pd.DataFrame(out)


def place_of(row, *, counted: bool) -> str:
    """Say where a share lies: ``below`` or ``above`` 93 to 97 % by its limits, else ``within``.

    ``open`` where the limits are wider than that and leave more than the band possible; counts are
    right or wrong, and are ``counted``.
    """
    if not row["cases"]:
        return "none"
    if counted and row["from"] > 50:
        return "counted" if row["to"] >= 93 else "below"
    if row["to"] < 93:
        return "below"
    if row["from"] > 97:
        return "above"
    return "within" if 93 <= row["held"] <= 97 else "open"


def outside(table: pd.DataFrame) -> pd.DataFrame:
    """Return the rows whose exact limits leave out all of 93 to 97 %."""
    return table[table["place"].isin(["below", "above"])]


def told(table: pd.DataFrame) -> str:
    """Say how many quantities lie where."""
    of = table["place"].value_counts()
    words = {
        "within": "held in 93 to 97 %",
        "open": "not told from it",
        "below": "surely below",
        "above": "surely above",
        "counted": "counts",
        "none": "without a case",
    }
    said = [f"{of[place]} {what}" for place, what in words.items() if place in of]
    return f"{len(table)} quantities: {', '.join(said)}"


def markdown(table: pd.DataFrame) -> str:
    """Return the table as Markdown."""
    lines = [
        "| test | quantity | cases (none) | held, % | 95 % limits | rms(z) | as stated, % |",
        "|---|---|---|---|---|---|---|",
    ]
    for row in table.itertuples(index=False):
        test, name, n, none, held, low, high, z, stated, _ = row
        shown = "" if math.isnan(stated) else f"{stated:.1f}"
        if not n:
            lines.append(f"| {test} | {name} | 0 ({none}) | | | | |")
            continue
        lines.append(
            f"| {test} | {name} | {n} ({none}) | {held:.1f} | {low:.1f} to {high:.1f} | {z:.2f} | "
            f"{shown} |"
        )
    return "\n".join(lines)
