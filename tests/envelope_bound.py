"""What white noise allows: the bound of Cramer and Rao for the numbers of a note.

The carrier's wave is taken for known and its energy for even; the form of the note is known, its
parameters are not. No unbiased reading does better; one without a model does worse.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from envelope_cases import TRUTHS, Case
from envelopes import control_and_notes

STEP = 1e-5
POINTS = 40_000


def bounds(case: Case, which: int = 0) -> dict[str, float]:
    """The least standard deviation of each number of one note, in its own unit."""
    plant, made = case.plant, case.made
    note = made.notes[which]
    later = [n.onset_s for n in made.notes if n.onset_s > note.onset_s]
    end = min([*later, made.samples.size / made.rate]) - note.onset_s
    hold = note.gate_off_s - note.onset_s
    free = {"to_peak_s": plant.to_peak_s, "aim": plant.aim, "release_s": plant.release_s}
    if not plant.attack_release:
        free |= {"decay_s": plant.decay_s, "sustain": 0.1}
    free |= {"release_aim": 0.1}
    if plant.power != 1:
        free |= {"power": 1.0}
    t = np.linspace(-0.02, end, POINTS)
    noise = 10 ** (-case.snr_db / 20) / math.sqrt(made.rate * (t[1] - t[0]))

    def played(level=0.0, onset=0.0, off=0.0, **moved):
        other = replace(plant, **{k: getattr(plant, k) + v for k, v in moved.items()})
        control, notes = control_and_notes(other, [(onset, hold + off)], t)
        told = {name: float(truth(notes[0])) for name, truth in TRUTHS.items()}
        return math.exp(level) * other.gain(control), told

    scales = {"level": 1.0, "onset": plant.to_peak_s, "off": plant.release_s, **free}
    slopes, moves = [], []
    for name, scale in scales.items():
        h = STEP * scale if name not in ("onset", "off") else max(STEP * scale, t[1] - t[0])
        (up, told_up), (down, told_down) = played(**{name: h}), played(**{name: -h})
        slopes.append((up - down) / (2 * h))
        moves.append({n: (told_up[n] - told_down[n]) / (2 * h) for n in told_up})
    slope = np.array(slopes)
    size = np.sqrt(np.sum(slope**2, axis=1)) + 1e-300
    inverse = np.linalg.pinv((slope / size[:, None]) @ (slope / size[:, None]).T, rcond=1e-12)
    out = {}
    for name in TRUTHS:
        by = np.array([m[name] for m in moves]) / size
        out[name] = noise * math.sqrt(max(float(by @ inverse @ by), 0.0))
    return out
