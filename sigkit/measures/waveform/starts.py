"""Where fits of a wave begin, and fits through every kind of low-pass from there."""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Mapping, Sequence

import numpy as np
from scipy import fft

from sigkit.arrays import Complex, Real
from sigkit.measures.waveform.fit import (
    USUAL_COUPLING,
    Fit,
    Seen,
    fitted,
    number_of,
    share_of,
)
from sigkit.measures.waveform.models import (
    LOW_PASSES,
    Chain,
    Kind,
    LowPass,
    couplings_at,
    ideal,
)

EXPLAINS = 2.0
"""Sum of squares over degrees of freedom up to which a low-pass of poles explains a wave."""
DIGITAL: tuple[LowPass, ...] = ("one pole", "two poles", "two pairs")
DIGITAL_STARTS, SAME_SHARE = 3, 0.002
FEW, MORE = 28, 90
"""Harmonics that a start is looked for with: the grid of shares is fine enough for them."""
SHARES = np.concatenate(
    [
        np.geomspace(0.004, 0.05, 14)[:-1],
        np.linspace(0.05, 0.95, 91),
        1 - np.geomspace(0.05, 0.004, 14)[1:],
    ]
)
DELAYS = 128
START_COUPLINGS_HZ = (0.5, 8.0, 25.0)
START_CORNERS = (3.0, 0.7, 0.3, 0.1, 0.03, 0.01)
STARTS = 2
FIRST: tuple[LowPass, ...] = ("two poles", "four poles")
"""Low-passes that starts are looked for with."""


def starts_of(seen: Seen, kind: Kind) -> list[tuple[Fit, Real]]:
    """Return fits to few harmonics, and numbers, from which fits may begin, the best first."""
    few = seen.first(FEW, rough=True)
    found: list[tuple[float, LowPass, Real]] = []
    for low_pass in FIRST:
        for coupling, corner in itertools.product(START_COUPLINGS_HZ, START_CORNERS):
            if corner * few.top_hz < 0.5 * seen.hz:
                continue
            inner = _begin(low_pass, math.log(corner))
            chain = Chain(low_pass, couplings_at([coupling, 0.1]), inner, few.top_hz)
            for gain, share, delay in _peaks(few, kind, chain):
                outer = [number_of(share), delay, *couplings_at([coupling]), USUAL_COUPLING[1]]
                found.append((gain, low_pass, np.array([*outer, *inner])))
    found.sort(key=lambda each: -each[0])
    kept: list[tuple[LowPass, Real]] = []
    for _, low_pass, numbers in found:
        near = [k for n, k in kept if n == low_pass]
        if len(near) < STARTS and all(
            abs(share_of(numbers[0]) - share_of(k[0])) > 0.02 for k in near
        ):
            kept.append((low_pass, numbers))
    settled = [fitted(few, kind, low_pass, numbers) for low_pass, numbers in kept]
    settled.sort(key=lambda each: each[0].chi2)
    return settled


