"""What the pitch costs in time and memory, and what other trackers cost and reach.

Run with ``pytest -m benchmark -s tests/benchmarks/bench_pitch_cost.py``; it prints its tables. The
long captures take 6.5 GB of disk while it runs.
"""

import math
import shutil
import subprocess
import sys
import time

import numpy as np
import pytest
import soundfile as sf
from scipy import fft
from tones import bound_cents, noisy_tone, write_sound

import sigkit

pytestmark = pytest.mark.benchmark

RATE = 48_000


def write_long(path, minutes, *, rate=RATE, channels=1, kind="WAV"):
    """A saw of 110 Hz, 60 dB above noise, 24 bits; a second channel is silent."""
    clean, _ = noisy_tone("saw", 110.0, 300, 10.0, np.random.default_rng(1), rate=rate)
    rng = np.random.default_rng(2)
    with sf.SoundFile(path, "w", rate, channels, "PCM_24", format=kind) as file:
        for _ in range(math.ceil(minutes * 6)):
            sound = clean + 0.0002 * rng.standard_normal(clean.size)
            file.write(np.column_stack([sound] + [np.zeros(sound.size)] * (channels - 1)))
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


def test_cost_of_a_long_capture(tmp_path):
    path = write_long(tmp_path / "long.wav", 20)
    capture = sigkit.open_capture(path)
    floors, costs = [], []
    for _ in range(3):
        floors.append(cpu_s(decode_and_transform, path))
        costs.append(cpu_s(sigkit.track_pitch, capture))
    floor, cost = np.median(floors), np.median(costs)
    print("\n20 min, 48 kHz, 24 bits, CPU per second of sound (median of 3 runs in turn):")
    print(f"  decoding and one real FFT of 4096 per 10 ms {floor / 1.2:8.2f} ms")
    print(f"  track_pitch                                 {cost / 1.2:8.2f} ms")
    print(f"  ratio {cost / floor:.2f}, {1200 / cost:.0f} times faster than the sound")
    assert cost < 1.5 * floor


def peak_mb(work, path):
    """Largest resident memory of a process that does one measurement."""
    code = (
        "import sys, sigkit\n"
        f"sigkit.{work}(sigkit.open_capture(sys.argv[1]))\n"
        "status = open('/proc/self/status').read()\n"
        "print(status.split('VmHWM:')[1].split()[0])"
    )
    ran = subprocess.run(
        [sys.executable, "-c", code, str(path)], check=True, capture_output=True, text=True
    )
    return int(ran.stdout) / 1024


def test_memory_does_not_grow_with_the_capture(tmp_path):
    short = write_long(tmp_path / "short.wav", 1)
    long = write_long(tmp_path / "long.wav", 120)
    print("\npeak memory          1 min      2 h   growth")
    for work, most in (("track_pitch", 250), ("measure_stability", 500), ("measure_warmup", 500)):
        small, large = peak_mb(work, short), peak_mb(work, long)
        print(f"{work:18s} {small:7.0f}  {large:7.0f}  {large - small:7.1f} MB")
        assert large < most
        if work == "track_pitch":
            assert large - small < 10


def test_five_gib(tmp_path):
    """RF64, 96 kHz, 24 bits, stereo with an empty second channel: 2 h 37 min."""
    if shutil.disk_usage(tmp_path).free < 7 * 2**30:
        pytest.skip("needs 7 GiB of disk")
    path = write_long(tmp_path / "night.wav", 156, rate=96_000, channels=2, kind="RF64")
    assert path.stat().st_size > 5 * 2**30
    for work in ("track_pitch", "measure_warmup"):
        start = time.perf_counter()
        peak = peak_mb(work, path)
        print(f"\n{work} on 5 GiB: peak {peak:.0f} MB, {time.perf_counter() - start:.0f} s")
        assert peak < 500


def praat(x, pitch_floor=60.0, **options):
    import parselmouth

    pitch = parselmouth.Sound(x, RATE).to_pitch_ac(
        time_step=0.01, pitch_floor=pitch_floor, pitch_ceiling=5000, **options
    )
    return pitch.selected_array["frequency"]


def librosa_yin(x):
    import librosa

    return librosa.yin(x, fmin=25, fmax=5000, sr=RATE, frame_length=4096, hop_length=RATE // 100)


def aubio_yin(method):
    import aubio

    def run(x):
        find = aubio.pitch(method, 4096, RATE // 100, RATE)
        x = x.astype(np.float32)
        hop = RATE // 100
        last = x.size - hop + 1
        return np.array([find(x[start : start + hop])[0] for start in range(0, last, hop)])[10:]

    return run


def other_trackers():
    trackers = {
        "Praat, autocorrelation (parselmouth)": lambda x: praat(x, 25.0),
        "Praat, very accurate": lambda x: praat(x, 25.0, very_accurate=True),
        "librosa.yin": librosa_yin,
    }
    try:
        import aubio  # noqa: F401
    except ImportError:
        print("\naubio is not installed")
    else:
        trackers["aubio yinfft"] = aubio_yin("yinfft")
        trackers["aubio yinfast"] = aubio_yin("yinfast")
    return trackers


def test_other_trackers(tmp_path):
    """All waves and pitches at 60 and 40 dB: median rms error, gross errors; CPU on one minute."""
    waves, pitches = ("saw", "pulse", "triangle", "sine"), (55.3, 110.4, 220.7, 440.1, 1000.3)

    def ours(x):
        path = write_sound(tmp_path, x, subtype="PCM_24")
        frequency = sigkit.track_pitch(sigkit.open_capture(path)).frequency_hz
        path.unlink()
        return frequency

    trackers = {"sigkit.track_pitch": ours, **other_trackers()}
    minute, _ = noisy_tone("saw", 110.4, 60, 60.0, np.random.default_rng(3))
    for track in trackers.values():
        track(noisy_tone("saw", 110.0, 60, 1.0, np.random.default_rng(1))[0])
    print("\n                                       rms error, cents     gross    CPU,")
    print("                                        60 dB     40 dB     errors   ms/s")
    for name, track in trackers.items():
        rms, gross, total = {60: [], 40: []}, 0, 0
        for snr_db in rms:
            for wave in waves:
                for hz in pitches:
                    rng = np.random.default_rng([snr_db, waves.index(wave), round(hz)])
                    x, _ = noisy_tone(wave, hz, snr_db, 5.0, rng, duty=0.3)
                    frequency = track(x)
                    frequency = frequency[np.isfinite(frequency) & (frequency > 0)][20:-20]
                    error = 1200 * np.log2(frequency / hz)
                    near = np.abs(error) < 50
                    gross += int(np.sum(~near))
                    total += error.size
                    if near.any():
                        rms[snr_db].append(math.sqrt(np.mean(error[near] ** 2)))
        cost = cpu_s(track, minute) / 60 * 1e3
        print(
            f"{name:38s} {np.median(rms[60]):8.5f} {np.median(rms[40]):9.5f} "
            f"{gross / total:9.2%} {cost:8.1f}"
        )
    bound = [bound_cents(w, hz, 60, max(0.1, 6 / hz), duty=0.3) for w in waves for hz in pitches]
    at_60 = float(np.median(bound))
    print(f"bound (0.1 s, at least 6 periods)      {at_60:8.5f} {10 * at_60:9.5f}")
