"""What a slider's marks show: guide values, common practice, no source; intervals by the GUM."""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from sigkit.judging.order_guides import guides_for, order_guides
from sigkit.judging.setting_order import (
    AT_LEAST_WORN,
    BACKWARDS,
    DEAD_ZONE,
    FAULTY,
    MINIMUM,
    NO_RISE,
    NO_VALUE,
    NOT_PLACED,
    NOT_RESOLVED,
    REVERSAL,
    RISE,
    STEADY,
    TOO_FEW,
    WORN,
    judge_order,
    stretches,
)
from sigkit.judging.slider_marks import Mark, level_text, percent_of, signed_text
from sigkit.measures import TESTS
from sigkit.quantity import Quantity, Term, combine, not_measurable

(GLIDE,) = guides_for("glide", "portamento")
BOUND, NOTHING = "bound", "nothing"


def mark(percent, level, relative=0.005):
    """A mark by its time in s, ("bound", s), or None where nothing could be measured."""
    name = "fast" if percent is None else f"{percent:g}"
    if level is None:
        return Mark(name, percent, not_measurable("s", "the tone stops"))
    if isinstance(level, tuple):
        bound = Quantity(level[1], level[1] / 4, "s")
        return Mark(name, percent, not_measurable("s", "too fast"), bound)
    return Mark(name, percent, Quantity(level, relative * level, "s"))


def judged(levels, *, relative=0.005, guide=GLIDE):
    marks = [mark(percent, level, relative) for percent, level in levels.items()]
    return judge_order(marks, guide)


def kinds(findings):
    return [finding.kind for finding in findings]


def only(findings, kind):
    (found,) = [finding for finding in findings if finding.kind == kind]
    return found


@pytest.mark.parametrize(
    ("setting", "percent"),
    [
        *(("0", 0), ("25", 25), ("100", 100), ("25_percent", 25), ("25percent", 25), ("25%", 25)),
        *(("25 %", 25), ("12.5", 12.5), ("12_5_percent", 12.5), ("75_pct", 75), ("007", 7)),
        *(("min", 0), ("off", 0), ("quarter", 25), ("half", 50), ("Half", 50), ("mid", 50)),
        *(("three_quarters", 75), ("three quarters", 75), ("max", 100), ("full", 100)),
        *(("one_third", 100 / 3), ("two_thirds", 200 / 3)),
        *(("", None), ("fast", None), ("101", None), ("440", None), ("12_5", None), ("-5", None)),
        *(("half_open", None), ("a5", None), ("1e1", None), ("²", None), ("25_hot", None)),
    ],
)
def test_names_of_settings(setting, percent):
    assert percent_of(setting) == (None if percent is None else pytest.approx(percent))


def test_a_steady_rise():
    findings = judged({0: 0.018, 25: 0.08, 50: 0.3, 75: 0.7, 100: 1.4})
    assert kinds(findings) == [STEADY, MINIMUM]
    assert findings[0].text == "rises steadily from 18.0 ms to 1.40 s"
    assert (findings[0].word, findings[1].word) == ("within limits", "within limits")
    assert (findings[0].from_percent, findings[0].to_percent) == (0, 100)
    assert findings[0].change.value == pytest.approx(100 * (1.4 / 0.018 - 1))


def test_a_reversal_has_its_place_its_size_and_its_uncertainty():
    """JCGM 100:2008, 5.1.2: u of the difference is sqrt(3.1^2 + 2.4^2) ms = 3.92 ms, of 620 ms."""
    findings = judged({0: 0.018, 25: 0.1, 50: 0.62, 75: 0.48, 100: 1.4})
    assert kinds(findings) == [RISE, REVERSAL, MINIMUM]
    found = findings[1]
    assert found.text == "falls between 50 and 75 %: 0.620 to 0.480 s, by 22.6 ± 1.3 %"
    assert (found.from_percent, found.to_percent, found.word) == (50, 75, FAULTY)
    assert found.change.value == pytest.approx(-100 * 0.14 / 0.62)
    assert found.change.u == pytest.approx(100 * math.hypot(3.1, 2.4) / 620)
    assert findings[0].text == "rises from 18.0 ms to 1.40 s, not steadily"
    assert findings[0].word == ""


