"""Two tones at once, against general solvers, exact truth and what a single tone can do."""

import math

import numpy as np
import pytest
from scipy import optimize
from tones import harmonic_amplitudes, moving_tone, noisy_tone, tone

from sigkit.tracks.beats import bands_of
from sigkit.tracks.two_tones.choice import what_is_there
from sigkit.tracks.two_tones.start import find_pair
from sigkit.tracks.two_tones.track import fit_tones, lines_of
from sigkit.tracks.two_tones.whole import fit_whole

RATE = 48_000
RATIOS = ((1, 1), (1, 2), (2, 3))


def two_tones(scaled_hz, steps, seconds, rng, *, snr_db=50.0, level=1.0, waves=("saw", "saw")):
    """Two additive tones at random phases in white noise."""
    t = np.arange(round(seconds * RATE)) / RATE
    sound = np.zeros(t.size)
    for hz, step, wave, size in zip(scaled_hz, steps, waves, (1.0, level), strict=True):
        one = tone(wave, step * hz * t + rng.random(), int(0.48 * RATE / (step * hz)), 0.3)
        sound += size * one / np.sqrt(np.mean(one**2))
    sound /= np.sqrt(np.mean(sound**2))
    return sound + 10 ** (-snr_db / 20) * rng.standard_normal(t.size)


def cents(hz, of_hz):
    return 1200 * np.log2(np.asarray(hz) / np.asarray(of_hz))


def test_lines_of_a_fifth():
    lower, upper = lines_of((2, 3), 6)
    assert lower.tolist() == [False, True, False, True, False, True]
    assert upper.tolist() == [False, False, True, False, False, True]


def test_agrees_with_a_general_solver():
    """scipy.optimize.least_squares on the samples themselves: four sines, nothing of ours."""
    rng = np.random.default_rng(1)
    true = np.array([220.0, 220.9])
    t = np.arange(round(1.2 * RATE)) / RATE
    sound = sum(
        a * np.sin(2 * np.pi * k * hz * t + rng.uniform(0, 6))
        for hz in true
        for k, a in ((1, 1.0), (2, 0.4))
    )
    sound = sound + 0.02 * rng.standard_normal(t.size)
    grid_hz, first, bands = bands_of(sound, RATE, 220.3)
    fit = fit_tones(bands, (1, 1), np.array([[-1.0], [1.0]]), first=2, most=2)
    ours = np.sort(grid_hz * (1 + fit.offsets))
    # The same stretch, at a rate that is enough for the second harmonics.
    begin = round(first / grid_hz * RATE)
    part = slice(begin, begin + round(bands.shape[1] / grid_hz * RATE))
    x, at = sound[part][::16], t[part][::16]

    def left(hz):
        design = np.concatenate(
            [f(2 * np.pi * k * h * at) for h in hz for k in (1, 2) for f in (np.sin, np.cos)]
        ).reshape(8, -1)
        amplitudes = np.linalg.lstsq(design.T, x, rcond=None)[0]
        return x - design.T @ amplitudes

    general = optimize.least_squares(left, true + np.array([0.01, -0.01]), x_scale=1e-3)
    sd = cents(1 + np.sqrt(np.diag(fit.offset_covariance)), 1)
    # A sixteenth of the samples carries 4 times the noise; both hold the same truth.
    assert np.all(np.abs(cents(ours, general.x)) < 4 * 4 * sd)
    assert np.all(np.abs(cents(ours, true)) < 4 * sd)


@pytest.mark.parametrize("steps", RATIOS)
def test_at_the_bound(steps):
    """rms error over the exact bound (Rife and Boorstyn 1976): all amplitudes, phases unknown."""
    rng = np.random.default_rng(steps)
    ratios, hits, total = [], 0, 0
    for _ in range(8):
        low = 2 ** rng.uniform(math.log2(110), math.log2(440)) / steps[0]
        seconds = float(rng.choice([2.0, 4.0]))
        beats = float(rng.choice([0.3, 1.0, 4.0]))
        scaled = low * np.array([1, 1 + beats / seconds / math.lcm(*steps) / low])
        snr_db, level = rng.uniform(20, 60), 10 ** (-rng.uniform(0, 12) / 20)
        sound = two_tones(scaled, steps, seconds, rng, snr_db=snr_db, level=level)
        fit = fit_whole(sound, RATE, steps, scaled * (1 + 1e-8))
        assert fit is not None
        bound = pair_bound(scaled, steps, seconds, snr_db, level)
        u = cents(1 + np.sqrt(np.diag(fit.covariance)) / scaled, 1)
        error = cents(fit.scaled_hz, scaled)
        ratios += list(error / bound)
        hits += int(np.sum(np.abs(error) < 2 * u))
        total += 2
        # The stated one is no better than the bound, and hardly worse.
        assert np.all((u > 0.9 * bound) & (u < 1.4 * bound))
    assert math.sqrt(np.mean(np.square(ratios))) < 1.5  # 1 + chance of 16 values, 3 sd
    assert hits >= total - 4  # 95 % of 16 within 3 binomial standard deviations


