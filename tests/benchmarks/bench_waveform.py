"""How good the waveform test is, on random captures that were not looked at before.

Run with ``pytest -m benchmark -s tests/benchmarks/bench_waveform.py``; ``SIGKIT_CASES`` sets the
number of captures of each kind, ``SIGKIT_SEED`` the first seed. The generator is
``tests/waves.py``, which draws waves in time at 16 or 32 times the rate, filters them there and
decimates: up to two couplings of 1 to 20 Hz, a low-pass of up to four poles or none, 30 to 65 dB
over white noise; in part of them hum and pink noise of up to -40 dB, direct voltage, 16 bits,
drift, wander, jitter of the periods. Recorders are flat within 0.1 dB, each its own
(``tests/recorders.py``), but for the digital filters and the distortion of sines.
"""

import math
import os
import subprocess
import sys
import time

import numpy as np
import pytest
import soundfile as sf
from recorders import Recorder
from scipy import signal
from tones import harmonic_amplitudes, tone
from waveform_cases import measured, pulse_case, shape_case
from waves import Wave, play

import sigkit

pytestmark = pytest.mark.benchmark

CASES = int(os.environ.get("SIGKIT_CASES", "60"))
RECORDER_DB = 0.1
FIRST_SEED = int(os.environ.get("SIGKIT_SEED", "990000"))


def printed(label, errors, held):
    e = np.abs(np.array(errors))
    rms, p95 = np.sqrt(np.mean(e**2)), np.quantile(e, 0.95)
    print(
        f"{label}: n {e.size}, median {np.median(e):.5f}, rms {rms:.5f}, 95 % below {p95:.5f}, "
        f"worst {e.max():.5f}, 2u true in {100 * np.mean(held):.1f} %"
    )


def test_duty_cycles(tmp_path):
    print("\nduty cycle, error in points of percent")
    everything = []
    for i, (low, high) in enumerate([(30, 100), (100, 500), (500, 1500), (1500, 2000)]):
        errors, held, refused = [], [], 0
        for seed in range(FIRST_SEED + 1000 * i, FIRST_SEED + 1000 * i + CASES):
            wave = pulse_case(seed, low, high)
            wave.recorder_db = RECORDER_DB
            duty = measured(tmp_path, wave).duty_cycle
            if not duty.measurable:
                refused += 1
                continue
            errors.append(duty.value - 100 * wave.share)
            held.append(abs(errors[-1]) <= duty.expanded)
        everything += held
        printed(f"{low} to {high} Hz, {refused} refused", errors, held)
    print(f"all: 2u true in {100 * np.mean(everything):.1f} % of {len(everything)}")


def digital(seed, low, high):
    """A Fourier sum through digital filters of scipy.signal, at the rate of the file."""
    rng = np.random.default_rng(seed)
    hz = math.exp(rng.uniform(math.log(low), math.log(high)))
    duty, t = rng.uniform(0.03, 0.97), np.arange(96_000) / 48_000
    x = tone("pulse", hz * t + rng.random(), math.floor(23_900 / hz), duty)
    corner = rng.uniform(max(4000, 2.5 * hz), 14_000)
    b, a = (
        ([1.0], [1.0]),
        signal.butter(1, corner, fs=48_000),
        signal.butter(2, corner, fs=48_000),
        signal.butter(4, corner, fs=48_000),
        signal.cheby1(2, 1, corner, fs=48_000),
        signal.bessel(4, corner, fs=48_000),
    )[seed % 6]
    x = signal.lfilter(b, a, x)
    for _ in range(rng.integers(0, 3)):
        x = signal.lfilter(*signal.butter(1, rng.uniform(2, 20), "high", fs=48_000), x)
    x = x[24_000:] * (0.3 / np.abs(x).max())
    return duty, x + x.std() * 10 ** (-rng.uniform(30, 70) / 20) * rng.standard_normal(x.size)


def test_duty_cycles_through_digital_filters(tmp_path):
    print("\nthe same through digital low-passes (Butterworth, Chebyshev, Bessel)")
    path = tmp_path / "digital.wav"
    for low, high in ((40, 500), (1000, 2000)):
        errors, held, refused = [], [], 0
        for seed in range(FIRST_SEED + 50_000, FIRST_SEED + 50_000 + CASES):
            duty, x = digital(seed, low, high)
            sf.write(path, x, 48_000, subtype="PCM_24")
            found = sigkit.measure_waveform(sigkit.open_capture(path)).duty_cycle
            if not found.measurable:
                refused += 1
                continue
            errors.append(found.value - 100 * duty)
            held.append(abs(errors[-1]) <= found.expanded)
        printed(f"{low} to {high} Hz, {refused} refused", errors, held)