@pytest.mark.parametrize(
    ("third", "relative", "word"),
    [
        (0.575, 0.005, WORN),
        (0.558, 0.005, AT_LEAST_WORN),
        (0.540, 0.005, FAULTY),
        (0.540, 0.02, AT_LEAST_WORN),
    ],
)
def test_one_reversal_up_to_ten_percent_is_worn(third, relative, word):
    """Falls of 7.3, 10 and 12.9 % of 0.62 s, with U of 1.4 or 5.3 %, against a border of 10 %."""
    levels = {0: 0.018, 25: 0.1, 50: 0.62, 75: third, 100: 1.4}
    assert only(judged(levels, relative=relative), REVERSAL).word == word


def test_two_small_reversals_are_faulty():
    findings = judged({0: 0.01, 20: 0.2, 40: 0.19, 60: 0.6, 80: 0.57, 100: 1.4})
    assert [f.word for f in findings if f.kind == REVERSAL] == [FAULTY, FAULTY]


@pytest.mark.parametrize(("drop_in_u", "named"), [(1.9, False), (2.1, True)])
def test_a_fall_counts_beyond_its_expanded_uncertainty_only(drop_in_u, named):
    """JCGM 100:2008, 5.1.2 and 6.2.1: U = 2 sqrt(u1^2 + u2^2), here 2 sqrt(2) 10 ms."""
    u, peak = 0.01, 0.6
    levels = [0.01, 0.2, peak, peak - drop_in_u * math.sqrt(2) * u, 1.4]
    marks = [Mark("", 25.0 * i, Quantity(x, u, "s")) for i, x in enumerate(levels)]
    assert (REVERSAL in kinds(judge_order(marks, GLIDE))) is named


def test_a_clock_that_all_marks_share_hides_no_fall():
    clock = Term("sound-card clock", 0.05, "B")
    levels = [0.2, 0.6, 0.55, 1.4]
    noise = Term("noise", 0.001, "A")
    marks = [Mark("", 30.0 * i, combine(x, "s", [clock, noise])) for i, x in enumerate(levels)]
    assert REVERSAL in kinds(judge_order(marks, GLIDE))


def test_a_fall_over_several_marks_is_one_reversal():
    """No step of 3 ms is beyond U = 2 sqrt(2) 1.5 ms, the whole of 9 ms is."""
    levels = [0.01, 0.200, 0.197, 0.194, 0.191, 0.4]
    marks = [Mark("", 20.0 * i, Quantity(x, 0.0015, "s")) for i, x in enumerate(levels)]
    found = only(judge_order(marks, GLIDE), REVERSAL)
    assert (found.from_percent, found.to_percent) == (20, 80)


def test_a_dead_zone_is_shown_and_not_only_unresolved():
    """At 75 % the change and U are 1 + 1.4 %, or with u = 5 % 1 + 14 %; the border is 10 %."""
    levels = {0: 0.018, 25: 0.1, 50: 0.5, 75: 0.505, 100: 1.4}
    found = only(judged(levels), DEAD_ZONE)
    assert found.text == "does not change between 50 and 75 %: 0.500 to 0.505 s, +1.0 ± 1.4 %"
    assert found.word == FAULTY
    unsure = only(judged(levels, relative=0.05), NOT_RESOLVED)
    assert unsure.text == "not resolved between 50 and 75 %: 0.500 to 0.505 s, +1 ± 14 %"
    assert unsure.word == "undecided"
    assert only(judged(levels | {75: 0.54}, relative=0.001), DEAD_ZONE).text.startswith("hardly")
    assert DEAD_ZONE not in kinds(judged(levels | {75: 0.56}, relative=0.001))


