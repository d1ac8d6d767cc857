"""Random glides, envelopes and key sweeps with their truth, for `held`."""

from __future__ import annotations

import math
from dataclasses import replace

import glides
import numpy as np
import soundfile as sf
from envelope_cases import random_case
from envelopes import write_take
from glides import LN9, Slew, play
from held import RATES, Case, cases_of
from keyboards import random_sweep

import sigkit

LAWS = ("exponential", "linear")


def glide(rng, folder):
    """Three to four glides up and as many down, 10 ms to 1 s, repeats that scatter by 0 to 5 %.

    The sound is made at 48 kHz and written under another rate, which stretches all times and
    divides all pitches by the same number, exactly.
    """
    rate = int(rng.choice(RATES[2:]))
    faster = rate / glides.RATE
    octaves, law = int(rng.integers(1, 3)), str(rng.choice(LAWS))
    seconds = LN9 * math.exp(rng.uniform(math.log(0.02), math.log(0.4)))
    lowest = 2.2**octaves * max(65.0, 8 / seconds)
    low_hz = math.exp(rng.uniform(math.log(lowest / 2), math.log(lowest))) / faster
    scatter = float(rng.choice([0.0, 0.01, 0.05]))
    count = 2 * int(rng.integers(3, 5))
    slews = [
        Slew(law, seconds * faster * (1 + scatter * rng.standard_normal())) for _ in range(count)
    ]
    played = play(
        rng,
        slews,
        low_hz=low_hz,
        octaves=octaves,
        wave=str(rng.choice(["saw", "pulse", "triangle", "sine"])),
        snr_db=float(rng.uniform(30, 60)),
        hold_s=faster * (max(0.8, 3 * seconds) + 0.3),
        up_first=bool(rng.integers(2)),
        width=float(rng.uniform(0.15, 0.85)),
    )
    path = folder / "glide.wav"
    sf.write(path, played.sound, rate, subtype="PCM_24")
    result = sigkit.measure_glide(sigkit.open_capture(path))
    truth = played.truth
    rising = truth["interval_cents"] > 0
    times = truth["glide_time_s"].to_numpy() / faster
    # Of single glides without scatter nothing is random but noise.
    within = math.nan
    if scatter:
        relative = times.copy()
        for side in (rising, ~rising):
            relative[side] /= times[side].mean()
        within = 100 * math.sqrt(np.sum((relative - 1) ** 2) / (count - 2))
    constant = seconds / LN9 if law == "exponential" else math.nan
    interval = 1200 * octaves
    # A single pole is still on its way when its note is left: by the pitch that was played.
    landings = glides.landings_of(replace(played, rate=rate), result.glides)
    farthest = float(landings[np.nanargmax(np.abs(landings))])
    truths = {
        "glide_time": seconds,
        "time_up": seconds,
        "time_down": seconds,
        "up_down_difference": 0.0,
        "repeat_spread": within,
        "time_constant": constant,
        "time_to_5_cents": glides.settled_of(law, seconds, interval),
        "landing_error": farthest,
        "overshoot": 0.0,
        "glitches": 0.0,
    }
    of_clock = ["glide_time", "time_up", "time_down", "time_constant", "time_to_5_cents"]
    return cases_of("glide", result, truths, rng, s=of_clock)


