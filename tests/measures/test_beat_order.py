"""Holds, sweeps and signs from tracks of two pitches with exact truth, without any sound."""

import numpy as np
import pytest

from sigkit.measures.beating.locking import find_sweep
from sigkit.measures.beating.order import held_of, order_by_solos, which_is_which
from sigkit.tracks.beats import BeatWindow

HZ = 440.0
TINY = np.diag([1e-8, 1e-8])


def window(at_s, cents):
    hz = HZ * 2 ** (np.sort(np.atleast_1d(cents)) / 1200)
    if hz.size == 1:
        return BeatWindow(at_s - 1, at_s + 1, "one", (1,), hz, TINY[:1, :1])
    return BeatWindow(at_s - 1, at_s + 1, "two", (1, 1), hz, TINY)


def take(tune, *, drifts=(0.0, 0.0), together_s=58, alone_s=10, lock=0.3, wander=0.0, seed=1):
    """Windows of a take: both together, then 1 alone, then 2; and the true detune of each.

    ``tune`` holds pairs of seconds and cents, ``drifts`` are cents/min.
    """
    rng = np.random.default_rng(seed)
    windows, truth = [], []
    at_tune, tuned = np.transpose(tune)
    for at in np.arange(1.0, together_s + 2 * alone_s):
        random = wander * rng.standard_normal(2)
        one = drifts[0] * at / 60 + random[0]
        apart = np.interp(at, at_tune, tuned) + (drifts[1] - drifts[0]) * at / 60
        two = one + apart + random[1]
        if at < together_s:
            windows.append(window(at, [one, two] if abs(two - one) > lock else one))
            truth.append(two - one)
        elif abs(at - together_s) > 1 and abs(at - together_s - alone_s) > 1:
            windows.append(window(at, one if at < together_s + alone_s else two))
            truth.append(np.nan)
    return windows, np.array(truth)


def signs_of(windows):
    both = [w for w in windows if w.kind == "two"]
    sweep = find_sweep(windows)
    turned, sure = which_is_which(windows, sweep, order_by_solos(windows))
    signed = [
        (-1 if t else 1) * w.detune_cents
        for t, w in zip(turned, windows, strict=True)
        if w.kind == "two"
    ]
    sure = [s for s, w in zip(sure, windows, strict=True) if w.kind == "two"]
    return both, sweep, np.array(signed), np.array(sure)


@pytest.mark.parametrize("wander", [0.0, 0.1])
@pytest.mark.parametrize("drifts", [(0, 0), (-0.5, 1.5), (0.5, -0.5)])
def test_a_hold_that_runs_straight_into_the_sweep(drifts, wander):
    windows, truth = take([(0, -4), (20, -4), (56, 5)], drifts=drifts, wander=wander)
    both, sweep, signed, sure = signs_of(windows)
    assert sweep is not None
    # The side from which the sweep begins must be seen: it bends within two windows of the truth.
    assert abs(sweep.start_s - 20) < 2.5
    assert sweep.slope == pytest.approx(9 / 36 + (drifts[1] - drifts[0]) / 60, rel=0.1)
    held = held_of(both, sweep)
    assert held[0].centre_s == 1
    assert abs(held[-1].centre_s - 20) < 3
    expected = truth[[w.kind == "two" for w in windows]]
    assert np.allclose(signed[sure], expected[sure], atol=1e-6)
    assert sure.mean() > 0.9


def test_a_sweep_by_itself_leaves_nothing_held():
    windows, _ = take([(0, -6), (50, 6)], together_s=50)
    both, sweep, _, _ = signs_of(windows)
    assert sweep.slope == pytest.approx(12 / 50, rel=1e-6)
    assert len(held_of(both, sweep)) < 3


def test_a_fine_tune_that_moves_on_one_side_of_zero_is_no_hold():
    windows, _ = take([(0, 2), (50, 12)], together_s=50)
    both, sweep, _, _ = signs_of(windows)
    assert sweep is None
    assert len(held_of(both, sweep)) < 3


def test_drifting_oscillators_are_held():
    windows, _ = take([(0, 4), (40, 4)], drifts=(-2.5, 2.5), together_s=40, wander=0.05)
    both, sweep, _, _ = signs_of(windows)
    assert held_of(both, sweep) == both


def test_a_drift_through_zero_is_not_averaged():
    windows, truth = take([(0, -3), (60, -3)], drifts=(-2.5, 2.5), together_s=60, lock=0.5)
    both, sweep, _, _ = signs_of(windows)
    held = held_of(both, sweep)
    assert held[-1].centre_s < 33
    expected = truth[[any(w is h for h in held) for w in windows]]
    mean = np.mean([w.detune_cents for w in held])
    assert mean == pytest.approx(abs(expected.mean()), abs=1e-6)


def test_signs_are_right_or_not_claimed():
    """Random tunes, drifts, wander and sweeps; a sign that is stated is never wrong."""
    rng = np.random.default_rng(2)
    claimed, total, easy, easy_total = 0, 0, 0, 0
    for case in range(120):
        start = rng.choice([-1, 1]) * rng.uniform(0.5, 6)
        drifts = rng.uniform(-3, 3, 2)
        moved = start + rng.choice([-3, 0, 3])
        tune = [(0, start), (20, start), (21, moved), (57, -moved + rng.uniform(-1, 1))]
        if case % 3 == 0:
            tune = [(0, start), (57, start)]
        windows, truth = take(tune, drifts=drifts, wander=rng.choice([0, 0.1]), seed=case)
        _, _, signed, sure = signs_of(windows)
        expected = truth[[w.kind == "two" for w in windows]]
        clear = sure & (np.abs(expected) > 0.5)
        assert np.all(np.sign(signed[clear]) == np.sign(expected[clear])), case
        claimed += clear.sum()
        total += clear.size
        if case % 3 == 0 and abs(start) > 5:
            easy += sure.all()
            easy_total += 1
    assert claimed > 0.4 * total
    assert easy == easy_total