def test_dead_zones_that_touch_are_one_and_close_marks_may_change_less():
    """A straight line through zero rises by 5.3 % from 95 to 100 %, and is not dead there."""
    flat = judged({0: 0.018, 25: 0.5, 50: 0.5, 75: 0.5, 100: 0.5}, relative=0.001)
    found = only(flat, DEAD_ZONE)
    assert (found.from_percent, found.to_percent) == (25, 100)
    straight = judged({p: p / 100 for p in range(10, 101, 5)}, relative=0.001)
    assert kinds(straight) == [STEADY, MINIMUM]


@pytest.mark.parametrize(
    ("level", "word", "said"),
    [
        (0.018, "within limits", "at 0 %: 18.0 ms, within 20 ms"),
        (0.040, WORN, "at 0 %: 40.0 ms: above 20 ms, up to 60 ms"),
        (0.085, FAULTY, "at 0 %: 85.0 ms: never really off, above 60 ms"),
        (0.0199, "undecided", "at 0 %: 19.9 ms: not shown to be within 20 ms or above it"),
        (0.0601, AT_LEAST_WORN, "at 0 %: 60.1 ms: above 20 ms, not shown to be within 60 ms"),
        ((BOUND, 0.012), "within limits", "at 0 %: at most 12.0 ms, within 20 ms"),
        ((BOUND, 0.050), "undecided", "at 0 %: at most 50 ms: not shown to be within 20 ms"),
    ],
)
def test_the_minimum(level, word, said):
    found = only(judged({0: level, 50: 0.3, 100: 1.4}), MINIMUM)
    assert found.word == word
    assert found.text.startswith(said)


def test_without_a_mark_at_zero_the_minimum_is_not_tested():
    found = only(judged({25: 0.1, 50: 0.3, 100: 1.4}), MINIMUM)
    assert (found.text, found.word) == ("no mark at 0 %: the minimum is not tested", "")


def test_a_bound_can_rise_to_a_value_and_a_value_fall_to_a_bound():
    rising = judged({0: (BOUND, 0.005), 50: 0.3, 100: 1.4})
    assert rising[0].text == "rises steadily from at most 5.0 ms to 1.40 s"
    fallen = only(judged({0: 0.1, 25: 0.4, 50: (BOUND, 0.02), 100: 1.4}), REVERSAL)
    assert fallen.text == "falls between 25 and 50 %: 0.400 s to at most 20 ms, by at least 92 %"
    assert fallen.word == FAULTY
    both = judged({0: (BOUND, 0.005), 50: (BOUND, 0.03), 100: 1.4})
    assert kinds(both) == [RISE, NOT_RESOLVED, MINIMUM]
    hidden = judged({0: (BOUND, 0.5), 50: 0.1, 100: 1.4})
    assert only(hidden, NOT_RESOLVED).to_percent == 50


def test_marks_without_value_or_place_are_named_and_not_judged():
    findings = judged({0: 0.018, 25: 0.1, 50: None, 75: 0.5, 100: 1.4, None: 0.01})
    assert kinds(findings) == [RISE, MINIMUM, NO_VALUE, NOT_PLACED]
    assert findings[0].text == "rises from 18.0 ms to 1.40 s over the marks that have a value"
    assert findings[0].word == "undecided"
    assert findings[2].text == "at 50 %: not measurable: the tone stops"
    assert findings[3].text == "setting 'fast': place on the travel unknown, not judged"


@pytest.mark.parametrize(
    "levels", [{}, {0: 0.01}, {0: 0.5, 100: 0.1}, {0: 0.5, 50: None, 100: 0.1}, {None: 0.2}]
)
def test_fewer_than_three_marks_are_values_only(levels):
    assert kinds(judged(levels))[0] == TOO_FEW
    assert not any(finding.word for finding in judged(levels))


