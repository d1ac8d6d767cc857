"""Whether a control turns back while the slider goes on, as the brightness of a tone may."""

from __future__ import annotations

import numpy as np

from sigkit.arrays import Real
from sigkit.measures.slider.strokes import Line, turning_points

LEAST_SHARE, LEAST_NOISE = 0.12, 20.0
"""A turn is one that goes back by this share of the whole range, and so many times the noise."""
REST = 21
"""Points for which a hand rests at the end of a movement, at least."""
FLAT, FLAT_NOISE = 0.01, 6.0
"""A rest: over that long the line keeps within this share of the turn, and this much noise."""
DRIFT, ROUND = 0.03, 3.0
"""Or within that share, if over twice as long it goes less than so many times as far: a tone that
drifts in a rest goes twice as far, a round turn four times. In simulated sweeps rests stayed below
0.026, the turns of the sound lay above 0.07."""
CLEAR = 50
"""Points on both sides of a turn that have to be known: a key's ends are no turns."""


def turns_on_the_way(line: Line) -> bool:
    """Whether the line turns back without a rest, other than by a hand that never rests.

    Parameters
    ----------
    line : Line
        The control, a point each 10 ms.

    Returns
    -------
    bool
        True where some turns have a rest of 0.2 s and others have none, or where the only turn
        has none: hand and sound can't be told apart there. False where no turn has a rest: then
        the hand is taken to turn at once at both ends.

    Notes
    -----
    A hand that comes to the end of the travel stops there. Where a resonance passes the lowest
    harmonics of a dull wave, brightness rises and falls again while the slider goes one way:
    such a turn is round, and there is no rest in it.
    """
    steady = line.steady
    least = max(LEAST_SHARE * float(np.ptp(steady)), LEAST_NOISE * line.noise)
    turns = turning_points(steady, least)
    rested = []
    for before, at, after in zip(turns[:-2], turns[1:-1], turns[2:], strict=True):
        wide = line.known | line.bridged
        if at < CLEAR or not wide[at - CLEAR : at + CLEAR + 1].all() or at + CLEAR >= wide.size:
            continue
        deep = min(abs(float(steady[at] - steady[i])) for i in (before, after))
        if deep >= least:
            short, double = (_flattest(steady, at, size) for size in (REST, 2 * REST))
            flat = short < FLAT * deep + FLAT_NOISE * line.noise
            rested.append(flat or (short < DRIFT * deep and double < ROUND * short))
    if len(rested) < 2:
        return rested == [False]
    return any(rested) and not all(rested)


def _flattest(steady: Real, at: int, size: int) -> float:
    """Return by how much the line changes in the flattest stretch of a size that holds a point."""
    near = steady[max(at - size, 0) : at + size + 1]
    windows = np.lib.stride_tricks.sliding_window_view(near, size)
    return float(np.ptp(windows, axis=1).min())
