"""Which mains is heard, and how well its lines are followed; truth is what was put in."""

import math

import numpy as np
import pytest
from noises import coloured, hum, mains_path, note, white, write

from sigkit.captures.wav import open_capture
from sigkit.measures.noise import measure_noise

RATE = 48_000


def made(folder, seed, *sounds, seconds=10.0, density=-129.0, mains=(), rate=RATE, **options):
    """Measure white noise with hum and other sounds on it.

    ``mains``: tuples of frequency, levels by order and, if it wanders, by how much.
    """
    rng = np.random.default_rng(seed)
    n = round(seconds * rate)
    x = white(n, density, rate, rng)
    for hz, levels, *wander in mains:
        x += hum(mains_path(n, rate, hz, rng, *wander), rate, levels, rng)
    for sound in sounds:
        x += sound
    return measure_noise(open_capture(write(folder, x, rate)), **options)


def noise_u(quantity):
    return next(term.u for term in quantity.budget if term.source == "noise")


@pytest.mark.parametrize(
    ("base", "levels"),
    [
        (50, {1: -85.0}),
        (60, {1: -85.0}),
        (50, {2: -90.0}),
        (60, {2: -90.0}),
        (50, {2 * k: -70.0 - 4 * k for k in range(1, 9)}),
        (60, {k: -70.0 - 2 * k for k in range(1, 21)}),
    ],
)
@pytest.mark.parametrize("wander", [0.0, 0.02])
def test_frequency_within_two_millihertz_in_ten_seconds(tmp_path, base, levels, wander):
    """At 45 dB and more over a bin of 0.1 Hz; the bound of a lone line there is below 0.3 mHz."""
    for seed in range(2):
        rng = np.random.default_rng([seed, base])
        path = mains_path(10 * RATE, RATE, base + rng.uniform(-0.3, 0.3), rng, wander)
        x = white(path.size, -129.0, RATE, rng) + hum(path, RATE, levels, rng)
        found = measure_noise(open_capture(write(tmp_path, x))).mains_frequency
        assert abs(found.value - path.mean()) < 0.002
        assert abs(found.value - path.mean()) < 4 * noise_u(found)
        # the clock: 50 ppm, rectangular
        assert found.u == pytest.approx(
            math.hypot(noise_u(found), base * 50e-6 / math.sqrt(3)), rel=0.01
        )


def test_lone_line_comes_near_the_bound(tmp_path):
    """Cramer-Rao bound of a sine's frequency (Rife and Boorstyn, IEEE Trans. IT-20, 1974).

    Line of power P in noise of S per hertz over T: var f = 3 S / (2 pi^2 P T^3).
    """
    errors = []
    for seed in range(24):
        hz = 50 + np.random.default_rng(seed).uniform(-0.2, 0.2)
        result = made(tmp_path, seed, seconds=5.0, mains=[(hz, {1: -85.0})], density=-120.0)
        errors.append((result.mains_frequency.value - hz) / noise_u(result.mains_frequency))
    bound = math.sqrt(3 * 10**-12.0 / (2 * math.pi**2 * 10**-8.5 * 5.0**3))
    # Wander is allowed for, and the windows at both ends fade: up to twice the bound.
    assert bound < noise_u(result.mains_frequency) < 2 * bound
    assert 0.6 < np.sqrt(np.mean(np.square(errors))) < 1.3


def test_two_mains_are_both_named(tmp_path):
    result = made(tmp_path, 1, mains=[(50.05, {1: -70.0, 3: -80.0}), (59.94, {1: -75.0, 2: -80.0})])
    assert result.mains_frequency.value == pytest.approx(50.05, abs=0.002)
    assert result.second_mains.value == pytest.approx(59.94, abs=0.002)
    assert any("two mains" in text for text in result.said)
    second = result.second_hum.set_index("order").level_dbfs
    assert (second[1], second[2]) == (pytest.approx(-75, abs=0.1), pytest.approx(-80, abs=0.1))
    assert result.hum.set_index("order").level_dbfs[3] == pytest.approx(-80, abs=0.1)
    # and neither is in the floor
    assert result.floor.value == pytest.approx(-129 + 10 * math.log10(19_980), abs=0.06)


@pytest.mark.parametrize("seed", range(3))
def test_multiples_of_300_hz_alone_are_ambiguous(tmp_path, seed):
    hz = 50 + 0.02 * seed
    mains = [(hz, {6: -70.0, 12: -80.0, 18: -85.0})]
    result = made(tmp_path, seed, mains=mains)
    assert str(result.mains_frequency).startswith("not measurable: ambiguous")
    assert set(result.hum["order"]) == {0}
    assert result.hum.level_dbfs.tolist() == pytest.approx([-70, -80, -85], abs=0.2)
    assert not result.ripple.measurable
    assert result.floor.value == pytest.approx(-129 + 10 * math.log10(19_980), abs=0.06)
    given = made(tmp_path, seed, mains=mains, mains_hz=60)
    assert given.mains_frequency.value == pytest.approx(hz * 6 / 5, abs=0.002)
    assert made(tmp_path, seed, mains=mains, mains_hz=50).ripple.value == pytest.approx(
        -69.45, abs=0.1
    )


