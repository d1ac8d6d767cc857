"""How near the pitch comes to its bound, what it costs, and what others cost and reach.

Run with ``pytest -m benchmark -s tests/benchmarks/bench_pitch.py``; it prints its tables. The
limits asserted are the promises of the documentation, the figures are for reading.
"""

import math
import subprocess
import sys
import time

import numpy as np
import pytest
import soundfile as sf
from scipy import fft
from tones import bound_cents, noisy_tone, periods_behind, write_sound

import sigkit

pytestmark = pytest.mark.benchmark

RATE = 48_000
PITCHES = (30.0, 55.3, 110.4, 220.7, 440.1, 1000.3, 2093.2, 4186.7)
WAVES = ("saw", "pulse", "triangle", "sine")
MINUTES = 20


def test_multiples_of_the_bound(tmp_path):
    """rms error over the exact Cramer-Rao bound (Rife and Boorstyn 1974), and coverage of 2u."""
    windows, levels = (0.05, 0.1, 1.0), (20, 40, 60)
    multiple = {key: [] for key in ((w, s) for w in windows for s in levels)}
    held = {key: [0, 0] for key in multiple}
    worst = dict.fromkeys(multiple, (0.0, ""))
    bounds = {}
    for snr_db in levels:
        for wave in WAVES:
            for hz in PITCHES:
                rng = np.random.default_rng([snr_db, WAVES.index(wave), round(hz)])
                x, _ = noisy_tone(wave, hz, snr_db, 14.0, rng, duty=0.3)
                path = write_sound(tmp_path, x)
                for window_s in windows:
                    key = window_s, snr_db
                    behind_s = periods_behind(hz, window_s) / hz
                    if (wave, hz, window_s) not in bounds:
                        at_40 = bound_cents(wave, hz, 40, behind_s, duty=0.3)
                        bounds[wave, hz, window_s] = at_40
                    bound = bounds[wave, hz, window_s] * 10 ** ((40 - snr_db) / 20)
                    track = sigkit.track_pitch(sigkit.open_capture(path), window_s=window_s)
                    error = track.cents(hz)
                    ratio = math.sqrt(np.nanmean(error**2)) / bound
                    multiple[key].append(ratio)
                    worst[key] = max(worst[key], (ratio, f"{wave} {hz:g} Hz"))
                    step = math.ceil(behind_s / track.hop_s)
                    apart = error[::step], track.u_cents()[::step]
                    known = np.isfinite(apart[0])
                    held[key][0] += int(np.sum(np.abs(apart[0][known]) <= 2 * apart[1][known]))
                    held[key][1] += int(known.sum())
                path.unlink()
    print("\nwindow    SNR   rms error / exact bound       2u holds the truth")
    print("             median  95th pct  worst")
    for (window_s, snr_db), ratios in multiple.items():
        hits, total = held[window_s, snr_db]
        top, name = worst[window_s, snr_db]
        print(
            f"{window_s * 1000:5.0f} ms {snr_db:3d} dB {np.median(ratios):6.2f} "
            f"{np.quantile(ratios, 0.95):8.2f} {top:8.2f} ({name:15s}) "
            f"{hits / total:6.1%} of {total}"
        )
        assert np.median(ratios) < 1.25
    hits, total = np.sum(list(held.values()), axis=0)
    print(f"coverage of 2u over everything: {hits / total:.2%} of {total}")
    assert 0.93 <= hits / total <= 0.97


@pytest.fixture(scope="module")
def long_capture(tmp_path_factory):
    """20 minutes of a saw of 110 Hz, 60 dB above noise, 48 kHz, 24 bits."""
    path = tmp_path_factory.mktemp("long") / "long.wav"
    clean, _ = noisy_tone("saw", 110.0, 300, 10.0, np.random.default_rng(1))
    rng = np.random.default_rng(2)
    with sf.SoundFile(path, "w", RATE, 1, "PCM_24") as file:
        for _ in range(MINUTES * 6):
            file.write(clean + 0.0002 * rng.standard_normal(clean.size))
    return path


def cpu_s(function, *arguments):
    start = time.process_time()
    function(*arguments)
    return time.process_time() - start


def decode_and_transform(path):
    """The floor of any tracker: decode, and one real FFT of 4096 samples every 10 ms."""
    hop = RATE // 100
    for block in sigkit.open_capture(path).blocks():
        for start in range(0, block.size - 4096, hop):
            fft.rfft(block[start : start + 4096])


def test_cost_of_a_long_capture(long_capture):
    capture = sigkit.open_capture(long_capture)
    floor = cpu_s(decode_and_transform, long_capture)
    cost = cpu_s(sigkit.track_pitch, capture)
    seconds = MINUTES * 60
    print(f"\n{MINUTES} min, 48 kHz, 24 bits, CPU per second of sound:")
    print(f"  decoding and one real FFT of 4096 per 10 ms {floor / seconds * 1e3:8.2f} ms")
    print(f"  track_pitch                                 {cost / seconds * 1e3:8.2f} ms")
    print(f"  ratio {cost / floor:.2f}, {seconds / cost:.0f} times faster than the sound")
    assert cost < 0.1 * seconds


@pytest.mark.parametrize("work", ["track_pitch", "measure_stability", "measure_warmup"])
def test_peak_memory(long_capture, work):
    code = (
        "import sys, sigkit\n"
        "def peak():\n"
        "    status = open('/proc/self/status').read()\n"
        "    return status.split('VmHWM:')[1].split()[0]\n"
        "before = peak()\n"
        f"sigkit.{work}(sigkit.open_capture(sys.argv[1]))\n"
        "print(before, peak())"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code, str(long_capture)], check=True, capture_output=True, text=True
    )
    before, peak = (int(word) / 1024 for word in ran.stdout.split())
    print(f"\n{work} on {MINUTES} min: peak {peak:.0f} MB, {before:.0f} MB after import")
    assert peak < 500


def test_cost_of_other_trackers(tmp_path):
    """One minute of a saw of 110 Hz at 60 dB: Praat by autocorrelation, librosa's yin."""
    import librosa
    import parselmouth

    hz = 110.4
    x, _ = noisy_tone("saw", hz, 60, 60.0, np.random.default_rng(3))
    capture = sigkit.open_capture(write_sound(tmp_path, x, subtype="PCM_24"))
    found = {}

    def ours():
        found["sigkit.track_pitch"] = sigkit.track_pitch(capture).frequency_hz

    def praat():
        pitch = parselmouth.Sound(x, RATE).to_pitch_ac(
            time_step=0.01, pitch_floor=60, pitch_ceiling=4000
        )
        found["parselmouth to_pitch_ac"] = pitch.selected_array["frequency"]

    def yin():
        found["librosa.yin"] = librosa.yin(
            x, fmin=60, fmax=4000, sr=RATE, frame_length=4096, hop_length=RATE // 100
        )

    librosa.yin(x[:RATE], fmin=60, fmax=4000, sr=RATE)  # compiles what it compiles
    print("\none minute at 48 kHz       CPU per second of sound   rms error (cents)")
    for name, function in (
        ("sigkit.track_pitch", ours),
        ("parselmouth to_pitch_ac", praat),
        ("librosa.yin", yin),
    ):
        cost = cpu_s(function)
        frequency = found[name][np.isfinite(found[name]) & (found[name] > 0)]
        error = 1200 * np.log2(frequency / hz)
        print(f"  {name:24s} {cost / 60 * 1e3:12.2f} ms {np.sqrt(np.mean(error**2)):20.5f}")