def test_uneven_edges(tmp_path):
    print("\nthe same, edges that take 0.5 to 20 us, each its own")
    errors, held = [], []
    for seed in range(FIRST_SEED + 60_000, FIRST_SEED + 60_000 + CASES // 2):
        rng, wave = np.random.default_rng(seed), pulse_case(seed, 50, 2000)
        wave.kind, wave.slews_s = "slewed", tuple(rng.uniform(0.5e-6, 20e-6, 2))
        wave.recorder_db = RECORDER_DB
        wave.share = float(np.clip(wave.share, 0.06, 0.94))
        duty = measured(tmp_path, wave).duty_cycle
        if duty.measurable:
            errors.append(duty.value - 100 * wave.share)
            held.append(abs(errors[-1]) <= duty.expanded)
    printed("50 to 2000 Hz", errors, held)


def test_shapes(tmp_path):
    print("\nshape: sine, triangle, saw, pulse, mixed; 30 Hz to 2 kHz")
    errors, held = [], []
    for snr in ((10, 20), (20, 40), (40, 60)):
        right, sure, wrong = [], [], []
        for seed in range(
            FIRST_SEED + 10_000 + 1000 * snr[0], FIRST_SEED + 10_000 + 1000 * snr[0] + CASES
        ):
            name, wave = shape_case(seed, snr_db=snr)
            wave.recorder_db = RECORDER_DB
            result = measured(tmp_path, wave)
            right.append(result.shape == name)
            sure.append(result.shape_confidence > 0.9)
            if sure[-1] and not right[-1]:
                wrong.append(f"{name} of {wave.hz:.0f} Hz as {result.shape}")
            if name == "triangle" and result.symmetry.measurable:
                errors.append(result.symmetry.value - 100 * wave.share)
                held.append(abs(errors[-1]) <= result.symmetry.expanded)
        print(
            f"{snr[0]} to {snr[1]} dB: {sum(right)} of {len(right)} right, sure of {sum(sure)}, "
            f"of these wrong: {wrong or 'none'}"
        )
    printed("symmetry of triangles, points of percent", errors, held)


def recorded_tone(name, hz, duty, snr_db, rng, within_db):
    """Return a Fourier sum at an rms of 0.2 as a recorder hears it, and its amplitudes before."""
    t, k = np.arange(72_000) / 48_000, np.arange(1, math.floor(23_900 / hz) + 1)
    a = harmonic_amplitudes(name, k.size, duty)
    a *= 0.2 / math.sqrt(float(np.sum(np.abs(a) ** 2)) / 2)
    through = a.copy()
    if within_db:
        recorder = Recorder(rng, within_db)
        through *= recorder.response(k * hz) / np.abs(recorder.response(1000.0))
    turns = np.exp(2j * np.pi * (hz * t + rng.random()))
    x = np.polyval(np.append(through[::-1], 0), turns).imag
    return x + 0.2 * 10 ** (-snr_db / 20) * rng.standard_normal(t.size), a


@pytest.mark.parametrize("within_db", [0.0, RECORDER_DB])
def test_harmonics_and_distortion(tmp_path, within_db):
    path = tmp_path / "known.wav"
    level_z, phase_z, even_z, whole_z, errors, held = [], [], [], [], [], []
    for seed in range(FIRST_SEED + 20_000, FIRST_SEED + 20_000 + 2 * CASES):
        rng = np.random.default_rng(seed)
        name, duty = ("saw", "pulse", "triangle")[seed % 3], rng.uniform(0.05, 0.95)
        hz = math.exp(rng.uniform(math.log(40), math.log(1500)))
        x, a = recorded_tone(name, hz, duty, rng.uniform(25, 60), rng, within_db)
        sf.write(path, x, 48_000, subtype="FLOAT")
        result = sigkit.measure_waveform(sigkit.open_capture(path), response_db=within_db)
        a = a[: result.thd_harmonics]
        table = result.harmonics
        with np.errstate(divide="ignore"):
            level = 20 * np.log10(np.abs(a / a[0]))
        told = table["level_db"].notna().to_numpy() & (level > -100)
        told[0] = False
        level_z += ((table["level_db"] - level) / table["u_level_db"])[told].tolist()
        turn = np.angle(a) - np.arange(1, a.size + 1) * np.angle(a[0])
        off = np.angle(np.exp(1j * (table["phase_rad"] - turn)))
        phase_z += (off / table["u_phase_rad"])[told].tolist()
        power = np.abs(a) ** 2
        truth = 100 * math.sqrt(float(power[1:].sum() / power[0]))
        errors.append(100 * (result.thd.value / truth - 1))
        held.append(abs(result.thd.value - truth) <= result.thd.expanded)
        if result.even_harmonics.measurable:
            even = result.even_harmonics
            even_z.append((even.value - 10 * math.log10(power[1::2].sum() / power[0])) / even.u)
        whole_z.append((result.level.value - 10 * math.log10(power.sum())) / result.level.u)
    print(f"\nrecorder flat within {within_db} dB")
    groups = [("even harmonics together", even_z), ("level of the wave", whole_z)]
    if not within_db:
        groups += [("levels of harmonics", level_z), ("their phases", phase_z)]
    for label, z in groups:
        print(f"{label}, {len(z)}: 2u true in {100 * np.mean(np.abs(z) < 2):.1f} %")
    printed("THD of saw, pulse and triangle re its closed form in the band, %", errors, held)


def test_distortion_of_sines(tmp_path):
    """A sine of 440 Hz with second and third harmonic, noise 87 dB below it, 1 s."""
    path, t = tmp_path / "sine.wav", np.arange(48_000) / 48_000
    print("\nTHD of sines, true dB: mean error, standard deviation (dB), 2u true")
    for level in (-40, -60, -80, -100):
        errors, held = [], []
        for seed in range(12):
            rng = np.random.default_rng(FIRST_SEED + 30_000 + seed)
            part = 10 ** (level / 20) / math.sqrt(2)
            x = sum(
                size * np.sin(2 * np.pi * k * 440.3 * t + rng.random() * 6.28)
                for k, size in ((1, 0.3), (2, 0.3 * part), (3, 0.3 * part))
            )
            x = x + 0.3 / math.sqrt(2) * 10 ** (-87 / 20) * rng.standard_normal(t.size)
            sf.write(path, x, 48_000, subtype="FLOAT")
            thd = sigkit.measure_waveform(sigkit.open_capture(path)).thd
            if thd.measurable:
                errors.append(20 * math.log10(thd.value / 100) - level)
                held.append(abs(thd.value - 100 * 10 ** (level / 20)) <= thd.expanded)
        said = f"{np.mean(errors):+.3f}, {np.std(errors):.3f}, {sum(held)} of {len(held)}"
        print(f"{level} dB: {said if errors else 'not measurable'} ({len(errors)} of 12 told)")


def test_peers(tmp_path):
    """Duty cycles of a pulse of 110 Hz through a coupling of 10 Hz and a low-pass of 8 kHz."""
    print(
        "\nduty, true / sigkit / share above the middle of the swing / second harmonic (flat top)"
    )
    for duty in (0.05, 0.2, 0.44, 0.503, 0.8):
        wave = Wave(
            "pulse", 110.0, duty, coupling_hz=(10.0,), low_pass=((1, 8000, 0),), snr_db=50, seed=1
        )
        x = play(wave)
        middle = (np.quantile(x, 0.999) + np.quantile(x, 0.001)) / 2
        f, power = signal.periodogram(x, wave.rate, "flattop", scaling="spectrum")
        first, second = (power[np.abs(f - k * 110) < 5].max() for k in (1, 2))
        by_second = math.acos(min(1.0, math.sqrt(second / first))) / math.pi
        values = (duty, measured(tmp_path, wave).duty_cycle.value / 100, np.mean(x > middle))
        print("   ".join(f"{100 * v:.3f}" for v in (*values, by_second)))


def test_speed_and_memory(tmp_path):
    print("\ntimes real time on one core, once libraries are loaded")
    measured(tmp_path, Wave("pulse", 110.0))
    for hz, seconds in (
        (110.0, 2),
        (440.0, 2),
        (1500.0, 2),
        (55.0, 10),
        (440.0, 10),
        (1500.0, 10),
        (220.0, 60),
    ):
        t = np.arange(round(48_000 * seconds)) / 48_000
        x = 0.2 * tone("pulse", hz * t, math.floor(23_000 / hz), 0.3)
        x += 1e-4 * np.random.default_rng(1).standard_normal(t.size)
        path = tmp_path / "speed.wav"
        sf.write(path, x, 48_000, subtype="PCM_24")
        capture = sigkit.open_capture(path)
        start = time.process_time()
        sigkit.measure_waveform(capture)
        print(f"{hz:.0f} Hz, {seconds} s: {seconds / (time.process_time() - start):.1f}")
    path = tmp_path / "long.wav"
    with sf.SoundFile(path, "w", 96_000, 1, "PCM_16") as file:
        t = np.arange(960_000) / 96_000
        part = 0.2 * tone("saw", 220 * t, 200)
        for _ in range(180):
            file.write(part)
    code = (
        "import resource, sigkit\n"
        f"sigkit.measure_waveform(sigkit.open_capture({str(path)!r}))\n"
        "print('30 min at 96 kHz:', round(resource.getrusage("
        "resource.RUSAGE_SELF).ru_maxrss / 1024), 'MB at most')"
    )
    subprocess.run([sys.executable, "-W", "ignore", "-c", code], check=True)
