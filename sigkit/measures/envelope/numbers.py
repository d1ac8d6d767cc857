"""From the fit of a note to its numbers, each with its uncertainty or the reason for none."""

from __future__ import annotations

import math

import numpy as np

from sigkit.arrays import Real
from sigkit.measures.envelope.blocks import Source
from sigkit.measures.envelope.fit import NoteFit
from sigkit.measures.envelope.laws import CONVEX
from sigkit.measures.envelope.model import (
    MOST_LOG,
    MOST_POWER,
    LeastSquares,
    Shape,
    level_of,
    rise_share_s,
)
from sigkit.measures.envelope.release_times import release_numbers
from sigkit.measures.envelope.structure import LEVELS
from sigkit.measures.envelope.told import FALL, RELEASE, RISE, Numbers, shape_at, spread
from sigkit.measures.held_note import CLOCK_PPM

CLOCK = CLOCK_PPM * 1e-6 / math.sqrt(3)
BLOCKS = 1e-4
"""Share of a time that blocks of a 24th of it bend away: an exponential's mean over such a block is
off by 1/24^3, in both ends of a slope."""
FINEST = 0.25
"""Shortest attack, in periods of the carrier, whose time is given."""
HELD = 30.0
"""Periods held from which on that holds; with fewer, longer attacks are needed."""
SETTLED, LEAST_HELD_S, SAGS_S = 5.0, 0.02, 0.2
"""Time constants of the decay after which a level is held, how long it is to be held then, and how
long to tell a sag;
what the decay leaves by then is small, and taken out."""
UNLIKE, LEFT_SHARE = 4.0, 0.3
"""Scatter about the model above which what it leaves of a decay is known to this share only."""
SLOWEST = 3.0
"""Periods of the carrier that a time constant takes at least where its power is all there is."""
STEEPEST = 0.25
"""Fall of an exponential amplifier's level in a period, in nepers, above which it is not told."""
STANDS = 20.0
"""Bend from which on a rise is over long before what the fit takes for its peak."""
HEARD = 3.0
"""Level re the noise of a block from which on a rise is heard."""
LEAKS = 0.02
"""Amplitude re the peak below which an amplifier may leak between notes."""
AT_ONCE = -20.0
"""Logarithm of the time constant of a decay that is over as it begins."""
SHORT_S = 0.05
"""Gate so short that no decay need show."""
NOT_SEEN_DB = 0.1
"""A decay by less than this is none: its time constant says nothing."""
AT_PEAK = 0.05
"""Part of the rise within which a gate ends with it."""
PART_OF_DECAY = 0.7
"""Time constants of the decay that a gate must last for a sustain to be foretold."""
CUT_SHORT = 1.8
"""Aim re the peak from which on an attack may have been let go on its way."""
NO_SUSTAIN_DB = -60.0
"""A level below this is silence, not a sustain."""


def numbers_of(
    source: Source, found: NoteFit, *, stop_s: float, shortest_s: float, held: float, power: bool
) -> Numbers:
    """Return the numbers of one note.

    Parameters
    ----------
    source : Source
        Its envelope.
    found : NoteFit
        Its fit.
    stop_s : float
        When the next note begins, or the sound ends.
    shortest_s : float
        Length of the shortest block.
    held : float
        Periods from which the carrier's wave is known; for a power track infinite.
    power : bool
        Whether the envelope comes from the power only.
    """
    out = Numbers(flags={"law": found.law})
    _rise(out, source, found, held, power=power)
    _fall(out, found, power=power)
    release_numbers(out, source, found, stop_s, shortest_s, power=power)
    if power:
        _too_quick(out, source.period_s)
        if found.law == "exponential":
            out.none(
                RELEASE,
                "its power alone does not tell when an exponential amplifier was let go, nor how "
                "its level falls to the noise: play a higher, steady note",
            )
            if not math.isfinite(out.values["sustain_db"][0]):
                out.none(
                    ("decay_time_constant_s",),
                    "the decay of an exponential amplifier goes to a level that noise hides: raise "
                    "the sustain, or play a higher, steady note",
                )
    if found.law_told:
        _leave_untold(out, source, found, power=power)
    else:
        _law_untold(out, found)
    out.flags["law_power"] = math.nan if found.law == "exponential" else found.shape.power
    out.flags["misfit"] = found.rise.scatter
    for name, (value, u) in out.values.items():
        if name.endswith("_s") and name not in ("onset_s", "gate_off_s"):
            share = CLOCK if name.startswith("release_") and "constant" not in name else BLOCKS
            if found.law == "exponential":
                share = max(share, BLOCKS * found.shape.range_nepers)
            out.values[name] = (value, math.hypot(u, share * value))
    return out


