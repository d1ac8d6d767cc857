"""Oscillators against closed forms, and the floor of what should not be there."""

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import signal, special

from sigkit.captures.wav import open_capture
from sigkit.errors import InputError
from sigkit.synth import (
    LowPass,
    Oscillator,
    at_cents,
    dbfs,
    stream,
    tone,
    vibrato_cents,
    warmup_cents,
    write_blocks,
)
from sigkit.synth.oscillators import FADE

RATE = 48000
WIDTHS = {"saw": 0.5, "triangle": 0.5, "sine": 0.5, "pulse": 0.23}


@pytest.mark.parametrize("shape", ["saw", "triangle", "pulse", "sine"])
def test_nothing_but_harmonics_down_to_minus_200_db(shape):
    """All lines that are not harmonics of a bin-centred tone lie at least 200 dB below it.

    The bins are prime, so that a harmonic folded at half the sample rate cannot fall on another.
    """
    for line in (41, 439, 2003, 7919, 12007):
        s = tone(shape, float(line), rate=RATE, seconds=1.0, width=WIDTHS[shape], phase=0.3)
        spectrum = np.abs(np.fft.rfft(s.samples))
        fundamental = spectrum[line]
        spectrum[line::line] = 0
        assert 20 * math.log10(spectrum.max() / fundamental) < -200


@pytest.mark.parametrize(
    ("shape", "harmonic"),
    [
        ("saw", lambda k, _d: 2 / (np.pi * k)),
        ("triangle", lambda k, _d: np.where(k % 2, 8 / (np.pi * k) ** 2, 0.0)),
        ("pulse", lambda k, d: 4 / (np.pi * k) * np.abs(np.sin(np.pi * k * d))),
        ("sine", lambda k, _d: np.where(k == 1, 1.0, 0.0)),
    ],
)
def test_harmonics_have_their_closed_form(shape, harmonic):
    """Fourier series of saw, triangle and pulse: any handbook of mathematics (from memory)."""
    for line, width in ((55, 0.5), (101, 0.1), (220, 0.31)):
        s = tone(shape, float(line), rate=RATE, seconds=1.0, width=width)
        k = np.arange(1, int(FADE[0] * RATE / 2 / line))
        level = 2 * np.abs(np.fft.rfft(s.samples))[k * line] / RATE
        assert_allclose(level, harmonic(k, width), atol=1e-12)


@pytest.mark.parametrize("shape", ["saw", "triangle", "pulse"])
def test_phase_is_that_of_scipy_waveforms(shape):
    """scipy.signal.sawtooth and square, one million points a period, as the outside reference."""
    n = 1_000_000
    phi = 2 * np.pi * (np.arange(n) + 0.5) / n
    ideal = {
        "saw": signal.sawtooth(phi),
        "triangle": signal.sawtooth(phi, 0.5),
        "pulse": signal.square(phi, 0.2),
    }[shape]
    k = np.arange(1, 60)
    theirs = 2 * np.array([np.mean(ideal * np.exp(-1j * j * phi)) for j in k])
    s = tone(shape, 100.0, rate=RATE, seconds=1.0, width=0.2)
    ours = 2 * np.fft.rfft(s.samples)[k * 100] / RATE
    assert_allclose(ours, theirs, atol=5e-6)  # the ideal's edges fall between its points


def test_phase_follows_a_line_and_an_exponential_to_the_last_digits():
    """The sine of the analytic integral of the path, against the sound of the path.

    The trapezium rule leaves h^2/12 (f'(end) - f'(0)) cycles, about 1e-9 rad here.
    """
    t = np.arange(10 * RATE) / RATE
    line = tone("sine", 200 + 30 * t, rate=RATE)
    assert_allclose(line.samples, np.sin(2 * np.pi * (200 * t + 15 * t**2)), atol=1e-9)
    # f = 220 * 2**(-A (1 - exp(-t/tau))), integrated with the exponential integral
    total, tau = 1200.0, 0.7
    b = math.log(2)
    path = at_cents(220.0, warmup_cents(t, total_cents=total, time_constant_s=tau))
    ei = special.expi(-b * np.exp(-t / tau)) - special.expi(-b)
    phase = 220 * 2 * -tau * ei
    s = tone("sine", path, rate=RATE)
    assert_allclose(s.samples, np.sin(2 * np.pi * phase), atol=1e-7)


