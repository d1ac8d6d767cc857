"""How a slider is moved by hand: end to end and back, with rests between."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sigkit.synth.paths import smooth_step


@dataclass(frozen=True, eq=False)
class Travel:
    """How a slider was moved.

    Parameters
    ----------
    position : ndarray, shape (n_samples,)
        Position at every sample, 0 to 1.
    rate : int
        Sample rate in Hz.
    passes : DataFrame
        One row per pass: ``number``, ``direction`` (up or down), ``start_s``, ``stop_s``.
    """

    position: NDArray[np.float64]
    rate: int
    passes: pd.DataFrame

    @property
    def moving(self) -> NDArray[np.bool_]:
        """Whether the slider moves at each sample."""
        return np.asarray(np.diff(self.position, prepend=self.position[:1]) != 0, np.bool_)


def travel(
    rate: int,
    *,
    passes: int = 4,
    travel_s: float = 2.0,
    rest_s: float = 0.5,
    low: float = 0.0,
    high: float = 1.0,
) -> Travel:
    """Move a slider up and down, with rests between.

    Parameters
    ----------
    rate : int
        Sample rate in Hz.
    passes : int
        Number of passes; the first goes up, then down, and so on.
    travel_s : float
        Time of one pass.
    rest_s : float
        Rest before the first pass and after each.
    low, high : float
        Ends of the travel that is used.

    Returns
    -------
    Travel
        With smooth starts and stops, as a hand moves.

    Examples
    --------
    >>> t = travel(1000, passes=2, travel_s=2.0, rest_s=0.5)
    >>> len(t.position), t.passes["direction"].tolist()
    (5500, ['up', 'down'])
    """
    seconds = rest_s + passes * (travel_s + rest_s)
    time = np.arange(round(seconds * rate)) / rate
    position = np.full(len(time), low)
    rows = []
    for number in range(passes):
        start = rest_s + number * (travel_s + rest_s)
        up = number % 2 == 0
        part = smooth_step((time - start) / travel_s)
        position += (high - low) * (part if up else -part)
        rows.append((number + 1, "up" if up else "down", start, start + travel_s))
    table = pd.DataFrame(rows, columns=["number", "direction", "start_s", "stop_s"])
    return Travel(np.clip(position, low, high), rate, table)
