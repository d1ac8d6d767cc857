"""The numbers of a glide test over all its glides."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from sigkit.arrays import Real
from sigkit.measures.glide.terms import ALIKE, COLUMNS
from sigkit.measures.held_note import clock_term
from sigkit.quantity import Quantity, Term, combine, not_measurable

NOTE_CENTS = 60.0
WANDER_CENTS = 0.5
"""Standard uncertainty of where a note stands by what an oscillator wanders from hold to hold
(common practice, no source)."""


def mean_time(
    table: pd.DataFrame,
    direction: str,
    *,
    column: str = "glide_time_s",
    why: str = "no glide has a time",
) -> Quantity:
    """Return the mean of a time over the glides of a table, s.

    Parameters
    ----------
    table : DataFrame
        Rows of the glides.
    direction : str
        ``up``, ``down`` or empty, for the reason.
    column : str
        Which time; its uncertainty is in ``u_`` and that.
    why : str
        The reason where there is none.

    Returns
    -------
    Quantity
        With the mean's own uncertainty, the scatter of repeats (same notes and direction), and the
        clock. Where a glide has no time neither has the mean: leaving it out would favour those
        that went well.
    """
    if table.empty:
        return not_measurable("s", f"no glide {direction}".strip())
    lost = table[(table["reason"] != "")]
    if len(lost):
        return not_measurable("s", str(lost["reason"].iloc[0]))
    times = table[column].to_numpy(np.float64)
    if not np.isfinite(times).all():
        return not_measurable("s", why)
    n = times.size
    mean = float(times.mean())
    terms = [*_terms(table, column), clock_term(mean)]
    within, dof = _within(table, times)
    if dof and within > 0:
        terms.append(Term("repeatability", within / math.sqrt(n), "A", dof))
    return combine(mean, "s", terms)


def _terms(table: pd.DataFrame, column: str) -> list[Term]:
    """Named terms of the mean of a time: alike in all glides, or independent of each other."""
    part = table[f"u_{column}"] / table["u_glide_time_s"]
    out = []
    for name, u_column in COLUMNS.items():
        u = (part * table[u_column]).to_numpy(np.float64)
        if name in ALIKE:
            out.append(Term(name, float(u.mean()), "B"))
        else:
            out.append(Term(name, float(np.sqrt(np.sum(u**2))) / u.size, "A"))
    return out


def repeats(table: pd.DataFrame) -> list[Real]:
    """Return the rows of each set of repeats: the same notes in the same direction."""
    low = 1200 * np.log2(table["from_hz"].to_numpy(np.float64))
    high = 1200 * np.log2(table["to_hz"].to_numpy(np.float64))
    left, out = list(range(len(table))), []
    while left:
        first = left[0]
        same = [
            i
            for i in left
            if max(abs(low[i] - low[first]), abs(high[i] - high[first])) < NOTE_CENTS
        ]
        out.append(np.array(same))
        left = [i for i in left if i not in same]
    return out


def _within(table: pd.DataFrame, times: Real) -> tuple[float, int]:
    """Return the standard deviation within repeats, pooled, and its degrees of freedom."""
    sets = [times[rows] for rows in repeats(table)]
    dof = sum(s.size - 1 for s in sets)
    if not dof:
        return 0.0, 0
    return math.sqrt(sum(float(np.sum((s - s.mean()) ** 2)) for s in sets) / dof), dof


def spread_of(table: pd.DataFrame) -> Quantity:
    """Return the scatter of repeats as a share of their mean, %."""
    times = table["glide_time_s"].to_numpy(np.float64)
    if not np.isfinite(times).all():
        return not_measurable("%", _reason(table, "no glide has a time"))
    relative, u_relative = np.empty_like(times), np.empty_like(times)
    # What is alike in all repeats does not scatter.
    apart = [column for name, column in COLUMNS.items() if name not in ALIKE]
    u = np.sqrt((table[apart].to_numpy(np.float64) ** 2).sum(axis=1))
    for rows in repeats(table):
        mean = times[rows].mean()
        relative[rows], u_relative[rows] = times[rows] / mean, u[rows] / mean
    within, dof = _within(table, relative)
    if not dof:
        return not_measurable("%", "no glide was repeated: play each change three times")
    own = float(np.mean(u_relative**2))
    value = math.sqrt(max(0.0, within**2 - own))
    # A standard deviation of few values is known to 1/sqrt(2 dof) of itself.
    terms = [
        Term("few repeats", 100 * max(value, math.sqrt(own)) / math.sqrt(2 * dof), "A", dof),
    ]
    return combine(100 * value, "%", terms)


def imbalance_of(up: Quantity, down: Quantity) -> Quantity:
    """Return the time up against the time down, %."""
    for quantity in (up, down):
        if not quantity.measurable:
            return not_measurable("%", quantity.reason)
    ratio = up.value / down.value
    terms = []
    for name in ALIKE:  # what makes a glide up longer makes one down shorter
        alike = sum(t.u / q.value for q in (up, down) for t in q.budget if t.source == name)
        terms.append(Term(name, 100 * ratio * alike, "B"))
    for name, q in (("up", up), ("down", down)):
        apart = math.hypot(*(t.u for t in q.budget if t.source not in ALIKE))
        terms.append(Term(f"time {name}", 100 * ratio * apart / q.value, "A", q.dof))
    return combine(100 * (ratio - 1), "%", terms)


def largest_of(table: pd.DataFrame, column: str) -> Quantity:
    """Return the value of the largest magnitude in a column, cents."""
    values = table[column].to_numpy(np.float64)
    if not np.isfinite(values).any():
        why = {
            "landing_error_cents": "each note is held once only: come back to it",
            "overshoot_cents": "no glide has enough periods after it",
        }[column]
        return not_measurable("cents", _reason(table, why))
    row = int(np.nanargmax(np.abs(values)))
    terms = [Term("pitch of the held notes", max(float(table[f"u_{column}"].iloc[row]), 1e-6), "A")]
    if column == "landing_error_cents":
        terms.append(Term("wander of the oscillator from hold to hold", WANDER_CENTS, "B"))
    return combine(float(values[row]), "cents", terms)


def number_of(table: pd.DataFrame) -> Quantity:
    """Return the number of steps and plateaux a glide."""
    looked = table[table["reason"] == ""]
    if looked.empty:
        return not_measurable("", _reason(table, "no glide has a time"))
    number = int(looked["glitches"].sum())
    # Counted events: the standard deviation of a Poisson number, of 0 that of 1 (u of none seen).
    return combine(
        number / len(looked), "", [Term("counting", max(1, number) ** 0.5 / len(looked), "A")]
    )


def _reason(table: pd.DataFrame, otherwise: str) -> str:
    said = table["reason"][table["reason"] != ""]
    return str(said.iloc[0]) if len(said) else otherwise
