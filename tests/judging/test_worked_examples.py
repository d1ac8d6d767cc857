"""Worked examples of the guide and of a classic of the t test, through the functions in use.

JCGM 100:2008 (GUM): H.1, H.2, H.5 and G.4.1 here, H.3 in ``tests/measures/test_fits.py``; the
digits of H.1 and H.2 as public documentation of other libraries quotes them, the data of H.5 and
G.4.1 from memory. JCGM 106:2012 is in ``test_limits.py``.
"""

import math

import pytest
from scipy import stats

from sigkit.judging.compare import REPEATS, difference, join_takes
from sigkit.quantity import Quantity, Term, combine


def test_end_gauge():
    """H.1: 25, 9.7, 2.9 and 16.6 nm give 32 nm, 16 dof (cut off), and 93 nm for 99 %."""
    length = combine(
        838.0,
        "nm",
        [
            Term("standard", 25.0, "B", 18),
            Term("comparison", 9.7, "A", 25.6),
            Term("difference of expansion", 2.9, "B", 50),
            Term("difference of temperature", 16.6, "B", 2),
        ],
    )
    assert length.u == pytest.approx(31.671, abs=5e-4)
    assert math.floor(length.dof) == 16
    assert length.dof == pytest.approx(16.76, abs=0.05)
    cut_off = Quantity(length.value, length.u, "nm", math.floor(length.dof))
    assert cut_off.half_width(0.99) == pytest.approx(93, abs=1)


@pytest.mark.parametrize(
    ("readings", "mean", "u"),
    [
        ([5.007, 4.994, 5.005, 4.990, 4.999], 4.9990, 0.0032),
        ([19.663, 19.639, 19.640, 19.685, 19.678], 19.6610, 0.0095),
        ([1.0456, 1.0438, 1.0468, 1.0428, 1.0433], 1.04446, 0.00075),
    ],
)
def test_simultaneous_readings(readings, mean, u):
    """H.2, Table H.2: means and their standard uncertainties, 4 dof, t 2.776 (Table G.2)."""
    joined = join_takes([Quantity(value, 1e-9, "V") for value in readings])
    assert joined.value == pytest.approx(mean, abs=1e-9)
    assert joined.u == pytest.approx(u, abs=0.5 * 10 ** math.floor(math.log10(u) - 1))
    assert joined.dof == pytest.approx(4, rel=1e-6)
    assert joined.expanded / joined.u == pytest.approx(2.776, abs=5e-4)


DAILY_UV = [172, 116, 13, 144, 106, 31, 60, 125, 163, 41]
WITHIN_UV = [60, 77, 111, 101, 67, 93, 80, 73, 88, 86]


def test_takes_on_several_days():
    """H.5: ten days of five readings; the mean is known to 18 uV with 9 dof, from the days alone.

    What scatters within a day is in the scatter of the daily means, and not counted again.
    """
    days = [
        combine(mean, "uV", [Term("noise", s / math.sqrt(5), "A", 4)])
        for mean, s in zip(DAILY_UV, WITHIN_UV, strict=True)
    ]
    joined = join_takes(days)
    assert joined.value == pytest.approx(97.1, abs=0.05)
    assert joined.u == pytest.approx(18.05, abs=0.01)
    assert joined.dof == pytest.approx(9)
    assert [term.source for term in joined.budget] == [REPEATS]


def test_effective_degrees_of_freedom():
    """G.4.1: 0.25, 0.57 and 0.82 % from 10, 5 and 15 repeats: 1.03 %, 19.0 dof, 2.2 %."""
    terms = [Term("a", 0.25, "A", 9), Term("b", 0.57, "A", 4), Term("c", 0.82, "A", 14)]
    whole = combine(0.0, "%", terms)
    assert whole.u == pytest.approx(1.03, abs=0.005)
    assert whole.dof == pytest.approx(19.0, abs=0.05)
    assert whole.expanded == pytest.approx(2.155, abs=0.001)


SLEEP_1 = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0]
SLEEP_2 = [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]


def test_difference_of_two_means():
    """Student, Biometrika 6 (1908) (data from memory), as B. Welch, Biometrika 34 (1947), has it.

    The interval of two independent groups, from scipy.stats, whose dof are not cut off either.
    """
    stages = [join_takes([Quantity(v, 1e-9, "h") for v in takes]) for takes in (SLEEP_1, SLEEP_2)]
    change = difference(*stages)
    known = stats.ttest_ind(SLEEP_2, SLEEP_1, equal_var=False)
    interval = known.confidence_interval(0.95)
    assert change.value == pytest.approx(1.58)
    assert change.dof == pytest.approx(17.77647, abs=5e-6)
    assert change.value - change.half_width() == pytest.approx(interval.low, abs=1e-9)
    assert change.value + change.half_width() == pytest.approx(3.365483, abs=5e-7)
