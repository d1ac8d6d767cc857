"""A glide's law found from one mark a period, by least squares on the oscillator's phase."""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import optimize, special

from sigkit.arrays import Flags, Real
from sigkit.measures.glide.laws import Law
from sigkit.measures.glide.model import (
    IN_HERTZ,
    LINEAR_BOUNDS,
    Fit,
    Model,
    Pieces,
    phase_of,
    pitch_of,
)
from sigkit.measures.glide.series import (
    Series,
    all_of,
    around,
    first_guess,
    series_of,
    thinned,
)
from sigkit.measures.glide.waver import Waver
from sigkit.tracks.marks import Marks

COARSE_MARKS, COARSE_SD = 160, 0.003
"""Marks, and their least scatter in periods, while the starts are tried: it widens their basins."""
STARTS = ((0.1, 0.6), (-0.2, 1.6), (0.2, 0.3))
"""Further guesses, while no law explains the marks: later by this share of the 10-90 % time, and so
many times as long."""
MIXED = ((0, 0.1), (1, 0.9), (0, 0.5))
"""Guesses of a mixed law: from the numbers of which of both that make it up, and its share at
constant rate. Where one of both explains the marks, only the one beside it."""
AS_GOOD = 4.0
"""Laws whose rough fits differ by less are both fitted to all marks."""
ALIKE = 18.0
"""Of a law that comes this near to the best, the other glides of a capture are asked too."""
UNREMARKABLE, EXPLAINED = 1.2, 1.5
"""Residuals, in variances of the marks, up to which a law has nothing left to explain."""
ROUGH, FINE = 1e-4, 1e-8
"""Share by which the squares, or the numbers, still change where a fit ends."""
ASIDE = 1e-7
"""Share by which a number is moved for a derivative."""
CLEARLY = 9.0
"""Loss of squared residuals, in variances, from which one more parameter is believed."""
CORNER_SD_HZ = 20 / math.sqrt(3)
"""Corner of the coupling capacitors between oscillator and recorder, as a departure from none: 0 to
20 Hz, rectangular (common practice, no source)."""
CORNER_BOUNDS_HZ = (0.0, 50.0)
"""No capacitor has a corner below zero: a law that needs one is another law."""
SLOPE_SD, SHIFT_SD = np.array([40.0, 5.0]) / 1200, 0.02
"""What is expected of a note that has not landed and of a drift, octaves a second, and of the shift
of phase by a filter, periods."""
HELD_SD = np.array([15.0, 40.0]) / 1200
"""How well the rough pitch of the held notes tells where a glide starts, and where it goes to even
if it has not landed, octaves."""


