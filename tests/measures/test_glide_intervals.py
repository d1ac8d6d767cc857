"""What the time of a glide is said to be uncertain by, against exact truth."""

import math

import numpy as np
import pytest
from glides import Slew, play

import sigkit
from sigkit.measures.glide.terms import ALIKE, ASSUMED, COLUMNS, DRIFT, FILTERS, JITTER, SCATTER

CAPTURES, GLIDES = 4, 4


def measured(path, played):
    return sigkit.measure_glide(sigkit.open_capture(played.write(path)))


@pytest.mark.parametrize(
    ("law", "waves", "lowest_hz", "way"),
    [
        ("linear", ("pulse", "sine"), 400.0, {"cutoff_hz": 4000.0}),
        ("exponential", ("sine", "triangle"), 300.0, {"jitter": 1e-4}),
        ("exponential", ("sine", "triangle"), 70.0, {"couple_hz": 8.0}),
        ("exponential", ("sine", "triangle"), 130.0, {"drift_cents_s": 1.0}),
    ],
    ids=["filter", "jitter", "coupling", "drift"],
)
def test_intervals_hold_the_truth_whatever_is_on_the_way(tmp_path, law, waves, lowest_hz, way):
    """Of 16 glides, 2u should hold 15.2; three binomial standard deviations below are 12.6.

    The rms of error over u is 1, and 1.53 at most (three standard deviations of a chi).
    """
    off = []
    for seed in range(CAPTURES):
        rng = np.random.default_rng(7000 + seed)
        seconds = math.exp(rng.uniform(math.log(0.06), math.log(0.25)))
        low_hz = lowest_hz * 2.0 ** rng.uniform(0, 1)
        played = play(
            rng,
            [Slew(law, seconds)] * GLIDES,
            low_hz=low_hz,
            octaves=int(rng.integers(1, 3)),
            wave=str(rng.choice(waves)),
            snr_db=35.0,
            hold_s=max(0.7, 3.2 * seconds),
            width=float(rng.uniform(0.15, 0.85)),
            **way,
        )
        found = measured(tmp_path / "case.wav", played).glides
        off.extend((found["glide_time_s"] - seconds) / found["u_glide_time_s"])
    assert len(off) == CAPTURES * GLIDES
    assert np.count_nonzero(np.abs(off) <= 2) >= 13
    assert np.sqrt(np.mean(np.square(off))) <= 1.53


@pytest.fixture(scope="module")
def one(tmp_path_factory):
    rng = np.random.default_rng(18)
    slews = [Slew("exponential", 0.08)] * 4
    played = play(rng, slews, low_hz=700, octaves=2, wave="sine", snr_db=50, hold_s=0.9)
    return measured(tmp_path_factory.mktemp("one") / "one.wav", played)


def test_parts_add_up_in_squares(one):
    """JCGM 100:2008, 5.1.2."""
    parts = one.glides[list(COLUMNS.values())]
    assert (parts.to_numpy() >= 0).all()
    np.testing.assert_allclose(
        np.sqrt((parts**2).sum(axis=1)), one.glides["u_glide_time_s"], rtol=1e-12
    )


def test_what_is_alike_in_all_glides_does_not_average_out(one):
    terms = {term.source: term for term in one.glide_time.budget}
    assert {SCATTER, JITTER, FILTERS, DRIFT, ASSUMED} <= set(terms)
    for name, column in COLUMNS.items():
        u = one.glides[column].to_numpy()
        mean = u.mean() if name in ALIKE else math.sqrt(np.sum(u**2)) / u.size
        assert terms[name].u == pytest.approx(mean, rel=1e-9)
        assert terms[name].evaluation == ("B" if name in ALIKE else "A")


def test_filters_count_against_each_other_up_and_down(one):
    """They make a glide up longer and one down shorter: the ratio has both (GUM 5.2.2)."""
    alike = {q: {t.source: t.u for t in getattr(one, q).budget} for q in ("time_up", "time_down")}
    ratio = one.time_up.value / one.time_down.value
    both = sum(alike[q][FILTERS] / getattr(one, q).value for q in alike)
    terms = {term.source: term.u for term in one.up_down_difference.budget}
    assert terms[FILTERS] == pytest.approx(100 * ratio * both, rel=1e-9)


def test_many_periods_tell_of_filters_and_few_leave_them_open(tmp_path):
    """20 ms at 1 to 2 kHz leave what a filter may do; half a second tells it."""
    parts = []
    for seconds in (0.02, 0.5):
        rng = np.random.default_rng(19)
        slews = [Slew("linear", seconds)] * 2
        played = play(rng, slews, low_hz=1000, octaves=1, wave="sine", hold_s=1.2)
        found = measured(tmp_path / "note.wav", played).glides
        parts.append((found["u_filters_s"] / seconds).to_numpy())
    assert (parts[0] > 1e-4).all()
    assert (parts[1] < parts[0] / 10).all()
