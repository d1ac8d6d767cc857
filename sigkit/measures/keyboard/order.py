"""Notes put to keys by their order and their pitch together."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from sigkit.arrays import Flags, Real

MISSED, AGAIN, BACK, EXTRA, TURN = 1.0, 1.5, 2.0, 6.0, 1.0
"""Costs: a key left out, one played again, one out of order, a note of no key, a turn of the
sweep."""
STEP, STEP_MOST = 0.25, 4.0
"""A step of pitch that differs by so many semitones from that of the keys costs 1, and at most."""
AWAY, AWAY_MOST = 0.25, 0.5
"""What a note costs that lies a semitone from its key, and at most."""
SHIFTED, OCTAVE = 2.0, 1.0
"""Costs of a whole instrument that is off by semitones, or by octaves."""
NEAREST = 0.2
"""How far all notes may lie beside the keys nearest to them, in semitones, and those beside their
nominal pitches."""
MOST_SHIFT = 25
DOUBTED = 0.6
"""Cost of a note of no key, where its pitch is none that a key would have: speech, a knock."""
SWITCHED, OCTAVE_STEPS, SWITCH_OFF, MOST_SWITCHES = 3.0, (-24, -12, 12, 24), 2.6, 3
"""Cost of an octave switch that is turned on the way, its steps in semitones, and how far the step
from one note to the next may be from that."""
BEYOND, BEYOND_KEY, MOST_BEYOND = 4.0, 0.5, 24
"""Cost of keys that are played but were not told of: that there are any, and of each."""
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
    octave : tuple of int
        Octaves by which a note sounds above the first ones, as where a switch was turned; empty:
        no note does.
    beyond : tuple of int
        Keys, from the lowest, that are played below or above those that were told of.
    by_pitch : bool
        Whether notes are put to the nearest keys, as no order explains them.
    """

    key: tuple[int, ...]
    run: tuple[int, ...]
    shift: int
    octave: tuple[int, ...] = ()
    beyond: tuple[int, ...] = ()
    by_pitch: bool = False

    def octaves(self, note: int) -> int:
        """Return by how many octaves a note sounds above its key."""
        own = self.octave[note] if self.octave else 0
        return own + (round(self.shift / 12) if self.shift % 12 == 0 else 0)


def order_of(semitones: Real, keys: int, doubted: Flags | None = None) -> Order:
    """Put notes to keys.

    Parameters
    ----------
    semitones : ndarray, shape (n_notes,)
        Pitch of each note above the lowest key's nominal one, in order of time.
    keys : int
        Number of keys.
    doubted : ndarray of bool, shape (n_notes,), optional
        Notes that may well be of no key.

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
    An octave switch that is turned on the way, and keys beyond those told of, are tried where the
    pitches ask for it. Where all that leaves notes without a key, or a whole instrument or part of
    it elsewhere, and the nearest keys give more of them a note, those are taken.
    """
    p = np.asarray(semitones, np.float64)
    if not p.size:
        return Order((), (), 0)
    extra = np.full(p.size, EXTRA)
    if doubted is not None and np.mean(doubted) <= 0.5:
        extra[doubted] = DOUBTED
    cost, order = _placed(p, keys, extra)
    fold: Real = np.zeros(p.size)
    for _ in range(MOST_SWITCHES):
        tries = [
            (*_placed(p - more, keys, extra), more)
            for more in _switched(p - fold, fold, extra == EXTRA)
        ]
        best = min(tries, key=lambda t: t[0], default=None)
        if best is None or best[0] + SWITCHED >= cost:
            break
        cost, order, fold = best[0] + SWITCHED, best[1], best[2]
        order = replace(order, octave=tuple(np.round(fold / 12).astype(int).tolist()))
    beyond_cost, beyond = _beyond(p - fold, keys, extra)
    few = beyond is None or len({*beyond.key, -1}) < len({*order.key, -1})
    if beyond is not None and not few and beyond_cost < cost:
        order = replace(beyond, octave=order.octave)
    return _nearest(p, keys, extra == EXTRA, order) or order


def _nearest(p: Real, keys: int, sure: Flags, order: Order) -> Order | None:
    """Put notes to the nearest keys, where that explains more of them than an order does."""
    strangers = any(k < 0 for k, known in zip(order.key, sure, strict=True) if known)
    if not (strangers or order.shift or any(order.octave) or order.beyond) or not sure.any():
        return None
    off = float(np.angle(np.exp(2j * np.pi * p[sure]).mean()) / (2 * np.pi))
    key = np.round(p - off).astype(int)
    far = np.abs(p - off - key)[sure].max() > NEAREST or abs(off) > NEAREST
    if far or key[sure].min() < 0 or key[sure].max() >= keys:
        return None
    key = np.where(sure, key, -1)
    # As many keys as where all sounds some semitones off: that is less likely.
    more = len(set(key[sure].tolist())) - len({*order.key} - {-1})
    if more < 0 or (more == 0 and order.shift % 12 == 0):
        return None
    return Order(tuple(key.tolist()), (0,) * p.size, 0, by_pitch=True)


