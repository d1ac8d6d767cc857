"""The phase of a carrier followed on below the noise, and how long what is heard tells it.

A coherent mean of a tail along a phase that no longer fits reads too low, and a note that seems to
close early is foretold too soon.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from scipy import linalg

from sigkit.arrays import Flags, Real
from sigkit.tracks.envelope.carrier import CarrierTrack

GROUPS = 100
"""Values of the phase from the peak on."""
BEYOND = 8.0
"""Times of fall to 1/e after the last crossing in which the phase is looked for."""
KNOWN, STEPS = 0.05, 12
"""Share of the level that an unknown phase may take from it where it is still followed, and steps
at least in which it is followed on."""
ROUNDS, CALM = 30, 1e-4
"""Most rounds of that, and the share of the level that the last may move."""
HEARD = 4.0
"""Standard deviations from which on the level of a group is what is heard, not what is expected."""
LEAST, DECADES, A_DECADE = 1e-3, 8, 1
"""Wander that is looked for: from what takes so much of the level over the whole, for so many
decades of its power, in so many steps each."""
FEWEST = 12
"""Groups that a phase is followed from at least."""


class Tail(NamedTuple):
    """The envelope of a note whose phase was followed into the noise.

    Parameters
    ----------
    carrier : CarrierTrack
        The envelope, what is lost of it in the mean given back.
    along : CarrierTrack
        The same as it is heard.
    known_s : float
        Until when an unknown phase takes less than a share of `KNOWN` from the level.
    time_s, lost : ndarray, shape (n,)
        Times, and the share of the level there that an unknown phase takes in the mean.
    """

    carrier: CarrierTrack
    along: CarrierTrack
    known_s: float
    time_s: Real = np.zeros(1)
    lost: Real = np.zeros(1)

    def u_log_level(self, time_s: float) -> float:
        """Return the uncertainty of ln(level) by what is lost: a square of a normal deviate."""
        return math.sqrt(2) * float(np.interp(time_s, self.time_s, self.lost))


def followed_tail(
    carrier: CarrierTrack, start_s: float, last: tuple[float, float, float], stop_s: float
) -> Tail:
    """Follow a carrier's phase as far into the noise as the sound tells it.

    Parameters
    ----------
    carrier : CarrierTrack
        The envelope along the phase so far, which is true down to the last crossing.
    start_s : float
        From when on the note is steady.
    last : tuple of float
        The last crossing that was seen, its level, and in what time the level falls to 1/e there.
    stop_s : float
        When the next note begins, or the sound ends.

    Returns
    -------
    Tail
        The envelope along the phase as it was followed.

    Notes
    -----
    The frequency is taken for a random walk, its phase for that on a straight line (a smoothing
    spline; G. Wahba, J. Royal Stat. Soc. B 40 (1978), 364-372, from memory). How strong the walk
    is, the sound itself tells: all strengths alike beforehand are averaged by their restricted
    likelihoods. What a group of periods says of its phase is linear in its sound at the level that
    is expected there, hence counts as much as it can however deep it lies in the noise. Groups are
    taken in where those before them foretell their phase well enough for that.
    """
    at, _, fall_s = last
    points = carrier.points
    first = math.ceil(np.searchsorted(carrier.time_s, start_s) / points)
    end = int(np.searchsorted(carrier.time_s, min(stop_s, at + BEYOND * fall_s))) // points
    size = max(1, (end - first) // GROUPS)
    count = (end - first) // size
    place = (first + (np.arange(count) + 0.5) * size).astype(float)
    used = np.interp(place * points, np.arange(carrier.time_s.size), carrier.time_s) <= at
    if used.sum() < FEWEST:
        return Tail(carrier, carrier, stop_s)
    turn, lost, known = _followed(carrier, (first, size, count), last, used)
    # After them the phase goes on as it ends; from its first point it is counted.
    stop = float(carrier.gain.size)
    beyond = turn[-1] + (turn[-1] - turn[-2]) / size * (stop - place[-1])
    ahead = np.concatenate([[0.0], turn, [beyond]])
    carrier = carrier.ahead(np.concatenate([[0.0], place, [stop]]), ahead)
    carrier = carrier.on_wave(carrier.wave)
    # What an unknown phase takes from the level in the mean is given back.
    first_of = (first + np.arange(count) * size) * points
    when = carrier.time_s[first_of + size * points // 2]
    lost = np.where(known, lost, KNOWN)
    kept = np.repeat(1 - np.interp(carrier.time_s[::points], when, lost), points)
    whole = replace(carrier, sound=carrier.sound / kept[: carrier.sound.size])
    until = carrier.time_s[(first + int(known.sum()) * size) * points - 1]
    whole = whole.on_wave(carrier.wave)
    return Tail(whole, carrier, min(float(until), stop_s), when, lost)


def _followed(
    carrier: CarrierTrack,
    groups: tuple[int, int, int],
    last: tuple[float, float, float],
    used: Flags,
) -> tuple[Real, Real, Flags]:
    """Return how far each group of periods is ahead, what that leaves open, and where it is known.

    The groups are the first period, their size and how many there are; open is the share of the
    level that is lost to the phase's uncertainty in the mean.
    """
    first, size, count = groups
    at, level, fall_s = last
    points = carrier.points
    part = slice(first * points, (first + count * size) * points)
    rows = carrier.sound[part].reshape(count, size, points).mean(axis=1)
    when = carrier.time_s[part].reshape(count, -1).mean(axis=1)
    wave = np.fft.rfft(carrier.wave)[1 : (points + 1) // 2]
    product = np.fft.rfft(rows)[:, 1 : (points + 1) // 2] * np.conj(wave)
    orders = np.arange(1, wave.size + 1)
    power = np.abs(wave) ** 2
    energy = float(power.sum())
    u_gain = carrier.noise * math.sqrt(points / (2 * energy * size))
    squares = (2 * math.pi * orders) ** 2
    takes = 0.5 * float(power @ squares) / energy
    # The phase of the course against an even one is part of the walk.
    place = (first + (np.arange(count) + 0.5) * size).astype(float)
    own = place - np.polynomial.Polynomial.fit(when, place, 1)(when)
    expected = level * np.exp(-np.maximum(when - at, 0.0) / fall_s)
    walk = _Walk(when, LEAST / takes)
    turn: Real = np.zeros(count)
    spread: Real = np.zeros(count)
    for _ in range(ROUNDS):
        turned = product * np.exp(-2j * np.pi * turn[:, None] * orders)
        gain = turned.real.sum(axis=1) / energy
        heard = (gain > HEARD * u_gain) & (used | (gain > expected))
        size_of = np.where(heard, gain, expected)
        # Of harmonics that may have turned too far, less is taken.
        kept = np.exp(-0.5 * np.minimum(spread, 1.0)[:, None] * squares)
        bend = kept @ (power * squares)
        pull = np.sum(kept * turned.imag * (2 * math.pi * orders), axis=1)
        off = pull / (bend * size_of)
        noise = energy * (kept**2 @ (power * squares)) * (u_gain / (bend * size_of)) ** 2
        path, spread = walk.smoothed(own + turn + off, noise, used)
        moved = path - own - turn
        turn = path - own
        told = (takes * spread < KNOWN) | (when <= at)
        known = np.arange(count) < (count if told.all() else int(np.argmin(told)))
        more = used | known
        # Step by step: what is near tells how strongly the pitch wanders further on.
        more[int(used.sum()) + max(1, count // STEPS) :] = False
        if np.array_equal(more, used) and takes * float(np.max(moved[used] ** 2)) < CALM:
            break
        used = more
    return turn, takes * spread, known


class _Walk:
    """A phase whose frequency walks at random, smoothed with all strengths of that walk."""

    def __init__(self, time_s: Real, least: float) -> None:
        t = (time_s - time_s[0]) / (time_s[-1] - time_s[0])
        short, long = np.minimum.outer(t, t), np.maximum.outer(t, t)
        self.kernel = short**2 * (3 * long - short) / 2
        self.straight = np.stack([np.ones_like(t), t - t.mean()], axis=1)
        self.strengths = least * 10 ** (np.arange(DECADES * A_DECADE + 1) / A_DECADE)

    def smoothed(self, phase: Real, noise: Real, used: Flags) -> tuple[Real, Real]:
        """Return the phase everywhere and its variance, from where it is used."""
        y, x = phase[used], self.straight[used]
        means, variances, scores = [], [], []
        for strength in self.strengths.tolist():
            across = strength * self.kernel[:, used]
            lower = linalg.cholesky(across[used] + np.diag(noise[used]), lower=True)
            white = linalg.solve_triangular(lower, np.column_stack([x, y, across.T]), lower=True)
            by_x, by_y, by_k = white[:, :2], white[:, 2], white[:, 3:]
            inner = by_x.T @ by_x
            line = np.linalg.solve(inner, by_x.T @ by_y)
            left = float(np.sum((by_y - by_x @ line) ** 2))
            dof = y.size - 2
            # Noise that is more than that of the quiet is not laid on the walk.
            grown = max(1.0, left / dof)
            rest = self.straight - by_k.T @ by_x
            means.append(self.straight @ line + by_k.T @ (by_y - by_x @ line))
            own = strength * np.diag(self.kernel) - np.sum(by_k**2, axis=0)
            own = own + np.sum(rest * np.linalg.solve(inner, rest.T).T, axis=1)
            variances.append(grown * own)
            whole = 2 * np.sum(np.log(np.diag(lower))) + np.linalg.slogdet(inner)[1]
            scores.append(-0.5 * (whole + dof * math.log(grown) + left / grown))
        weight = np.exp(np.array(scores) - max(scores))
        mean = np.average(means, axis=0, weights=weight)
        variance = np.average(variances + (means - mean) ** 2, axis=0, weights=weight)
        return mean, variance
