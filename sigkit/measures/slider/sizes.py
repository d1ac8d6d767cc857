"""How strong slider events are: their energy, the longest dropout, the largest jump."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sigkit.measures.slider.passes import counted, step_of, times_of
from sigkit.quantity import Quantity, Term, combine, not_measurable

Array = NDArray[np.floating]
Mask = NDArray[np.bool_]

END_S = 0.0011
"""Standard uncertainty of either end of a dropout, which is found in bins of 1 ms where the gain
over 3 ms falls by half: the lengths of 240 simulated ones of 3 to 200 ms, with ends as slow as a
fifth of that, were off by 1.4 ms rms, the longest in each of 125 captures by 1.6 ms."""
LEAST_S = 1.0


def energy_ratio(
    events: pd.DataFrame,
    time_s: Array,
    tone_dbfs: Array,
    where: Mask,
    *,
    floor_db: float = math.nan,
) -> Quantity:
    """Return the energy of the counted bursts and dropouts re the energy of the tone.

    Parameters
    ----------
    events : DataFrame
        Rows with ``start_s``, ``stop_s``, ``kind``, ``level_db`` (residual re the tone around,
        dB), ``u_level_db``, ``tone_dbfs`` (the tone around) and ``moving``.
    time_s : ndarray, shape (n_points,)
        Even times in seconds.
    tone_dbfs : ndarray, shape (n_points,)
        Level of the tone, on the same scale as in ``events`` (nan or -inf: none).
    where : ndarray of bool, shape (n_points,)
        Assessed movement.
    floor_db : float, optional
        Level re the tone above which events are found, for the reason when none was.

    Returns
    -------
    Quantity
        10 log10 of the sum of 10^(level_db/10) x tone power x duration over the events, divided
        by the sum of the tone's power over ``where``, in dB; not measurable without an event.

    Notes
    -----
    The number of events is taken as a Poisson count, so the sum of energies E has the variance
    sum(E^2) of a compound Poisson sum [1]_; levels add their own. Both are carried into dB
    to first order, which is rough for fewer than about four events (above 2 dB).

    References
    ----------
    .. [1] W. Feller, An Introduction to Probability Theory and Its Applications, vol. 1, 3rd ed.
       (1968), chapter XII, compound Poisson distribution (from memory).
    """
    power = np.where(where & np.isfinite(tone_dbfs), 10 ** (np.asarray(tone_dbfs) / 10), 0.0)
    if np.count_nonzero(power) * step_of(time_s) < LEAST_S:
        return not_measurable("dB", "less than 1 s of movement could be assessed: move slower")
    hits = counted(events)
    level = hits["level_db"].to_numpy(float)
    used = hits["kind"].isin(["burst", "dropout"]).to_numpy(bool) & np.isfinite(level)
    if not used.any():
        floor = f" the floor of {floor_db:.0f} dB" if math.isfinite(floor_db) else " the floor"
        return not_measurable("dB", f"no event found above{floor}")
    start, stop = times_of(hits)
    energy = (10 ** ((level + hits["tone_dbfs"].to_numpy(float)) / 10) * (stop - start))[used]
    u_db = hits["u_level_db"].to_numpy(float)[used]
    total = float(energy.sum())
    chance = 10 / math.log(10) * math.sqrt(float((energy**2).sum())) / total
    levels = math.sqrt(float(((energy * u_db) ** 2).sum())) / total
    terms = [
        Term("which events happened", chance, "A"),
        Term("levels of the events", levels, "A"),
    ]
    return combine(10 * math.log10(total / (float(power.sum()) * step_of(time_s))), "dB", terms)


def longest_dropout(events: pd.DataFrame, *, none_found: str = "no dropout found") -> Quantity:
    """Return the length of the longest counted dropout, in seconds.

    Parameters
    ----------
    events : DataFrame
        Rows with ``start_s``, ``stop_s``, ``kind`` and ``moving``.
    none_found : str, optional
        The reason where there is none.

    Returns
    -------
    Quantity
        Seconds; each end is uncertain by 1.1 ms.
    """
    hits = counted(events)
    start, stop = times_of(hits[(hits["kind"] == "dropout").to_numpy(bool)])
    if not start.size:
        return not_measurable("s", none_found)
    terms = [Term("start of the dropout", END_S, "B"), Term("end of the dropout", END_S, "B")]
    return combine(float((stop - start).max()), "s", terms)


def largest_jump(events: pd.DataFrame, *, none_found: str = "no pitch jump found") -> Quantity:
    """Return the size of the largest counted pitch jump, up or down, in cents.

    Parameters
    ----------
    events : DataFrame
        Rows with ``kind``, ``size_cents``, ``u_size_cents`` and ``moving``.
    none_found : str, optional
        The reason where there is none.

    Returns
    -------
    Quantity
        Absolute size in cents, with the jump's own uncertainty.
    """
    hits = counted(events)
    size = np.abs(hits["size_cents"].to_numpy(float))
    jumps = (hits["kind"] == "pitch jump").to_numpy(bool) & np.isfinite(size)
    if not jumps.any():
        return not_measurable("cents", none_found)
    largest = int(np.argmax(np.where(jumps, size, -1)))
    u = float(hits["u_size_cents"].to_numpy(float)[largest])
    return combine(float(size[largest]), "cents", [Term("pitch about the jump", u, "A")])
