"""Random envelope captures of known truth, and how well a measurement of them did."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from envelopes import Plant, Take, take

KINDS = ("plain", "aim below", "dead zone", "leak", "law", "exponential", "no decay", "no sustain")


@dataclass
class Case:
    kind: str
    wave: str
    plant: Plant
    made: Take
    snr_db: float
    periods: float
    """Periods of the carrier that a note is held."""


def random_case(seed: int, kind: str | None = None, *, snr_db: float | None = None) -> Case:
    """Two to four presses of one random generator and carrier, long enough to be told."""
    rng = np.random.default_rng([seed, 77])
    kind = KINDS[rng.integers(len(KINDS))] if kind is None else kind
    wave = str(rng.choice(["saw", "pulse", "triangle", "sine"]))
    hz = float(np.exp(rng.uniform(np.log(30), np.log(2000))))
    rate = int(rng.choice([44_100, 48_000, 96_000]))
    snr = float(rng.uniform(30, 70)) if snr_db is None else snr_db
    to_peak = max(float(np.exp(rng.uniform(np.log(0.001), np.log(0.4)))), 0.4 / hz)
    values = {
        "to_peak_s": to_peak,
        "aim": float(rng.uniform(1.1, 1.6)),
        "decay_s": float(np.exp(rng.uniform(np.log(0.03), np.log(0.3)))),
        "sustain": float(rng.uniform(0.2, 0.9)),
        "release_s": float(np.exp(rng.uniform(np.log(0.03), np.log(0.4)))),
    }
    if kind == "aim below":
        values["release_aim"] = -float(rng.uniform(0.02, 0.1))
    elif kind == "dead zone":
        values["dead"] = float(rng.uniform(0.01, 0.05))
    elif kind == "leak":
        values["leak"] = 10 ** (-float(rng.uniform(45, 55)) / 20)
    elif kind == "law":
        values["power"] = float(rng.uniform(1.2, 1.6))
    elif kind == "exponential":
        values["range_db"] = float(rng.uniform(50, 80))
    elif kind == "no decay":
        values["attack_release"] = True
    elif kind == "no sustain":
        values["sustain"] = 0.0
    plant = Plant(**values)
    held = max(30 / hz, to_peak + plant.decay_s * (6 if kind != "no sustain" else 9), 0.2)
    rest = max(9 * plant.release_s, 0.5) if kind != "no sustain" else 0.6
    gates, now = [], 0.6 + float(rng.uniform(0, 0.1))
    for _ in range(int(rng.integers(2, 4))):
        off = now + held * float(rng.uniform(1.0, 1.3))
        gates.append((now, off))
        now = off + rest * float(rng.uniform(1.0, 1.2))
    made = take(
        plant,
        gates,
        now + 0.1,
        wave=wave,
        hz=hz,
        rate=rate,
        snr_db=snr,
        duty=float(rng.uniform(0.1, 0.5)),
        rng=rng,
        hum_db=float(rng.uniform(-70, -40)) if rng.random() < 0.4 else None,
        mains_hz=float(rng.choice([50.0, 60.0]) + rng.uniform(-0.1, 0.1)),
        dc=float(rng.uniform(-0.3, 0.3)) if rng.random() < 0.3 else 0.0,
        drift_cents=float(rng.uniform(-5, 5)) if rng.random() < 0.4 else 0.0,
    )
    return Case(kind, wave, plant, made, snr, held * hz)


TRUTHS = {
    "onset_s": lambda n: n.onset_s,
    "attack_s": lambda n: n.attack_s,
    "onset_to_peak_s": lambda n: n.peak_s - n.onset_s,
    "decay_time_constant_s": lambda n: n.decay_time_constant_s,
    "sustain_db": lambda n: n.sustain_db,
    "gate_off_s": lambda n: n.gate_off_s,
    "release_20_s": lambda n: n.crossings_s[20],
    "release_40_s": lambda n: n.crossings_s[40],
    "release_s": lambda n: n.crossings_s[60],
    "release_time_constant_s": lambda n: n.release_time_constant_s,
}
ABSOLUTE = ("onset_s", "gate_off_s", "sustain_db")


def _told(case: Case, name: str, truth: float) -> float:
    """The truth as the sound can tell it; nan where it has none.

    A note begins when it is heard: a closed amplifier holds it back. A power of an exponential is
    one of another time constant where it goes to zero, and none where it goes elsewhere.
    """
    plant = case.plant
    if plant.dead and name in ("onset_s", "onset_to_peak_s"):
        held_back = -plant.attack_tau_s * math.log(1 - plant.dead / plant.aim)
        return truth + (held_back if name == "onset_s" else -held_back)
    if plant.power != 1:
        if name in ("decay_time_constant_s", "onset_to_peak_s", "onset_s"):
            return math.nan
        return truth / plant.power if name == "release_time_constant_s" else truth
    return truth


def compared(case: Case, table) -> list[dict]:
    """One row for each number of each note that was found: truth, error, u; and what is missing."""
    rows = []
    notes, found = case.made.notes, table
    for note in notes:
        onset = found["onset_s"].to_numpy(float)
        near = np.flatnonzero(np.abs(onset - note.onset_s) < 0.05 + 0.5 * note.attack_s)
        got = found.iloc[int(near[0])] if near.size else None
        for name, truth_of in TRUTHS.items():
            truth = _told(case, name, float(truth_of(note)))
            value = math.nan if got is None else float(got[name])
            u = math.nan if got is None else float(got[f"u_{name}"])
            share = 1.0 if name in ABSOLUTE else truth
            rows.append(
                {
                    "kind": case.kind,
                    "wave": case.wave,
                    "hz": case.made.hz,
                    "snr_db": case.snr_db,
                    "name": name,
                    "truth": truth,
                    "value": value,
                    "error": (value - truth) / share,
                    "z": (value - truth) / u,
                    "periods_in_attack": note.attack_s * case.made.hz,
                    "found": got is not None,
                    "onset": note.onset_s,
                    "extrapolated": got is not None and bool(got["release_extrapolated"]),
                    "law": "" if got is None else got["law"],
                }
            )
    return rows
