"""How well a cue track is read back: times, items, false cues, places; printed, on held-out seeds.

``SIGKIT_FIRST`` and ``SIGKIT_CASES`` give other seeds and another number of cases; captures without
a cue are those of ``sample_audio``, made sounds, and the recordings in ``SIGKIT_RECORDINGS``.
"""

from __future__ import annotations

import os
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile as sf
from cues import BLEEDS, bleed, capture_of, compared, play
from scipy import signal

import sigkit
from sigkit.captures.cues.decode import read_ticks
from sigkit.captures.cues.find import RATE, at_rate, find_ticks

pytestmark = pytest.mark.benchmark
FIRST = int(os.environ.get("SIGKIT_FIRST", "770000"))
CASES = int(os.environ.get("SIGKIT_CASES", "4"))
SAMPLE = Path(__file__).parents[2] / "sample_audio"
TRACKS = (("slider", {}), ("keyboard", {"keys": 20}), ("glide", {}), ("envelope", {}))


def _draw(seed, folder, under, below_db):
    rng = np.random.default_rng(seed)
    test, options = TRACKS[rng.integers(len(TRACKS))]
    return play(
        folder,
        test,
        seed,
        under=under,
        below_db=below_db,
        late_s=rng.uniform(-8, 5),
        cut_s=rng.uniform(0, 4),
        ppm=rng.uniform(-100, 100),
        rate=int(rng.choice([44100, 48000, 96000])),
        invert=bool(rng.random() < 0.5),
        lowpass_hz=float(rng.choice([0.0, 8000.0])),
        couple_hz=float(rng.choice([0.0, 10.0])),
        level=10 ** rng.uniform(-2.5, -0.1),
        **options,
    )


@pytest.mark.parametrize("below_db", [0.0, 10.0, 20.0, 30.0, 36.0])
def test_times_items_and_places_under_what_leaks_in(tmp_path, below_db):
    print(f"\ncue {below_db:.0f} dB under what leaks in (rms against rms)")
    all_errors, all_ratios, places, busy, played_s, lost_tracks = [], [], [], 0.0, 0.0, 0
    for kind_number, under in enumerate(BLEEDS):
        errors, wrong, lost, none = [], 0, 0, 0
        for case in range(CASES):
            seed = FIRST + 1000 * int(below_db) + 100 * kind_number + case
            played = _draw(seed, tmp_path, under, below_db)
            rng = np.random.default_rng(seed)
            quiet = 1e-3 * rng.standard_normal(played.sound.size)
            capture = capture_of(tmp_path, played, quiet, "case.wav")
            capture = sigkit.open_capture(capture.path, channel=0)
            begun = time.process_time()
            cue = sigkit.read_cue(capture)
            busy += time.process_time() - begun
            played_s += capture.duration_s
            if not cue.found:
                none += 1
                continue
            assert cue.plan == played.plan
            error, w, l_ = compared(cue, played)
            errors += np.abs(error).tolist()
            all_ratios += (error / float(cue.items["u_s"].iloc[0])).tolist()
            wrong, lost = wrong + w, lost + l_
            if cue.plan.test == "slider" and len(cue.items):
                at = np.linspace(0, capture.duration_s, 500)
                steps = [s for s in played.plan.steps if np.isfinite(s.from_percent)]
                ends = np.array(
                    [
                        (played.start_s[i], played.stop_s[i])
                        for i, s in enumerate(played.plan.steps)
                        if np.isfinite(s.from_percent)
                    ]
                ).ravel()
                truth = np.interp(
                    at, ends, [p for s in steps for p in (s.from_percent, s.to_percent)]
                )
                off = np.abs(cue.position(at) - truth)
                places += off[np.isfinite(off) & (at > ends[0])].tolist()
        lost_tracks += none
        all_errors += errors
        said = (
            f"{1e3 * np.quantile(errors, 0.95):.3f} ms in 95 %, {1e3 * max(errors):.3f} at worst"
            if errors
            else "none read"
        )
        print(
            f"  {under:11} {CASES - none} of {CASES} tracks read; {len(errors) // 2} beeps: "
            f"{said}; {wrong} wrong, {lost} lost"
        )
    ratios = np.abs(all_ratios)
    print(
        f"  all: {1e3 * np.quantile(all_errors, 0.95):.3f} ms in 95 %, "
        f"{1e3 * max(all_errors):.3f} at worst; 2u true in {100 * np.mean(ratios < 2):.1f} %; "
        f"{lost_tracks} tracks not found; place within {max(places, default=np.nan):.3f} %; "
        f"{100 * busy / played_s:.1f} % of real time"
    )


