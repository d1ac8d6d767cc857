"""The bench tests by name: the table that job, limits, report, commands and notebooks read."""

from __future__ import annotations

import difflib
import importlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from sigkit.errors import InputError
from sigkit.measures.result import Result, Source

__all__ = ["TESTS", "BenchTest", "Judged", "Result", "Source", "bench_test"]


@dataclass(frozen=True)
class Judged:
    """A quantity of a bench test that is compared between stages and with limits.

    Parameters
    ----------
    quantity : str
        Field of the result.
    label : str
        The words shown to people.
    unit : str
        Its unit.
    better : {"smaller", "nearer zero", "none"}
        Which way an improvement goes; ``none`` is shown but never called better or worse.
    only_if_seen : bool
        Whether it is left out where no stage has a value of it.
    """

    quantity: str
    label: str
    unit: str
    better: Literal["smaller", "nearer zero", "none"]
    only_if_seen: bool = False


@dataclass(frozen=True)
class BenchTest:
    """One bench test.

    Parameters
    ----------
    name : str
        Its name in file names, modules, charts and notebooks.
    title : str
        Its name for people.
    options : mapping of str to tuple of types
        Keyword options of its function that a job may set, with the types each accepts.
    judged : tuple of Judged
        The quantities shown in before/after tables, the leading one first.
    """

    name: str
    title: str
    options: Mapping[str, tuple[type, ...]] = field(default_factory=dict)
    judged: tuple[Judged, ...] = ()

    @property
    def measure(self) -> Callable[..., Result]:
        """The function ``measure_NAME(capture, *, ...)``, imported when first asked for."""
        module = importlib.import_module(f"sigkit.measures.{self.name}")
        function: Callable[..., Any] = getattr(module, f"measure_{self.name}")
        return function