def _peaks(seen: Seen, kind: Kind, chain: Chain) -> list[tuple[float, float, float]]:
    """Return explained power, share and delay of the best shares on a grid."""
    order, weight = seen.order.astype(np.intp), 1 / seen.sd**2
    through = chain.response(seen.order * seen.hz)
    shape, power = _grid(kind, order.size)
    crossed = np.zeros((SHARES.size, DELAYS // 2 + 1), complex)
    crossed[:, order] = shape * (seen.value * np.conj(through) * weight)
    energy = power @ (np.abs(through) ** 2 * weight)
    along = np.maximum(fft.irfft(crossed, DELAYS, axis=1), 0.0) * (DELAYS / 2)
    explained = along**2 / energy[:, None]
    best = explained.argmax(axis=1)
    height = explained[np.arange(SHARES.size), best]
    top = [i for i in np.argsort(-height)[:40].tolist() if _is_peak(height, i)][:STARTS]
    return [(float(height[i]), float(SHARES[i]), float(best[i] / DELAYS)) for i in top]


@functools.lru_cache(maxsize=8)
def _grid(kind: Kind, count: int) -> tuple[Complex, Real]:
    """Return the conjugate harmonics of waves of every share on the grid, and their powers."""
    order = np.arange(1.0, count + 1)
    shape = np.conj([ideal(kind, share, order) for share in SHARES])
    return shape, np.abs(shape) ** 2


def _is_peak(height: Real, i: int) -> bool:
    return bool(height[i] >= height[max(0, i - 1) : i + 2].max())


def _grown(seen: Seen, start: tuple[Fit, Real]) -> tuple[Fit, Real]:
    """Fit all harmonics from a fit to few.

    Shares that are known from few harmonics are not known well enough for the highest, so more are
    taken in step by step.
    """
    fit, numbers = start
    first, unit = fit.chain.low_pass, fit.chain.top_hz
    for count in (FEW, MORE, seen.order.size):
        if count > seen.order.size or (count == MORE and count > 0.7 * seen.order.size):
            continue
        part = seen.first(count)
        begin = _in_unit(first, numbers, unit, part.top_hz)
        fit, numbers = fitted(part, fit.kind, first, begin)
        unit = part.top_hz
    if unit != seen.top_hz or fit.model.size != seen.order.size:
        begin = _in_unit(first, numbers, unit, seen.top_hz)
        fit, numbers = fitted(seen, fit.kind, first, begin)
    return fit, numbers


def every_low_pass(seen: Seen, kind: Kind, starts: Sequence[tuple[Fit, Real]]) -> list[Fit]:
    """Fit a wave through every kind of low-pass, from the best start with few and with many poles.

    Of two starts that led to one share, the better one serves for all other low-passes where it
    explains the wave. Where only a smooth low-pass does, or none, digital ones are tried too: a
    smooth one follows them as well, with another share.
    """
    best = {fit.chain.low_pass: (fit, numbers) for fit, numbers in reversed(starts)}
    begun = sorted((_grown(seen, one) for one in best.values()), key=lambda each: each[0].chi2)
    fits: dict[LowPass, tuple[Fit, Real]] = {fit.chain.low_pass: (fit, n) for fit, n in begun}
    for fit, numbers in begun:
        alike = abs(fit.share - begun[0][0].share) < SAME_SHARE
        if fit is not begun[0][0] and alike and _explained(fits):
            continue
        for low_pass in LOW_PASSES:
            if low_pass == fit.chain.low_pass:
                continue
            one = fitted(seen, kind, low_pass, _from(fit, numbers, low_pass))
            if low_pass not in fits or one[0].chi2 < fits[low_pass][0].chi2:
                fits[low_pass] = one
    found = [fit for fit, _ in fits.values()]
    if _explained(fits):
        return found
    nearest = sorted(fits.values(), key=lambda each: each[0].chi2)
    apart: list[tuple[Fit, Real]] = []
    for fit, numbers in nearest:
        if len(apart) < DIGITAL_STARTS and all(
            abs(fit.share - other.share) > SAME_SHARE for other, _ in apart
        ):
            apart.append((fit, numbers))
    for low_pass in DIGITAL:
        tried = [
            fitted(seen, kind, low_pass, _from(fit, numbers, low_pass), rate=seen.rate)[0]
            for fit, numbers in apart
        ]
        found.append(min(tried, key=lambda one: one.chi2))
    return found


def _explained(fits: Mapping[LowPass, tuple[Fit, Real]]) -> bool:
    """Say whether a low-pass of poles explains the wave."""
    poles = [fit for name, (fit, _) in fits.items() if name != "smooth"]
    return any(fit.chi2 < EXPLAINS * fit.dof for fit in poles)


def _from(fit: Fit, numbers: Real, low_pass: LowPass) -> Real:
    """Return numbers to begin with, from those of a fit through another low-pass."""
    corner = fit.chain.corner_hz() / fit.chain.top_hz
    log_corner = math.log(corner) if math.isfinite(corner) else math.log(2.0)
    return np.append(numbers[:4], _begin(low_pass, log_corner))


def _in_unit(low_pass: LowPass, numbers: Real, before_hz: float, after_hz: float) -> Real:
    """Return numbers whose corners are re another frequency."""
    out = numbers.copy()
    which = {"three poles": [4, 5], "two pairs": [4, 6]}.get(low_pass, [4])
    out[which] += math.log(before_hz / after_hz)
    return out


def _begin(low_pass: LowPass, log_corner: float) -> Real:
    """Return numbers of a low-pass that is 3 dB down about there."""
    at = min(max(log_corner, -8.0), 1.5)
    usual_q = math.log(0.55)
    if low_pass == "one pole":
        return np.array([at])
    if low_pass == "two poles":
        return np.array([at + 0.35, usual_q])
    if low_pass == "three poles":
        return np.array([at + 0.5, at + 0.8, usual_q])
    if low_pass == "four poles":
        return np.array([at + 0.75, usual_q])
    if low_pass == "two pairs":
        return np.array([at + 0.3, math.log(0.55), at + 0.1, math.log(1.0)])
    return np.array([min(0.35 * math.exp(-2 * at), 3.0), 0.0, 0.0, 0.0])