def _leave_untold(out: Numbers, source: Source, found: NoteFit, *, power: bool) -> None:
    """Leave out what a carrier that is too low for its fall, or a law that is none, can't tell."""
    shape = found.shape
    held_s = shape.gate_off_s - shape.peak_s
    soonest_s = AT_PEAK * shape.rise_s
    if found.rise.scatter > UNLIKE:
        # Within a period what the wave is off by bends as well.
        soonest_s = max(soonest_s, source.period_s)
    if found.knee and held_s < soonest_s and (power or not _cut_short(out, found)):
        out.none(
            (*FALL, *RELEASE),
            "the level falls as soon as it has come to its peak: decay or release, none can tell; "
            "raise the sustain, or use a key microphone",
        )
        return
    if found.law == "exponential":
        period_s = source.period_s
        fall = shape.range_nepers * (1 - shape.sustain) / shape.decay_s * period_s
        if "sustain" in found.free and fall > STEEPEST:
            db = 20 / math.log(10) * fall
            out.none(
                (*FALL, *RELEASE),
                f"the level falls by {db:.0f} dB in a period of the carrier: play a higher note",
            )
        rest = shape.size * math.exp(-shape.range_nepers * (1 - shape.base))
        hidden = HEARD * float(np.median(found.blocks.u_gain))
        if rest < hidden and math.isfinite(out.values["onset_s"][0]):
            heard = 1 + math.log(min(hidden / shape.size, 0.5)) / shape.range_nepers
            share = (heard - shape.base) / (1 - shape.base)
            late_s = rise_share_s(share, shape.rise_s, shape.bend)
            value, u = out.values["onset_s"]
            out.values["onset_s"] = (value, math.hypot(u, late_s))
            out.none(("onset_to_peak_s",), "the rise begins below the noise: raise the level")
    elif found.law == "power" and shape.power > MOST_POWER - 1:
        out.none(
            (*FALL, *RELEASE),
            "no law of the amplifier explains how the level goes: play a higher note, louder",
        )
    elif (not power or found.rise.scatter > UNLIKE) and shape.bend + 2 * spread(
        lambda p: shape_at(found, p).bend, found.rise
    ) < CONVEX:
        left = (*FALL, *RELEASE) if not power else (*RISE[:2], *FALL, *RELEASE)
        if power:
            value, u = out.values["onset_s"]
            out.values["onset_s"] = (value, math.hypot(u, 0.5 * shape.rise_s))
        out.none(
            left,
            "its rise bends as none does that a capacitor's charge controls, and no law of the "
            "amplifier explains it: play a higher note, louder",
        )


def _law_untold(out: Numbers, found: NoteFit) -> None:
    """Leave out what depends on a law that the power alone leaves open."""
    value, u = out.values["onset_s"]
    out.values["onset_s"] = (value, math.hypot(u, 0.5 * found.shape.rise_s))
    out.flags["law"] = ""
    out.none(
        (*RISE[:2], *FALL, *RELEASE),
        "its power alone leaves open whether the amplifier is linear or exponential: play a "
        "higher, steady note, louder",
    )


def _too_quick(out: Numbers, period_s: float) -> None:
    """Leave out time constants that a carrier of which only the power is known is too low for."""
    for name in ("decay_time_constant_s", "release_time_constant_s"):
        if out.values[name][0] < SLOWEST * period_s:
            out.none((name,), "shorter than three periods of a carrier that does not keep its wave")


def attack_of(found: NoteFit, shape: Shape) -> float:
    """Return the time from 10 to 90 % of the peak, from rest."""
    rise_s = shape.rise_s
    shares = []
    for level in (0.1, 0.9):
        share = level
        if found.law == "exponential":
            # From rest, where the control is at its base, to the peak.
            rest = math.exp(-shape.range_nepers * (1 - shape.base))
            gain = rest + level * (1 - rest)
            share = (1 + math.log(gain) / shape.range_nepers - shape.base) / (1 - shape.base)
        elif found.law == "power":
            rest = max(shape.base, 0.0) ** shape.power
            control = (rest + level * (1 - rest)) ** (1 / shape.power)
            share = (control - shape.base) / (1 - shape.base)
        shares.append(rise_share_s(share, rise_s, shape.bend))
    return shares[1] - shares[0]