@pytest.mark.parametrize(
    ("hz", "said"), [(50 * 48 / 44.1, "54.42"), (60 * 44.1 / 48, "55.1"), (50 * 44.1 / 48, "45.9")]
)
def test_a_wrong_sample_rate_is_hinted_at(tmp_path, hz, said):
    result = made(tmp_path, 1, mains=[(hz, {1: -70.0, 2: -72.0, 3: -80.0})])
    assert not result.mains_frequency.measurable
    assert said in result.mains_frequency.reason
    assert "sample rate" in result.mains_frequency.reason
    assert result.hum.frequency_hz[0] == pytest.approx(hz, abs=0.003)
    assert result.floor.value == pytest.approx(-129 + 10 * math.log10(19_980), abs=0.06)


def test_a_note_on_a_line_is_flagged_and_not_taken_for_ripple(tmp_path):
    """A note at 100.02 Hz, 20 mHz from twice the mains: nothing tells them apart in 10 s."""
    loud = note(100.02, 10.0, RATE, -60.0, "sine")
    result = made(tmp_path, 2, loud, mains=[(50.0, {1: -85.0, 2: -90.0, 3: -88.0, 5: -92.0})])
    assert result.mains_frequency.value == pytest.approx(50.0, abs=0.002)
    row = result.hum.set_index("order").loc[2]
    assert "does not follow the mains" in row.remark
    assert not result.ripple.measurable or result.ripple.value < -100
    assert any("another tone" in text for text in result.said)
    assert result.hum_odd.value == pytest.approx(-82.7, abs=0.2)
    # Tone and line beat more slowly than it lasts: their powers need not add up.
    for level in (result.floor, result.total):
        assert any(term.source == "tones on lines of the mains" for term in level.budget)


def test_a_note_close_to_a_line_is_told_apart(tmp_path):
    loud = note(100.4, 10.0, RATE, -60.0, "sine")
    result = made(tmp_path, 3, loud, mains=[(50.0, {1: -85.0, 2: -90.0, 3: -88.0})])
    row = result.hum.set_index("order").loc[2]
    assert row.level_dbfs == pytest.approx(-90, abs=0.2)
    assert "100.40 Hz" in row.remark
    assert result.ripple.value == pytest.approx(-90, abs=0.2)
    assert result.tones.frequency_hz[0] == pytest.approx(100.4, abs=0.02)
    assert result.tones.level_dbfs[0] == pytest.approx(-60, abs=0.1)
    assert result.floor.value == pytest.approx(-60, abs=0.1)


def test_a_loud_note_hides_no_hum(tmp_path):
    """Its harmonic at 2200 Hz lies on the 44th multiple of 50 Hz and is no ripple."""
    loud = note(440.0, 10.0, RATE, -20.0)
    result = made(tmp_path, 4, loud, mains=[(50.02, {1: -85.0, 2: -90.0, 3: -88.0})])
    assert result.mains_frequency.value == pytest.approx(50.02, abs=0.002)
    assert result.hum.level_dbfs[:3].tolist() == pytest.approx([-85, -90, -88], abs=0.15)
    assert result.ripple.value == pytest.approx(-90, abs=0.2)
    assert any("no idle noise" in text for text in result.said)
    assert result.hiss.value == pytest.approx(-129 + 10 * math.log10(19_980), abs=0.06)


def test_a_note_that_looks_like_ripple_is_flagged(tmp_path):
    result = made(tmp_path, 5, note(100.3, 10.0, RATE, -60.0))
    assert any("a note of 100.3 Hz would look the same" in text for text in result.said)
    assert result.hint.startswith("if it is the mains that is heard")


@pytest.mark.parametrize("hz", [98.0, 121.97])
def test_a_note_far_from_any_mains_is_in_the_floor(tmp_path, hz):
    """As even multiples they would be of 49.00 or 60.99 Hz, which no large grid has."""
    sound = note(hz, 10.0, RATE, -60.0)
    result = made(tmp_path, 5, sound)
    assert result.floor.value == pytest.approx(-60.0, abs=0.02)
    assert result.hiss.value == pytest.approx(-129 + 10 * math.log10(19_980), abs=0.06)
    assert not result.mains_frequency.measurable
    assert "is taken for a note" in result.mains_frequency.reason
    assert result.ripple.reason.startswith("none above")
    told = made(tmp_path, 5, sound, mains_hz=hz / 2)
    assert told.mains_frequency.value == pytest.approx(hz / 2, abs=0.002)
    assert told.ripple.value == pytest.approx(-60.0, abs=0.1)
    beside = made(tmp_path, 6, sound, mains=[(50.03, {1: -80.0, 2: -85.0})])
    assert beside.mains_frequency.value == pytest.approx(50.03, abs=0.002)
    assert beside.floor.value == pytest.approx(-60.0, abs=0.02)


