"""A few cases of the coverage suite, and that its table tells right intervals from wrong ones.

The whole of it is ``tests/benchmarks/bench_coverage.py``.
"""

import math

import held
import held_changes
import held_notes
import held_pitch
import held_sound
import numpy as np
import pytest
from scipy import stats

from sigkit.quantity import Quantity, Term, combine, not_measurable

FEW = {
    held_pitch.stability: 2,
    held_notes.envelope: 2,
    held_notes.keyboard: 1,
    held_sound.noise: 2,
    held_sound.weighted: 2,
    held_sound.beside_the_tone: 1,
    held_sound.harmonics: 4,
    held_changes.changes: 2,
}


def test_few_intervals_hold_the_truth(tmp_path):
    """About seventy numbers of fixed seeds: 95 % less four binomial standard deviations.

    Numbers of one capture share its noise: their count is taken for a third of itself.
    """
    cases = []
    for draw, count in FEW.items():
        for number in range(count):
            cases += draw(np.random.default_rng([88001, number]), tmp_path)
    scores = held.scores_of(cases)
    known = scores[scores["known"]]
    share, n = known["held"].mean(), len(known) / 3
    print(f"\n{100 * share:.1f} % of {len(known)} numbers")
    assert len(known) > 50
    assert share >= 0.95 - 4 * math.sqrt(0.95 * 0.05 / n)
    assert scores["as stated"][scores["known"]].mean() >= share


@pytest.mark.parametrize(("too_small", "tells"), [(1.0, False), (1.5, True), (0.5, True)])
def test_the_table_tells_wrong_intervals(too_small, tells):
    """Normal errors of 1 with u of 1 over too_small: outside 93 to 97 % but for the right one."""
    rng = np.random.default_rng(3)
    cases = [
        held.Case("a", "b", Quantity(error, 1 / too_small, "s"), 0.0, 0.0)
        for error in rng.standard_normal(2000)
    ]
    cases.append(held.Case("a", "b", not_measurable("s", "no"), 0.0, 0.0))
    table = held.table_of(held.scores_of(cases))
    assert list(table["cases"]) == [2000]
    assert list(table["no value"]) == [1]
    row = table.iloc[0]
    assert row["held"] == pytest.approx(100 * (2 * stats.norm.cdf(2 / too_small) - 1), abs=2)
    assert row["rms(z)"] == pytest.approx(too_small, rel=0.05)
    assert row["from"] <= row["held"] <= row["to"]
    assert bool(len(held.outside(table))) == tells
    assert f"| a | b | 2000 (1) | {row['held']:.1f} |" in held.markdown(table)


def test_the_clock_is_drawn_and_left_out():
    """A clock alone, rectangular and 1.73 u wide: k = 2 holds always; without it the noise does."""
    rng = np.random.default_rng(4)
    clock = Term(held.CLOCK, 440 * held.PPM / math.sqrt(3), "B")
    cases = []
    for error in rng.normal(0, 1e-4, 500):
        off = held.drawn_clock(rng)
        quantity = combine(440 + error, "Hz", [clock, Term("noise", 1e-4, "A")])
        cases.append(held.Case("a", "b", quantity, 440.0, 440.0 * (1 + off)))
    row = held.table_of(held.scores_of(cases)).iloc[0]
    assert row["as stated"] == 100
    assert row["held"] == pytest.approx(95.4, abs=3)