def test_phase_of_vibrato_is_its_bessel_series():
    """Sine with sinusoidal frequency modulation: Jacobi-Anger expansion, lines of J_n(beta)."""
    t = np.arange(RATE) / RATE
    f = 1000 + 15.0 * np.cos(2 * np.pi * 5 * t)
    s = tone("sine", f, rate=RATE)
    level = 2 * np.abs(np.fft.rfft(s.samples)) / RATE
    for order in range(8):
        assert level[1000 + 5 * order] == pytest.approx(abs(special.jv(order, 3.0)), abs=1e-6)
        assert level[1000 - 5 * order] == pytest.approx(abs(special.jv(order, 3.0)), abs=1e-6)


@pytest.mark.parametrize("shape", ["saw", "triangle", "pulse", "sine"])
def test_blocks_join_without_a_seam(shape):
    rng = np.random.default_rng(3)
    t = np.arange(3 * RATE) / RATE
    f = at_cents(110.0, 2400 * t / 3 + vibrato_cents(t, rate_hz=6.0, peak_cents=30.0))
    width = 0.5 + 0.4 * np.sin(2 * np.pi * 0.7 * t)
    whole = Oscillator(shape, RATE, phase=0.123).play(f, width=width)
    osc = Oscillator(shape, RATE, phase=0.123)
    cuts = np.sort(rng.integers(0, len(t), 12))
    parts = [
        osc.play(a, width=b) for a, b in zip(np.split(f, cuts), np.split(width, cuts), strict=True)
    ]
    assert_allclose(np.concatenate(parts), whole, atol=1e-11)


def test_a_sweep_loses_its_harmonics_without_a_click():
    """A saw swept from 2 to 4 kHz is its harmonics, each times a gain that moves slowly.

    What is left over is the rounding of this test's own phase, thousands of cycles in a double:
    about 1e-12 cycles, times 2 pi and the number of steps' root.
    """
    t = np.arange(2 * RATE) / RATE
    f = 2000 * 2 ** (t / 2)
    s = tone("saw", f, rate=RATE).samples
    phase = np.concatenate(([0.0], np.cumsum((f[1:] + f[:-1]) / 2 / RATE)))
    rest = s.copy()
    for k in range(1, 12):  # take away each harmonic with the smooth gain it should have
        ramp = np.clip((FADE[1] - k * f / (RATE / 2)) / (FADE[1] - FADE[0]), 0, 1)
        gain = ramp**3 * (10 - 15 * ramp + 6 * ramp**2)
        rest += 2 / np.pi / k * gain * np.sin(2 * np.pi * k * phase)
        assert np.abs(np.diff(gain)).max() < 1e-3
    assert np.abs(rest).max() < 1e-8


