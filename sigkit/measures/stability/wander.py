"""Jitter: the fast part of a pitch, without the noise of its track."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np
from scipy import ndimage

from sigkit.arrays import Real
from sigkit.measures.steadiness import CENTS, noise_lags, root_of, variance_terms
from sigkit.quantity import Quantity, Term, not_measurable
from sigkit.tracks.phase import PhaseTrack

MEANS_S, LEAST_PERIODS = 0.05, 2
SLOW_S = 1.0
"""What is slower than this is wander and drift, and taken out."""
BESIDE_STEP_S = 0.05
LEAST_MEANS = 20
BANDS = 0.005
"""What the bands of the phase take of fast jitter, relative, found by simulation."""


def jitter_of(
    phase: PhaseTrack, reference_hz: float, *, steps_s: Real, lines_hz: Sequence[float]
) -> Quantity:
    """Root mean square of the pitch over 0.05 s, less its running mean over 1 s, in cents.

    Parameters
    ----------
    phase : PhaseTrack
        Phase of the tone.
    reference_hz : float
        Mean pitch.
    steps_s : ndarray, shape (n_steps,)
        Instants of steps of pitch; the means around them are left out.
    lines_hz : sequence of float
        Frequencies of mains wobble, and of hum that looks like one, which are taken out of the
        phase.

    Returns
    -------
    Quantity
        Without the noise of the track; not measurable where no tone goes on unbroken for 2 s.
    """
    wide_s = max(MEANS_S, LEAST_PERIODS / reference_hz)
    length = 2 * round(SLOW_S / wide_s / 2) + 1
    parts, noise = [], []
    for t, cycles, u in _unbroken(phase, steps_s):
        edges = np.arange(t[0], t[-1], wide_s)
        rest = cycles - reference_hz * t
        for hz in lines_hz:
            rest = _without_line(t, rest, hz)
        means = np.diff(np.interp(edges, t, rest)) / wide_s * CENTS / reference_hz
        if means.size <= length:
            continue
        slow = ndimage.uniform_filter1d(means, length, mode="nearest")
        parts.append((means - slow)[length // 2 : means.size - length // 2])
        noise.append(np.full(parts[-1].size, float(np.mean(u**2))))
    fast = np.concatenate(parts) if parts else np.empty(0)
    if fast.size < LEAST_MEANS:
        return not_measurable(
            "cents", "no tone goes on unbroken for 2 s; record 10 s or more of one held note"
        )
    at_sample, next_sample = noise_lags(phase)
    # Between two values of the phase the interpolated noise is that of their mean, on average.
    u_edge = math.sqrt(float(np.mean(np.concatenate(noise))) * (2 * at_sample + next_sample) / 3)
    kernel = np.convolve(_less_mean(length), [1.0, -1.0]) * u_edge * CENTS / reference_hz / wide_s
    lags = np.correlate(kernel, kernel, "full")[kernel.size - 1 :]
    variance = float(np.mean(fast**2)) - float(lags[0])
    terms = variance_terms(fast, lags)
    terms.append(Term("reach of the bands", 2 * BANDS * max(0.0, variance), "B"))
    return root_of(variance, terms)


def _without_line(t: Real, rest: Real, hz: float) -> Real:
    """Take a line out of a phase, second by second, beside parabolas."""
    out = rest.copy()
    for part in np.array_split(np.arange(t.size), max(1, round(float(t[-1] - t[0])))):
        away = t[part] - t[part].mean()
        turn = 2 * np.pi * hz * away
        design = np.column_stack([np.cos(turn), np.sin(turn), np.ones_like(away), away, away**2])
        found, *_ = np.linalg.lstsq(design, rest[part], rcond=None)
        out[part] -= design[:, :2] @ found[:2]
    return out


def _less_mean(length: int) -> Real:
    kernel = np.full(length, -1 / length)
    kernel[length // 2] += 1
    return kernel


def _unbroken(phase: PhaseTrack, steps_s: Real) -> list[tuple[Real, Real, Real]]:
    """Return time, cycles and noise of every tone between its steps."""
    beside = np.zeros(phase.time_s.size, dtype=bool)
    number = phase.tone.astype(np.intp)
    for at in steps_s:
        beside |= np.abs(phase.time_s - at) < BESIDE_STEP_S
        number = number + (phase.time_s > at)
    bounds = np.concatenate([[0], np.flatnonzero(np.diff(number)) + 1, [number.size]]).tolist()
    found = []
    for begin, end in itertools.pairwise(bounds):
        keep = np.flatnonzero(~beside[begin:end]) + begin
        if keep.size > 3:
            found.append((phase.time_s[keep], phase.cycles[keep], phase.u_cycles[keep]))
    return found