def _rise(out: Numbers, source: Source, found: NoteFit, held: float, *, power: bool) -> None:
    fit, shape = found.rise, found.shape
    rise_s = shape.rise_s
    time_s = found.blocks.time_s
    ends = np.searchsorted(time_s, [shape.onset_s - 0.1 * rise_s, shape.peak_s + 0.3 * rise_s])
    rising = slice(int(ends[0]), int(ends[1]))
    u_onset = spread(lambda p: shape_at(found, p).onset_s, fit, rising)
    if power:
        # The power of a block that holds the corner is no value at its centre.
        u_onset = math.hypot(u_onset, source.period_s / math.sqrt(12))
    out.values["onset_s"] = (shape.onset_s, max(u_onset, 1e-7))
    peak_db = 20 * math.log10(shape.size)
    u_peak = 20 / math.log(10) * spread(lambda p: shape_at(found, p).log_size, fit, rising)
    out.values["peak_dbfs"] = (peak_db, max(u_peak, 1e-4))
    u_rise = spread(lambda p: shape_at(found, p).rise_s, fit, rising)
    out.values["onset_to_peak_s"] = (rise_s, u_rise)
    attack = attack_of(found, shape)
    u_attack = spread(lambda p: attack_of(found, shape_at(found, p)), fit, rising)
    out.values["attack_s"] = (attack, u_attack)
    period_s = source.period_s
    least = period_s * (3.0 if power else FINEST * min(max(1.0, HELD / max(held, 1.0)), 4.0))
    if attack < least:
        ms = 1000 * period_s
        out.none(
            ("attack_s", "onset_to_peak_s"),
            f"the carrier is too low for this attack: about {1000 * attack:.2g} ms, resolution "
            f"± {ms:.2g} ms, not usable for {ms:.2g} ms or less: play a higher note",
        )
        out.values["onset_s"] = (shape.onset_s, math.hypot(u_onset, FINEST * period_s))
        if power:
            # It may have begun below the noise, as long before as an attack may take unseen.
            heard_s, u_heard = _first_heard(found)
            out.values["onset_s"] = (heard_s, math.hypot(u_heard, least / math.sqrt(12)))
    elif power and shape.bend > LEVELS:
        out.none(("onset_to_peak_s",), "noise hides when the rise comes to its end: play it louder")
    elif not u_attack < 0.5 * attack:
        out.none(
            ("attack_s", "onset_to_peak_s"),
            "too noisy or too few periods: play louder, hold longer",
        )


def _first_heard(found: NoteFit) -> tuple[float, float]:
    """Return when a rise that is over within a few blocks begins: somewhere in the first heard."""
    time_s, gain, u_gain = found.blocks
    top = int(np.argmax(gain))
    silent = np.flatnonzero(gain[:top] < np.maximum(HEARD * u_gain[:top], LEAKS * gain[top]))
    first = int(silent[-1]) + 1 if silent.size else 0
    ends = np.interp([first - 0.5, first + 0.5], np.arange(time_s.size), time_s)
    return float(ends.mean()), float(np.ptp(ends)) / math.sqrt(12)


def _fall(out: Numbers, found: NoteFit, *, power: bool) -> None:
    shape, fit, law = found.shape, found.rise, found.law
    end = shape.gate_off_s if found.knee else float(found.blocks.time_s[-1])
    decay_s = shape.decay_s
    held_s = end - shape.peak_s
    nepers = shape.range_nepers if law == "exponential" else 0.0

    def sustain_db(p: Shape) -> float:
        if law == "exponential":
            return -20 / math.log(10) * nepers * (1 - p.sustain)
        settled = 5 * p.decay_s if "log_decay_s" in found.free else 0.0
        level = p.sustain * math.exp(min(max(-p.sag * settled, -MOST_LOG), MOST_LOG))
        return 20 * p.power * math.log10(max(level, 1e-6))

    free = "sustain" in found.free
    if not found.knee and shape.bend > STANDS:
        out.none(
            FALL, "the level stands at its peak until it falls: decay or release, none can tell"
        )
        return
    if not found.knee and not power and _cut_short(out, found):
        out.none(
            FALL,
            "the fall begins where the attack was still rising steeply: the gate may have ended in "
            "the attack; hold the key longer",
        )
        out.flags["cut_short"] = True
        return
    if free:
        # A power of what falls to silence falls so much faster.
        value = decay_s / shape.power if sustain_db(shape) < NO_SUSTAIN_DB else decay_s
        u = value * spread(lambda p: shape_at(found, p).log_decay_s, fit)
    else:
        value, u = math.nan, math.nan
    sustain = sustain_db(shape)
    u_sustain = spread(lambda p: sustain_db(shape_at(found, p)), fit) if free or shape.sag else 0.0
    size_u = 20 / math.log(10) * spread(lambda p: shape_at(found, p).log_size, fit)
    u_sustain = max(math.hypot(u_sustain, 0.0 if free else size_u), 1e-4)
    if found.knee and held_s < AT_PEAK * shape.rise_s:
        out.none(FALL, "the gate ended in the attack: hold the key longer")
        return
    seen = held_s / decay_s if free else math.inf
    if not free or -sustain < max(NOT_SEEN_DB, 3 * u_sustain):
        short = f"no decay shows in the {1000 * held_s:.2g} ms that it is held: hold the key longer"
        out.none(
            ("decay_time_constant_s",),
            short
            if held_s < SHORT_S
            else "no decay: the level is held at the peak (sustain at 100 %); lower the sustain",
        )
    elif not u < 0.3 * value:
        out.none(("decay_time_constant_s",), "the gate ended too early in the decay: hold longer")
    else:
        out.values["decay_time_constant_s"] = (value, u)
    silent = free and law != "exponential" and not sustain > NO_SUSTAIN_DB
    if silent or sustain < NO_SUSTAIN_DB or (not found.knee and shape.sustain < 0.01):
        out.none(("sustain_db",), "no sustain: the note falls to silence while the key is held")
    elif seen < PART_OF_DECAY or not u_sustain < 3.0:
        out.none(
            ("sustain_db",),
            "the gate ended before the decay settled: hold the key for five of its time constants",
        )
    else:
        out.values["sustain_db"] = (sustain, u_sustain)
    _held(out, found, decay_s if free else 0.0)


