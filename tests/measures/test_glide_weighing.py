"""Weights, derivatives and landings of a glide against dense matrices and closed forms."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import optimize, special

from sigkit.measures.glide import weighing
from sigkit.measures.glide.curve import Curve, read_off
from sigkit.measures.glide.fit import CORNER_SD_HZ, SHIFT_SD, Problem
from sigkit.measures.glide.holds import with_holds
from sigkit.measures.glide.landing import ROUGH_U_CENTS, landing_errors, stands_of
from sigkit.measures.glide.landing import Stand as At
from sigkit.measures.glide.laws import LN9, Law
from sigkit.measures.glide.model import SLOPED, Fit, Model
from sigkit.measures.glide.noise import JITTERS, noise_in_hold, noise_of, told_by_hold, whitened
from sigkit.measures.glide.rows import Heard
from sigkit.measures.glide.series import Series
from sigkit.tracks.marks import Marks
from sigkit.tracks.note_changes import NoteChange

MARKS = 120


def fitted(numbers, time_s, sd=None):
    """A single pole of these numbers, as if fitted."""
    count = time_s.size
    zeros, empty = np.zeros(count), np.zeros((count, 5))
    sd = np.full(count, 1e-3) if sd is None else sd
    return Fit(
        Model(Law(0.0)), Law(0.0), numbers, empty, zeros, 0.0, 1, zeros, sd, time_s,
        np.zeros(count, np.intp), zeros,
        jitters=np.zeros(JITTERS.size), hold=told_by_hold(np.empty(0), 1e-3),
    )  # fmt: skip


def made_series(rng):
    sd = np.array([1e-3, 2e-3])
    return Series(
        time_s=np.sort(rng.uniform(0, 1, MARKS)),
        cycle=np.arange(MARKS, dtype=np.float64),
        family=rng.integers(0, 2, MARKS),
        before_sd=sd,
        after_sd=2 * sd,
        fine_sd=np.array([sd, 2 * sd]),
        shift=rng.uniform(1e-3, 3e-3, MARKS),
        held_log2=np.array([7.0, 8.0]),
        ripple=np.zeros(2),
    )


@pytest.mark.parametrize("share", [0.0, 0.4, 1.0])
@pytest.mark.parametrize("beside", [False, True])
def test_slopes_are_those_of_finite_differences(share, beside):
    """Against ``scipy.optimize.approx_fprime``, column by column."""
    free = 0 < share < 1
    problem = Problem(made_series(np.random.default_rng(1)), Model(Law(share), free, beside))
    numbers = [0.3, math.log(0.2), 7.0, 8.0, *([share] if free else []), 3.0]
    numbers = np.array(numbers + ([0.001, 0.002, 0.01, 0.02] if beside else []))
    sd = problem.scatter(numbers)
    expected = optimize.approx_fprime(numbers, problem.left, 1e-7, sd)
    size = np.abs(expected).max(axis=0)
    np.testing.assert_allclose(problem.slopes(numbers, sd) / size, expected / size, atol=1e-3)


@pytest.mark.parametrize("jitter", [0.0, 1e-3, 0.1])
def test_whitening_is_that_of_the_whole_covariance(jitter):
    """Scatter on each mark, a random walk along the cycles: generalised least squares, dense."""
    rng = np.random.default_rng(2)
    sd = rng.uniform(1e-3, 3e-3, MARKS)
    numbers = np.array([0.3, math.log(0.2), 7.0, 8.0, 0.0])
    fit = fitted(numbers, np.sort(rng.uniform(0, 1, MARKS)), sd)
    rows = rng.standard_normal((MARKS, 3))
    walk = np.minimum.outer(fit.cycles, fit.cycles)
    covariance = np.diag(sd**2) + jitter**2 * walk
    late = rows * sd[:, None]
    expected = late.T @ np.linalg.solve(covariance, late)
    white, _ = whitened(sd, fit.cycles, rows, jitter)
    np.testing.assert_allclose(white.T @ white, expected, rtol=1e-8, atol=1e-8)


def marks_of(time_s):
    return Marks(time_s, 1e-3, 1e-3, np.zeros(time_s.size), (1e-3, 1e-3))


@pytest.mark.parametrize(("scatter", "jitter"), [(1e-3, 0.0), (1e-4, 1e-3), (1e-3, 3e-4)])
def test_where_a_note_stands(scatter, jitter):
    """A line through marks that err independently, and by periods that jitter.

    The variance of its slope is 12 s2 / (n3 - n) for the one, and 6/5 q2 / n for the other: a
    period between the marks weighs 3/2 (1 - x2), x from -1 to 1 (for many).
    """
    rng = np.random.default_rng(3)
    off, n, hold = [], 60, (0.45, 0.9, 200.0)
    fit = fitted(np.array([0.2, math.log(0.05), 7.0, math.log2(200.0), 0.0]), np.arange(5.0))
    jitter = JITTERS[np.argmin(np.abs(JITTERS - jitter))]
    fit = replace(fit, jitters=np.where(jitter == JITTERS, 0.0, -math.inf))  # as glides tell
    for _ in range(100):
        late = scatter * rng.standard_normal(n) + np.cumsum(jitter * rng.standard_normal(n))
        marks = marks_of(0.5 + (np.arange(n) + late) / 200.0)
        fit = replace(fit, hold=told_by_hold(late, 1e-3))
        _, stand = stands_of(marks, fit, hold, hold, 3.0)
        off.append((stand.cents - 1200 * math.log2(200.0), stand.u_cents))
    error, u = np.array(off).T
    closed = 12 * scatter**2 / (n**3 - n) + 6 / 5 * jitter**2 / n
    # The mean variance that n - 3 squares speak for is (n - 3)/(n - 5) of it: here u 1.8 % more.
    assert np.mean(u) == pytest.approx(1200 / math.log(2) * math.sqrt(closed), rel=0.03)
    assert np.sqrt(np.mean(error**2)) == pytest.approx(np.mean(u), rel=0.21)
    assert (stand.from_s, stand.to_s) == pytest.approx((3.5, 3.795), abs=1e-3)


def test_a_note_that_is_landing_stands_at_its_mean():
    """A pole of 0.1 s that has 20 cents to go: a line weighs its middle, its pitch has a mean."""
    tau, high = 0.1, 220.0
    fit = fitted(np.array([0.0, math.log(tau * LN9), 6.0, math.log2(high), 0.0]), np.arange(5.0))
    t = np.linspace(0, 1.5, 600_001)
    octaves = fit.log2_at(t)
    phase = np.concatenate([[0], np.cumsum(2.0 ** ((octaves[1:] + octaves[:-1]) / 2))]) * t[1]
    marks = marks_of(np.interp(np.arange(int(phase[-1])), phase, t))
    from_s, to_s = 0.55, 0.85
    _, stand = stands_of(marks, fit, (0.0, 0.1, 64.0), (from_s, to_s, high), 0.0)
    inside = (t >= stand.from_s) & (t <= stand.to_s)
    assert stand.cents == pytest.approx(1200 * octaves[inside].mean(), abs=0.002)
    line, *_ = stands_of(marks, fit, (from_s, to_s, high), (from_s, to_s, high), 0.0)
    assert abs(line.cents - stand.cents) > 0.1


@pytest.mark.parametrize(("scatter", "jitter"), [(1e-3, 1e-6), (1e-4, 1e-3)])
def test_noise_of_a_hold(scatter, jitter):
    """Where one of both is all there is, the other is found to be little beside it."""
    rng = np.random.default_rng(5)
    late = scatter * rng.standard_normal(400) + np.cumsum(jitter * rng.standard_normal(400))
    hold = told_by_hold(late, 1e-3)
    found_scatter, found_jitter = noise_in_hold(hold, special.logsumexp(hold, axis=1))
    if scatter > jitter:
        assert math.sqrt(found_scatter) == pytest.approx(1.0, rel=0.15)
        assert found_jitter < 1e-4
    else:
        assert found_jitter == pytest.approx(jitter, rel=0.15)


def test_a_long_hold_tells_a_jitter_that_its_last_part_hides():
    """Of 160 squares a standard deviation is known to 6 %: three times that of one, two of four."""
    rng = np.random.default_rng(8)
    found = []
    for _ in range(4):
        late = 1e-3 * rng.standard_normal(4000) + np.cumsum(3e-4 * rng.standard_normal(4000))
        hold = told_by_hold(late, 1e-3)
        found.append(noise_in_hold(hold, special.logsumexp(hold, axis=1))[1])
    assert found == pytest.approx([3e-4] * 4, rel=0.18)
    assert np.mean(found) == pytest.approx(3e-4, rel=0.06)
    few = told_by_hold(late[:8], 1e-3)
    assert np.ptp(special.logsumexp(few, axis=1)) == 0


def test_a_held_note_ends_where_the_next_glide_starts():
    """However far the rough pitch has it held; two periods of the note before that."""
    t = np.arange(0.0, 2.0, 1 / 200)
    numbers = np.array([0.5, math.log(0.05), 7.0, math.log2(200.0), 0.0])
    fit = fitted(numbers, np.arange(0.4, 0.6, 0.01))
    change = NoteChange(np.empty(0), 48_000, 3.0, (0.1, 0.52, 128.0), (1.5, 1.9, 200.0), 0.8)
    later = replace(change, start_s=4.2)  # its glide starts at 4.7, 1.7 s after the first begins
    first, second = with_holds([Heard(change, marks_of(t), fit), Heard(later, marks_of(t), fit)])
    assert first.change.before == pytest.approx((0.1, 0.5 - 2 / 128, 128.0))
    assert first.change.after == pytest.approx((1.5, 1.7 - 2 / 200, 200.0))
    assert second.change.after == change.after
    assert first.fit.fresh == second.fit.fresh == 1.0


def test_a_note_without_marks_stands_roughly():
    fit, hold = fitted(np.array([0.2, -3.0, 7.0, 8.0, 0.0]), np.arange(5.0)), (5.0, 6.0, 440.0)
    stand, _ = stands_of(marks_of(np.arange(3.0)), fit, hold, hold, 10.0)
    assert stand == At(1200 * math.log2(440.0), ROUGH_U_CENTS, 15.0, 16.0)


def test_each_landing_is_against_the_other_holds_of_its_note():
    low, high = (At(cents, 0.1) for cents in (8000.0, 9200.0))
    short = At(9195.0, 0.1)
    errors = landing_errors([(low, high), (high, low), (low, short), (short, low), (low, high)])
    assert [error for error, _ in errors] == pytest.approx([2.5, 0.0, -5.0, 0.0, 2.5])
    assert errors[1][1] == pytest.approx(0.1 * math.sqrt(1 + 1 / 2))
    once = landing_errors([(low, high)])
    assert math.isnan(once[0][0])
    assert math.isnan(once[0][1])


def test_glides_of_one_coupling_tell_of_it_together(monkeypatch):
    """Three glides, each with a number of its own and one corner for all: least squares at once."""
    monkeypatch.setattr(weighing, "OWN_CORNER", 0.0)
    rng, prior, told, answers = np.random.default_rng(9), CORNER_SD_HZ**-2, [], []
    dense, right = np.diag([0.0, 0.0, 0.0, prior]), np.zeros(4)
    for i in range(3):
        rows, left = rng.standard_normal((6, 2)) * [1.0, 0.1], rng.standard_normal(6)
        normal = np.zeros((5, 5))
        normal[np.ix_([1, 4], [1, 4])] = rows.T @ rows
        normal += np.diag([1.0, 0.0, 1.0, 1.0, prior])  # of three others nothing is asked
        own = np.zeros(5)
        own[[1, 4]] = rows.T @ left
        covariance = np.linalg.inv(normal)
        expected = np.zeros((1, 1, 5))
        expected[0, 0, 4] = 1 / CORNER_SD_HZ
        answers.append(
            weighing._Answers(np.zeros(1), (covariance @ own)[None], covariance[None], expected)
        )
        model = SimpleNamespace(free_share=False)
        fit = SimpleNamespace(model=model, numbers=np.zeros(5), departs=False)
        told.append(SimpleNamespace(fit=fit, unit=np.ones(5)))
        dense[np.ix_([i, 3], [i, 3])] += rows.T @ rows
        right[[i, 3]] += rows.T @ left
    whole = np.linalg.inv(dense)
    for i, found in enumerate(weighing._coupled(told, answers)):
        assert found.step[0, [1, 4]] == pytest.approx((whole @ right)[[i, 3]])
        shared = whole[np.ix_([i, 3], [i, 3])]
        np.testing.assert_allclose(found.covariance[0][np.ix_([1, 4], [1, 4])], shared)
        assert found.expected[0, 0, 4] > answers[i].expected[0, 0, 4]


def test_a_curve_that_drifts_has_settled_no_surer_than_it_drifts():
    """A pole of 0.1 s, 1200 cents, and a cent a second until the note is held 3 s later.

    It is within 5 cents of its own aim after tau ln 240 (closed form).
    """
    t = np.arange(-0.5, 4.0, 1e-3)
    cents = -1200 * np.expm1(-np.maximum(t, 0.0) / 0.1) + np.maximum(t, 0.0)
    curve = Curve(t, cents, np.full(t.size, 1e-3))
    read = read_off(curve, 8.0, (-0.5, -0.01), (3.0, 3.3))
    assert abs(read.start_s + read.settled_s - 0.1 * math.log(240)) <= 2 * read.u_settled_s
    assert read.u_settled_s < 0.1


@pytest.mark.parametrize(("share", "left"), [(0.0, None), (0.01, None), (0.4, 0.4), (0.999, None)])
def test_a_mixed_law_that_is_none_goes_on_as_the_one_it_is(share, left):
    series, model = made_series(np.random.default_rng(1)), Model(Law(0.5), True)
    numbers = np.array([0.3, math.log(0.2), 7.0, 8.0, 0.3, 3.0])
    fit = replace(fitted(numbers, series.time_s), model=model, series=series)
    there = np.array([0.3, math.log(0.21), 7.0, 8.0, share, 2.0])
    found = weighing._again(fit, replace(fit, numbers=there, law=Law(share)))
    assert found.model.free_share == (left is not None)
    assert found.law.linear == (round(share) if left is None else left)
    assert found.numbers == pytest.approx(np.delete(there, 4) if left is None else there)
    assert found.jacobian.shape[1] == found.numbers.size


def test_shifts_with_the_pitch_are_left_to_what_filters_do():
    series, model = made_series(np.random.default_rng(1)), Model(Law(0.0), beside=True)
    numbers = np.array([0.3, math.log(0.2), 7.0, 8.0, 3.0, 0.0, 0.0, 0.01, -0.02])
    fit = replace(fitted(numbers, series.time_s), model=model, series=series)
    found = weighing._slopes_at(fit, numbers)
    assert (np.abs(found.left[-2:]) > 1000 * np.abs(numbers[-2:]) / SHIFT_SD).all()


def test_of_a_share_of_none_u_goes_by_its_square():
    """About none the pitch goes by the square of the share, whose slope is nothing there."""
    numbers = np.array([0.3, math.log(0.2), 7.0, 8.0, 0.0, 3.0])
    terms = {"one": np.diag([0, 0, 0, 0, 0.05**2, 0])}
    fit = replace(fitted(numbers, np.arange(5.0)), model=Model(Law(0.5), True), terms=terms)
    assert fit.u_of(lambda n: float(n[4] ** 2))["one"] == pytest.approx(2 * SLOPED[0] * 0.05)


def test_a_step_of_a_share_is_one_of_its_square():
    """Of a square that is to be nothing Newton's step is half the way each time."""
    assert weighing._share_after(0.06, -0.03) == pytest.approx(0.0, abs=1e-9)
    assert weighing._share_after(0.06, -0.05) == 0.0
    assert weighing._share_after(0.4, 1e-3) == pytest.approx(0.401, abs=1e-5)


def test_held_notes_tell_of_the_jitter_where_glides_do_not():
    """Marks as many as numbers leave nothing that could tell."""
    rng = np.random.default_rng(10)
    late = 1e-3 * rng.standard_normal(4000) + np.cumsum(3e-4 * rng.standard_normal(4000))
    fit = fitted(np.array([0.3, math.log(0.2), 7.0, 8.0, 0.0]), np.linspace(0, 0.1, 6))
    rows = [rng.standard_normal((6, 7))] * 2
    fits = [replace(fit, hold=told_by_hold(late, 1e-3), fresh=fresh) for fresh in (1.0, 0.0)]
    for _, jitter, _ in noise_of(fits, rows):
        assert jitter == pytest.approx(3e-4, rel=0.18)