def test_two_names_of_one_mark_have_no_order():
    marks = [mark(0, 0.018), mark(0, 0.012), mark(50, 0.3), mark(100, 1.4)]
    assert kinds(judge_order(marks, GLIDE)) == [STEADY, MINIMUM, MINIMUM]
    assert kinds(judge_order([marks[0], *marks[1:3]], GLIDE))[0] == TOO_FEW


def test_a_slider_that_works_the_other_way_round_is_no_row_of_faults():
    findings = judged({0: 1.4, 25: 0.7, 50: 0.3, 75: 0.08, 100: 0.018})
    assert kinds(findings) == [BACKWARDS]
    assert findings[0].word == "undecided"
    stuck = judged({0: 0.5, 25: 0.5, 50: 0.5, 75: 0.5, 100: 0.3})
    assert kinds(stuck) == [NO_RISE, DEAD_ZONE, REVERSAL, MINIMUM]
    assert stuck[0].text == "falls from 0.500 to 0.300 s over the whole travel"


@pytest.mark.parametrize(
    ("levels", "relative", "kind"),
    [
        ((1.4, 0.7, 0.7, 0.3, 0.1), 0.005, NO_RISE),
        ((0.5, 0.5, 0.5, 0.5, 0.2), 0.05, NO_RISE),
        ((1.4, 0.7, 0.7, 0.3, 0.1), 0.05, BACKWARDS),
        ((1.4, 0.7, 0.9, 0.3, 0.1), 0.005, NO_RISE),
    ],
)
def test_the_other_way_round_means_without_a_pause_over_most_marks(levels, relative, kind):
    percents = (0, 25, 50, 75, 100)
    findings = judged(dict(zip(percents, levels, strict=True)), relative=relative)
    assert kinds(findings)[0] == kind


def test_a_fall_to_a_bound_may_be_larger_than_it_shows():
    """From 0.40 s to at most 0.38 s is by 5 % at least: worn, or more."""
    bound = Quantity(0.38, 0.001, "s")
    last = Mark("", 50.0, not_measurable("s", "too fast"), bound)
    found = only(judge_order([mark(0, 0.01), mark(25, 0.4, 0.001), last], GLIDE), REVERSAL)
    assert found.word == AT_LEAST_WORN


rises = st.lists(st.floats(0.25, 1.5), min_size=2, max_size=9)


@given(rises, st.randoms())
def test_whatever_rises_beyond_its_uncertainty_rises_steadily(steps, random):
    """Steps by 28 % and more, U = 1.6 %; the border is 20 % over half the travel, or less."""
    levels = 0.015 * np.exp(np.cumsum([0.0, *steps]))
    percents = np.linspace(0, 100, levels.size)
    marks = [mark(float(p), float(x)) for p, x in zip(percents, levels, strict=True)]
    random.shuffle(marks)
    findings = judge_order(marks, GLIDE)
    assert kinds(findings) == [STEADY, MINIMUM]


@given(st.lists(st.floats(0.01, 2.0), min_size=2, max_size=8))
def test_every_fall_between_neighbours_beyond_uncertainty_is_in_a_finding(levels):
    percents = [100 * i / (len(levels) - 1) for i in range(len(levels))]
    findings = judged(dict(zip(percents, levels, strict=True)), relative=0.02)
    covered = [f for f in findings if f.kind in (REVERSAL, BACKWARDS, TOO_FEW)]
    for (low, a), (high, b) in itertools.pairwise(zip(percents, levels, strict=True)):
        if a - b > 2.01 * 0.02 * math.hypot(a, b) and kinds(findings)[0] != TOO_FEW:
            assert any(f.from_percent <= low and high <= f.to_percent for f in covered)


