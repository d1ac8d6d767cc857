"""Rough pitches of a stretch of sound, before the phase of its carrier is followed."""

from __future__ import annotations

import math

import numpy as np

from sigkit.arrays import Real
from sigkit.tracks.coarse import CoarsePitch

LOW_HZ, HIGH_HZ = 26.0, 5000.0
"""Carriers that are looked for."""
SAME, CANDIDATES = 1.02, 3
"""Ratio of pitches that are one, and how many are tried."""
AGREE = 0.3
"""Share of the frames that have to agree on a pitch."""
LOOKS, SOFT, ABOVE_FLOOR = 12, 3e-3, 3.0
"""Frames in which the rough pitch is looked for, and their least power re the loudest and the
softest."""
TONAL = 0.6
"""Periodicity of a frame below which it holds no tone."""


def rough_pitches(sound: Real, rate: int, low_hz: float = LOW_HZ) -> list[float]:
    """Return the pitches of some frames, those that most frames agree on first.

    Parameters
    ----------
    sound : ndarray, shape (n_samples,)
        Sound.
    rate : int
        Sample rate in Hz.
    low_hz : float
        Lowest pitch that is looked for.
    """
    find = CoarsePitch(rate, low_hz, min(HIGH_HZ, rate / 4.5))
    size = min(find.size, sound.size)
    hop = max(1, size // 4)
    starts = np.arange(0, max(1, sound.size - size + 1), hop)
    power = np.array([float(np.mean(sound[s : s + size] ** 2)) for s in starts])
    loud = starts[power > max(SOFT * power.max(), ABOVE_FLOOR * power.min())]
    looked = (
        loud[np.unique(np.linspace(0, loud.size - 1, LOOKS).astype(np.intp))] if loud.size else loud
    )
    found = []
    for s in looked.tolist():
        frame = np.zeros(find.size)
        frame[:size] = sound[s : s + size]
        hz, periodicity = find(frame)
        if math.isfinite(hz) and periodicity >= TONAL:
            found.append((hz, periodicity))
    groups: list[list[tuple[float, float]]] = []
    for hz, periodicity in sorted(found):
        if groups and hz < SAME * groups[-1][-1][0]:
            groups[-1].append((hz, periodicity))
        else:
            groups.append([(hz, periodicity)])
    groups = [group for group in groups if len(group) >= AGREE * looked.size]
    groups.sort(key=lambda group: sum(p for _, p in group), reverse=True)
    # The most periodic frame tells the pitch best: a burst sounds like another.
    return [max(group, key=lambda pair: pair[1])[0] for group in groups[:CANDIDATES]]
