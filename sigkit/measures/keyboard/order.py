"""Notes put to keys by their order and their pitch together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sigkit.arrays import Real

MISSED, AGAIN, BACK, EXTRA, TURN = 1.0, 1.5, 2.0, 6.0, 1.0
"""Costs: a key left out, one played again, one out of order, a note of no key, a turn of the
sweep."""
STEP, STEP_MOST = 0.25, 4.0
"""A step of pitch that differs by so many semitones from that of the keys costs 1, and at most."""
AWAY, AWAY_MOST = 0.25, 0.5
"""What a note costs that lies a semitone from its key, and at most."""
SHIFTED, OCTAVE = 2.0, 1.0
"""Costs of a whole instrument that is off by semitones, or by octaves."""
MOST_SHIFT = 25
RUNS = 4
"""Sweeps up and down in turn in one capture, at most."""
BEGIN = 10
"""Notes that tell whether the first sweep goes up."""


@dataclass(frozen=True)
class Order:
    """Which note is of which key.

    Parameters
    ----------
    key : tuple of int
        0-based key of each note; -1: of none.
    run : tuple of int
        0 for a note of the first sweep, 1 of that back, and so on.
    shift : int
        Semitones by which the whole instrument sounds off, to the nearest.
    """

    key: tuple[int, ...]
    run: tuple[int, ...]
    shift: int


def order_of(semitones: Real, keys: int) -> Order:
    """Put notes to keys.

    Parameters
    ----------
    semitones : ndarray, shape (n_notes,)
        Pitch of each note above the lowest key's nominal one, in order of time.
    keys : int
        Number of keys.

    Returns
    -------
    Order
        The cheapest assignment: a sweep up, perhaps back down, in which a key may be silent, played
        twice or out of order, and a note may be of no key.

    Notes
    -----
    Dynamic programming over key and direction. The step of pitch from note to note is compared with
    that of the keys, so that a tuning that drifts along the keyboard, or shifts from a key on,
    costs little; the place itself costs a little too, so that the first and last keys are told.
    """
    p = np.asarray(semitones, np.float64)
    if not p.size:
        return Order((), (), 0)
    down = bool(np.sum(np.sign(np.diff(p[: BEGIN + 1]))) < 0)
    runs = min(RUNS, 2 + int(p.size / (1.3 * keys)))
    shifts = np.arange(-MOST_SHIFT, MOST_SHIFT + 1)
    inside = [float(np.mean((p - s > -1.5) & (p - s < keys + 0.5))) for s in shifts]
    near = min(float(np.quantile(inside, 1.0)), 0.95)
    best: tuple[float, Order] | None = None
    for shift, share in zip(shifts.tolist(), inside, strict=True):
        if share < near or share == 0:
            continue
        extra = 0.0 if not shift else OCTAVE if shift % 12 == 0 else SHIFTED
        cost, key, run = _cheapest(p - shift, keys, down, runs)
        cost += extra + 0.01 * abs(shift)
        if best is None or cost < best[0]:
            best = cost, Order(key, run, shift)
    return best[1] if best is not None else Order((-1,) * p.size, (0,) * p.size, 0)


def _moves(keys: int, down: bool) -> Real:
    """Cost of going from a key (row) to a key (column) within a sweep."""
    ahead = np.arange(keys)[None, :] - np.arange(keys)[:, None]
    ahead = -ahead if down else ahead
    cost = np.where(ahead >= 1, MISSED * (ahead - 1.0), BACK + 0.5 * np.abs(ahead))
    return np.where(ahead == 0, AGAIN, cost)


def _turns(keys: int, down: bool) -> Real:
    """Cost of the first note of a sweep back, from a key (row) to a key (column)."""
    ahead = np.arange(keys)[None, :] - np.arange(keys)[:, None]
    ahead = -ahead if down else ahead
    # Keys beyond the turn are left out of both sweeps.
    rest = np.arange(keys)[:, None] if down else (keys - 1 - np.arange(keys))[:, None]
    cost = np.where(ahead == 0, 0.0, np.where(ahead == 1, 0.2, MISSED * np.abs(ahead - 0.5)))
    return TURN + cost + MISSED * rest


def _cheapest(
    p: Real, keys: int, down: bool, runs: int
) -> tuple[float, tuple[int, ...], tuple[int, ...]]:
    """Return the cheapest way, the first sweep up or down: cost, keys and runs."""
    count = p.size
    ways = [down ^ bool(r % 2) for r in range(runs)]
    moves = {w: _moves(keys, w) for w in (False, True)}
    turns = {w: _turns(keys, w) for w in (False, True)}
    away = np.minimum(AWAY * np.abs(p[:, None] - np.arange(keys)), AWAY_MOST)
    keys_step = np.arange(keys)[None, :] - np.arange(keys)[:, None]
    start = MISSED * (np.arange(keys)[::-1] if down else np.arange(keys)).astype(np.float64)
    cost = np.full((count, runs, keys), np.inf)
    came = np.full((count, runs, keys, 3), -1, np.int64)
    for i in range(count):
        cost[i, 0] = start + EXTRA * i
        for back in (1, 2):
            j = i - back
            if j < 0:
                break
            off = np.minimum(np.abs(p[i] - p[j] - keys_step) / STEP, STEP_MOST)
            off = off + EXTRA * (back - 1)
            for run in range(runs):
                for before in (run, run - 1):
                    if before < 0:
                        continue
                    way = moves[ways[run]] if before == run else turns[ways[before]]
                    total = cost[j, before][:, None] + way + off
                    at = np.argmin(total, axis=0)
                    value = total[at, np.arange(keys)]
                    better = value < cost[i, run]
                    cost[i, run][better] = value[better]
                    came[i, run][better] = np.stack(
                        [np.full(keys, j), np.full(keys, before), at], axis=1
                    )[better]
        cost[i] += away[i]
    end = np.stack([MISSED * (np.arange(keys) if w else keys - 1 - np.arange(keys)) for w in ways])
    best, last = float("inf"), (0, 0, 0)
    for i in range(count):
        total = cost[i] + end + EXTRA * (count - 1 - i)
        at = int(np.argmin(total))
        if total.flat[at] < best:
            best, last = float(total.flat[at]), (i, at // keys, at % keys)
    key_of, run_of = [-1] * count, [0] * count
    note, sweep, key = last
    while note >= 0:
        key_of[note], run_of[note] = key, sweep
        note, sweep, key = (int(v) for v in came[note, sweep, key])
    return best, tuple(key_of), tuple(run_of)
