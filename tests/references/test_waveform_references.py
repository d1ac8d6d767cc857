"""Waveforms against closed forms, a worked sine fit, and recorded waves through other libraries."""

import importlib.util
import math
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from scipy import signal
from tones import harmonic_amplitudes, tone, write_sound

import sigkit
from sigkit.measures.waveform.models import ideal
from sigkit.tracks.folded import harmonics_of

_spec = importlib.util.spec_from_file_location(
    "freepats_notes", Path(__file__).with_name("freepats.py")
)
freepats = sys.modules["freepats_notes"] = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(freepats)

WAVEFORMS = "usr/share/lmms/samples/waveforms"


def measured(folder, x, rate=48_000):
    """Measure what no recorder has heard."""
    capture = sigkit.open_capture(write_sound(folder, x, rate))
    return sigkit.measure_waveform(capture, response_db=0)


def played(wave, hz, top, duty=0.5, seconds=1.0, rate=48_000, noise=2e-6):
    """A Fourier sum of its first harmonics, at an rms of 0.2, in a trace of noise."""
    t = np.arange(round(seconds * rate)) / rate
    x = tone(wave, hz * t + 0.2, top, duty)
    x *= 0.2 / np.sqrt(np.mean(x**2))
    return x + noise * np.random.default_rng(1).standard_normal(t.size)


SINE_FIT = [1.287, 1.039, 0.653, 0.253, -0.193, -0.554, -0.864, -1.009, -1.051, -0.905]
SINE_FIT += [-0.668, -0.289, 0.108, 0.556, 0.922, 1.242, 1.400, 1.455, 1.322, 1.096]


def sine_fit(hz):
    """Fit A cos + B sin + C to the worked values, 20 samples at 20 Hz; return these and the rms."""
    x, t = np.array(SINE_FIT), np.arange(20) / 20
    mean, half = harmonics_of(x, hz * t, np.ones(20), 1)
    a, b, c = 2 * half.real, -2 * half.imag, mean.real
    left = x - a * np.cos(2 * np.pi * hz * t) - b * np.sin(2 * np.pi * hz * t) - c
    return a, b, c, math.sqrt(np.mean(left**2))


def test_three_parameter_sine_fit():
    """IEEE Std 1057 and 1241 (from memory): linear least squares at a known frequency.

    Values of a fixed vector, calculated by two other solvers that agree to 1e-10.
    """
    a, b, c, rms = sine_fit(1.1)
    assert a == pytest.approx(1.09687923, abs=1e-8)
    assert b == pytest.approx(-0.59908696, abs=1e-8)
    assert c == pytest.approx(0.19999545, abs=1e-8)
    assert math.hypot(a, b) == pytest.approx(1.249819682, abs=1e-9)
    assert math.atan2(-b, a) == pytest.approx(0.499901067, abs=1e-8)
    assert rms == pytest.approx(0.010132222, abs=1e-8)


def test_four_parameter_sine_fit_is_the_least_of_three_parameter_fits():
    """The same vector: frequency 1.099336087 Hz, rms 0.010096718, both by two other solvers."""
    a, b, c, rms = sine_fit(1.099336087)
    assert a == pytest.approx(1.095785488, abs=2e-8)
    assert b == pytest.approx(-0.601061707, abs=2e-8)
    assert c == pytest.approx(0.200509040, abs=2e-8)
    assert rms == pytest.approx(0.010096718, abs=1e-8)
    assert rms < min(sine_fit(1.0992)[3], sine_fit(1.0995)[3])


@pytest.mark.parametrize(
    ("hz", "count", "saw", "square"),
    [
        (110, 181, 79.9640, 48.0576),
        (220, 90, 79.6169, 47.7645),
        (440, 45, 78.9276, 47.2052),
        (880, 22, 77.4917, 45.9335),
    ],
)
def test_thd_of_the_band_up_to_20_khz(tmp_path, hz, count, saw, square):
    """Partial sums of the Fourier series (closed forms, any handbook), harmonics to 20 kHz.

    They are given to a unit of the fourth place, and the interval of the noise comes on top.
    """
    for wave, truth in (("saw", saw), ("pulse", square)):
        result = measured(tmp_path, played(wave, hz, math.floor(23_900 / hz)))
        assert result.thd_harmonics == count
        assert result.thd.value == pytest.approx(truth, abs=6e-5 + 1.5 * result.thd.expanded)
        assert result.thd.expanded < 0.001