def pair_bound(scaled_hz, steps, seconds, snr_db, level):
    """Exact Cramer-Rao bound of both pitches in cents, tones resolved or not, random phases.

    The Fisher matrix by samples at a low rate: the same harmonics, noise scaled to the density.
    """
    top = [int(0.48 * RATE / (h * s)) for h, s in zip(scaled_hz, steps, strict=True)]
    n = round(seconds * RATE)
    t = (np.arange(n) - (n - 1) / 2) / RATE
    powers = []
    columns, derivatives = [], []
    for hz, step, count, size in zip(scaled_hz, steps, top, (1, level), strict=True):
        a = np.abs(harmonic_amplitudes("saw", count))
        a = a * size / math.sqrt(np.sum(a**2) / 2)
        powers.append(np.sum(a**2) / 2)
        k = np.arange(1, count + 1)
        columns.append(2 * np.pi * k * hz * step)
        derivatives.append(2 * np.pi * k * step * a)
    sd = math.sqrt(sum(powers)) * 10 ** (-snr_db / 20)
    # Analytic lines: a line meets those nearest to it; n/2 each, by closed-form kernels.
    w = np.concatenate(columns)
    own = np.concatenate([np.full(c.size, i) for i, c in enumerate(columns)])
    d = np.concatenate(derivatives)
    apart = w[:, None] - w
    k0, k1, k2 = (kernel(apart, t, power) for power in range(3))
    phases = np.exp(1j * np.random.default_rng(0).uniform(0, 2 * np.pi, w.size))
    information = np.zeros((2, 2))
    vectors = [np.where(own == i, 1j * d * phases, 0) for i in range(2)]
    onto = [k1 @ v for v in vectors]
    solved = [np.linalg.solve(k0, o) for o in onto]
    for i in range(2):
        for j in range(2):
            total = vectors[i].conj() @ k2 @ vectors[j] - onto[i].conj() @ solved[j]
            information[i, j] = total.real / 2 / sd**2
    return 1200 / math.log(2) * np.sqrt(np.diag(np.linalg.inv(information))) / scaled_hz


def kernel(w, t, power):
    """Sum of t^power exp(-j w t), as an integral: exact enough below half the rate."""
    half = -t[0]
    x = np.asarray(w) * half
    small = np.abs(x) < 1e-3
    y = np.where(small, 1.0, x)
    if power == 0:
        value = np.where(small, 2 - x**2 / 3, 2 * np.sin(y) / y) * half
    elif power == 1:
        value = -1j * half**2 * np.where(small, 2 * x / 3, 2 * (np.sin(y) - y * np.cos(y)) / y**2)
    else:
        value = half**3 * np.where(
            small,
            2 / 3 - x**2 / 5,
            2 * (y**2 * np.sin(y) + 2 * y * np.cos(y) - 2 * np.sin(y)) / y**3,
        )
    return value * RATE


def test_start_needs_no_hint():
    """Pitches are found from a rough grid alone, beating 0.3 to 20 times in the stretch."""
    rng = np.random.default_rng(3)
    for trial in range(12):
        steps = RATIOS[trial % 3]
        low = 2 ** rng.uniform(math.log2(80), math.log2(500)) / steps[0]
        beats = float(rng.choice([0.3, 1.0, 6.0]))
        scaled = low * np.array([1, 1 + beats / 2 / math.lcm(*steps) / low])
        waves = rng.choice(["saw", "pulse", "triangle"], 2)
        sound = two_tones(scaled, steps, 2.3, rng, snr_db=45, level=0.4, waves=waves)
        grid_hz, _, bands = bands_of(sound, RATE, low * (1 + rng.uniform(-0.002, 0.002)))
        fit = find_pair(bands, steps, most=64)
        assert fit is not None
        found = np.sort(grid_hz * (1 + fit.offsets))
        u = cents(1 + np.sqrt(np.diag(fit.offset_covariance)), 1)
        assert np.all(np.abs(cents(found, scaled)) < 5 * np.maximum(u, 1e-5)), (steps, waves)


