"""How sure the numbers of idle noise are: stated intervals against what was put in."""

import math

import numpy as np
import pytest
from idle_noise import BAND_DB, EVEN_DBFS, LEVELS, RATE, idle
from noise_cases import compared, random_case, write_case
from noises import coloured, hum, mains_path, note, white, write
from scipy import stats

from sigkit.captures.wav import open_capture
from sigkit.measures.noise import measure_noise
from sigkit.measures.noise.tone import tone_in
from sigkit.tracks.level_parts import Part


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("noise")


def test_stated_intervals_hold_the_truth(folder):
    """Random captures: lines, families, floor and frequency at k = 2, and no gross error."""
    rows = []
    for seed in range(40, 64):
        case = random_case(seed, seconds=6.0)
        path = write_case(folder, case, seed)
        rows += compared(case, measure_noise(open_capture(path)))
        path.unlink()
    z = np.array([row["z"] for row in rows if math.isfinite(row["z"])])
    held = np.mean(np.abs(z) <= 2)
    assert z.size > 200
    # 95 %, less three standard deviations of the binomial
    assert held > 0.95 - 3 * math.sqrt(0.95 * 0.05 / z.size)
    assert np.abs(z).max() < 6


def test_the_total_is_as_sure_as_noise_and_its_product_with_lines_let_it_be(folder):
    """Captures of two or three segments, hum 5 to 40 dB over the noise: error over u is about 1."""
    z, u = [], []
    for seed in range(16):
        rng = np.random.default_rng([18, seed])
        seconds, density = rng.uniform(4.2, 5.8), rng.uniform(-135, -120)
        top = density + BAND_DB + rng.uniform(5, 40)
        levels = {k: top - 3 * k for k in (1, 2, 3, 5)}
        x = idle(seconds, rng, density=density, levels=levels)
        total = measure_noise(open_capture(write(folder, x, name="total.wav"))).total
        powers = [10 ** ((density + BAND_DB) / 10), *(10 ** (v / 10) for v in levels.values())]
        z.append((total.value - 10 * math.log10(sum(powers))) / total.u)
        u.append(total.u)
    # The middle 99.9 % of a chi-squared law of 16 degrees of freedom
    low, high = stats.chi2.ppf([0.0005, 0.9995], len(z)) / len(z)
    assert low < np.mean(np.square(z)) < high
    assert max(u) < 0.03


def test_a_line_across_the_edge_of_the_band_widens_the_total(folder):
    rng = np.random.default_rng(19)
    x = white(6 * RATE, -130, RATE, rng)
    for hz, crossed in ((19_999.9, True), (19_000.0, False)):
        line = note(hz, 6.0, RATE, -60.0, "sine")
        total = measure_noise(open_capture(write(folder, x + line, name="edge.wav"))).total
        sources = [term.source for term in total.budget]
        assert ("line at the edge of the band" in sources) == crossed
        truth = 10 * math.log10(10**-6 + 10 ** (-13 + BAND_DB / 10))
        assert abs(total.value - truth) < 3 * total.u


@pytest.mark.parametrize("hz", [27.3, 110.7, 441.3])
def test_a_steady_tone_is_stated_as_sure_as_its_noise_lets_it_be(folder, hz):
    """Periods that do not fit the windows of a tenth of a second are no unsteady level."""
    rng = np.random.default_rng(20)
    quiet = white(3 * RATE, -125, RATE, rng)
    loud = note(hz, 3.37, RATE, -12.0) + white(round(3.37 * RATE), -105, RATE, rng)
    path = write(folder, np.concatenate([quiet, loud]), name="steady.wav")
    found = measure_noise(open_capture(path)).tone
    # Noise of that density over half the rate is in the level, and its product with the tone
    wanted = 10 * math.log10(10**-1.2 + 10 ** (-10.5) * RATE / 2)
    bound = 10 / math.log(10) * math.sqrt(2 * 10 ** (-10.5 + 1.2) / 3.3)
    assert abs(found.value - wanted) < 4 * found.u
    assert found.u < 4 * max(bound, 1e-4)


def test_filtered_noise_and_its_hum(folder):
    """Noise that falls by 24 dB an octave from 300 Hz: lines in it are still lines."""
    rng = np.random.default_rng(17)
    x = coloured(10 * RATE, lambda f: 1e-10 / (1 + (f / 300) ** 8), RATE, rng)
    x += hum(mains_path(x.size, RATE, 50.0, rng), RATE, LEVELS, rng)
    result = measure_noise(open_capture(write(folder, x)))
    f = np.geomspace(20, 20_000, 20_001)
    wanted = 10 * math.log10(np.trapezoid(1e-10 / (1 + (f / 300) ** 8), f))
    assert result.floor.value == pytest.approx(wanted, abs=3 * result.floor.u + 0.01)
    assert result.ripple.value == pytest.approx(EVEN_DBFS, abs=3 * result.ripple.u)
    assert result.ripple.u == pytest.approx(0.017, rel=0.15)  # bound of a line there


def test_what_the_windows_let_through_of_a_low_tone_is_in_its_uncertainty():
    """A sine of 20 Hz and its octave, whole turns to a hop: the level errs alike in every window.

    Over random phases the error's rms is what the term says; it depends on nothing but phase.
    """
    t = np.arange(3 * RATE) / RATE
    errors, terms = [], []
    for phase in np.random.default_rng(21).uniform(0, 2 * math.pi, (40, 2)):
        x = 0.3 * np.cos(40 * math.pi * t + phase[0]) + 0.1 * np.cos(80 * math.pi * t + phase[1])
        level = tone_in(Part(0.0, x, RATE, -10.0, 0.0), "alone").level
        errors.append(level.value - 10 * math.log10(0.3**2 + 0.1**2))
        terms.append(sum(b.u for b in level.budget if b.source == "periods of the tone"))
    rms = math.sqrt(np.mean(np.square(errors)))
    # Four standard deviations of the rms of 40 sines, and of the lines' powers.
    assert np.mean(terms) == pytest.approx(rms, rel=0.3)
    assert rms < 1e-3
