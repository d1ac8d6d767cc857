"""The laws of a glide against closed forms."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sigkit.measures.glide.laws import Law


@settings(max_examples=8, deadline=None)
@given(st.floats(0.012, 0.2), st.booleans(), st.integers(1, 3))
def test_time_to_five_cents_is_its_closed_form(tau, up, octaves):
    """A single pole is within 5 cents after tau ln(interval / 5 cents), both ways (closed form)."""
    law, span = Law(0.0), 1200 * octaves * (1 if up else -1)
    seconds = tau * math.log(9)
    assert law.when(1 - 5 / abs(span)) * seconds == pytest.approx(
        tau * math.log(abs(span) / 5), rel=1e-12
    )
    t = np.linspace(0, 5 * tau, 50)
    assert law.progress(t / seconds) == pytest.approx(-np.expm1(-t / tau), abs=1e-12)


def test_table_of_times_to_a_band():
    """Worked: tau 0.15 s over an octave: 10-90 % 0.3295837 s, within 5 cents 0.8220958 s."""
    law, tau = Law(0.0), 0.15
    assert tau / law.time_constant == pytest.approx(0.3295837, abs=5e-8)
    assert law.when(1 - 5 / 1200) * tau / law.time_constant == pytest.approx(0.8220958, abs=5e-8)


def test_laws_meet_without_a_step():
    for share in (0.2, 0.5, 0.9):
        law = Law(share)
        turn = law.when(share)
        around = turn + np.array([-1e-6, 0.0, 1e-6])
        progress = law.progress(around)
        assert progress[1] == pytest.approx(share, abs=1e-12)
        assert np.diff(progress)[0] == pytest.approx(np.diff(progress)[1], rel=1e-5)
        assert law.when(0.9) - law.when(0.1) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("octaves", [-3, -1, 2])
def test_laws_in_hertz_are_their_closed_forms(octaves):
    """A pole in hertz: f = f1 + (f0 - f1) exp(-t/tau); a rate in hertz: f = f0 + t (f1 - f0)."""
    ratio = 2.0**octaves
    times = np.linspace(0, 1, 30)
    for share, unit, volts in ((0.0, "tau", -np.expm1(-times)), (1.0, "whole", times)):
        law = Law(share, octaves)
        at = {
            "tau": lambda level: -math.log1p(-(ratio**level - 1) / (ratio - 1)),
            "whole": lambda level: (ratio**level - 1) / (ratio - 1),
        }[unit]
        seconds = at(0.9) - at(0.1)
        expected = np.log2(1 + (ratio - 1) * volts) / octaves
        assert law.progress(times / seconds) == pytest.approx(expected, abs=1e-12)
        assert law.when(0.9) - law.when(0.1) == pytest.approx(1.0, abs=1e-12)
        assert law.when(0.3) * seconds == pytest.approx(at(0.3), rel=1e-12)
    assert Law(0.0, octaves).time_constant == pytest.approx(1 / (_pole(0.9, ratio)), rel=1e-12)


def _pole(level, ratio):
    """Time constants from ``1 - level`` to ``level`` of the interval, of a pole in hertz."""
    late, early = ((ratio**at - 1) / (ratio - 1) for at in (level, 1 - level))
    return math.log((1 - early) / (1 - late))
