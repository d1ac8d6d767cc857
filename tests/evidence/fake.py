"""A small bench test for the tests of jobs: the level of a tone, from the samples alone."""

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import pandas as pd
import soundfile as sf

from sigkit.errors import SignalError
from sigkit.measures.result import Result, Source
from sigkit.quantity import Quantity, Term, combine, not_measurable

RATE = 8000
NOT_IN_IT = {
    "events_per_pass": "per pass",
    "fixed_spots": "",
    "longest_dropout": "s",
    "largest_jump": "cents",
    "travel_affected": "%",
    "energy_ratio": "dB",
    "not_assessed": "%",
}


@dataclass(frozen=True, kw_only=True, eq=False)
class Level(Result):
    test: ClassVar[str] = "slider"
    event_rate: Quantity
    worst_level: Quantity
    floor: Quantity
    events_per_pass: Quantity
    fixed_spots: Quantity
    longest_dropout: Quantity
    largest_jump: Quantity
    travel_affected: Quantity
    energy_ratio: Quantity
    not_assessed: Quantity
    curve: pd.DataFrame
    counts: dict

    def plot(self, ax=None):
        ax.plot(self.curve.time_s, self.curve.level)
        ax.set(xlabel="time (s)", ylabel="level")
        return ax


def measure_level(capture, *, controls=None):
    """Peak in dB re full scale as worst_level, its thousandths as a rate: known from the sound."""
    sound = capture.read()
    peak = float(np.abs(sound).max())
    if peak < 0.01:
        raise SignalError(
            f"No tone in {capture.path}.", where=str(capture.path), remedy="Record it louder."
        )
    count = round(peak * 100)
    rate = combine(
        count / capture.duration_s, "1/s", [Term("counting", count**0.5 / capture.duration_s, "A")]
    )
    worst = combine(
        20 * np.log10(peak), "dB", [Term("noise", 0.1, "A", 20), Term("scale", 0.1, "B")]
    )
    return Level(
        source=Source(
            name=capture.path.name,
            rate=capture.rate,
            channel=capture.channel,
            duration_s=capture.duration_s,
        ),
        settings={"controls": controls},
        event_rate=rate,
        worst_level=worst,
        floor=not_measurable("dB", "the tone hides it: close the filter"),
        **{name: not_measurable(unit, "not in the fake") for name, unit in NOT_IN_IT.items()},
        curve=pd.DataFrame({"time_s": np.arange(10) / 10, "level": np.full(10, peak)}),
        counts={"event_rate": (count, capture.duration_s)},
    )


def tone(path, peak, *, seconds=2.0, frequency_hz=220.0, seed=0):
    path.parent.mkdir(parents=True, exist_ok=True)
    t = np.arange(round(seconds * RATE)) / RATE
    noise = np.random.default_rng(seed).normal(0, 1e-4, t.size)
    sf.write(path, peak * np.sin(2 * np.pi * frequency_hz * t) + noise, RATE, subtype="PCM_16")