@pytest.mark.parametrize(
    ("wave", "count", "truth"),
    [
        ("saw", 5, 68.089),
        ("saw", 10, 74.146),
        ("saw", 20, 77.212),
        ("pulse", 9, 42.879),
        ("pulse", 15, 44.999),
        ("triangle", 9, 12.0477),
    ],
)
def test_thd_of_the_first_harmonics_only(tmp_path, wave, count, truth):
    """The same sums cut off at a given number: a narrower band has less distortion."""
    x = played(wave, 440, 54)
    capture = sigkit.open_capture(write_sound(tmp_path, x))
    result = sigkit.measure_waveform(capture, band_hz=440 * count + 200)
    assert result.thd_harmonics == count
    assert result.thd.value == pytest.approx(truth, abs=6e-4)


def test_thd_of_endless_series():
    """THD_F: square sqrt(pi^2/8 - 1), triangle sqrt(pi^4/96 - 1), saw sqrt(pi^2/6 - 1)."""
    k = np.arange(1.0, 200_001)
    for kind, share, truth in (
        ("pulse", 0.5, math.sqrt(math.pi**2 / 8 - 1)),
        ("ramp", 0.5, math.sqrt(math.pi**4 / 96 - 1)),
        ("ramp", 1e-7, math.sqrt(math.pi**2 / 6 - 1)),
        ("ramp", 0.25, 0.37618),
        ("ramp", 0.1, 0.61409),
        ("pulse", 0.1, 1.91076),
        ("pulse", 1 / 3, 0.67983),
    ):
        size = np.abs(ideal(kind, share, k))
        assert math.sqrt(float(np.sum(size[1:] ** 2))) / size[0] == pytest.approx(truth, abs=4e-5)


@pytest.mark.parametrize(
    ("duty", "levels"),
    [
        (0.05, (-0.11, -0.29, -0.54, -0.88, -1.29, -1.79, -2.38)),
        (0.2, (-1.84, -5.36, -12.04, None, -15.56, -12.72, -13.88)),
        (0.25, (-3.01, -9.54, None, -13.98, -12.55, -16.90, None)),
        (1 / 3, (-6.02, None, -12.04, -13.98, None, -16.90, -18.06)),
        (0.48, (-24.04, -9.68, -24.11, -14.40, -24.23, -17.75, -24.39)),
        (0.5, (None, -9.54, None, -13.98, None, -16.90, None)),
    ],
)
def test_harmonics_and_nulls_of_pulses(tmp_path, duty, levels):
    """Levels of harmonics 2 to 8 re the fundamental: |sin(n pi d)| / (n sin(pi d)), a handbook's.

    Harmonic n vanishes where n d is whole; a level of the table is good to its last digit.
    """
    result = measured(tmp_path, played("pulse", 220, 108, duty))
    found = result.harmonics["level_db"].to_numpy()[1:8]
    floor = result.harmonics["floor_db"].to_numpy()[1:8]
    for level, truth, noise in zip(found, levels, floor, strict=True):
        if truth is None:
            assert not level > max(-75, noise + 15)
        else:
            assert level == pytest.approx(truth, abs=0.006)
    assert result.duty_cycle.value == pytest.approx(100 * duty, abs=0.001)
    assert result.shape == "pulse"


def test_a_coupling_tilts_a_square_and_leaves_its_duty_cycle(tmp_path):
    """5 Hz at 110 Hz: tops droop by 1 - exp(-pi 5 / 110), 13.3 %, in half a period: closed form."""
    rate, hz, corner = 48_000, 110.0, 5.0
    t = np.arange(rate) / rate
    k = np.arange(1, 200)
    half = harmonic_amplitudes("pulse", 199, 0.5) * k / (k - 1j * corner / hz)
    x = 0.1 * sum((a * np.exp(2j * np.pi * n * hz * t)).imag for n, a in zip(k, half, strict=True))
    result = measured(tmp_path, x + 1e-6 * np.random.default_rng(2).standard_normal(rate))
    period = result.period
    top = np.flatnonzero(period.ideal > 0)
    early, late = (period.value[top[round(share * top.size)]] for share in (0.2, 0.8))
    assert late / early == pytest.approx(math.exp(-math.pi * corner / hz * 0.6), abs=0.01)
    assert result.duty_cycle.value == pytest.approx(50, abs=0.001)
    assert "what one of 5 Hz does" in result.path


