"""Random idle noise, waves and sliders with their truth, for `held`."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
from held import CLOCK, Case, cases_of
from noise_cases import density_of, random_case, write_case
from noises import hum, mains_path, note, white, write
from recorders import Recorder
from slider_scoring import score, truth_of
from sliders import sweep
from sliders_dirt import JUMP_S
from tones import fourier_sum, harmonic_amplitudes, write_sound
from waveform_cases import measured as wave_measured
from waveform_cases import pulse_case

import sigkit
from sigkit.measures.slider import measure_slider
from sigkit.measures.slider.sizes import END_S
from sigkit.quantity import Quantity

BESIDE_S = 0.002
"""What is found that much beside a burst may count as found, but is the level of something else."""
RECORDER_DB, GAIN_DB = 0.1, 0.02
"""How far recorders depart from flat at most, and by how much their gain drifts, rms."""


def dbfs(power):
    return 10 * math.log10(power)


def noise(rng, folder):
    """Hum of 50 or 60 Hz that stands or strays, ripple, hiss of -95 to -75 dBFS, 44.1 to 96 kHz."""
    case = random_case(int(rng.integers(2**31)), seconds=float(rng.uniform(4, 10)))
    path = write_case(folder, case, 1)
    result = sigkit.measure_noise(sigkit.open_capture(path))
    path.unlink()
    truth = case.truth
    lines = truth["odd"] + truth["even"]
    floor = truth["noise_power"] + truth["note_power"]
    truths = {
        "floor": dbfs(floor),
        "hiss": dbfs(truth["noise_power"]),
        "total": dbfs(floor + lines),
        # As recorded: a clock that is off shifts it, and is drawn by the case itself.
        "mains_frequency": truth["mains_hz"],
        "mains_line": truth["levels"].get(1, math.nan),
        "hum_odd": dbfs(truth["odd"]) if truth["odd"] else math.nan,
        "ripple": dbfs(truth["even"]) if truth["even"] else math.nan,
    }
    named = abs(result.mains_frequency.value - truth["mains_hz"]) < 0.5
    cases = []
    for case_ in cases_of("noise", result, truths, rng):
        name = case_.name
        if name in ("mains_frequency", "mains_line", "hum_odd", "ripple") and not named:
            continue
        if name == "mains_frequency":
            case_ = replace(case_, truth=truth["recorded_hz"])
        cases.append(case_)
    return cases


def weighted(rng, folder):
    """White, pink or filtered noise alone: weighted floors by the curves' closed forms.

    A: IEC 61672-1, its poles at 20.598997, 107.65265, 737.86223 and 12194.217 Hz (from memory).
    """
    kind = str(rng.choice(["white", "pink", "filtered"]))
    rate, level = int(rng.choice([44_100, 48_000, 96_000])), float(rng.uniform(-95, -65))
    density, n = density_of(kind, level), int(rng.uniform(3, 8) * 48_000)
    from noises import coloured

    per_hz = dbfs(density(1000.0))
    x = white(n, per_hz, rate, rng) if kind == "white" else coloured(n, density, rate, rng)
    path = write(folder, x, rate, "PCM_24", name="weighted.wav")
    result = sigkit.measure_noise(sigkit.open_capture(path), mains_hz=50.0)
    f = np.geomspace(20.0, min(20_000.0, rate / 2.2), 20_001)
    flat = np.broadcast_to(density(f), f.shape)
    poles = (20.598997, 107.65265, 737.86223, 12194.217)

    def curve(f):
        f2 = f * f
        below = np.sqrt((f2 + poles[1] ** 2) * (f2 + poles[2] ** 2))
        return poles[3] ** 2 * f2 * f2 / ((f2 + poles[0] ** 2) * below * (f2 + poles[3] ** 2))

    share = (curve(f) / curve(np.array([1000.0]))) ** 2
    truths = {"floor_a": dbfs(float(np.trapezoid(flat * share, f)))}
    return cases_of("noise", result, truths, rng)


def beside_the_tone(rng, folder):
    """Quiet with hum and a bleeding note, then the full tone."""
    rate, level, hz = 48_000, float(rng.uniform(-85, -55)), float(rng.uniform(110, 880))
    floor = float(rng.uniform(-130, -115))
    x = white(5 * rate, floor, rate, rng)
    x += hum(mains_path(x.size, rate, 50.03, rng, 0.01), rate, {1: -80, 2: -70}, rng)
    x += note(hz, 5.0, rate, level)
    loud = note(hz, 3.0, rate, -12.0) + white(3 * rate, floor, rate, rng)
    result = sigkit.measure_noise(
        sigkit.open_capture(write(folder, np.concatenate([x, loud]), rate, name="tone.wav"))
    )
    truths = {
        "tone": -12.0,
        "bleed": level + 12.0,
        "ripple_re_tone": -58.0,
        "hum_odd_re_tone": -68.0,
        "mains_line_re_tone": -68.0,
    }
    return cases_of("noise", result, truths, rng)


def waveform(rng, folder):
    """Pulses of 3 to 97 % and triangles, 30 Hz to 1.5 kHz, through couplings and low-passes.

    Each is captured by a recorder of its own, which is flat within what is claimed of it.
    """
    seed, rate = int(rng.integers(2**31)), int(rng.choice([32_000, 44_100, 48_000]))
    if rng.random() < 0.5:
        name, wave = "pulse", pulse_case(seed, 30, 1500)
    else:
        name, wave = "triangle", pulse_case(seed, 30, 1500)
        wave.kind, wave.share = "ramp", float(rng.uniform(0.2, 0.8))
    wave.rate, wave.recorder_db = rate, RECORDER_DB
    options = {"nominal_duty": 100 * wave.share} if name == "pulse" else {}
    result = wave_measured(folder, wave, **options)
    # A drift by so many cents from 0, and a mean of it that is half of that.
    still = wave.wander_cents == 0
    hz = wave.hz * 2 ** (wave.drift_cents * (1 + 0.8 / wave.seconds) / 2400) if still else math.nan
    duty = 100 * wave.share if result.shape == "pulse" == name else math.nan
    rising = 100 * wave.share if result.shape == "triangle" == name else math.nan
    truths = {
        "duty_cycle": duty,
        "duty_error": 0.0 if math.isfinite(duty) else math.nan,
        "symmetry": rising,
        "symmetry_error": rising - 50,
        "frequency": hz if wave.drift_cents == 0 else math.nan,
    }
    return cases_of("waveform", result, truths, rng, lacks=(CLOCK,), hz=["frequency"])


def harmonics(rng, folder):
    """Saws, pulses and triangles by their series, 25 to 60 dB: distortion and level.

    A recorder that is drawn scales each harmonic, so that the truths in front of it are known too.
    """
    name, duty = str(rng.choice(["saw", "pulse", "triangle"])), float(rng.uniform(0.05, 0.95))
    rate = int(rng.choice([16_000, 22_050, 44_100, 48_000, 96_000]))
    hz = math.exp(rng.uniform(math.log(40), math.log(min(1500, rate / 12))))
    # rms 0.2 is that of all harmonics; the level is of those in the band.
    a = harmonic_amplitudes(name, max(1, math.floor(0.4999 * rate / hz)), duty)
    a *= 0.2 * math.sqrt(2) / math.sqrt(float(np.sum(np.abs(a) ** 2)))
    t = np.arange(round(1.5 * rate)) / rate
    x = fourier_sum(a, hz * t + rng.random())
    x += 0.2 * 10 ** (-rng.uniform(25, 60) / 20) * rng.standard_normal(t.size)
    path = write_sound(folder, x, rate)
    result = sigkit.measure_waveform(sigkit.open_capture(path))
    path.unlink()
    every = np.abs(a)
    orders = np.arange(1, a.size + 1)
    own = Recorder(rng, RECORDER_DB).response(np.append(hz * orders, 1000.0))
    gain = np.abs(own[:-1] / own[-1]) * 10 ** (GAIN_DB * rng.standard_normal() / 20)
    count = result.thd_harmonics
    truths = {"frequency": hz} | numbers_of(every[:count])
    before = numbers_of(every[:count] / gain[:count])
    return cases_of("waveform", result, truths, rng, before=before, hz=["frequency"])


def numbers_of(a):
    """Distortion, even harmonics and level of some amplitudes."""
    even = float(np.sum(a[1::2] ** 2))
    return {
        "thd": 100 * math.sqrt(float(np.sum(a[1:] ** 2))) / a[0],
        "even_harmonics": 10 * math.log10(even) - 20 * math.log10(a[0])
        if even > 1e-12 * a[0] ** 2
        else math.nan,
        "level": 10 * math.log10(float(np.sum(a**2))),
    }


def slider(rng, folder):
    """A dirty sweep of a level, pitch, timbre or width slider, hiss 50 to 75 dB below the tone.

    Truths are those of what was planted where the measure looked; a row for single events, whose
    intervals the largest ones share. The worst level is held against what the measure calls a
    burst, a gap of a few milliseconds too, and bursts that it missed; what it calls a dropout or
    a jump of pitch has no level. Jumps of less than 10 ms are within a period of a low tone: only
    their size times their length is heard.
    """
    seed = int(rng.integers(2**31))
    made = sweep(seed, seconds=8, snr_db=None)
    result = measure_slider(made.capture(folder))
    scored = score(truth_of(made, seed), result).planted
    seen = scored[scored["assessed"] & (scored["excused"] == "")]
    cases = [case for row in scored[scored["found"]].itertuples() for case in of_event(row)]
    for name, truth in largest_of(scored, seen).items():
        if not pd.isna(truth):
            quantity = result.quantities()[name]
            cases.append(Case("slider", name, quantity, float(truth), float(truth)))
    if result.event_rate.measurable and math.isfinite(result.movement_s) and result.movement_s > 0:
        number = len(seen)
        rate = number / result.movement_s
        cases.append(Case("slider", "event_rate", result.event_rate, rate, rate))
    return cases


def of_event(row):
    """Level, size or length of one planted event that was found, and its place."""
    beside = max(row.found_start_s - row.stop_s, row.start_s - row.found_stop_s)
    lasting = row.kind == "pitch jump" and row.held_s >= JUMP_S
    travel, u_travel = row.found_travel_percent, row.found_u_travel_percent
    rows = [("place of an event", travel, u_travel, row.covered_percent)]
    if row.kind == "burst" == row.found_kind and beside < BESIDE_S:
        rows.append(("level of a burst", row.found_level_db, row.found_u_level_db, row.level_db))
    if lasting and row.found_kind == "pitch jump":
        size, u = abs(row.found_size_cents), row.found_u_size_cents
        rows.append(("size of a jump", size, u, abs(row.size_cents)))
    if row.kind == "dropout" == row.found_kind:
        length = row.found_stop_s - row.found_start_s
        rows.append(("length of a dropout", length, END_S * math.sqrt(2), row.stop_s - row.start_s))
    return [
        Case("slider", name, Quantity(value, u, ""), truth, truth)
        for name, value, u, truth in rows
        if math.isfinite(truth) and math.isfinite(value) and u > 0
    ]


def largest_of(scored, seen):
    """The largest of what the measure calls a burst or missed, of dropouts and of jumps."""
    missed = seen[seen["kind"].eq("burst") & ~seen["found"].astype(bool)]
    bursts = pd.concat([scored[scored["found_kind"].eq("burst")], missed])
    drops = seen[seen["kind"] == "dropout"]
    jumps = seen[seen["kind"].eq("pitch jump") & seen["held_s"].ge(JUMP_S)]
    return {
        "worst_level": bursts["level_db"].max(),
        "longest_dropout": (drops["stop_s"] - drops["start_s"]).max(),
        "largest_jump": jumps["size_cents"].abs().max(),
    }
