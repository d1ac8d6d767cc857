"""Twelve faults of the school: what they are, how they show, what they often come from."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from sigkit.notebook import planting
from sigkit.synth.sound import Sound


@dataclass(frozen=True)
class Fault:
    """One fault of the school.

    Parameters
    ----------
    name : str
        What it is called.
    line : str
        What it is, in one line.
    look : str
        What one sees on the chart.
    often : str
        What it often comes from; common practice, no source.
    test : str
        The bench test that shows it, or ``fitness``.
    healthy, faulty : callable
        Make the two sounds.
    label : str
        The number that is looked at, with its unit.
    number : callable
        Takes it from the result.
    truth : callable
        Takes it from the truth of the faulty sound.
    within : float
        How near to the truth it has to come; nothing healthy comes so near.
    options : mapping
        Options of the measurement.
    """

    name: str
    line: str
    look: str
    often: str
    test: str
    healthy: Callable[[], Sound]
    faulty: Callable[[], Sound]
    label: str
    number: Callable[[Any], float]
    truth: Callable[[Mapping[str, Any]], float]
    within: float
    options: Mapping[str, Any] = field(default_factory=dict)


def _count(table: str, kind: str, column: str = "kind") -> Callable[[Any], float]:
    """Return what counts the rows of a kind in a table of a result."""
    return lambda result: float((result.tables()[table][column] == kind).sum())


def _of(quantity: str) -> Callable[[Any], float]:
    """Return what takes a number from a result; none is nan."""
    return lambda result: float(result.quantities()[quantity])


def _planted(key: str) -> Callable[[Mapping[str, Any]], float]:
    return lambda truth: float(truth[key])


def _always(value: float) -> Callable[[Mapping[str, Any]], float]:
    return lambda _: value


def _events(kind: str) -> Callable[[Mapping[str, Any]], float]:
    return lambda truth: float((truth["events"]["kind"] == kind).sum())


def _jump(result: Any) -> float:
    sizes = result.jumps["size_cents"]
    return float(sizes.iloc[0]) if len(sizes) == 1 else 0.0


SWEEP = {"lowest_key": "C4", "keys": planting.KEYS}
FAULTS: Mapping[str, Fault] = {
    fault.name: fault
    for fault in (
        Fault(
            "crackle",
            "A dirty slider crackles: short bursts, at the same places in every pass.",
            "Marks in one column, pass after pass, are a worn spot; scattered ones loose dirt.",
            "dust, dried grease or a worn place on the track; a tired wiper",
            "slider",
            planting.clean_slider,
            planting.crackling,
            "bursts",
            _count("events", "burst"),
            _events("burst"),
            0.5,
            {"controls": "level"},
        ),
        Fault(
            "dropout",
            "A slider lets go: for a moment the sound is gone, and comes back.",
            "One mark a pass, at one place: the wiper lifts off there.",
            "a wiper that lifts off; a cracked or burnt place of the track; a bad joint at its lug",
            "slider",
            planting.clean_slider,
            planting.dropping,
            "dropouts",
            _count("events", "dropout"),
            _events("dropout"),
            0.5,
            {"controls": "level"},
        ),
        Fault(
            "pitch jump",
            "The pitch of a held note steps to another one, and stays there.",
            "A step with nothing between: a drift would be a slope.",
            "the wiper of a trimmer; a key contact; a cold joint",
            "stability",
            planting.still,
            planting.jumping,
            "jump, cents",
            _jump,
            _always(planting.JUMP_CENTS),
            0.5,
        ),
        Fault(
            "hum",
            "A deep, smooth hum while nothing plays: the mains and its odd multiples.",
            "Circles stand high (odd multiples), squares do not.",
            "a loop through the screen of a cable; the field of the transformer",
            "noise",
            planting.quiet,
            planting.humming,
            "odd multiples, dBFS",
            _of("hum_odd"),
            _planted("odd_dbfs"),
            0.5,
            {"mains_hz": 50},
        ),
        Fault(
            "ripple",
            "A rougher buzz an octave higher: twice the mains and its multiples.",
            "Squares stand high (even multiples): what a rectifier leaves.",
            "aged filter capacitors; a regulator that has lost its headroom",
            "noise",
            planting.quiet,
            planting.rippling,
            "even multiples, dBFS",
            _of("ripple"),
            _planted("even_dbfs"),
            0.5,
            {"mains_hz": 50},
        ),
        Fault(
            "drift that never settles",
            "After switch-on the pitch moves, and at the end it still does.",
            "The healthy curve lies flat at its end; the other one goes on.",
            "a leaky timing or hold capacitor; residue on the board; a rail that moves",
            "warmup",
            planting.settling,
            planting.restless,
            "drift at the end, cents/min",
            _of("residual_drift"),
            _always(planting.RESTLESS_CENTS_PER_MIN),
            0.5,
        ),
        Fault(
            "slow landing glide",
            "A glide starts as it should, and creeps over the last part to the note.",
            "The curve bends before the note instead of running straight into it.",
            "a leaky or absorbing capacitor of the glide circuit; a dirty board around it",
            "glide",
            planting.prompt_landing,
            planting.slow_landing,
            "time to within 5 cents, s",
            _of("time_to_5_cents"),
            _planted("to_5_cents_s"),
            0.02,
        ),
        Fault(
            "overshooting glide",
            "A glide runs past the note and comes back.",
            "The curve goes above the note before it rests on it.",
            "a filter of the control voltage that rings; a buffer that is slow",
            "glide",
            planting.smooth_glide,
            planting.overshooting,
            "overshoot, cents",
            _of("overshoot"),
            _planted("overshoot_cents"),
            5.0,
        ),
        Fault(
            "bouncing key",
            "One press, two attacks: the contact closes, opens and closes again.",
            "The word at the key; you hear a short stutter at its beginning.",
            "an oxidised bus or spring; a worn bushing",
            "keyboard",
            planting.good_keys,
            planting.bouncing,
            "double triggers",
            _of("double_triggers"),
            _always(1.0),
            0.5,
            SWEEP,
        ),
        Fault(
            "stuck key",
            "A key sounds on after it was let go, under those that follow.",
            "The word at the key; two pitches at once where there should be one.",
            "a bent contact; a key that sticks",
            "keyboard",
            planting.good_keys,
            planting.sticking,
            "stuck keys",
            _of("stuck_keys"),
            _always(1.0),
            0.5,
            SWEEP,
        ),
        Fault(
            "sagging sustain",
            "A held note grows quieter by itself.",
            "The held part is a slope instead of a level line.",
            "a leaky timing capacitor; leakage on the board; the control of the amplifier",
            "envelope",
            planting.holding,
            planting.sagging,
            "sag in 10 s, dB",
            _of("sag"),
            _planted("sag_db"),
            0.3,
        ),
        Fault(
            "clipped recording",
            "No fault of the instrument: the recorder's gain was too high, tops are cut off flat.",
            "The band touches full scale all the time.",
            "a gain that was set before the loudest tone was played",
            "fitness",
            planting.still,
            planting.clipped,
            "clipped (1 = yes)",
            lambda fitness: float(any(p.kind == "clipped" for p in fitness.problems)),
            _always(1.0),
            0.5,
        ),
    )
}
"""The faults by name, in the order in which they are taught."""