@dataclass(frozen=True, eq=False)
class Problem:
    """Marks, a model, and what follows for numbers that are tried."""

    series: Series
    model: Model

    @functools.cached_property
    def own(self) -> Flags:
        """Which marks are of which family, shape (n_families, n_marks)."""
        return np.asarray(np.arange(self.series.before_sd.size)[:, None] == self.series.family)

    def share(self, numbers: Real) -> Real:
        """Share of the interval covered at each mark."""
        later = self.series.time_s - numbers[0]
        return self.model.law_of(numbers).progress(later * math.exp(-numbers[1]))

    def scatter(self, numbers: Real) -> Real:
        """Scatter of each mark in periods, from that on both held notes."""
        return self._between(numbers, self.series.before_sd, self.series.after_sd)

    def fine_scatter(self, numbers: Real) -> Real:
        """Return the same, as far as an edge can be read."""
        return self._between(numbers, *self.series.fine_sd)

    def _between(self, numbers: Real, before_sd: Real, after_sd: Real) -> Real:
        share, family = self.share(numbers), self.series.family
        ln = np.log(before_sd)[family] * (1 - share) + np.log(after_sd)[family] * share
        return np.asarray(np.exp(ln))

    def gap(self, numbers: Real) -> Real:
        """Periods by which each mark comes late, each family's phase being whatever it is."""
        s, extra = self.series, self.model.extra(numbers)
        phase = phase_of(self.model.law_of(numbers), numbers, extra, s.time_s)
        return np.asarray(s.cycle - phase + self.aside(numbers))

    def aside(self, numbers: Real) -> Real:
        """Periods by which each mark comes late by what is on the way to it."""
        s = self.series
        late = self.model.corner_hz(numbers) * s.shift
        if self.model.beside:
            late = late - self.model.extra(numbers)[2:][s.family] * self.share(numbers)
        return np.asarray(late)

    def left(self, numbers: Real, sd: Real) -> Real:
        """Residuals of the marks in units of ``sd``, then of what is expected of the numbers."""
        return np.concatenate([self._apart(self.gap(numbers), sd) / sd, self.expected(numbers)])

    def expected(self, numbers: Real) -> Real:
        """Return what the numbers depart by from what is expected of them, in its units."""
        held = (numbers[2:4] - self.series.held_log2) / HELD_SD
        expected = [self.model.corner_hz(numbers) / CORNER_SD_HZ, *held]
        if self.model.beside:
            extra = self.model.extra(numbers)
            expected = [*expected, *(extra[:2] / SLOPE_SD), *(extra[2:] / SHIFT_SD)]
        return np.array(expected)

    def _apart(self, gap: Real, sd: Real) -> Real:
        """Take the mean of each family away: its phase is whatever fits best, it needs no guess."""
        for own in self.own:
            if own.any():
                weight = sd[own] ** -2.0
                gap[own] -= weight @ gap[own] / weight.sum()
        return gap

    def slopes(self, numbers: Real, sd: Real) -> Real:
        """Return the derivatives of ``left``, shape (n_marks + n_expected, n_numbers).

        The law's own derivatives are differences of the pitch at the points over which it is
        integrated, so that the seams stay where they are.
        """
        law, extra = self.model.law_of(numbers), self.model.extra(numbers)
        pieces = Pieces.of(law, numbers, self.series.time_s)
        pitch = pitch_of(law, numbers, extra, pieces.at)
        rate = math.log(2) * np.exp2(pitch)
        aside, expected = self.aside(numbers), self.expected(numbers)
        columns = []
        for i, number in enumerate(numbers.tolist()):
            moved = numbers.copy()
            moved[i] += ASIDE * max(abs(number), 1.0) * (-1 if number > 0 else 1)
            step = moved[i] - number
            gap = self.aside(moved) - aside
            if i in self.model.of_pitch:
                law = self.model.law_of(moved)
                after = pitch_of(law, moved, self.model.extra(moved), pieces.at)
                gap = gap - pieces.total(rate * (after - pitch))
            ends = self.expected(moved) - expected
            columns.append(np.concatenate([self._apart(gap, sd) / sd, ends]) / step)
        return np.column_stack(columns)

    def start(self, first: Real) -> tuple[Real, Real, Real, Real]:
        """First guess of all numbers, their scale, and their lowest and highest values."""
        t, law = self.series.time_s, self.model.law.linear
        rows = [
            (first[0], 0.1 * math.exp(first[1]), t[0], t[-1]),
            (first[1], 0.1, -9.0, 4.0),
            (first[2], 1e-3, first[2] - 1, first[2] + 1),
            (first[3], 1e-3, first[3] - 1, first[3] + 1),
        ]
        if self.model.free_share:
            rows.append((law, 0.1, *LINEAR_BOUNDS))
        rows.append((0.0, CORNER_SD_HZ, *CORNER_BOUNDS_HZ))
        if self.model.beside:
            rows += [(0.0, sd, -1.0, 1.0) for sd in SLOPE_SD]
            rows += [(0.0, SHIFT_SD, -1.0, 1.0)] * self.series.before_sd.size
        guess, scale, low, high = np.array(rows, np.float64).T
        return np.clip(guess, low + 1e-9, high - 1e-9), scale, low, high


def fit_model(series: Series, model: Model, first: Real, *, rough: bool = False) -> Fit:
    """Fit one model to the marks by least squares on the phase.

    Parameters
    ----------
    series : Series
        Marks around one glide.
    model : Model
        What is fitted.
    first : ndarray, shape (4,)
        First guess of start (s), ln of the 10-90 % time, and log2 of both pitches.
    rough : bool
        Whether it is enough to come near.

    Returns
    -------
    Fit
        The best found from this guess.
    """
    problem = Problem(series, model)
    guess, scale, low, high = problem.start(first)
    for _ in range(1 if rough else 2):
        sd = problem.scatter(guess)
        found = optimize.least_squares(
            problem.left,
            np.clip(guess, low + 1e-9, high - 1e-9),
            problem.slopes,
            x_scale=scale,
            bounds=(low, high),
            max_nfev=60,
            ftol=ROUGH if rough else FINE,
            xtol=ROUGH if rough else FINE,
            args=(sd,),
        )
        guess = found.x
    count, families = sd.size, series.before_sd.size
    return Fit(
        model=model,
        law=model.law_of(guess),
        numbers=guess,
        jacobian=np.asarray(found.jac),
        left=found.fun,
        chi2=float(found.fun @ found.fun),
        dof=found.fun.size - guess.size - families,
        residual=found.fun[:count] * sd,
        sd=sd,
        fine_sd=problem.fine_scatter(guess),
        time_s=series.time_s,
        family=series.family,
        shift=series.shift,
        ripple=series.ripple,
        series=series,
    )


