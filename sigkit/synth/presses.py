"""Several presses of a key through one envelope: each begins where the one before has come to."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from sigkit.errors import InputError
from sigkit.synth.paths import Envelope

Series = NDArray[np.float64]

DOWN_DB = (20, 40, 60)


@dataclass(frozen=True)
class Presses:
    """An envelope that is played.

    Parameters
    ----------
    envelope : Envelope
        The envelope.
    gates : tuple of (float, float)
        From when to when the key is held, in seconds, in order.
    peak_db : tuple of float
        Level of each peak re the first; empty: all alike.

    Examples
    --------
    >>> import numpy as np
    >>> played = Presses(Envelope(attack_time_constant_s=0.01), ((0.0, 1.0), (2.0, 3.0)))
    >>> played.amplitude(np.array([0.9, 1.1, 2.9])).round(3)
    array([1.   , 0.368, 1.   ])
    >>> played.notes()["release_20_s"].round(4).tolist()
    [0.2303, 0.2303]
    """

    envelope: Envelope
    gates: tuple[tuple[float, float], ...]
    peak_db: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        times = [t for gate in self.gates for t in gate]
        if not times or any(b <= a for a, b in itertools.pairwise(times)):
            raise InputError("Gates must follow each other in time, each longer than nothing.")
        if self.peak_db and len(self.peak_db) != len(self.gates):
            raise InputError("Give a level for each gate, or none.")

    def amplitude(self, time_s: Series) -> Series:
        """Return the amplitude at each time; 1 is the peak of the first press."""
        t = np.asarray(time_s, np.float64)
        out, level = np.zeros(t.size), 0.0
        for i, (on, off) in enumerate(self.gates):
            size = self._size(i)
            until = self.gates[i + 1][0] if i + 1 < len(self.gates) else math.inf
            late = self.envelope.late_s(level / size)
            part = (t >= on) & (t < until)
            out[part] = size * self.envelope(t[part] + late, on_s=on, off_s=off + late)
            after = np.array([until if math.isfinite(until) else off])
            level = size * float(self.envelope(after + late, on_s=on, off_s=off + late)[0])
        return out

    def notes(self) -> pd.DataFrame:
        """Return the truth of each press that begins in silence and ends after its decay.

        Returns
        -------
        DataFrame
            Columns ``onset_s``, ``attack_s`` (10 to 90 %), ``onset_to_peak_s``, ``peak_db``,
            ``decay_time_constant_s``, ``sustain_db`` (where the decay would end, re the peak),
            ``sag_db_per_10s``, ``gate_off_s``, ``release_20_s``, ``release_40_s``, ``release_60_s``
            and ``release_time_constant_s``.
        """
        e = self.envelope
        tau = e.release_time_constant_s
        sustain_db = 20 * math.log10(e.sustain) if e.sustain > 0 else -math.inf
        rows = [
            {
                "onset_s": on,
                "attack_s": e.attack_s,
                "onset_to_peak_s": e.time_to_peak_s,
                "peak_db": 20 * math.log10(self._size(i)),
                "decay_time_constant_s": e.decay_time_constant_s if e.sustain < 1 else math.nan,
                "sustain_db": sustain_db,
                "sag_db_per_10s": 200 / math.log(10) / e.sag_time_constant_s,
                "gate_off_s": off,
                **{f"release_{db}_s": tau * db / 20 * math.log(10) for db in DOWN_DB},
                "release_time_constant_s": tau,
            }
            for i, (on, off) in enumerate(self.gates)
        ]
        return pd.DataFrame(rows)

    def _size(self, press: int) -> float:
        return float(10 ** (self.peak_db[press] / 20)) if self.peak_db else 1.0


def evenly(
    presses: int, *, first_s: float, held_s: float, apart_s: float
) -> tuple[tuple[float, float], ...]:
    """Return the gates of presses that follow each other evenly.

    Parameters
    ----------
    presses : int
        How many.
    first_s, held_s, apart_s : float
        When the first begins, how long each is held, and from one to the next.
    """
    starts: Sequence[float] = [first_s + apart_s * i for i in range(presses)]
    return tuple((start, start + held_s) for start in starts)
