"""One suite over all bench tests: do stated intervals hold the truth in 93 to 97 %?

Run with ``pytest -m benchmark -s tests/benchmarks/bench_coverage.py``; it prints one table, as in
DEVELOPERS.md. Captures are drawn at random in signal, noise, length and rate (8 to 96 kHz) by
generators that share nothing with the estimators, from seeds that no other test or benchmark uses.
``SIGKIT_CASES`` sets the number of captures of each kind (default 40), ``SIGKIT_SEED`` another
first number of their seeds, ``SIGKIT_COVERAGE`` a CSV file to which the scores are added, so that
runs with several seeds make one table.
"""

import os
from pathlib import Path

import held
import held_changes
import held_notes
import held_pitch
import held_sound
import numpy as np
import pandas as pd
import pytest

from sigkit.errors import SignalError

pytestmark = pytest.mark.benchmark

CASES = int(os.environ.get("SIGKIT_CASES", "40"))
SEED = int(os.environ.get("SIGKIT_SEED", "77001"))
KINDS = {
    "stability": (held_pitch.stability, 3),
    "wobbling": (held_pitch.wobbling, 1),
    "warmup": (held_pitch.warmup, 1),
    "heated": (held_pitch.heated, 0.3),
    "beating": (held_pitch.beating, 1),
    "locking": (held_pitch.locking, 0.25),
    "glide": (held_notes.glide, 0.6),
    "envelope": (held_notes.envelope, 3),
    "keyboard": (held_notes.keyboard, 2),
    "droop": (held_notes.droop, 2),
    "slider": (held_sound.slider, 1),
    "noise": (held_sound.noise, 3),
    "weighted": (held_sound.weighted, 4),
    "beside the tone": (held_sound.beside_the_tone, 3),
    "waveform": (held_sound.waveform, 2),
    "harmonics": (held_sound.harmonics, 6),
    "changes": (held_changes.changes, 3),
}
"""Generators, and the share of the number of captures that each is given: some take long."""


@pytest.mark.parametrize("kind", KINDS)
def test_intervals_hold_the_truth(kind, tmp_path):
    draw, share = KINDS[kind]
    cases, refused = [], 0
    for number in range(max(4, round(share * CASES))):
        rng = np.random.default_rng([SEED, list(KINDS).index(kind), number])
        try:
            cases += draw(rng, tmp_path)
        except SignalError:
            refused += 1
    scores = held.scores_of(cases)
    print(f"\n{kind}: {refused} captures refused\n{held.markdown(held.table_of(scores))}")
    if place := os.environ.get("SIGKIT_COVERAGE", ""):
        scores.to_csv(place, mode="a", header=not Path(place).is_file(), index=False)
    assert len(scores)


def test_whole_table():
    """Print what was written to ``SIGKIT_COVERAGE`` as one table, and what lies outside."""
    place = Path(os.environ.get("SIGKIT_COVERAGE", ""))
    if not place.is_file():
        pytest.skip("SIGKIT_COVERAGE names no file of cases")
    table = held.table_of(pd.read_csv(place))
    print(f"\n{held.markdown(table)}\n\nsurely outside 93 to 97 %:")
    print(held.markdown(held.outside(table)))
