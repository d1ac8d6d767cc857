"""One tone or two: what a window of sound holds, decided on what a single tone cannot do.

A tone whose pitch or level moves has side lines as well, but at the same distance from every
harmonic, or with a sum that follows one path; two tones are further apart in every higher band, by
the number of the band. Two are named only where they leave almost nothing of what the best single
moving tone leaves, where that is far beyond chance, and where the lines are apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.polynomial import legendre

from sigkit.arrays import Complex, Real
from sigkit.tracks.harmonics import LAG_0, SECOND_DIFFERENCE
from sigkit.tracks.two_tones.pulled import fit_pulled
from sigkit.tracks.two_tones.start import find_one, find_pair
from sigkit.tracks.two_tones.track import Tones, fit_tones, lines_of, with_more_terms

UNEXPLAINED = 0.1
"""Share of what one moving tone leaves over that two may leave."""
BEYOND_CHANCE = 30.0
"""Least gain in twice the log-likelihood beyond its price (Bayesian information criterion)."""
LINES_APART = 0.6
"""Turns between the two lines over the window from which a band shows two."""
ONE_BAND_APART = 1.5
"""The same where a single band shows both: a slow change of level looks alike below."""
LEVEL_TERMS = 4
"""Degree of the polynomial by which the level of each harmonic of a single tone may move."""
HEARD = 12.0
"""A line counts where its power is this many times the uncertainty of it."""
ALIKE = 0.04
"""Relative difference of levels below which two tones may be the two edges of one pulse."""
LEAST_EVEN = 0.1
"""Share of a saw's power in its even harmonics is 0.25; without them any two tones look alike."""
FAINTEST = 0.003
"""Share of the power that each tone must have: 25 dB below the other."""
LEAST_BANDS, MOST_BANDS, MOST_VALUES = 8, 32, 40_000
"""Harmonics of either tone that are used: fewer where there are many periods."""

Kind = Literal["two", "one", "unclear"]


@dataclass(frozen=True)
class Finding:
    """What a window holds.

    Parameters
    ----------
    kind : {"two", "one", "unclear"}
        Unclear: neither one steady tone nor two explain it.
    steps : tuple of int
        Which bands hold lines, as in `fit_tones`.
    tones : Tones
        The fit of that kind; of one tone where it is unclear.
    one_pulse : bool
        Whether the two tones are as the two edges of one pulse would be: equal and opposite.
    pulled : bool
        Whether the two tones pull each other.
    """

    kind: Kind
    steps: tuple[int, ...]
    tones: Tones
    one_pulse: bool = False
    pulled: bool = False


