"""What recording costs: memory over hours, CPU at real time, losses of a killed recorder.

Run with ``pytest -m benchmark -s tests/benchmarks/bench_record.py``. It needs 5 GB of disk while it
runs, and takes about three minutes.
"""

import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from made_sources import RATE, Made, packed, pattern

import sigkit
from sigkit.captures.record import record_capture

pytestmark = pytest.mark.benchmark

CHILD = Path(__file__).parents[1] / "record_child.py"


def resident_mb():
    status = Path("/proc/self/status").read_text()
    return int(status.split("VmRSS:")[1].split()[0]) / 1024


class Endless(Made):
    """The same second again and again, as fast as the disk takes it: the recorder is what costs."""

    def play(self, intake):
        second = packed(pattern(0, self.rate, self.channels))
        size = self.rate // 100 * intake.frame_bytes
        blocks = [second[at : at + size] for at in range(0, len(second), size)]
        while not self.halt.is_set() and not intake.closed:
            for block in blocks:
                while intake.room < len(block) // intake.frame_bytes and not intake.closed:
                    time.sleep(0.001)
                intake.deliver(block)


@pytest.fixture
def long_path(tmp_path):
    """Where a capture of 4 GiB may lie for a while."""
    if shutil.disk_usage(tmp_path).free < 6 * 2**30:
        pytest.skip("needs 6 GiB of disk")
    path = tmp_path / "warmup-oscillator_1.wav"
    yield path
    path.unlink(missing_ok=True)


def test_past_4_gib(long_path):
    """2 h 10 min at 96 kHz, stereo, 24 bits; past 4 GiB it becomes RF64 where it lies."""
    path, hours = long_path, 2 + 10 / 60
    memory, seen = [], []

    def watch(progress):
        memory.append((progress.duration_s, resident_mb()))
        if len(memory) % 5 == 0:  # another program looks in
            with sf.SoundFile(path) as file:
                seen.append((progress.duration_s, file.format, file.frames / 96000))

    start, cpu = time.perf_counter(), time.process_time()
    recording = record_capture(
        path, Endless(2, rate=96000, speed=None), seconds=hours * 3600, watch=watch
    )
    took, cpu = time.perf_counter() - start, time.process_time() - cpu
    size = path.stat().st_size
    early = max(mb for at, mb in memory if at < 600)
    late = max(mb for _, mb in memory)
    print(f"\n{size / 2**30:.2f} GiB, {hours:.2f} h of sound in {took:.0f} s, {cpu:.0f} s of CPU:")
    print(f"  {hours * 3600 / took:.0f} times as fast as it plays, {size / took / 1e6:.0f} MB/s")
    print(f"  memory {early:.0f} MB in the first 10 min, {late:.0f} MB at most")
    assert size > 2**32
    assert recording.complete
    assert late - early < 5
    assert {kind for at, kind, _ in seen} == {"WAV", "RF64"}
    assert all(abs(there_s - at) < 200 for at, _, there_s in seen)  # half a second of that speed
    capture = sigkit.open_capture(path, channel=0)
    assert (capture.frames, capture.container, capture.notes) == (recording.frames, "RF64", ())
    second = pattern(0, 96000, 2)
    with sf.SoundFile(path) as file:
        assert (file.format, file.frames) == ("RF64", recording.frames)
        crossing = 2**32 // 6 // 96000
        for at in (0, 3599, crossing - 1, crossing, crossing + 1, int(hours * 3600) - 1):
            file.seek(at * 96000)
            assert np.array_equal(file.read(96000, dtype="int32") >> 8, second)


@pytest.mark.parametrize(("rate", "channels"), [(48000, 1), (96000, 2), (192000, 8)])
def test_cpu_share_at_real_time(rate, channels, tmp_path):
    """The writer's and the main thread's share; the made source's own is measured apart."""
    code = (
        "import sys, time, threading\n"
        "from sigkit.captures.record import record_capture\n"
        "from bench_record import Steady\n"
        "source = Steady(int(sys.argv[3]), rate=int(sys.argv[2]))\n"
        "begin = time.process_time()\n"
        "r = record_capture(sys.argv[1], source, seconds=10)\n"
        "cpu = time.process_time() - begin\n"
        "print(cpu / 10, source.slowest_s, source.typical_s, len(r.lost))"
    )
    where = [str(Path(__file__).parent), *sys.path]
    ran = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "noise-a.wav"), str(rate), str(channels)],
        env=os.environ | {"PYTHONPATH": os.pathsep.join(where)},
        capture_output=True,
        text=True,
        check=True,
    )
    share, slowest, typical, lost = map(float, ran.stdout.split())
    print(
        f"\n{rate} Hz, {channels} channels: {100 * share:.1f} % of a core; a block of 10 ms is "
        f"taken over in {1e6 * typical:.0f} us, {1e6 * slowest:.0f} us at worst; {lost:.0f} lost"
    )
    assert share < 0.5
    assert lost == 0


class Steady(Made):
    """Blocks of 10 ms, made beforehand, each at its time; measures how long it is held up."""

    def play(self, intake):
        block, times = packed(pattern(0, self.rate // 100, self.channels)), []
        due = time.monotonic()
        while not self.halt.is_set() and not intake.closed:
            due += 0.01
            time.sleep(max(0.0, due - time.monotonic()))
            at = time.perf_counter()
            intake.deliver(block)
            times.append(time.perf_counter() - at)
            self.slowest_s, self.typical_s = max(times), float(np.median(times))


def test_killed_at_any_moment(tmp_path):
    """40 recorders, each killed at a random moment of its first three seconds."""
    rng = np.random.default_rng(20260302)
    for how, count in (("", 20), ("slow", 10), ("long", 10)):
        lost = []
        for i in range(count):
            path = tmp_path / f"noise-{how or 'plain'}_{i}.wav"
            child = subprocess.Popen(
                [sys.executable, str(CHILD), str(path), how], stdout=subprocess.PIPE, text=True
            )
            begun = float(child.stdout.readline())
            time.sleep(rng.uniform(0.3, 3.0))
            killed = time.monotonic()
            child.kill()
            child.wait()
            child.stdout.close()
            capture = sigkit.open_capture(path, channel=0)
            frames = np.concatenate([block for _, block in capture.frame_blocks()])
            heard = np.round(frames * 2**23).astype(np.int32)
            assert np.array_equal(heard, pattern(0, len(heard), 2))
            lost.append(killed - begun - len(heard) / RATE)
        print(f"\n{how or 'plain'}: {count} kills, worst loss {max(lost):.2f} s", end="")
        assert max(lost) < 2.0
    print()