@pytest.mark.recordings
@pytest.mark.parametrize(
    ("name", "shape"),
    [
        ("10saw", "saw"),
        ("10sine", "sine"),
        ("10sqr", "pulse"),
        ("10tri", "triangle"),
        ("analogsqr", "pulse"),
        ("w2_sawsine", "mixed"),
        ("sinesaw", "mixed"),
        ("halfsine", "mixed"),
    ],
)
def test_waves_of_an_open_collection(tmp_path, name, shape):
    """Single periods of LMMS (Debian ``lmms-common``, GPL-2+), named by their makers.

    Their harmonics by NumPy's transform of the period are played again at 110 Hz; shape by its
    name, levels within the stated intervals (95 %), THD by the same transform.
    """
    x, _ = sf.read(freepats.recordings() / WAVEFORMS / f"{name}.flac")
    c = np.fft.rfft(x) / x.size
    t = np.arange(2 * 48_000) / 48_000
    top = 190
    y = sum(2 * (c[k] * np.exp(2j * np.pi * k * 110.03 * t)).real for k in range(1, top + 1))
    y *= 0.25 / np.abs(y).max()
    result = measured(tmp_path, y + 2e-5 * np.random.default_rng(3).standard_normal(t.size))
    assert result.shape == shape
    assert result.shape_confidence > 0.95
    count = result.thd_harmonics
    truth = 100 * math.sqrt(float(np.sum(np.abs(c[2 : count + 1]) ** 2))) / abs(c[1])
    if name != "10sine":
        assert result.thd.value == pytest.approx(truth, abs=1.5 * result.thd.expanded)
    table = result.harmonics
    level = 20 * np.log10(np.abs(c[1 : count + 1] / c[1]))
    told = table["level_db"].notna().to_numpy() & (level > -90)
    told[0] = False
    z = ((table["level_db"] - level) / table["u_level_db"])[told]
    assert np.mean(np.abs(z) < 2) > 0.85 or name == "10sine"
    if name in ("10sqr", "analogsqr"):
        assert result.duty_cycle.value == pytest.approx(50, abs=0.01)


@pytest.mark.recordings
def test_a_recorded_square_of_two_beating_voices_is_refused(tmp_path):
    """freepats (GPL-2+), ``080_Square_Wave.pat``: two voices beat, as the pitch tests find."""
    folder = freepats.recordings() / freepats.FOLDER
    (note,) = freepats.read_notes(folder / freepats.FILES[1])
    path = tmp_path / "waveform-square.wav"
    sf.write(path, note.samples, note.rate, subtype="PCM_16")
    result = sigkit.measure_waveform(sigkit.open_capture(path))
    assert "two oscillators beat" in result.duty_cycle.reason


@pytest.mark.recordings
@pytest.mark.parametrize(("name", "key"), [("068_Oboe.pat", 2), ("053_Voice_Oohs.pat", 2)])
def test_harmonics_of_recorded_notes(tmp_path, name, key):
    """freepats (GPL-2+): the first six harmonics beside SciPy's periodogram, flat-top window.

    Within 0.5 dB: real notes swell, and the window weighs the middle where the fold weighs all.
    """
    note = freepats.read_notes(freepats.recordings() / freepats.FOLDER / name)[key]
    path = tmp_path / "waveform-note.wav"
    sf.write(path, note.samples, note.rate, subtype="PCM_16")
    result = sigkit.measure_waveform(sigkit.open_capture(path))
    f, power = signal.periodogram(note.samples, note.rate, "flattop", scaling="spectrum")
    levels = []
    for k in range(1, 7):
        reach = max(4 * note.rate / note.samples.size, 0.004 * k * result.frequency.value)
        near = np.abs(f - k * result.frequency.value) < reach
        levels.append(10 * math.log10(float(power[near].max())))
    found = result.harmonics["level_db"].to_numpy()[:6]
    np.testing.assert_allclose(found, np.array(levels) - levels[0], atol=0.5)
    assert result.shape == "mixed"