def what_is_there(
    bands: Complex,
    ratios: tuple[tuple[int, ...], ...],
    *,
    guess: tuple[tuple[int, ...], Real] | None = None,
) -> Finding:
    """Decide what a window holds, and fit it.

    Parameters
    ----------
    bands : ndarray of complex, shape (n_bands, n_periods)
        As in `fit_tones`.
    ratios : tuple of tuples of int
        Steps to consider.
    guess : (steps, offsets), optional
        What the window before held.

    Returns
    -------
    Finding
        The decision with its fit.
    """
    widest = max(max(steps) for steps in ratios)
    most = widest * max(LEAST_BANDS, min(MOST_BANDS, MOST_VALUES // (widest * bands.shape[1])))
    one = find_one(bands, most=most)
    straight = one
    one = with_more_terms(bands, (1,), one, most=most)
    floor = _floor(bands[: one.bands])
    periods = bands.shape[1]
    if np.all(one.left < 2 * LAG_0 * floor * (1 + 8 / math.sqrt(periods))):
        return Finding("one", (1,), one)
    found: list[Finding] = []
    if guess is not None:
        steps, offsets = guess
        start = (offsets * np.pi * (periods - 1))[:, None]
        again = fit_tones(bands, steps, start, first=4 * max(steps), most=most)
        found = _accepted(bands, one, {steps: again}, most)
    if not found:
        # The fewest lines first: a unison's lines can stand for those of any other ratio.
        for steps in sorted(ratios, key=lambda steps: lines_of(steps, 36).sum()):
            pair = find_pair(bands, steps, most=most, than=straight)
            found = _accepted(bands, one, {} if pair is None else {steps: pair}, most)
            if found:
                break
    return found[0] if found else Finding("unclear", (1,), one)


def _accepted(
    bands: Complex, one: Tones, pairs: dict[tuple[int, ...], Tones], most: int
) -> list[Finding]:
    """Return the pairs that stand the tests, the best first."""
    if not pairs:
        return []
    straight = pairs
    pairs = {
        steps: with_more_terms(bands, steps, pair, most=most, most_terms=5)
        for steps, pair in pairs.items()
    }
    least = min(pair.bands for pair in pairs.values())
    ranked = sorted(pairs, key=lambda steps: _criterion(pairs[steps], steps, least))
    good = [s for s in ranked if _stands(bands, one, pairs[s], s)]
    if good and (pairs[good[0]].terms.shape[1] == 1 or good[0] != (1, 1)):
        return [Finding("two", s, pairs[s], one_pulse=_edges_of_one(pairs[s], s)) for s in good]
    # Tones whose distance seems to move within the window may pull each other.
    steps = (1, 1)
    pulled = fit_pulled(bands, steps, straight[steps], most=most) if steps in straight else None
    if pulled is not None and _stands(bands, one, pulled, steps):
        least = min(pulled.bands, pairs[steps].bands)
        better = _criterion(pairs[steps], steps, least) - _criterion(pulled, steps, least)
        if not good or better > BEYOND_CHANCE:
            alike = _edges_of_one(pulled, steps)
            return [Finding("two", steps, pulled, one_pulse=alike, pulled=True)]
    return [Finding("two", s, pairs[s], one_pulse=_edges_of_one(pairs[s], s)) for s in good]


def _criterion(fit: Tones, steps: tuple[int, ...], bands: int) -> float:
    """Bayesian information criterion over the first ``bands`` bands: smaller is better."""
    periods = int(fit.residual.shape[1])
    misfit = 2 * periods * float(np.sum(np.log(np.maximum(fit.left[:bands], 1e-300))))
    free = 2 * int(lines_of(steps, bands).sum()) + int(fit.terms.size)
    return misfit + free * math.log(2 * periods)


def _stands(bands: Complex, one: Tones, two: Tones, steps: tuple[int, ...]) -> bool:
    least = min(one.bands, two.bands)
    periods = bands.shape[1]
    gain = _criterion(one, (1,), least) - _criterion(two, steps, least)
    if not gain > BEYOND_CHANCE:
        return False
    floor = 2 * LAG_0 * np.minimum(_floor(bands[:least]), two.left[:least] / (2 * LAG_0))
    single = np.minimum(one.left[:least], _left_by_moving_level(bands[:least], one))
    by_one = float(np.sum(np.maximum(single - floor, 0)))
    by_two = float(np.sum(np.maximum(two.left[:least] - floor, 0)))
    if by_two > UNEXPLAINED * by_one:
        return False
    power = np.abs(two.amplitudes) ** 2
    sound = np.mean(np.abs(bands[: two.bands]) ** 2, axis=1)
    if float(power.sum()) > 8 * float(sound.sum()):
        return False
    return _apart(two, steps, power, periods)


def _left_by_moving_level(bands: Complex, one: Tones) -> Real:
    """Return what a single tone leaves in each band if its level there moves by itself."""
    count, periods = bands.shape
    x = np.linspace(-1, 1, periods)
    path = one.terms[0] @ legendre.legvander(x, one.terms.shape[1])[:, 1:].T
    turned = bands * np.exp(-1j * np.arange(1, count + 1)[:, None] * path)
    turned *= np.exp(-1j * np.angle(turned.mean(axis=1)))[:, None]
    smooth, _ = np.linalg.qr(legendre.legvander(x, LEVEL_TERMS))
    level = turned.real - (turned.real @ smooth) @ smooth.T
    left: Real = np.mean(level**2 + turned.imag**2, axis=1)
    return left


def _apart(two: Tones, steps: tuple[int, ...], power: Real, periods: int) -> bool:
    """Whether enough bands show the tones apart."""
    heard = power > HEARD * 2 * two.noise / periods
    share = (power * heard).sum(axis=1) / max(float(power.sum()), 1e-300)
    if not np.all(share > FAINTEST):
        return False
    # Without lines where only this ratio has them, it stands for a simpler one.
    order = np.arange(1, two.bands + 1)
    own = ((power * heard)[:, (order % 2 != 0) & (order % 3 != 0)]).sum(axis=1)
    if np.any(own[np.array(steps) == 1] < FAINTEST * float(power.sum())):
        return False
    turns = np.arange(1, two.bands + 1) * abs(two.offsets[1] - two.offsets[0]) * periods
    if steps[0] != steps[1]:
        # The lines of different notes lie in different bands; only the offset must be sure.
        spread = two.offset_covariance
        sd = math.sqrt(max(0.0, spread[0, 0] + spread[1, 1] - 2 * spread[0, 1]))
        return bool(abs(two.offsets[1] - two.offsets[0]) > 3 * sd)
    both = heard.all(axis=0) & (turns > LINES_APART)
    if np.count_nonzero(both) >= 2:
        return True
    return bool(np.any(turns[heard.all(axis=0)] > ONE_BAND_APART))


def _edges_of_one(two: Tones, steps: tuple[int, ...]) -> bool:
    """Whether the tones are two saws of opposite sign and equal level: one pulse of moving width.

    Then their amplitudes stand as -exp(j b chi) in band b.
    """
    if steps[0] != steps[1]:
        return False
    first, second = two.amplitudes
    power = np.abs(first) ** 2 + np.abs(second) ** 2
    strong = power > 1e-3 * power.max()
    product = -second[strong] * first[strong].conj()
    order = np.arange(1, two.bands + 1)[strong]
    levels = float(np.sum(np.abs(np.abs(first[strong]) ** 2 - np.abs(second[strong]) ** 2)))
    if levels > 2 * ALIKE * float(power[strong].sum()):
        return False
    even = order % 2 == 0
    if float(power[strong][even].sum()) < LEAST_EVEN * float(power[strong].sum()):
        return False
    angles = np.linspace(-np.pi, np.pi, 16 * int(order.max()) + 1)
    in_step = (product[:, None] * np.exp(-1j * order[:, None] * angles)).real.sum(axis=0)
    return bool(in_step.max() > 0.95 * np.abs(product).sum())


def _floor(bands: Complex) -> Real:
    """Noise variance per quadrature from second differences, an upper bound where lines turn."""
    bend = np.abs(bands[:, :-2] - 2 * bands[:, 1:-1] + bands[:, 2:]) ** 2
    floor: Real = np.mean(bend, axis=1) / (2 * SECOND_DIFFERENCE)
    return np.maximum(floor, 1e-24 * float(np.mean(np.abs(bands) ** 2)) + 1e-300)