def fit_glide(
    marks: Sequence[Marks], before_hz: float, after_hz: float, waver: Waver | None = None
) -> Fit:
    """Find the law of one glide and fit it.

    Parameters
    ----------
    marks : sequence of Marks
        One or two families of marks from a held note through a glide to another held note.
    before_hz, after_hz : float
        Rough pitch of the two notes.
    waver : Waver, optional
        Vibrato on both.

    Returns
    -------
    Fit
        Of a single pole or a constant rate, in log pitch or in hertz, where one of them explains
        the marks; else of what runs from the one into the other, if that explains them clearly
        better. With it, which laws explain them nearly as well.
    """
    guess = first_guess(marks[0], before_hz, after_hz)
    series = series_of(marks, before_hz, after_hz, waver)
    few = thinned(around(series, guess), guess, COARSE_MARKS)
    few = replace(
        few,
        before_sd=np.maximum(few.before_sd, COARSE_SD),
        after_sd=np.maximum(few.after_sd, COARSE_SD),
    )
    rough = _tried(few, guess)
    rough += [
        fit_model(few, Model(replace(fit.law, octaves=IN_HERTZ)), fit.numbers[:4], rough=True)
        for fit in rough
    ]
    least = AS_GOOD * min(map(_chi2, rough))
    tried = [_finished(series, fit) for fit in rough if fit.chi2 <= least]
    best = min(tried, key=_cost)
    if best.reduced >= UNREMARKABLE or best.model.beside:
        starts = MIXED if best.reduced >= EXPLAINED else MIXED[best.law.linear > 0 :][:1]
        mixed = min(
            (
                fit_model(few, Model(Law(share), free_share=True), rough[of].numbers, rough=True)
                for of, share in starts
            ),
            key=_chi2,
        )
        if best.reduced >= EXPLAINED or _cost(mixed) < min(map(_cost, rough)):
            tried.append(_finished(series, mixed))
            best = min(tried, key=_cost)
    near = [fit for fit in tried if _cost(fit) < _cost(best) + ALIKE]
    return replace(best, rivals=frozenset(fit.model.kind for fit in near))


def agreed(fits: Sequence[Fit]) -> list[Fit]:
    """Hold the laws of one capture against each other: its glides come from one circuit.

    Every law that explains one of them is fitted to all. A glide that follows another than the one
    that explains all of them best counts as one more number; by how far laws that explain them
    nearly as well lead to other times is kept with each fit.
    """
    kinds = list(dict.fromkeys([fit.model.kind for fit in fits]))
    kinds += sorted(frozenset().union(*(fit.rivals for fit in fits)) - set(kinds), key=str)
    if len(kinds) < 2:
        return list(fits)
    table = [[_fitted_as(fit, kind) for kind in kinds] for fit in fits]
    chosen = [
        [one if _cost(one) <= _cost(fit) + CLEARLY else fit for one in row]
        for fit, row in zip(fits, table, strict=True)
    ]
    cost = np.array(
        [
            [min(_cost(one), _cost(fit) + CLEARLY) for one in row]
            for fit, row in zip(fits, table, strict=True)
        ]
    ).sum(axis=0)
    best, likely = int(np.argmin(cost)), special.softmax(-0.5 * cost)
    out = []
    for row in chosen:
        away = np.array([one.numbers[1] - row[best].numbers[1] for one in row])
        out.append(replace(row[best], law_var=float(likely @ away**2)))
    return out


def _fitted_as(fit: Fit, kind: Model) -> Fit:
    """Fit another law to the marks of a fit, with or without what goes on beside it."""
    if fit.series is None or kind == fit.model.kind:
        return fit
    kinds = {False, fit.model.beside}
    tried = [fit_model(fit.series, replace(kind, beside=b), fit.numbers[:4]) for b in kinds]
    return replace(min(tried, key=_cost), corners=fit.corners, rate=fit.rate, waver=fit.waver)


def _tried(few: Series, guess: Real) -> list[Fit]:
    """Fit laws roughly, from further guesses while none explains the marks."""
    rough = [
        fit_model(few, model, guess, rough=True) for model in (Model(Law(0.0)), Model(Law(1.0)))
    ]
    for later, longer in STARTS:
        if min(fit.reduced for fit in rough) < EXPLAINED:
            break
        moved = guess + np.array([later * math.exp(guess[1]), math.log(longer), 0, 0])
        tried = [fit_model(few, fit.model, moved, rough=True) for fit in rough]
        rough = [min(pair, key=_chi2) for pair in zip(rough, tried, strict=True)]
    return rough


def _chi2(fit: Fit) -> float:
    return fit.chi2


def _cost(fit: Fit) -> float:
    """Squared residuals, and what every number that is fitted has to gain of them."""
    return fit.chi2 + CLEARLY * fit.numbers.size


def _finished(series: Series, rough: Fit) -> Fit:
    """Fit to all marks around a glide, with what may go on beside it only where that shows."""
    model = rough.model
    many = all_of(series, rough.numbers)
    plain = fit_model(many, model, rough.numbers)
    if plain.reduced < UNREMARKABLE:
        return plain
    more = fit_model(many, replace(model, beside=True), plain.numbers)
    return min(plain, more, key=_cost)
