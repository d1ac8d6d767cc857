"""The notes that tests are made of are held to closed forms first."""

import math

import numpy as np
import pytest
from envelopes import Plant, carrier, control_and_notes, take

T = np.arange(0, 4.0, 1e-4)


@pytest.mark.parametrize(
    ("aim", "to_peak", "ten_to_ninety"),
    [
        (1.2, 1.791759, 1.299283),
        (1.25, 1.609438, 1.189584),
        (1.3, 1.466337, 1.098612),
        (1.5, 1.098612, 0.847298),
        (2.0, 0.693147, 0.546544),
    ],
)
def test_attacks_toward_an_aim_above_the_peak(aim, to_peak, ten_to_ninety):
    """V = K (1 - exp(-t/tau)) stopped at 1: tau ln(K/(K-1)), tau ln((K-0.1)/(K-0.9)).

    Closed form of a capacitor charged through a resistor (any textbook of circuits).
    """
    plant = Plant(to_peak_s=0.05, aim=aim)
    _, (note,) = control_and_notes(plant, [(0.5, 2.0)], T)
    assert plant.attack_tau_s * to_peak == pytest.approx(0.05, rel=1e-6)
    assert note.attack_s == pytest.approx(plant.attack_tau_s * ten_to_ninety, rel=1e-6)


def test_releases_cross_levels_where_an_exponential_does():
    """-20, -40, -60 dB after 2.302585, 4.605170, 6.907755 time constants (closed form)."""
    _, (note,) = control_and_notes(Plant(release_s=0.2), [(0.5, 2.0)], T)
    assert [note.crossings_s[d] / 0.2 for d in (20, 40, 60)] == pytest.approx(
        [2.302585, 4.605170, 6.907755], rel=1e-6
    )


def test_the_truth_is_what_the_samples_do():
    """Crossings, peak and sustain read off the samples of every kind of plant."""
    for plant in (
        Plant(release_aim=-0.06),
        Plant(dead=0.04),
        Plant(range_db=60.0),
        Plant(power=1.5),
        Plant(leak=0.001),
        Plant(attack_release=True),
    ):
        control, (note,) = control_and_notes(plant, [(0.5, 2.5)], T)
        gain = plant.gain(control)
        assert gain.max() == pytest.approx(note.peak, rel=2e-3)
        after = note.gate_off_s <= T
        for down, seconds in note.crossings_s.items():
            if math.isfinite(seconds):
                below = gain[after] < note.level_at_release * 10 ** (-down / 20)
                assert T[after][np.argmax(below)] - note.gate_off_s == pytest.approx(
                    seconds, abs=2e-4
                )
        base = gain[0]
        rising = gain[: np.argmax(gain) + 1]
        span = base + np.array([0.1, 0.9]) * (note.peak - base)
        low, high = (T[np.argmax(rising >= level)] for level in span)
        assert high - low == pytest.approx(note.attack_s, abs=2.1e-4)


def test_a_carrier_is_its_fourier_series():
    phase = np.array([0.0, 0.1, 0.37, 0.8])
    ideal = sum(np.sin(2 * np.pi * k * phase) / k for k in range(1, 41))
    norm = math.sqrt(sum(0.5 / k**2 for k in range(1, 41)))
    np.testing.assert_allclose(np.abs(carrier("saw", phase, 40)), np.abs(ideal) / norm, atol=1e-4)


def test_a_take_has_the_level_noise_and_key_it_says():
    made = take(Plant(attack_release=True), [(0.5, 1.5)], 2.5, snr_db=40, level=0.2)
    held = slice(int(0.6 * made.rate), int(1.4 * made.rate))
    assert np.sqrt(np.mean(made.samples[held] ** 2)) == pytest.approx(0.2, rel=2e-3)
    assert np.std(made.samples[: made.rate // 2]) == pytest.approx(0.002, rel=0.03)
    assert np.flatnonzero(np.diff(made.key)).tolist() == [
        0.5 * made.rate - 1,
        1.5 * made.rate - 1,
    ]
