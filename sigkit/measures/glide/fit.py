"""A glide's law found from one mark a period, by least squares on the oscillator's phase."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy import optimize

from sigkit.arrays import Real
from sigkit.measures.glide.laws import Law
from sigkit.measures.glide.model import ONE_LAW, Fit, Model, phase_of
from sigkit.measures.glide.series import (
    Series,
    all_of,
    around,
    first_guess,
    series_of,
    thinned,
)
from sigkit.tracks.marks import Marks

COARSE_MARKS, COARSE_SD = 160, 0.003
"""Marks, and their least scatter in periods, while the starts are tried: it widens their basins."""
STARTS = ((0.1, 0.6), (-0.2, 1.6), (0.2, 0.3))
"""Further guesses, while no law explains the marks: later by this share of the 10-90 % time, and so
many times as long."""
AS_GOOD = 4.0
"""Laws whose rough fits differ by less are both fitted to all marks."""
UNREMARKABLE, EXPLAINED = 1.2, 1.5
"""Residuals, in variances of the marks, up to which a law has nothing left to explain."""
CLEARLY = 9.0
"""Loss of squared residuals, in variances, from which one more parameter is believed."""
CORNER_SD_HZ = 5.0
"""Corner of the coupling capacitors between oscillator and recorder: none to some 10 Hz (common
practice, no source)."""
SLOPE_SD, SHIFT_SD = np.array([40.0, 5.0]) / 1200, 0.02
"""What is expected of a note that has not landed and of a drift, octaves a second, and of the shift
of phase by a filter, periods."""
HELD_SD = np.array([15.0, 40.0]) / 1200
"""How well the rough pitch of the held notes tells where a glide starts, and where it goes to even
if it has not landed, octaves."""
LINEAR_BOUNDS = (0.0, 0.999)


def fit_model(series: Series, model: Model, first: Real) -> Fit:
    """Fit one model to the marks by least squares on the phase.

    Parameters
    ----------
    series : Series
        Marks around one glide.
    model : Model
        What is fitted.
    first : ndarray, shape (4,)
        First guess of start (s), ln of the 10-90 % time, and log2 of both pitches.

    Returns
    -------
    Fit
        The best found from this guess.
    """
    t, n, family = series.time_s, series.cycle, series.family
    count = series.before_sd.size

    def share_at(numbers: Real) -> Real:
        return model.law_of(numbers).progress((t - numbers[0]) * math.exp(-numbers[1]))

    def scatter(numbers: Real) -> Real:
        share = share_at(numbers)
        ln = np.log(series.before_sd)[family] * (1 - share)
        return np.asarray(np.exp(ln + np.log(series.after_sd)[family] * share))

    own = np.zeros((t.size, count))

    def residual(numbers: Real) -> Real:
        extra = model.extra(numbers)
        gap = n - phase_of(model.law_of(numbers), numbers, extra, t)
        share = share_at(numbers)
        corner = model.corner_hz(numbers)
        inverse = 2.0 ** (-(numbers[3] - numbers[2]) * share)
        # A coupling shifts by as much as the period is long.
        along = (1 - inverse) / (1 - 2.0 ** (numbers[2] - numbers[3]))
        gap = gap + corner * (series.after_shift - series.before_shift)[family] * along
        if model.beside:
            gap = gap - extra[2:][family] * share
        gap = gap / sd
        # Each family's phase is whatever fits best: it needs no guess.
        for column in own.T:
            gap = gap - column * ((column @ gap) / max(column @ column, 1e-300))
        expected = [corner / CORNER_SD_HZ, *((numbers[2:4] - series.held_log2) / HELD_SD)]
        if model.beside:
            expected = [*expected, *(extra[:2] / SLOPE_SD), *(extra[2:] / SHIFT_SD)]
        return np.concatenate([gap, expected])

    guess = np.asarray(first, np.float64)[:4]
    span = math.exp(guess[1])
    scale = [0.1 * span, 0.1, 1e-3, 1e-3]
    low = [t[0], -9.0, guess[2] - 1, guess[3] - 1]
    high = [t[-1], 4.0, guess[2] + 1, guess[3] + 1]
    if model.free_share:
        guess = np.append(guess, model.law.linear)
        scale, low, high = [*scale, 0.1], [*low, LINEAR_BOUNDS[0]], [*high, LINEAR_BOUNDS[1]]
    guess = np.append(guess, 0.0)
    scale, low, high = [*scale, CORNER_SD_HZ], [*low, -50.0], [*high, 50.0]
    if model.beside:
        guess = np.append(guess, np.zeros(2 + count))
        scale = [*scale, *SLOPE_SD, *[SHIFT_SD] * count]
        low, high = [*low, *[-1.0] * (2 + count)], [*high, *[1.0] * (2 + count)]
    for _ in range(2):
        sd = scatter(guess)
        own[np.arange(t.size), family] = 1 / sd
        guess = np.clip(guess, np.array(low) + 1e-9, np.array(high) - 1e-9)
        found = optimize.least_squares(
            residual, guess, x_scale=scale, bounds=(low, high), max_nfev=60, xtol=1e-10
        )
        guess = found.x
    left = residual(guess)
    size, jacobian = np.array(scale), np.asarray(found.jac)
    normal = jacobian.T @ jacobian * np.outer(size, size)
    return Fit(
        model=model,
        law=model.law_of(guess),
        numbers=guess,
        bend=np.linalg.pinv(normal, rcond=1e-12) * np.outer(size, size),
        jacobian=jacobian[: t.size],
        chi2=float(left @ left),
        dof=t.size - guess.size - count + 3 + (2 + count) * model.beside,
        residual=left[: t.size] * sd,
        sd=sd,
        time_s=t,
        family=family,
    )


def fit_glide(marks: Sequence[Marks], before_hz: float, after_hz: float) -> Fit:
    """Find the law of one glide and fit it.

    Parameters
    ----------
    marks : sequence of Marks
        One or two families of marks from a held note through a glide to another held note.
    before_hz, after_hz : float
        Rough pitch of the two notes.

    Returns
    -------
    Fit
        Of a single pole or a constant rate where either explains the marks; else of what runs from
        the one into the other, if that explains them clearly better.
    """
    guess = first_guess(marks[0], before_hz, after_hz)
    series = series_of(marks, before_hz, after_hz)
    few = thinned(around(series, guess), guess, COARSE_MARKS)
    few = replace(
        few,
        before_sd=np.maximum(few.before_sd, COARSE_SD),
        after_sd=np.maximum(few.after_sd, COARSE_SD),
    )
    seconds = math.exp(guess[1])
    rough = [fit_model(few, Model(law), guess) for law in (Law(0.0), Law(1.0))]
    for later, longer in STARTS:
        if min(fit.reduced for fit in rough) < EXPLAINED:
            break
        moved = guess + np.array([later * seconds, math.log(longer), 0, 0])
        rough = [min(fit, fit_model(few, fit.model, moved), key=_chi2) for fit in rough]
    near = [fit for fit in rough if fit.chi2 <= AS_GOOD * min(map(_chi2, rough))]
    fits = [_finished(series, fit.model, fit) for fit in near]
    best = min(fits, key=_chi2)
    if best.reduced < EXPLAINED:
        return best
    tries = [
        fit_model(few, Model(Law(share), free_share=True), rough[of].numbers)
        for of, share in ((0, 0.1), (1, 0.9), (0, 0.5))
    ]
    mixed = min(tries, key=_chi2)
    mixed = _finished(series, mixed.model, mixed)
    apart = ONE_LAW < mixed.law.linear < 1 - ONE_LAW
    return mixed if apart and mixed.chi2 < best.chi2 - CLEARLY * best.stretch**2 else best


def _chi2(fit: Fit) -> float:
    return fit.chi2


def _finished(series: Series, model: Model, rough: Fit) -> Fit:
    """Fit to all marks around a glide, with what may go on beside it only where that shows."""
    many = all_of(series, rough.numbers)
    plain = fit_model(many, model, rough.numbers)
    if plain.reduced < UNREMARKABLE:
        return plain
    more = fit_model(many, replace(model, beside=True), plain.numbers)
    gained = plain.chi2 - more.chi2
    return more if gained > CLEARLY * (more.numbers.size - plain.numbers.size) else plain
