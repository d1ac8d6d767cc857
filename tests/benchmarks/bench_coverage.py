"""One suite over all bench tests: do stated intervals hold the truth in 93 to 97 %?

``pytest -m benchmark -s tests/benchmarks/bench_coverage.py`` draws all and ends with the whole
table of DEVELOPERS.md and what lies surely outside 93 to 97 %. Captures are drawn at random in
signal, noise, length and rate (8 to 96 kHz) by generators that share nothing with the estimators,
from seeds that no other test or benchmark uses.

``-k "slider or whole"`` draws one kind alone. ``SIGKIT_CASES`` is the number of captures (default
40, times the kind's share), or ``SIGKIT_SECONDS`` the processor time that each kind is given;
``SIGKIT_SEED`` another first number of their seeds. ``SIGKIT_COVERAGE`` names a CSV file to which
scores are added, so that several runs, also at the same time, make one table: ``-k whole`` prints
it.
"""

import itertools
import os
import time
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
SECONDS = float(os.environ.get("SIGKIT_SECONDS", "0"))
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


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """Where the scores of every capture are kept."""
    named = os.environ.get("SIGKIT_COVERAGE", "")
    return Path(named) if named else tmp_path_factory.mktemp("coverage") / "scores.csv"


@pytest.mark.parametrize("kind", KINDS)
def test_intervals_hold_the_truth(kind, place, tmp_path):
    scores, refused, seconds = [], 0, 0.0
    for number in itertools.count():
        if seconds >= SECONDS if SECONDS else number >= most_of(kind):
            break
        begun = time.process_time()
        rng = np.random.default_rng([SEED, list(KINDS).index(kind), number])
        try:
            scores.append(held.scores_of(KINDS[kind][0](rng, tmp_path)))
        except SignalError:
            refused += 1
        else:
            keep(scores[-1], place)
        seconds += time.process_time() - begun
    table = held.table_of(pd.concat(scores))
    print(f"\n{kind}: {number} captures, {refused} refused, {seconds / number:.2f} s each")
    print(f"{held.told(table)}\n{held.markdown(table)}")


def most_of(kind):
    """Return the number of captures of a kind."""
    return max(4, round(KINDS[kind][1] * CASES))


def keep(scores, place):
    """Add scores to the file of cases, in one write."""
    text = scores.to_csv(header=not place.is_file(), index=False)
    with place.open("a", encoding="utf-8", newline="") as file:
        file.write(text)


def test_whole_table(place):
    """Print all that was drawn as one table, and what lies outside."""
    if not place.is_file():
        pytest.skip("nothing was drawn, and SIGKIT_COVERAGE names no file of cases")
    table = held.table_of(pd.read_csv(place))
    print(f"\n{held.markdown(table)}\n")
    for test, own in table.groupby("test", sort=False):
        print(f"{test}: {held.told(own)}")
    print(f"all: {held.told(table)}\n\nsurely outside 93 to 97 %:")
    print(held.markdown(held.outside(table)))