def _cut_short(out: Numbers, found: NoteFit) -> bool:
    """Whether the attack surely still rose too steeply at the peak to have come to its own end."""
    if not math.isfinite(out.values["attack_s"][0]):
        return False
    u = spread(lambda p: shape_at(found, p).bend, found.rise)
    bend = found.shape.bend + 2 * u
    return not bend > 0 or 1 / -math.expm1(-bend) > CUT_SHORT


def _held(out: Numbers, found: NoteFit, decay_s: float) -> None:
    """Read the held level and its slope from the blocks after the decay, without the model."""
    shape = found.shape
    settled, end = shape.peak_s + SETTLED * decay_s, shape.gate_off_s
    data = found.blocks.between(settled, end)
    gain = data.gain - _left_of_decay(found, data.time_s, decay_s)
    good = gain > 4 * data.u_gain
    held_s = end - settled if found.knee and math.isfinite(settled) else 0.0
    if held_s < LEAST_HELD_S or good.sum() < 8:
        why = "the held level is hidden by noise: raise the sustain or the gain"
        if held_s < SAGS_S:
            why = "not held long enough after the decay: hold the key for 10 s or more"
        out.none(("sag_db_per_10s",), why)
        return
    t, level = data.time_s[good], 20 * np.log10(gain[good])
    weight = gain[good] / data.u_gain[good] * math.log(10) / 20
    columns = np.stack([np.ones_like(t), t - settled], axis=1) * weight[:, None]
    if held_s < SAGS_S:
        columns = columns[:, :1]
    inverse = np.linalg.inv(columns.T @ columns)
    p = inverse @ (columns.T @ (level * weight))
    rest = level * weight - columns @ p
    fit = LeastSquares(p, inverse, float(rest @ rest), t.size - p.size, rest)
    grown = fit.inflation()
    if p.size > 1:
        out.values["sag_db_per_10s"] = (-10 * float(p[1]), 10 * math.sqrt(inverse[1, 1]) * grown)
    else:
        why = "not held long enough after the decay: hold the key for 10 s or more"
        out.none(("sag_db_per_10s",), why)
    if math.isfinite(out.values["sustain_db"][0]) and found.law != "exponential":
        top = 20 / math.log(10) * shape.log_size
        u = math.hypot(math.sqrt(inverse[0, 0]) * grown, out.values["peak_dbfs"][1])
        if found.rise.scatter > UNLIKE:
            left = _left_of_decay(found, np.array([settled]), decay_s)[0]
            u = math.hypot(u, 20 / math.log(10) * LEFT_SHARE * float(left) / 10 ** (p[0] / 20))
        out.values["sustain_db"] = (float(p[0]) - top, u)


def _left_of_decay(found: NoteFit, time_s: Real, decay_s: float) -> Real:
    """Return what the model of a decay leaves above the held level."""
    shape = found.shape
    if decay_s <= 0 or found.law == "exponential":
        return np.zeros(time_s.size)
    left = level_of(time_s, found.law, shape._replace(gate_off_s=math.inf))
    held = level_of(time_s, found.law, shape._replace(gate_off_s=math.inf, log_decay_s=AT_ONCE))
    rest: Real = left - held
    return rest
