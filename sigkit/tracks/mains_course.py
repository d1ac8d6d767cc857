"""The course of the mains: the phase that its lines have in common, smoothed over its wander."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import interpolate, linalg

from sigkit.arrays import Complex, Flags, Real

WANDER = (0.0, *np.logspace(-9, -2, 15).tolist())
"""Random walks of the mains frequency that are tried, Hz squared per second."""
LOW_ORDER, REWEIGHED, STRAYS = 5, 4, 3.0
"""The phase begins from a line of at most that order; lines that scatter by more than so many times
their noise are weighed anew, so often."""


def common_phase(
    turned: Complex, orders: Real, noise: Real, steering: Flags, start: Real
) -> tuple[Real, float]:
    """Phase of the mains in every window, by maximum likelihood over the lines that steer.

    A line that scatters about it by more than its noise, because a tone nearby reaches into its
    windows, counts the less for that.
    """
    z, h, n = turned[steering], orders[steering].astype(float), noise[steering]
    phase = start + _unwrapped(z, h, start)
    for _ in range(REWEIGHED):
        back = z * np.exp(-1j * h[:, None] * phase)
        mean = back.mean(axis=1)
        rest = np.mean(np.abs(back - mean[:, None]) ** 2, axis=1)
        n = np.where(rest > STRAYS * noise[steering], rest, noise[steering])
        for _ in range(6):
            back = z * np.exp(-1j * h[:, None] * phase)
            mean = back.mean(axis=1)
            gain = h**2 * np.abs(mean) ** 2 / n
            pull = (h[:, None] * np.imag(back * np.conj(mean)[:, None]) / n[:, None]).sum(axis=0)
            move = np.clip(pull / gain.sum(), -0.5 / h.max(), 0.5 / h.max())
            phase = phase + move
            if np.abs(move).max() < 1e-9:
                break
    back = z * np.exp(-1j * h[:, None] * phase)
    size = np.maximum(np.mean(np.abs(back) ** 2, axis=1) - n, 1e-3 * n)
    return phase, float(1 / (2 * np.sum(h**2 * size / n)))


def _unwrapped(z: Complex, h: Real, start: Real) -> Real:
    """Rough phase of the mains from the line whose phase is the smoothest."""
    every = np.unwrap(np.angle(z * np.exp(-1j * h[:, None] * start)), axis=1) / h[:, None]
    rough = np.std(np.diff(every, axis=1), axis=1)
    row = int(np.argmin(np.where(h <= max(LOW_ORDER, float(h.min())), rough, math.inf)))
    out: Real = every[row] - every[row].mean()
    return out


@dataclass(frozen=True, eq=False)
class Course:
    """Mean frequency off the nominal one with its uncertainty, and frequency and phase on the way.

    ``time`` and ``phase`` begin and end with the sound; ``hz`` is that of the steps between.
    """

    mean_hz: float
    u_hz: float
    hz: Real
    time: Real
    phase: Real

    def at(self, time: Real) -> Real:
        """Return the phase in radians at other times."""
        out: Real = interpolate.CubicSpline(self.time, self.phase)(time)
        return out


def smooth_course(time: Real, phase: Real, scatter: Real, length_s: float) -> Course:
    """Fit the phase as a line plus an integrated random walk, of a strength told by the data."""
    n = time.size
    places = np.concatenate([[0.0], time, [length_s]])
    t = places / length_s
    later, earlier = np.maximum(t[:, None], t), np.minimum(t[:, None], t)
    walk = (earlier**2 * (3 * later - earlier) / 6) * length_s**3 * (2 * np.pi) ** 2
    trend = np.stack([np.ones(n + 2), t], axis=1)
    inside = slice(1, n + 1)
    tries = []
    for strength in WANDER:
        whole = scatter + strength * walk[inside, inside]
        root = linalg.cho_factor(whole, lower=True)
        x, y = linalg.cho_solve(root, trend[inside]), linalg.cho_solve(root, phase)
        normal = trend[inside].T @ x
        beta = linalg.solve(normal, trend[inside].T @ y, assume_a="pos")
        rest = phase - trend[inside] @ beta
        solved = linalg.cho_solve(root, rest)
        score = -float(np.log(np.diag(root[0])).sum())
        score -= 0.5 * float(np.linalg.slogdet(normal)[1]) + 0.5 * float(rest @ solved)
        cross = strength * walk[:, inside]
        smooth = trend @ beta + cross @ solved
        gone = cross[-1] - cross[0]
        weight = linalg.cho_solve(root, gone)
        left = trend[-1] - trend[0] - trend[inside].T @ weight
        prior = strength * float(walk[-1, -1] + walk[0, 0] - 2 * walk[0, -1])
        spread = prior - float(gone @ weight)
        spread += float(left @ linalg.solve(normal, left, assume_a="pos"))
        tries.append((score, smooth, max(spread, 0.0)))
    scores = np.array([t[0] for t in tries])
    weight = np.exp(scores - scores.max())
    weight /= weight.sum()
    smooth = np.sum([w * t[1] for w, t in zip(weight, tries, strict=True)], axis=0)
    gone_every = np.array([t[1][-1] - t[1][0] for t in tries])
    gone = float(weight @ gone_every)
    var = float(weight @ (np.array([t[2] for t in tries]) + (gone_every - gone) ** 2))
    scale = 2 * np.pi * length_s
    hz = np.diff(smooth) / np.diff(places) / (2 * np.pi)
    return Course(gone / scale, math.sqrt(var) / scale, hz, places, smooth)