TESTS: Mapping[str, BenchTest] = {
    test.name: test
    for test in (
        BenchTest(
            "stability",
            "Pitch stability",
            options={"nominal_hz": (float, int), "mains_hz": (float, int)},
            judged=(
                Judged("spread", "spread of pitch", "cents", "smaller"),
                Judged("drift", "drift", "cents/min", "nearer zero"),
                Judged("peak_to_peak", "pitch, peak to peak", "cents", "smaller"),
                Judged("wander", "wander of 1 s medians", "cents", "smaller"),
                Judged("jitter", "jitter", "cents", "smaller"),
                Judged("mains_wobble", "mains wobble, peak", "cents", "smaller"),
                Judged("offset", "offset from the nominal pitch", "cents", "nearer zero"),
                Judged("frequency", "frequency", "Hz", "none"),
            ),
        ),
        BenchTest(
            "warmup",
            "Warm-up drift",
            options={"power_on_s": (float, int), "band_cents": (float, int)},
            judged=(
                Judged("settling_time", "settling time", "s", "smaller"),
                Judged("total_drift", "total drift", "cents", "nearer zero"),
                Judged("residual_drift", "residual drift", "cents/min", "nearer zero"),
                Judged("time_constant", "time constant", "s", "none"),
                Judged(
                    "largest_step",
                    "largest step of pitch",
                    "cents",
                    "nearer zero",
                    only_if_seen=True,
                ),
                Judged("cycle_cents", "cyclic drift, peak", "cents", "none", only_if_seen=True),
                Judged("cycle_period", "its period", "s", "none", only_if_seen=True),
                Judged(
                    "temperature_coefficient",
                    "drift with room temperature",
                    "cents/°C",
                    "none",
                    only_if_seen=True,
                ),
            ),
        ),
        BenchTest(
            "beating",
            "Two oscillators",
            judged=(
                Judged("locking_width", "locking width", "cents", "smaller"),
                Judged("beat_wander", "wander of the detune in 60 s", "cents", "smaller"),
                Judged("detune", "detune of oscillator 2", "cents", "none"),
                Judged("drift_1", "drift of oscillator 1", "cents/min", "nearer zero"),
                Judged("drift_2", "drift of oscillator 2", "cents/min", "nearer zero"),
                Judged("beat_rate", "beat rate", "Hz", "none"),
            ),
        ),
        BenchTest(
            "glide",
            "Glide",
            judged=(
                Judged("glide_time", "glide time, 10 to 90 %", "s", "none"),
                Judged("repeat_spread", "scatter of repeats", "%", "smaller", True),
                Judged("up_down_difference", "time up against down", "%", "nearer zero", True),
                Judged("landing_error", "landing error, largest", "cents", "nearer zero", True),
                Judged("glitches", "steps and plateaux a glide", "", "smaller"),
                Judged("overshoot", "overshoot, largest", "cents", "smaller", True),
                Judged("time_to_5_cents", "time to within 5 cents", "s", "none", True),
                Judged("time_constant", "time constant", "s", "none", True),
            ),
        ),
        BenchTest(
            "envelope",
            "Envelope",
            options={"key_channel": (int,)},
            judged=(
                Judged("sag", "sag of the sustain in 10 s", "dB", "nearer zero"),
                Judged("release_20", "release, to 20 dB below", "s", "none"),
                Judged("release_40", "release, to 40 dB below", "s", "none"),
                Judged("release", "release, to 60 dB below", "s", "none"),
                Judged("attack", "attack, 10 to 90 %", "s", "none"),
                Judged("onset_to_peak", "onset to peak", "s", "none"),
                Judged("decay_time_constant", "decay, time constant", "s", "none"),
                Judged("sustain", "sustain re the peak", "dB", "none"),
                Judged("release_time_constant", "release, time constant", "s", "none"),
                Judged("peak", "peak level", "dBFS", "none"),
                Judged("peak_spread", "spread of the peaks", "dB", "smaller"),
                Judged("attack_repeat", "scatter of the attack", "%", "smaller", True),
                Judged("decay_repeat", "scatter of the decay", "%", "smaller", True),
                Judged("release_repeat", "scatter of the release", "%", "smaller", True),
                Judged("retriggers", "retriggers", "", "smaller"),
                Judged("missed_triggers", "missed triggers", "", "smaller", True),
                Judged("thump", "thump at the onset re the peak", "dB", "smaller", True),
            ),
        ),
        BenchTest(
            "keyboard",
            "Keyboard",
            options={"lowest_key": (str, int), "keys": (int,)},
            judged=(
                Judged("scale_error", "scale error", "cents/octave", "nearer zero"),
                Judged("dead_keys", "dead keys", "", "smaller"),
                Judged("double_triggers", "double triggers", "", "smaller"),
                Judged("stuck_keys", "stuck keys", "", "smaller"),
                Judged("unsteady_keys", "keys unsteady at key-down", "", "smaller"),
                Judged("slow_keys", "keys late or slow to speak", "", "smaller"),
                Judged("worst_key", "worst key re the scale", "cents", "nearer zero"),
                Judged("scatter", "scatter of the keys", "cents", "smaller"),
                Judged("curvature", "bend at the top", "cents", "nearer zero"),
                Judged("shift", "shift from one key on", "cents", "nearer zero", True),
                Judged(
                    "up_down_difference", "up against down, worst key", "cents", "nearer zero", True
                ),
                Judged("hold_droop", "droop of a held note", "cents/s", "nearer zero", True),
                Judged("offset", "offset at the lowest key", "cents", "none"),
            ),
        ),
        BenchTest(
            "slider",
            "Slider pass",
            options={"controls": (str,)},
            judged=(
                Judged("events_per_pass", "events per pass", "per pass", "smaller", True),
                Judged("event_rate", "events per second", "1/s", "smaller"),
                Judged("worst_level", "loudest burst re tone", "dB", "smaller"),
                Judged("fixed_spots", "fixed spots of the travel", "", "smaller", True),
                Judged("longest_dropout", "longest dropout", "s", "smaller", True),
                Judged("largest_jump", "largest jump of pitch", "cents", "smaller", True),
                Judged("travel_affected", "travel affected", "%", "smaller", True),
                Judged("energy_ratio", "energy of events re tone", "dB", "smaller", True),
                Judged("floor", "detection floor re tone", "dB", "none"),
                Judged("not_assessed", "sweep not assessed", "%", "none", True),
            ),
        ),
        BenchTest(
            "noise",
            "Noise, hum and ripple",
            options={"mains_hz": (float, int), "reference": (str,)},
            judged=(
                Judged("floor_re_tone", "idle noise re full tone", "dB", "smaller", True),
                Judged("ripple_re_tone", "ripple re full tone", "dB", "smaller", True),
                Judged("mains_line_re_tone", "hum line re full tone", "dB", "smaller", True),
                Judged("bleed", "bleed re full tone", "dB", "smaller", True),
                Judged("floor", "idle noise", "dBFS", "smaller"),
                Judged("floor_a", "idle noise, A-weighted", "dBFS(A)", "smaller"),
                Judged("ripple", "ripple, even multiples of mains", "dBFS", "smaller"),
                Judged("hum_odd", "hum, odd multiples of mains", "dBFS", "smaller"),
                Judged("mains_frequency", "mains frequency", "Hz", "none", True),
            ),
        ),
        BenchTest(
            "waveform",
            "Waveform",
            options={
                "band_hz": (float, int),
                "inverting": (bool,),
                "nominal_duty": (float, int),
                "response_db": (float, int),
            },
            judged=(
                Judged("duty_error", "duty cycle less nominal", "%", "nearer zero", True),
                Judged("duty_cycle", "duty cycle", "%", "none", True),
                Judged("symmetry_error", "rising share less 50 %", "%", "nearer zero", True),
                Judged("symmetry", "rising share of a triangle", "%", "none", True),
                Judged("thd", "total harmonic distortion", "%", "none"),
                Judged("even_harmonics", "even harmonics", "dB", "none", True),
                Judged("departure", "departure from the ideal wave", "dB", "smaller"),
                Judged("level", "level of the wave", "dBFS", "none"),
                Judged("frequency", "frequency", "Hz", "none"),
            ),
        ),
    )
}
"""Every bench test that exists, by name."""


def bench_test(name: str, *, where: str = "") -> BenchTest:
    """Return the bench test of that name.

    Raises
    ------
    InputError
        No such test; the nearest names are suggested.
    """
    if name in TESTS:
        return TESTS[name]
    near = difflib.get_close_matches(name.lower(), TESTS, n=1, cutoff=0.75)
    hint = f"Did you mean {near[0]!r}? " if near else ""
    raise InputError(
        f"There is no bench test named {name!r}.",
        where=where,
        remedy=f"{hint}Known tests: {', '.join(TESTS)}.",
    )