def envelope(rng, folder):
    """Two or three presses of one random generator and carrier, 30 to 70 dB, 44.1 to 96 kHz."""
    kinds = ("plain", "aim below", "dead zone", "leak", "no decay")
    case = random_case(int(rng.integers(2**31)), str(rng.choice(kinds)))
    path = write_take(folder, case.made)
    result = sigkit.measure_envelope(sigkit.open_capture(path))
    path.unlink()
    note, plant = case.made.notes[0], case.plant
    late = -plant.attack_tau_s * math.log(1 - plant.dead / plant.aim) if plant.dead else 0.0
    peak = float(plant.gain(np.array(1.0)))
    truths = {
        "attack": note.attack_s,
        "onset_to_peak": note.peak_s - note.onset_s - late,
        "decay_time_constant": note.decay_time_constant_s,
        "sustain": note.sustain_db,
        "sag": 0.0,
        "release_20": note.crossings_s[20],
        "release_40": note.crossings_s[40],
        "release": note.crossings_s[60],
        "release_time_constant": note.release_time_constant_s,
        # A level of 0.2 rms; a sine of full scale is 0 dBFS (AES17).
        "peak": 20 * math.log10(0.2 * peak * math.sqrt(2)),
        "peak_spread": 0.0,
        "attack_repeat": 0.0,
        "decay_repeat": 0.0,
        "release_repeat": 0.0,
        "retriggers": 0.0,
    }
    of_clock = ["attack", "onset_to_peak", "decay_time_constant", "release_20", "release_40"]
    of_clock += ["release", "release_time_constant"]
    return cases_of("envelope", result, truths, rng, s=of_clock)


def keyboard(rng, folder):
    """Sweeps of 25 keys from C2 to F3 on, in part hummed at, with dead, bouncing, stuck keys."""
    rate = int(rng.choice([16_000, 22_050, 32_000, 44_100, 48_000, 96_000]))
    made = random_sweep(
        int(rng.integers(2**31)),
        keys=25,
        rate=rate,
        snr_db=float(rng.uniform(30, 60)),
        hum_db=float(rng.choice([-math.inf, -40.0])),
        healthy=bool(rng.random() < 0.5),
        down=False,
        cutoff_hz=0.0,
    )
    path = made.write(folder / "keyboard.wav")
    result = sigkit.measure_keyboard(
        sigkit.open_capture(path), lowest_key=made.lowest, keys=len(made.keys)
    )
    keys = made.keys
    number = {name: int((keys["status"] == name).sum()) for name in set(keys["status"])}
    errors = keys["error_cents"].to_numpy()
    sounding = (keys["status"] != "missing").to_numpy()
    off = errors - keys.attrs["offset"] - keys.attrs["slope"] * np.arange(len(keys)) / 12
    worst = int(np.argmax(np.abs(np.where(sounding, off, 0))))
    truths = {
        "scale_error": keys.attrs["slope"],
        "offset": keys.attrs["offset"],
        "curvature": 0.0,
        "scatter": keys.attrs["scatter"],
        "dead_keys": number.get("missing", 0),
        "double_triggers": number.get("double trigger", 0),
        "stuck_keys": number.get("stuck", 0),
        "unsteady_keys": number.get("unsteady", 0),
    }
    cases = cases_of("keyboard", result, truths, rng, cents=["offset"])
    if result.worst_key.measurable:
        # Two keys may be as far off to either side: its size, against the line that was planted.
        size = replace(result.worst_key, value=abs(result.worst_key.value))
        cases.append(Case("keyboard", "worst_key", size, abs(off[worst]), abs(off[worst])))
    return cases


def droop(rng, folder):
    """One key that is left to sound for 6 to 10 s while its pitch falls or rises evenly."""
    from keyboards import Instrument, Press, Sweep, render

    seconds, pace = float(rng.uniform(6, 10)), float(rng.uniform(-2, 2))
    how = Instrument(wave=str(rng.choice(["saw", "pulse", "triangle"])), duty=0.3)
    presses = [Press(key=int(rng.integers(40, 72)), on_s=0.6, off_s=0.6 + seconds)]
    x = render(
        presses,
        how,
        seconds + 1.5,
        rng,
        snr_db=float(rng.uniform(30, 60)),
        drift_cents_per_min=60 * pace,
    )
    path = Sweep(x, how.rate, presses[0].key, None, presses).write(folder / "hold.wav")
    result = sigkit.measure_keyboard(sigkit.open_capture(path), lowest_key=presses[0].key, keys=1)
    return cases_of("keyboard", result, {"hold_droop": pace}, rng)
