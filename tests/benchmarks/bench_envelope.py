"""How good the envelope test is, on random captures that were not looked at before.

Run with ``pytest -m benchmark -s tests/benchmarks/bench_envelope.py``; ``SIGKIT_CASES`` sets the
number of captures. The generator is ``tests/envelopes.py``, which shares nothing with the
estimator: saw, pulse, triangle and sine of 30 Hz to 2 kHz at 44.1, 48 and 96 kHz, 30 to 70 dB over
white noise; attacks of 1 to 400 ms toward aims of 1.1 to 1.6 times the peak; amplifiers that are
linear, close early, leak, have a power law or are exponential; releases that aim below zero; hum,
direct voltage, drifting pitch. Notes are held for 30 periods and 6 time constants of the decay.
"""

import math
import os
import subprocess
import sys
import time

import numpy as np
import pandas as pd
import pytest
import soundfile as sf
from envelope_bound import bounds
from envelope_cases import ABSOLUTE, KINDS, compared, random_case
from envelopes import Plant, take, write_take
from scipy import signal, special

from sigkit.captures.wav import open_capture
from sigkit.measures.envelope import measure_envelope

pytestmark = pytest.mark.benchmark

CASES = int(os.environ.get("SIGKIT_CASES", "96"))
FIRST_SEED = int(os.environ.get("SIGKIT_FIRST", "900000"))
REACH = {
    "attack_s": 0.01,
    "decay_time_constant_s": 0.01,
    "sustain_db": 0.05,
    "release_20_s": 0.01,
    "release_40_s": 0.01,
    "gate_off_s": 0.0005,
}
LINEAR = ("plain", "aim below", "dead zone", "leak", "no decay", "no sustain")


@pytest.fixture(scope="module")
def rows(tmp_path_factory):
    folder = tmp_path_factory.mktemp("cases")
    out, cpu, sounded, notes, extra, missed = [], 0.0, 0.0, 0, 0, 0
    for seed in range(FIRST_SEED, FIRST_SEED + CASES):
        case = random_case(seed, KINDS[seed % len(KINDS)])
        path = write_take(folder, case.made)
        capture = open_capture(path)
        start = time.process_time()
        result = measure_envelope(capture)
        cpu += time.process_time() - start
        path.unlink()
        sounded += case.made.samples.size / case.made.rate
        table = compared(case, result.notes)
        for row in table:
            row["seed"] = seed
        out += table
        found = {row["onset"]: row["found"] for row in table}
        notes += len(case.made.notes)
        missed += sum(not f for f in found.values())
        extra += max(0, len(result.notes) - sum(found.values()))
        laws = set(result.notes["law"])
        law = {"exponential": "exponential", "law": "power"}.get(case.kind, "linear")
        out[-1]["law_right"] = laws == {law}
    print(f"\n{CASES} captures, {notes} notes: {missed} missed, {extra} invented")
    print(f"{sounded / cpu:.1f} times real time on one core ({cpu:.0f} s for {sounded:.0f} s)")
    return pd.DataFrame(out)


def quantiles(errors):
    e = errors.abs()
    return pd.Series(
        {
            "n": e.size,
            "median": e.median(),
            "90 %": e.quantile(0.9),
            "95 %": e.quantile(0.95),
            "max": e.max(),
        }
    )


def test_reach(rows):
    known = rows[np.isfinite(rows.error)]
    pd.set_option("display.width", 200)
    attack = known[known.name == "attack_s"]
    long = attack.periods_in_attack >= 1
    print("\nattack of a period or more, relative error by kind")
    print(
        attack[long].groupby("kind").error.apply(quantiles).unstack().to_string(float_format="%.4f")
    )
    print("\nattack of a quarter to one period")
    print(
        attack[~long]
        .groupby("kind")
        .error.apply(quantiles)
        .unstack()
        .to_string(float_format="%.4f")
    )
    for name in (
        "decay_time_constant_s", "sustain_db", "gate_off_s", "release_20_s", "release_40_s",
        "release_s", "release_time_constant_s", "onset_s",
    ):  # fmt: skip
        part = known[known.name == name]
        scale = "absolute" if name in ABSOLUTE else "relative"
        print(f"\n{name}: {scale} error")
        print(part.groupby("kind").error.apply(quantiles).unstack().to_string(float_format="%.5f"))


def test_within_reach(rows):
    """Share of the numbers that come as near as is wanted, linear amplifiers."""
    known = rows[np.isfinite(rows.error) & rows.kind.isin((*LINEAR, "law"))]
    print("\nas near as wanted")
    for name, most in REACH.items():
        part = known[known.name == name]
        if name == "attack_s":
            short = part[part.periods_in_attack < 1].error.abs()
            part = part[part.periods_in_attack >= 1]
            print(f"attack of 1/4 to 1 period, 5 %: {(short <= 0.05).mean():.3f} of {short.size}")
        error = part.error.abs()
        print(
            f"{name}, {most:g}: {(error <= most).mean():.3f} of {error.size}, "
            f"median {error.median():.5f}, 95 % below {error.quantile(0.95):.5f}"
        )


