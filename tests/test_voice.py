"""The simulator's oscillator and filter against closed forms, scipy and a differential equation."""

import numpy as np
import pytest
from scipy import integrate, signal
from voice import RATE, SHAPES, TAPS, UP, couple, decimate, lowpass, oscillate

FINE = RATE * UP
HEARD = signal.firwin(255, 18_500, window=("kaiser", 9.0), fs=RATE)


def phases(octaves):
    """Cycles at every sample of 192 kHz: the pitch runs straight between samples of 48 kHz."""
    hz = 2.0**octaves
    before = np.r_[hz[:1], hz[:-1]]
    share = np.arange(1, UP + 1) / UP
    return np.cumsum((before[:, None] + share * (hz - before)[:, None]).ravel()) / FINE


def taken_down(hz):
    """Gain of the way down to 48 kHz: a cubic B-spline, then the filter."""
    w, h = signal.freqz(TAPS, worN=1 << 14, fs=FINE)
    gain = np.real(h * np.exp(2j * np.pi * w / FINE * (TAPS.size // 2)))
    return np.interp(hz, w, gain) * np.sinc(hz / FINE) ** 4


def by_harmonics(shape, octaves, width):
    """The same tone as the sum of its Fourier series along the moving phase and width."""
    phase, hz = phases(octaves)[::UP], 2.0**octaves
    before = np.r_[width[:1], width[:-1]]
    moving = before + (width - before) / UP
    speed = np.gradient(moving) * RATE
    rising, falling = np.exp(2j * np.pi * phase), np.exp(2j * np.pi * (phase - moving))
    x = 2 * moving - 1 if shape == "pulse" else np.zeros(phase.size)
    if shape == "sine":
        return x + taken_down(hz) / np.sinc(hz / FINE) ** 4 * rising.imag
    a, b = np.ones_like(rising), np.ones_like(falling)
    for k in range(1, int(24_500 / hz.min()) + 1):
        a, b = a * rising, b * falling
        gain = taken_down(k * hz)
        if shape == "saw":
            x -= gain * 2 / (np.pi * k) * a.imag
        elif shape == "triangle":
            x += (k % 2) * gain * 8 / (np.pi * k) ** 2 * a.real
        else:
            x += 2 / (np.pi * k) * (gain * a.imag - taken_down(k * (hz - speed)) * b.imag)
    return x


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("seed", [1, 2])
def test_moving_tones_are_their_fourier_series(shape, seed):
    """No edge is displaced: 90 dB is what the filter down to 48 kHz holds back (Kaiser, beta 9).

    Compared up to 18 kHz: a harmonic that moves along the filter's skirt hasn't the gain of a still
    one. Pitch moves over an octave and the width over 0.4 in 0.35 s, faster than a hand's sweeps.
    """
    rng = np.random.default_rng(seed)
    t = np.arange(int(0.7 * RATE)) / RATE
    move = 0.5 - 0.5 * np.cos(2 * np.pi * t / 0.7 + rng.uniform(0, 6))
    octaves = np.log2(rng.uniform(100, 900)) + move
    width = 0.08 + 0.4 * move
    x = decimate(oscillate(shape, octaves, width, np.zeros(3000)))
    error = signal.convolve(x - by_harmonics(shape, octaves, width), HEARD, "valid")
    tone = x[480:-480]
    worst = np.sqrt((error[: error.size // 480 * 480].reshape(-1, 480) ** 2).mean(axis=1).max())
    assert 20 * np.log10(worst / tone.std()) < -90


def test_every_period_has_its_own_jitter():
    """Zero crossings of a sine against the sum of periods; a sample's share of a period apart."""
    rng = np.random.default_rng(4)
    jitter = 0.01 * rng.standard_normal(300)
    x = oscillate("sine", np.full(RATE, np.log2(200.0)), np.full(RATE, 0.5), jitter)
    up = np.flatnonzero((x[:-1] < 0) & (x[1:] >= 0))
    crossed = (up + 1 - x[up] / (x[up + 1] - x[up])) / FINE
    expected = np.cumsum(1 / (200 * (1 + jitter)))[: crossed.size]
    assert crossed.size >= 198
    assert np.abs(np.diff(crossed) - np.diff(expected)).max() < 2 * 0.04 / FINE


@pytest.mark.parametrize("stages", [1, 2])
@pytest.mark.parametrize("quality", [0.7, 9.0])
def test_still_low_pass_is_scipys_bilinear_transform(stages, quality):
    cutoff = 1500.0
    x = np.zeros(4000)
    x[0] = 1
    y = lowpass(x, np.full(1000, cutoff), np.full(1000, quality), stages)
    w = 2 * FINE * np.tan(np.pi * cutoff / FINE)
    expected = x
    for q in (quality, 1 / 1.6)[:stages]:
        expected = signal.lfilter(*signal.bilinear([w**2], [1, w / q, w**2], FINE), expected)
    assert np.abs(y - expected).max() < 1e-9 * np.abs(expected).max()


def test_moving_low_pass_follows_its_differential_equation():
    """State-variable low-pass whose cutoff runs 300 Hz to 3 kHz in 50 ms, solved by Runge-Kutta.

    The trapezoidal rule errs by (2 pi f / rate)^2 / 12 a radian: 0.0004 at 2.2 kHz; 0.005 after a
    dozen radians of a resonance of 3.
    """

    def cutoff(t):
        return 300 * 10 ** (t / 0.05)

    def slope(t, s):
        w = 2 * np.pi * cutoff(t)
        return [w * (np.sin(2 * np.pi * 700 * t) - s[0] / 3 - s[1]), w * s[0]]

    t = np.arange(2400) / RATE
    fine = (np.arange(9600) + 1 - UP) / FINE  # the control at 48 kHz is met after four steps
    x = np.where(fine >= 0, np.sin(2 * np.pi * 700 * fine), 0)
    y = lowpass(x, cutoff(t), np.full(t.size, 3.0), 1)
    solved = integrate.solve_ivp(slope, (0, 0.05), [0, 0], t_eval=t[1:], rtol=1e-8, atol=1e-10)
    assert np.abs(y[UP - 1 :: UP][1:] - solved.y[1]).max() < 0.005 * np.abs(solved.y[1]).max()


def test_way_down_to_48_khz_is_flat_without_delay_and_shuts_out_images():
    n = np.arange(9600)
    for hz, least, most in ((480, -0.01, 0.01), (18_000, -0.01, 0.01), (26_000, -400, -85)):
        y = decimate(np.sin(2 * np.pi * hz * n / FINE))[200:-200]
        assert least < 10 * np.log10(2 * np.mean(y**2)) < most, hz
    x = np.random.default_rng(3).standard_normal(4000)
    fine = np.convolve(x, TAPS)[TAPS.size // 2 :][: x.size : UP]
    assert np.abs(decimate(x) - fine).max() < 1e-12


def test_coupling_capacitor_has_its_corner():
    t = np.arange(2 * RATE) / RATE
    for hz in (5.0, 20.0, 200.0):
        y = couple(np.sin(2 * np.pi * hz * t), 10.0)[RATE:]
        assert np.sqrt(2 * np.mean(y**2)) == pytest.approx((1 + (10 / hz) ** 2) ** -0.5, rel=2e-3)