def test_moving_tones_against_the_weighted_mean():
    """Independent walks of 0.1 cent/sqrt(s): at most 0.01 cent rms in windows of 2 s."""
    rng = np.random.default_rng(4)
    errors, held = [], []
    for _ in range(8):
        hz = rng.uniform(100, 500)
        beat = rng.uniform(0.5, 2.0)
        count = round(2.3 * RATE)
        paths = []
        for start in (hz, hz + beat):
            walk = 0.1 * np.cumsum(rng.standard_normal(count)) / math.sqrt(RATE)
            paths.append(start * 2 ** (walk / 1200))
        sound = sum(moving_tone("saw", p, RATE) for p in paths)
        sound = sound + 1e-4 * rng.standard_normal(count)
        grid_hz, first, bands = bands_of(sound, RATE, hz + beat / 2)
        found = what_is_there(bands, ((1, 1),))
        assert found.kind == "two"
        # The mean over every sample: a coarser one would miss more of the walk than the fit does.
        begin = round(first / grid_hz * RATE)
        inside = slice(begin, begin + round((bands.shape[1] - 1) / grid_hz * RATE))
        weight = 1 - np.linspace(-1, 1, inside.stop - inside.start) ** 2
        true = [float(p[inside] @ weight / weight.sum()) for p in paths]
        order = np.argsort(found.tones.offsets)
        ours = grid_hz * (1 + found.tones.offsets[order])
        u = cents(1 + np.sqrt(np.diag(found.tones.offset_covariance))[order], 1)
        errors += list(cents(ours, true))
        held += list(np.abs(cents(ours, true)) <= 2 * u)
    assert math.sqrt(np.mean(np.square(errors))) < 0.01
    assert np.mean(held) > 0.78  # 95 % less three binomial standard deviations of 16


def single_tones():
    """Sounds of one oscillator that have side lines, with a name each."""
    rng = np.random.default_rng(5)
    t = np.arange(round(2.3 * RATE)) / RATE
    hz = 146.3
    steady, _ = noisy_tone("saw", hz, 50, 2.3, rng)
    yield "steady", steady
    for name, rate_hz, depth in (("slow vibrato", 0.7, 8), ("vibrato", 5.2, 20)):
        yield (
            name,
            moving_tone("saw", hz * 2 ** (depth * np.sin(2 * np.pi * rate_hz * t) / 1200), RATE),
        )
    yield "drift", moving_tone("pulse", hz * 2 ** (0.8 * t / 1200), RATE, duty=0.2)
    for rate_hz in (0.15, 0.9, 4.4):
        yield f"tremolo {rate_hz} Hz", steady * (1 + 0.6 * np.sin(2 * np.pi * rate_hz * t))
    sine, _ = noisy_tone("sine", hz, 60, 2.3, rng)
    yield "sine with tremolo", sine * (1 + 0.4 * np.sin(2 * np.pi * 2.0 * t))
    yield "sine fading", sine * np.exp(-t)
    yield "hum beside it", steady + 0.02 * np.sin(2 * np.pi * 50 * t) + 0.01
    width = 0.5 + 0.2 * np.sin(2 * np.pi * 0.6 * t)
    phase = hz * t
    yield "pulse of moving width", tone("saw", phase, 150) - tone("saw", phase - width, 150)


@pytest.mark.parametrize(("name", "sound"), [pytest.param(*s, id=s[0]) for s in single_tones()])
def test_one_tone_is_not_two(name, sound):
    rng = np.random.default_rng(6)
    sound = sound / np.std(sound) + 1e-3 * rng.standard_normal(sound.size)
    _, _, bands = bands_of(sound, RATE, 146.3)
    found = what_is_there(bands, RATIOS)
    assert found.kind != "two" or found.one_pulse, name


def test_a_pulse_of_evenly_moving_width_is_two_saws():
    """Its edges are two saws of opposite sign and, while the width moves evenly, steady pitch."""
    t = np.arange(round(2.3 * RATE)) / RATE
    sound = tone("saw", 146.3 * t, 150) - tone("saw", 146.3 * t - 0.2 - 0.25 * t, 150)
    sound = sound + 1e-3 * np.random.default_rng(7).standard_normal(t.size)
    _, _, bands = bands_of(sound, RATE, 146.3)
    found = what_is_there(bands, RATIOS)
    assert found.kind == "two"
    assert found.one_pulse