@pytest.mark.parametrize("n", [3, 5])
def test_a_flat_curve_shows_a_change_as_often_as_the_studentized_range_says(n):
    """Tukey's studentized range beyond 2 sqrt(2), `scipy.stats.studentized_range`: 3 marks 11 %,
    5 marks 26 %. Tolerance: three binomial standard deviations of 1500 curves.
    """
    random, curves = np.random.default_rng(n), 1500
    hits = 0
    for _ in range(curves):
        levels = random.normal(1.0, 0.01, n)
        marks = [Mark("", 25.0 * i, Quantity(float(x), 0.01, "s")) for i, x in enumerate(levels)]
        hits += bool(stretches(marks))
    expected = float(stats.studentized_range.sf(2 * math.sqrt(2), n, np.inf))
    spread = math.sqrt(expected * (1 - expected) / curves)
    assert hits / curves == pytest.approx(expected, abs=3 * spread)


def test_guides_are_data_and_name_what_is_judged():
    assert GLIDE.minimum is not None
    assert (GLIDE.minimum.value, GLIDE.minimum.worn_to, GLIDE.minimum.unit) == (0.02, 0.06, "s")
    for guide in order_guides():
        assert "no source" in guide.source
        judged_too = TESTS[guide.test].judged if guide.test in TESTS and guide.quantity else ()
        names = [each.quantity for each in judged_too if not each.only_if_seen]
        assert not judged_too or guide.quantity in names


@pytest.mark.parametrize(
    ("test", "subject", "quantities"),
    [
        ("glide", "portamento", ["glide_time"]),
        ("envelope", "generator_1", ["attack", "decay_time_constant", "release"]),
        ("envelope", "attack", ["attack"]),
        ("envelope", "decay_2", ["decay_time_constant"]),
        ("envelope", "sustain", []),
        ("slider", "attack", []),
        ("there_is_none", "x", []),
    ],
)
def test_what_stays_put_while_another_slider_moves_is_not_judged(test, subject, quantities):
    assert [guide.quantity for guide in guides_for(test, subject)] == quantities


def test_a_quantity_without_a_guide_minimum_has_none_judged():
    (release,) = guides_for("envelope", "release")
    assert MINIMUM not in kinds(judged({0: 0.2, 50: 0.5, 100: 2.0}, guide=release))


@pytest.mark.parametrize(
    ("value", "half", "unit", "text"),
    [
        (0.0184, 0.0002, "s", "18.4 ms"),
        (0.0184, 0.02, "s", "18 ms"),
        (1.3999, 0.01, "s", "1.40 s"),
        (12.34, 5.0, "s", "12.3 s"),
        (0.02, 0.0, "s", "20 ms"),
        (1234.0, 300.0, "Hz", "1230 Hz"),
    ],
)
def test_levels_are_short(value, half, unit, text):
    assert level_text(value, half, unit) == text


@pytest.mark.parametrize(
    ("value", "u", "text"),
    [
        (22.5807, 0.0006, "+22.6 ± 0.1 %"),
        (-22.58, 0.16, "\N{MINUS SIGN}22.6 ± 0.4 %"),
        (1.04, 0.7, "+1.0 ± 1.4 %"),
        (-0.3, 7.0, "0 ± 14 %"),
        (-0.01, 0.02, "0.0 ± 0.1 %"),
    ],
)
def test_shares_are_told_to_a_tenth_of_a_percent_at_the_finest(value, u, text):
    """JCGM 100:2008, 7.2.6: an uncertainty is rounded up where its digits are cut."""
    assert signed_text(Quantity(value, u, "%")) == text


def test_findings_are_ready_for_json():
    plain = judged({0: 0.018, 25: 0.1, 50: 0.62, 75: 0.48, 100: 1.4})[1].to_dict()
    assert plain["kind"] == "reversal"
    assert plain["word"] == "faulty"
    assert (plain["from_percent"], plain["to_percent"]) == (50, 75)
    assert plain["change"]["unit"] == "%"
    assert judged({0: 0.1})[0].to_dict()["change"] is None
