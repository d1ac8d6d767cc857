"""Means over takes and differences between stages, with their truth, for `held`.

The notes are saws at a pitch that plugging in again moves at random; each capture is made with the
same sound card, whose clock is off by up to 50 ppm, drawn once for both stages.
"""

from __future__ import annotations

import math

from held import PPM, Case
from tones import noisy_tone, write_sound

import sigkit
from sigkit.judging.compare import difference, join_takes

RATE = 8_000


def changes(rng, folder):
    """Two stages of 2 to 5 takes; mean offset of each, and the change of offset and frequency."""
    hz, off = float(rng.uniform(80, 900)), float(rng.uniform(-PPM, PPM))
    again = float(rng.choice([0.0, 0.02, 0.3]))
    true, stages = [], []
    for moved in (0.0, float(rng.uniform(-2, 2))):
        true.append(hz * 2 ** (moved / 1200))
        takes = []
        for _ in range(int(rng.integers(2, 6))):
            own = true[-1] * 2 ** (again * rng.standard_normal() / 1200)
            # A card whose rate is high by so much writes a lower pitch into its file.
            x, _ = noisy_tone("saw", own / (1 + off), rng.uniform(25, 50), 1.5, rng, rate=RATE)
            path = write_sound(folder, x, RATE)
            takes.append(sigkit.measure_stability(sigkit.open_capture(path), nominal_hz=hz))
            path.unlink()
        stages.append([take.quantities() for take in takes])
    out = []
    means = {
        name: [join_takes([take[name] for take in stage]) for stage in stages]
        for name in ("offset", "frequency")
    }
    cents = [1200 * math.log2(f / hz) for f in true]
    as_read = [c - 1200 * math.log2(1 + off) for c in cents]
    out.append(Case("takes", "offset, mean of 2 to 5", means["offset"][0], as_read[0], cents[0]))
    for name, truths in (("offset", cents), ("frequency", true)):
        change = difference(*means[name])
        out.append(Case("changes", name, change, truths[1] - truths[0], truths[1] - truths[0]))
    return out