def test_against_the_bound(rows):
    """How many numbers white noise lets come as near as is wanted, and how many do."""
    known = rows[np.isfinite(rows.error) & rows.kind.isin((*LINEAR, "law"))]
    known = known[(known.name != "attack_s") | (known.periods_in_attack >= 1)]
    least = {}
    for seed in known.seed.unique().tolist():
        told = bounds(random_case(seed, KINDS[seed % len(KINDS)]))
        least |= {(seed, name): told[name] for name in REACH}
    print(
        "\nlinear and power: wanted, of all, by noise alone (Cramer-Rao), measured; u re the bound"
    )
    for name, most in REACH.items():
        part = known[known.name == name]
        share = 1.0 if name in ABSOLUTE else part.truth.to_numpy()
        own = np.array([least[seed, name] for seed in part.seed]) / share
        own = np.maximum(own, 1e-12)
        by_noise = float(np.sum(special.erf(most / own / math.sqrt(2))))
        u = (part.error / part.z).abs() / own
        print(
            f"{name}, {most:g}: {len(part)}, {by_noise:.1f}, {(part.error.abs() <= most).sum()}; "
            f"{u[own > 1e-11].median():.2f}"
        )


def test_low_carriers(rows):
    """Carriers below 100 Hz, where a period is as long as an attack."""
    low = rows[rows.hz < 100]
    print("\ncarriers below 100 Hz")
    for name, most in REACH.items():
        part = low[(low.name == name) & low.kind.isin((*LINEAR, "law")) & np.isfinite(low.error)]
        held = low[(low.name == name) & np.isfinite(low.z)].z.abs() <= 2
        print(
            f"{name}, {most:g}: {(part.error.abs() <= most).sum()} of {len(part)}; "
            f"2u holds {held.sum()} of {held.size}"
        )


def test_coverage(rows):
    known = rows[np.isfinite(rows.z)]
    print("\n2u holds the truth")
    for kinds, label in ((LINEAR, "linear amplifiers"), (KINDS, "all")):
        part = known[known.kind.isin(kinds)]
        share = part.groupby("name").z.agg(n="size", held=lambda z: (z.abs() <= 2).mean())
        print(label)
        print(share.to_string(float_format="%.3f"))
        print(f"all numbers: {(part.z.abs() <= 2).mean():.3f} of {len(part)}")


def test_laws(rows):
    told = rows["law_right"].dropna()
    print(f"\nlinear, power or exponential told right in {int(told.sum())} of {len(told)} captures")


def ten_to_ninety(time_s, level):
    top = int(np.argmax(level))
    share = level[: top + 1] / level[top]
    low, high = (np.flatnonzero(share < x) for x in (0.1, 0.9))
    return time_s[high[-1]] - time_s[low[-1]] if low.size and high.size else math.nan


def test_peers(tmp_path):
    """A saw of 440 Hz at 60 dB: attack and release by common followers, and by this test."""
    import librosa

    print("\nattack, true / sigkit / Hilbert / Hilbert smoothed over a period / librosa rms (ms)")
    for to_peak in (0.003, 0.01, 0.03, 0.1):
        made = take(Plant(to_peak_s=to_peak), [(0.6, 1.6)], 2.6, rng=np.random.default_rng(1))
        result = measure_envelope(open_capture(write_take(tmp_path, made)))
        t = np.arange(made.samples.size) / made.rate
        hilbert = np.abs(signal.hilbert(made.samples))
        width = round(made.rate / made.hz)
        smooth = np.convolve(hilbert, np.ones(width) / width, mode="same")
        rms = librosa.feature.rms(y=made.samples, frame_length=2048, hop_length=512)[0]
        frames = np.arange(rms.size) * 512 / made.rate
        values = (
            made.notes[0].attack_s, result.attack.value, ten_to_ninety(t, hilbert),
            ten_to_ninety(t, smooth), ten_to_ninety(frames, rms),
        )  # fmt: skip
        print("   ".join(f"{1000 * v:.3f}" for v in values))


def test_long_captures_in_little_memory(tmp_path):
    """Half an hour at 96 kHz, written note by note; peak memory of a process that measures it."""
    made = take(Plant(), [(1.0, 2.0)], 6.0, rate=96_000, hz=523.0)
    path = tmp_path / "long.wav"
    with sf.SoundFile(path, "w", 96_000, 1, "PCM_16") as file:
        for _ in range(300):
            file.write(made.samples)
    code = (
        "import resource, sigkit\n"
        f"result = sigkit.measure_envelope(sigkit.open_capture({str(path)!r}))\n"
        "peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024\n"
        "print(len(result.notes), 'notes,', round(peak), 'MB at most')"
    )
    print()
    subprocess.run([sys.executable, "-W", "ignore", "-c", code], check=True)