def _switched(p: Real, fold: Real, sure: Flags) -> list[Real]:
    """Return octaves, as semitones, that a switch turned before one of the notes would add."""
    out = []
    known = np.flatnonzero(sure)
    for i, j in itertools.pairwise(known.tolist()):
        for step in OCTAVE_STEPS:
            if abs(p[j] - p[i] - step) < SWITCH_OFF:
                out.append(fold + np.where(np.arange(p.size) > i, step, 0))
    return out


def _placed(p: Real, keys: int, extra: Real) -> tuple[float, Order]:
    """Return the cheapest way among all shifts of the whole instrument."""
    sure = p[extra == EXTRA]
    down = _goes_down(sure)
    runs = min(RUNS, 2 + int(p.size / (1.3 * keys)))
    shifts = np.arange(-MOST_SHIFT, MOST_SHIFT + 1)
    inside = [float(np.mean((sure - s > -1.5) & (sure - s < keys + 0.5))) for s in shifts]
    near = min(float(np.quantile(inside, 1.0)), 0.95)
    best = math.inf, Order((-1,) * p.size, (0,) * p.size, 0)
    for shift, share in zip(shifts.tolist(), inside, strict=True):
        if share < near or share == 0:
            continue
        off = 0.0 if not shift else OCTAVE if shift % 12 == 0 else SHIFTED
        cost, key, run = _cheapest(p - shift, keys, down, runs, extra)
        cost += off + 0.01 * abs(shift)
        if cost < best[0]:
            best = cost, Order(key, run, shift)
    return best


def _beyond(p: Real, keys: int, extra: Real) -> tuple[float, Order | None]:
    """Return the cheapest way with more keys than were told of, below or above these."""
    sure = p[extra == EXTRA]
    best: tuple[float, Order | None] = (math.inf, None)
    for shift in {0, 12 * round(float(sure.min()) / 12)}:
        below = max(0, -round(float(sure.min()) - shift))
        above = max(0, round(float(sure.max()) - shift) - keys + 1)
        if not 1 <= below + above <= MOST_BEYOND:
            continue
        count = keys + below + above
        runs = min(RUNS, 2 + int(p.size / (1.3 * count)))
        cost, every, run = _cheapest(p - shift + below, count, _goes_down(sure), runs, extra)
        cost += BEYOND + BEYOND_KEY * (below + above) + (OCTAVE if shift else 0.0)
        if cost < best[0]:
            placed = [k - below for k in every]
            key = tuple(k if 0 <= k < keys else -1 for k in placed)
            out = {k for k, e in zip(placed, every, strict=True) if e >= 0 and not 0 <= k < keys}
            best = cost, Order(key, run, shift, beyond=tuple(sorted(out)))
    return best


def _goes_down(p: Real) -> bool:
    """Whether the first sweep goes down."""
    return bool(np.sum(np.sign(np.diff(p[: BEGIN + 1]))) < 0)


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


def _before(note: int, extra: Real) -> Iterator[int]:
    """Yield the notes after which one may come: one of no key between, and any doubted ones."""
    skipped = 0
    for other in range(note - 1, -1, -1):
        yield other
        skipped += int(extra[other] == EXTRA)
        if skipped > 1:
            return


def _cheapest(
    p: Real, keys: int, down: bool, runs: int, extra: Real
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
    before_it = np.concatenate([[0.0], np.cumsum(extra)])
    for i in range(count):
        cost[i, 0] = start + before_it[i]
        for j in _before(i, extra):
            off = np.minimum(np.abs(p[i] - p[j] - keys_step) / STEP, STEP_MOST)
            off = off + before_it[i] - before_it[j + 1]
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
        total = cost[i] + end + before_it[count] - before_it[i + 1]
        at = int(np.argmin(total))
        if total.flat[at] < best:
            best, last = float(total.flat[at]), (i, at // keys, at % keys)
    key_of, run_of = [-1] * count, [0] * count
    note, sweep, key = last
    while note >= 0:
        key_of[note], run_of[note] = key, sweep
        note, sweep, key = (int(v) for v in came[note, sweep, key])
    return best, tuple(key_of), tuple(run_of)