@pytest.mark.parametrize("hz", [130.81, 55.0])
def test_a_full_tone_where_hum_at_a_wrong_rate_would_be(tmp_path, hz):
    """C3 is twice, A1 once, what 60 Hz reads where 48 and 44.1 kHz are taken for each other."""
    loud = np.concatenate([np.zeros(7 * RATE), note(hz, 3.0, RATE, -12.0)])
    result = made(tmp_path, 8, loud, mains=[(50.02, {1: -80.0, 2: -75.0})])
    assert result.tone.value == pytest.approx(-12, abs=0.05)
    assert result.ripple_re_tone.value == pytest.approx(-63, abs=0.2)


@pytest.mark.parametrize("first", [True, False])
def test_a_full_tone_beside_the_mains(tmp_path, first):
    """G1 has 49.0 Hz, which mains might have: not so where the quiet has hum of 50.02 Hz."""
    loud, none = note(49.0, 3.0, RATE, -12.0), np.zeros(7 * RATE)
    sound = np.concatenate([loud, none] if first else [none, loud])
    result = made(tmp_path, 8, sound, mains=[(50.02, {1: -80.0, 2: -75.0})])
    assert result.tone.value == pytest.approx(-12, abs=0.05)
    assert result.mains_frequency.value == pytest.approx(50.02, abs=0.003)
    assert result.ripple_re_tone.value == pytest.approx(-63, abs=0.2)


def test_a_note_taken_for_mains_is_said_to_be_loud(tmp_path):
    result = made(tmp_path, 8, note(49.0, 10.0, RATE, -12.0))
    assert any("this is no idle noise" in n for n in result.notes)


@pytest.mark.parametrize(("order", "off_hz"), [(1, 0.05), (2, -0.09), (3, 0.14)])
def test_a_tone_that_beats_with_a_line_makes_the_floor_uncertain(tmp_path, order, off_hz):
    """In 10 s they turn against each other once, or less: their powers cannot be told apart."""
    t = np.arange(10 * RATE) / RATE
    own = 10 ** (-68 / 20) * np.sin(2 * np.pi * (order * 50.02 + off_hz) * t)
    levels = {1: -75.0, 2: -78.0, 3: -80.0, 5: -80.0}
    result = made(tmp_path, order, own, mains=[(50.02, levels)])
    off = result.floor.value + 68
    assert abs(off) < result.floor.expanded
    assert result.floor.u > 0.1
    assert result.hum.remark[order - 1].startswith("does not follow")


@pytest.mark.parametrize("hz", [440.0, 82.4, 123.47])
def test_a_note_alone_is_no_mains(tmp_path, hz):
    result = made(tmp_path, 6, note(hz, 10.0, RATE, -60.0))
    assert not result.mains_frequency.measurable
    assert "no line" in result.mains_frequency.reason
    assert result.ripple.reason.startswith("none above")
    assert result.at_most()["ripple"].value < -100


def test_wander_takes_nothing_off_high_lines(tmp_path):
    """20 mHz rms at order 20 are 0.4 Hz: a transform of the whole would lose decibels."""
    levels = dict.fromkeys(range(1, 21), -70.0)
    result = made(tmp_path, 7, mains=[(50.03, levels, 0.02, 8.0)], seconds=20.0)
    assert result.hum.level_dbfs.to_numpy() == pytest.approx(-70.0, abs=0.03)


def test_lines_twenty_db_over_the_noise_come_near_their_bound(tmp_path):
    """Bound of a line's level: 8.69 dB / sqrt(2 P T / S), which is 0.61 dB at 20 dB over S/T."""
    ratios, held = [], 0
    for seed in range(6):
        rng = np.random.default_rng(seed)
        levels = {k: rng.uniform(-117, -80) for k in range(1, 21)} | {1: -80.0}
        result = made(tmp_path, seed, mains=[(59.97, levels, 0.01)])
        table = result.hum.set_index("order")
        for order, level in levels.items():
            over = level + 129 + 10
            if over >= 20:
                error = table.level_dbfs[order] - level
                ratios.append(error / (8.686 / math.sqrt(2 * 10 ** (over / 10))))
                held += abs(error) <= 2 * table.u_level_db[order]
                assert table.over_noise_db[order] == pytest.approx(over, abs=1.5 + 0.1 * 20)
    assert np.sqrt(np.mean(np.square(ratios))) < 1.25
    assert held / len(ratios) > 0.95 - 3 * math.sqrt(0.05 * 0.95 / len(ratios))


def test_pink_noise_does_not_hide_the_family(tmp_path):
    rng = np.random.default_rng(8)
    x = coloured(10 * RATE, lambda f: 1e-9 / f * (f > 4), RATE, rng)
    levels = {1: -75.0, 2: -70.0, 4: -80.0}
    x += hum(mains_path(x.size, RATE, 49.97, rng, 0.005), RATE, levels, rng)
    result = measure_noise(open_capture(write(tmp_path, x)))
    assert result.mains_frequency.value == pytest.approx(49.97, abs=0.012)
    for order, level in levels.items():
        row = result.hum.set_index("order").loc[order]
        assert abs(row.level_dbfs - level) < 3 * row.u_level_db