def _without_cue():
    """Name and sound at 16 kHz of captures without a cue."""
    folders = [SAMPLE]
    if "SIGKIT_RECORDINGS" in os.environ:
        folders.append(Path(os.environ["SIGKIT_RECORDINGS"]))
    for folder in folders:
        for path in sorted(
            [*folder.rglob("*.wav"), *folder.rglob("*.oga"), *folder.rglob("*.ogg")]
        ):
            try:
                sound, rate = sf.read(path, always_2d=True)
            except (sf.LibsndfileError, RuntimeError):
                continue
            if sound.shape[0] > 4 * rate and rate >= 8000:
                yield folder.name, at_rate(sound[:, 0], rate)
    rng = np.random.default_rng(FIRST + 1)
    for number in range(40):
        yield "made", bleed(BLEEDS[number % len(BLEEDS)], 64 * RATE, RATE, rng)


def test_no_cue_where_there_is_none():
    print("\ncaptures without a cue")
    seconds: dict[str, float] = {}
    ticks = false = 0
    for folder, sound in _without_cue():
        for first in range(0, sound.size, 64 * RATE):
            part = sound[first : first + 64 * RATE]
            found = find_ticks(part)
            seconds[folder] = seconds.get(folder, 0.0) + part.size / RATE
            if found is not None:
                ticks += 1
                false += read_ticks([(0.0, found)]) is not None
    said = ", ".join(f"{s / 60:.1f} min {name}" for name, s in seconds.items())
    total = sum(seconds.values()) / 60
    print(f"  {said}: {total:.0f} min; {ticks} stretches with some rhythm, {false} false cues")
    assert false == 0


def test_the_error_of_a_time_against_the_bound():
    """Ticks in white noise by ``scipy.signal.chirp``'s way of a known time: a shift by its phase.

    The bound is 1 / (2 pi B sqrt(2E/N0)) for the first noise of the ticks (P. M. Woodward, 1953,
    from memory); beside it scipy's own correlation with a linear chirp of the same band and energy.
    """
    from sigkit.captures.cues.code import signs, tick_noises

    noises, n = tick_noises(RATE), np.arange(100)
    energy = np.sum(noises[0] ** 2)
    t = np.arange(8000) / RATE
    chirp = signal.chirp(t, 300, 0.5, 7000)
    chirp *= np.sqrt(energy / np.sum(chirp**2))
    print("\n100 ticks in white noise, rms error of their common time, us")
    for below_db in (20.0, 30.0):
        off, other = [], []
        for case in range(30):
            rng = np.random.default_rng(FIRST + 50 + case)
            wave = noises[0] + np.outer(signs(0, n), noises[1]) + np.outer(signs(77, n), noises[2])
            shift = rng.uniform(0.05, 0.4)
            hiss = 10 ** (below_db / 20) * rng.standard_normal(51 * RATE)
            for form, out in ((wave.ravel(), off), (np.tile(chirp, 100), other)):
                padded = np.concatenate([form, np.zeros(hiss.size - form.size)])
                hz = np.fft.rfftfreq(padded.size, 1 / RATE)
                sound = np.fft.irfft(np.fft.rfft(padded) * np.exp(-2j * np.pi * hz * shift)) + hiss
                if out is off:
                    found = find_ticks(sound)
                    middle = found.time_s[len(found.time_s) // 2]
                    out.append((middle - shift + 0.25) % 0.5 - 0.25)
                else:
                    like = signal.correlate(sound, form, mode="valid", method="fft")
                    like = signal.resample(like[: 16 * (like.size // 16)], 8 * like.size // 16 * 16)
                    at = int(np.argmax(like))
                    a, b, c = like[at - 1 : at + 2]
                    error = (at + 0.5 * (a - c) / (a - 2 * b + c)) / RATE / 8 - shift
                    out.append((error + 0.25) % 0.5 - 0.25)
        power = np.abs(np.fft.rfft(noises[0])) ** 2
        hz = np.fft.rfftfreq(8000, 1 / RATE)
        band = np.sqrt(np.sum(hz**2 * power) / np.sum(power))
        bound = 1 / (2 * np.pi * band * np.sqrt(100 * energy) / 10 ** (below_db / 20))
        print(
            f"  {below_db:.0f} dB: {1e6 * np.sqrt(np.mean(np.square(off))):.2f}, bound "
            f"{1e6 * bound:.2f}; scipy, a chirp of that energy, clock known: "
            f"{1e6 * np.sqrt(np.mean(np.square(other))):.2f}"
        )
