"""How a hand moves a slider: passes of some seconds, rests, pauses, part passes, and a flick."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.interpolate import PchipInterpolator
from voice import RATE

COLUMNS = ["number", "direction", "start_s", "stop_s", "from_percent", "to_percent", "pauses"]


@dataclass
class Hand:
    position: np.ndarray  # 0 to 1 at 48 kHz
    passes: pd.DataFrame
    flick_s: float  # when the flick begins; inf if there is none


class _Moves:
    """Positions so far, and the passes they hold."""

    def __init__(self, here):
        self.parts, self.rows, self.here = [], [], here

    @property
    def now_s(self):
        return sum(map(len, self.parts)) / RATE

    def rest(self, seconds):
        self.parts.append(np.full(int(seconds * RATE), self.here))

    def move(self, rng, there, seconds, pauses=0, smooth=None):
        """One pass, maybe with pauses on the way."""
        begun, start = self.now_s, self.here
        stations = [*np.sort(rng.uniform(0.2, 0.8, pauses)).tolist(), 1.0]
        last = 0.0
        smooth = rng.random() < 0.5 if smooth is None else smooth
        for i, station in enumerate(stations):
            if i:
                self.rest(rng.uniform(0.15, 0.6))
            u = _stroke(rng, int(max((station - last) * seconds, 0.02) * RATE), smooth)
            self.parts.append(start + (there - start) * (last + (station - last) * u))
            self.here, last = self.parts[-1][-1], station
        self.here = there
        way = "up" if there > start else "down"
        self.rows.append(
            (len(self.rows) + 1, way, begun, self.now_s, 100 * start, 100 * there, pauses)
        )

    def hand(self, flick_s):
        return Hand(np.concatenate(self.parts), pd.DataFrame(self.rows, columns=COLUMNS), flick_s)


def _stroke(rng, count, smooth):
    """0 to 1 at an uneven speed, begun and ended abruptly or smoothly."""
    knots = max(int(count / RATE * rng.uniform(2, 5)), 1) + 2
    speed = np.exp(0.25 * rng.standard_normal(knots))
    at = np.linspace(0, 1, count)
    v = PchipInterpolator(np.linspace(0, 1, knots), speed)(at)
    if smooth:
        v = v * (at * (1 - at)) ** 2 * 30
    u = np.cumsum(v)
    return (u - u[0]) / (u[-1] - u[0])


def protocol_path(rng, times=5):
    """So many times up in 4 s and down in 4 s, with rests of 1 s."""
    moves = _Moves(0.0)
    for _ in range(times):
        for there in (1.0, 0.0):
            moves.move(rng, there, 4 * rng.uniform(0.9, 1.1))
            moves.rest(rng.uniform(0.8, 1.2))
    return moves.hand(np.inf)


def random_path(rng, seconds, kind, flicks):
    """One pass, a return, or three to five passes (more if ``seconds`` asks for them)."""
    low = 0.0 if kind != "level" or rng.random() < 0.5 else rng.uniform(0.05, 0.2)
    moves = _Moves(float(rng.choice([low, low, 1.0])))
    wanted = int(rng.choice([1, 2, 3, 4, 5], p=[0.15, 0.25, 0.2, 0.2, 0.2]))
    while True:
        up = moves.here < 0.5
        there = 1.0 if up else low
        if rng.random() < 0.12:  # part of the travel only
            there = rng.uniform(0.6, 0.9) if up else rng.uniform(0.1, 0.4)
        pauses = int(rng.choice([0, 1, 2], p=[0.75, 0.2, 0.05]))
        moves.move(rng, there, rng.uniform(1, 5), pauses)
        done = len(moves.rows) >= wanted if seconds is None else moves.now_s > seconds
        if done:
            break
        moves.rest(rng.uniform(0.3, 1.5))
    flick_s = np.inf
    if flicks and rng.random() < 0.35:
        moves.rest(rng.uniform(0.3, 0.8))
        flick_s = moves.now_s - 0.05
        there = 1.0 if moves.here < 0.5 else low
        moves.move(rng, there, rng.uniform(0.1, 0.25))
        moves.rest(rng.uniform(0.2, 0.6))
    return moves.hand(flick_s)