def test_clean_sweep_of_width_has_no_displaced_edge():
    """Period-synchronous: the middle of three periods lies between its neighbours, less curvature.

    The period is 160 samples exactly, so no interpolation enters. What the median of three leaves
    over is the curvature of the width path; an edge displaced by one sample would leave about 0.1
    after the band-limiting of the wave.
    """
    t = np.arange(4 * RATE) / RATE
    width = 0.3 + 0.2 * np.sin(2 * np.pi * 0.25 * t)
    s = tone("pulse", 300.0, rate=RATE, seconds=4.0, width=width, response=LowPass(3000.0))
    x = s.samples[: len(t) // 160 * 160].reshape(-1, 160)
    residual = x[1:-1] - (x[:-2] + x[2:]) / 2
    assert np.abs(residual).max() < 2e-3
    x[700, 80:90] += 0.05  # the check sees a click of -26 dB
    residual = x[1:-1] - (x[:-2] + x[2:]) / 2
    assert np.abs(residual).max() > 0.04


def test_filter_is_the_analogue_response_on_each_harmonic():
    """scipy.signal.freqs of the same prototype, gain and phase, both slopes."""
    for slope, q in ((12, 0.5), (12, 4.0), (24, 0.5), (24, 1.3)):
        low = LowPass(400.0, slope_db=slope, q=q)
        den = np.array([1 / (2 * np.pi * 400) ** 2, 1 / (2 * np.pi * 400 * q), 1.0])
        den = den if slope == 12 else np.polymul(den, den)
        k = np.arange(1, 40)
        _, h = signal.freqs([1.0], den, 2 * np.pi * 100 * k)
        plain = tone("saw", 100.0, rate=RATE, seconds=1.0).samples
        dull = tone("saw", 100.0, rate=RATE, seconds=1.0, response=low).samples
        ratio = np.fft.rfft(dull)[100 * k] / np.fft.rfft(plain)[100 * k]
        assert_allclose(ratio, h, rtol=1e-9, atol=1e-9)


def test_filter_follows_its_cutoff_path():
    t = np.arange(RATE) / RATE
    cutoff = 100.0 * 2 ** (3 * t)
    s = tone("sine", 200.0, rate=RATE, seconds=1.0, response=LowPass(cutoff, slope_db=12))
    h = 1 / (1 + 1j * 200 / cutoff) ** 2
    assert_allclose(s.samples, np.abs(h) * np.sin(2 * np.pi * 200 * t + np.angle(h)), atol=1e-9)


def test_no_harmonic_is_lost_where_a_closed_filter_opens_for_a_moment():
    """Filters that open within 1 ms from far below the tone, against a filter that stays open."""
    open_at = slice(10300, 10350)
    cutoff = np.full(RATE // 2, 5.0)
    cutoff[open_at] = 8000.0
    opens, stays = (
        tone("saw", 100.0, rate=RATE, seconds=0.5, response=LowPass(c)).samples
        for c in (cutoff, 8000.0)
    )
    assert_allclose(opens[open_at], stays[open_at], atol=1e-12)


def test_level_is_that_of_aes17():
    """AES17: a full-scale sine reads 0 dBFS; then a full-scale square of low pitch reads +3.01."""
    assert dbfs(tone("sine", 997.0, rate=RATE, seconds=1.0).samples) == pytest.approx(0, abs=1e-9)
    square = dbfs(tone("pulse", 10.0, rate=RATE, seconds=1.0).samples)
    assert square == pytest.approx(20 * math.log10(math.sqrt(2)), abs=0.01)
    s = tone("saw", 110.0, rate=RATE, seconds=1.0, level_dbfs=-18.0)
    assert dbfs(s.samples) == pytest.approx(-18.0, abs=1e-9)
    assert dbfs(np.zeros(10)) == -math.inf


def test_truth_gives_window_means():
    t = np.arange(2 * RATE) / RATE
    s = tone("saw", 100 + 50 * t, rate=RATE, amplitude=1 - t / 4)
    assert s.window_mean("frequency_hz", 0.5, 1.0) == pytest.approx(137.5, abs=1e-9)
    assert s.window_mean("amplitude", 0.0, 1.5) == pytest.approx(1 - 0.75 / 4, abs=1e-9)
    assert s.duration_s == 2.0
    assert_allclose(s.time_s, t)
    with pytest.raises(InputError, match="No window"):
        s.window_mean("frequency_hz", 1.0, 3.0)


def test_hours_stream_in_small_blocks(tmp_path):
    """The phase after an hour is that of the path: 3600 s of 440 Hz end where they began.

    Steps of phase are rounded to 2**-52 cycles: at most 2 pi 2**-53 rad each, over 28.8 million.
    """
    last = None
    for block in stream("sine", lambda t: np.full(len(t), 440.0), rate=8000, seconds=3600.0):
        last = block
    t = np.arange(80000) / 8000
    assert_allclose(last, np.sin(2 * np.pi * 440 * t), atol=2 * np.pi * 2**-53 * 28.8e6)
    path = write_blocks(
        tmp_path / "a.wav",
        stream("saw", lambda t: 100 + t, rate=8000, seconds=25.0, gain=0.5),
        8000,
    )
    assert open_capture(path).frames == 200_000


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"shape": "square", "frequency_hz": 1.0, "seconds": 1.0}, "no wave named"),
        ({"shape": "saw", "frequency_hz": 100.0}, "needs its length"),
        ({"shape": "saw", "frequency_hz": 0.0, "seconds": 1.0}, "frequency_hz must be"),
        ({"shape": "saw", "frequency_hz": math.nan, "seconds": 1.0}, "frequency_hz must be"),
        ({"shape": "saw", "frequency_hz": 30000.0, "seconds": 1.0}, "frequency_hz must be"),
        ({"shape": "pulse", "frequency_hz": 100.0, "seconds": 1.0, "width": 1.2}, "width must"),
        (
            {"shape": "saw", "frequency_hz": np.full(9, 100.0), "amplitude": np.ones(8)},
            "amplitude must be one number or one per sample",
        ),
    ],
)
def test_bad_paths_are_refused(arguments, message):
    with pytest.raises(InputError, match=message):
        tone(**arguments, rate=RATE)


def test_bad_rate_and_filter_are_refused():
    with pytest.raises(InputError, match="rate must be above zero"):
        Oscillator("saw", 0)
    with pytest.raises(InputError, match="low-pass needs"):
        LowPass(0.0)
    with pytest.raises(InputError, match="low-pass needs"):
        LowPass(100.0, slope_db=18)
