"""Quantity: rounding, budgets, and the reasons that stand in for numbers."""

import json
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sigkit.quantity import Quantity, Term, combine, not_measurable


def test_welch_satterthwaite_matches_gum_g_4_1():
    """JCGM 100:2008, example G.4.1 (from memory): u 0.25, 0.57, 0.82 % with 10, 5, 15 readings.

    Published: u_c = 1.03 %, effective degrees of freedom 19.0; t95(19) = 2.093 (Table G.2).
    """
    q = combine(
        100.0,
        "%",
        [Term("a", 0.25, "A", 9), Term("b", 0.57, "A", 4), Term("c", 0.82, "A", 14)],
    )
    assert q.u == pytest.approx(1.0295, abs=5e-5)
    assert q.dof == pytest.approx(19.0, abs=0.05)
    assert q.half_width(0.95) / q.u == pytest.approx(2.093, abs=5e-4)


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (440.01234, 0.0123, "440.012 ± 0.025 s"),
        (1234.5, 61.0, "1230 ± 120 s"),
        (-0.0001, 0.05, "0.00 ± 0.10 s"),
        (0.99996, 0.0498, "1.00 ± 0.10 s"),
        (3.0, 1e-9, "3.0000000000 ± 0.0000000020 s"),
    ],
)
def test_prints_two_digits_of_the_expanded_uncertainty(value, u, text):
    """JCGM 100:2008, 7.2.6: at most two significant digits of an uncertainty."""
    assert str(Quantity(value, u, "s")) == text


@given(st.floats(-1e6, 1e6), st.floats(1e-9, 1e6))
def test_rounding_stays_within_a_twentieth_of_the_expanded_uncertainty(value, u):
    """Two digits kept: half of the last place is at most a twentieth of the uncertainty."""
    q = Quantity(value, u, "Hz")
    shown_value, shown_half = (float(part) for part in q.numbers())
    assert abs(shown_value - value) <= q.expanded * 0.0501 + 1e-12
    assert abs(shown_half - q.expanded) <= q.expanded * 0.0501


def test_expanded_is_twice_u_and_wider_where_few_values_stand_behind_it():
    """JCGM 100:2008, Table G.2: t95 is 4.30 at 2 degrees of freedom, 1.96 at infinity."""
    assert Quantity(1.0, 0.5, "Hz").expanded == 1.0
    assert Quantity(1.0, 0.5, "Hz", dof=2).expanded == pytest.approx(0.5 * 4.303, abs=5e-4)
    assert str(Quantity(1.0, 0.5, "Hz", dof=2)) == "1.0 ± 2.2 Hz"


def test_a_missing_value_carries_its_reason():
    q = not_measurable("dB", "not measurable with this tone: close the filter")
    assert math.isnan(float(q))
    assert not q.measurable
    assert q.numbers() == ("", "")
    assert json.loads(json.dumps(q.to_dict(), allow_nan=False))["value"] is None


def test_zero_or_missing_uncertainty_is_refused():
    for u in (0.0, math.nan, -1.0):
        with pytest.raises(ValueError, match="needs an uncertainty above zero"):
            Quantity(1.0, u, "Hz")
    with pytest.raises(ValueError, match="either a value or a reason"):
        Quantity(1.0, 0.1, "Hz", reason="why")


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (0, 0.2, "0"),
        (2, 0.2, "2"),
        (2, 0.49, "2"),
        (2, 0.5, "2 (1 to 3)"),
        (0, 1.5, "0 (0 to 3)"),
        (12, 3.46, "12 (6 to 18)"),
        (1.5, 0.2, "1.50 ± 0.40"),
    ],
)
def test_a_number_of_things_prints_whole(value, u, text):
    """The whole numbers inside the interval; a mean of takes need not be whole."""
    assert str(Quantity(value, u, "")) == text
    assert Quantity(value, u, "cents").counted() is None
    assert not_measurable("", "nothing played").counted() is None


def test_what_may_only_be_fewer_or_more_is_told_on_that_side():
    """Of five dead keys three may only be hidden; of four sound ones it cannot be told."""
    own = Term("taken for others", 0.2, "B")
    fewer, more = Term("hidden", 1.5, "B", side=-1), Term("not to be told", 2.0, "B", side=1)
    for terms, text in (
        ([own, fewer], "5 (2 to 5)"),
        ([own, more], "5 (5 to 9)"),
        ([own, fewer, more], "5 (2 to 9)"),
        ([fewer], "5 (2 to 5)"),
    ):
        assert str(combine(5.0, "", terms)) == text
    assert combine(5.0, "", [own, fewer]).u == pytest.approx(math.hypot(0.2, 1.5))


def test_numbers_of_things_and_their_changes_in_the_report():
    from sigkit.evidence.report.pages import value_text

    def said(value, u, **how):
        return value_text(Quantity(value, u, ""), **how).replace("\N{NO-BREAK SPACE}", " ")

    assert said(0, 0.2) == "0"
    assert said(0, 1.5) == "0 (0 to 3)"
    assert said(-2, 0.29, signed=True) == "\N{MINUS SIGN}2"
    assert said(3, 0.6, signed=True) == "+3 (+2 to +4)"
    assert said(0, 0.6, signed=True) == "0 (\N{MINUS SIGN}1 to +1)"
