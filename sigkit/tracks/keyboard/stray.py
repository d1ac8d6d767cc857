"""Mains that strays under a key sweep: its phase followed from one quiet moment to the next."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from sigkit.arrays import Complex, Real
from sigkit.tracks.mains_course import Course, smooth_course

WINDOW_S, QUIET_S = 0.3, 0.05
"""Length of a window in which each line is fitted by itself, and the quiet that it needs."""
STEP_S, STEP_QUIET_S, MOST_STEPS = 0.15, 0.015, 600
"""The same where only their common phase is, and the most of these."""
FEWEST = 4
LEAD_ORDERS = 6
"""Lines up to this order tell the phase; the higher ones go along."""
ROUNDS, TRIES, NEWTON = 12, 48, 4


def lines_on(base: Complex, amplitudes: Complex) -> Real:
    """Return the sum of lines whose phases are multiples of one, given as numbers of length one."""
    turn, out = np.ones_like(base), np.zeros(base.size)
    for amplitude in amplitudes:
        turn = turn * base
        if amplitude != 0:
            out += (amplitude * turn).real
    return out


@dataclass(frozen=True, eq=False)
class StrayHum:
    """Mains lines along a phase that strays.

    Parameters
    ----------
    hz, from_s : float
        Frequency that the phase is told against, and when that is 0.
    amplitudes : ndarray of complex, shape (n_orders,)
        Of the lines; 0: not there.
    course : Course
        By how much the phase is ahead, in radians over seconds from the start.
    """

    hz: float
    from_s: float
    amplitudes: Complex
    course: Course

    def base(self, time_s: Real) -> Complex:
        """Return the phase of the mains as complex numbers of length one."""
        angle = 2 * np.pi * self.hz * (time_s - self.from_s) + self.course.at(time_s)
        out: Complex = np.exp(1j * angle)
        return out

    def at(self, time_s: Real) -> Real:
        """Return the hum."""
        return lines_on(self.base(time_s), self.amplitudes)

    def left_in(self, time_s: Real, rest: Real, weight: Real) -> float:
        """Return the mean power of what is left of this hum in a sound, re its own.

        Parameters
        ----------
        time_s, rest, weight : ndarray, shape (n,)
            The sound, and how much each moment tells of the hum.
        """
        base = self.base(time_s)
        turn, wave = np.ones_like(base), np.zeros_like(base)
        for amplitude in self.amplitudes:
            turn = turn * base
            wave += amplitude * turn
        found = []
        for part in _steps(time_s):
            w = weight[part]
            if w.sum() * float(time_s[1] - time_s[0]) < STEP_QUIET_S:
                continue
            a = np.stack([wave[part].real, wave[part].imag], axis=1) * np.sqrt(w)[:, None]
            gain, *_ = np.linalg.lstsq(a, rest[part] * np.sqrt(w), rcond=None)
            found.append(float(gain @ gain))
        return float(np.mean(found)) if found else math.inf


def _steps(time_s: Real) -> list[NDArray[np.intp]]:
    """Return the samples of each step along the sound."""
    length_s = float(time_s[-1] - time_s[0])
    edges = np.arange(0.0, length_s, max(STEP_S, length_s / MOST_STEPS))
    return np.split(np.arange(time_s.size), np.searchsorted(time_s, edges[1:]))


def lines_in_step(
    time_s: Real, value: Real, weight: Real, hz: float, from_s: float, amplitudes: Complex
) -> Complex | None:
    """Return lines as they are to each other, however the mains strays.

    Parameters
    ----------
    time_s, value, weight : ndarray, shape (n,)
        A sound, evenly spaced from the start on, and how much each moment tells of the hum.
    hz, from_s : float
        Rough frequency of the mains, and when its phase is 0.
    amplitudes : ndarray of complex, shape (n_orders,)
        Its lines over the whole sound, in which they lose what straying costs them; 0: not there.

    Returns
    -------
    ndarray of complex, shape (n_orders,), or None
        The lowest lines, turned to a common phase; None where no moment tells of them.
    """
    orders = 1 + np.flatnonzero(amplitudes[:LEAD_ORDERS])
    if not orders.size:
        return None
    step_s = float(time_s[1] - time_s[0])
    found = []
    for middle in np.arange(WINDOW_S / 2, float(time_s[-1]), WINDOW_S / 2):
        a, b = np.searchsorted(time_s, [middle - WINDOW_S / 2, middle + WINDOW_S / 2])
        if weight[a:b].sum() * step_s >= QUIET_S:
            found.append(_window(time_s[a:b], value[a:b], weight[a:b], hz, from_s, orders))
    known = [f for f in found if f is not None]
    if len(known) < FEWEST:
        return None
    z, noise = (np.array([f[i] for f in known]).T for i in (0, 1))
    out: Complex = np.zeros(amplitudes.size, complex)
    out[orders - 1] = _common(z, noise, orders.astype(float))
    return out


def course_of(
    time_s: Real,
    value: Real,
    weight: Real,
    hz: float,
    from_s: float,
    lines: Complex,
    before: Course | None = None,
) -> Course | None:
    """Follow the phase of the mains.

    Parameters
    ----------
    time_s, value, weight, hz, from_s
        As for `lines_in_step`.
    lines : ndarray of complex, shape (n_orders,)
        Its lines, turned to a common phase.
    before : Course, optional
        The phase as it was followed before, by which whole turns are counted.

    Returns
    -------
    Course or None
        The phase against that of ``hz``; None where too few moments tell of it.

    Notes
    -----
    Since all lines turn together, their phase is all that is free in each step: a period and a half
    between two notes tells it. From step to step the mains frequency is a random walk of a strength
    that the sound tells.
    """
    step_s = float(time_s[1] - time_s[0])
    length_s = float(time_s[-1]) + step_s / 2
    order = 1.0 + np.flatnonzero(lines)
    turns = np.exp(1j * np.outer(order, 2 * np.pi * np.arange(TRIES) / TRIES))
    at, phase, gain, left = [], [], [], []
    for part in _steps(time_s):
        w, t = weight[part], time_s[part]
        if w.sum() * step_s < STEP_QUIET_S:
            continue
        base = np.exp(2j * np.pi * hz * (t - from_s))
        wave = lines[np.flatnonzero(lines)] * base[:, None] ** order
        y = value[part]
        own = 2 * np.pi / TRIES * int(np.argmin(w @ (y[:, None] - (wave @ turns).real) ** 2))
        for _ in range(NEWTON):
            turn = wave * np.exp(1j * order * own)
            slope = -(turn @ order).imag
            norm = max(float(w @ slope**2), 1e-300)
            rest = y - turn.sum(axis=1).real
            own += float(np.clip((w * rest) @ slope / norm, -0.3, 0.3))
        at.append(float(w @ t / w.sum()))
        phase.append(own)
        gain.append(norm)
        left.append(float(w @ rest**2 / w.sum()))
    if len(at) < FEWEST:
        return None
    variance = np.maximum(left, np.median(left)) / np.array(gain)
    middle = np.array(at)
    known = np.zeros(middle.size) if before is None else before.at(middle)
    turned = known + np.unwrap((np.array(phase) - known + np.pi) % (2 * np.pi) - np.pi)
    return smooth_course(middle, turned, np.diag(variance), length_s)


def _window(
    t: Real, y: Real, w: Real, hz: float, from_s: float, orders: NDArray[np.intp]
) -> tuple[Complex, Real] | None:
    """Return the lines in a window, and the noise of each."""
    base = np.exp(2j * np.pi * hz * (t - from_s))
    columns = [np.ones(t.size)]
    for order in orders.tolist():
        turn = base**order
        columns += [turn.real, turn.imag]
    a = np.stack(columns, axis=1)
    normal = (a * w[:, None]).T @ a
    if np.linalg.cond(normal) > 1e4:
        return None
    inverse = linalg.inv(normal)
    values = inverse @ (a.T @ (w * y))
    rest = y - a @ values
    # What is left, weighted once more: moments under a note hardly count.
    cover = inverse @ ((a * ((w * rest) ** 2)[:, None]).T @ a) @ inverse
    spread = np.diag(cover)[1:].reshape(-1, 2).sum(axis=1)
    pairs = values[1:].reshape(-1, 2)
    return pairs[:, 0] - 1j * pairs[:, 1], spread + 1e-30


def _common(z: Complex, noise: Real, order: Real) -> Complex:
    """Return the mean of each line once a common phase is taken out of every window."""
    noise = np.maximum(noise, np.median(noise, axis=1, keepdims=True) / 4)
    lead = int(np.argmax(np.median(np.abs(z) ** 2 / noise, axis=1) / order))
    phase = np.angle(z[lead]) / order[lead]
    h = order[:, None]
    for _ in range(ROUNDS):
        back = z * np.exp(-1j * h * phase)
        mean = (back / noise).sum(axis=1, keepdims=True) / (1 / noise).sum(axis=1, keepdims=True)
        # Lines that the phase does not yet bring together count the less for that.
        apart = np.mean(np.abs(back - mean) ** 2, axis=1, keepdims=True)
        own = noise * np.maximum(apart / noise.mean(axis=1, keepdims=True), 1.0)
        gain = (h**2 * np.abs(mean) ** 2 / own).sum(axis=0)
        pull = (h * np.imag(back * np.conj(mean)) / own).sum(axis=0)
        phase = phase + np.clip(pull / gain, -0.5 / order.max(), 0.5 / order.max())
    out: Complex = mean[:, 0]
    return out
