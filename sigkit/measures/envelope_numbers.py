"""From the fit of a note to its numbers, each with its uncertainty or the reason for none."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from sigkit.arrays import Real
from sigkit.measures.envelope_blocks import Source
from sigkit.measures.envelope_crossings import Crossing, crossing
from sigkit.measures.envelope_fit import NoteFit
from sigkit.measures.envelope_model import (
    INDEX,
    LeastSquares,
    Shape,
    note,
    rise_share_s,
)
from sigkit.measures.held_note import CLOCK_PPM

CLOCK = CLOCK_PPM * 1e-6 / math.sqrt(3)
BLOCKS = 1e-4
"""Share of a time that blocks of a 24th of it bend away: an exponential's mean over such a block is
off by 1/24^3, in both ends of a slope."""
FINEST = 0.25
"""Shortest attack, in periods of the carrier, whose time is given."""
HELD = 30.0
"""Periods held from which on that holds; with fewer, longer attacks are needed."""
SETTLED, LEAST_HELD_S = 5.0, 0.2
"""Time constants of the decay after which a level is held, and how long it is to be held then;
what the decay leaves by then is small, and taken out."""
UNLIKE, LEFT_SHARE = 4.0, 0.3
"""Scatter about the model above which what it leaves of a decay is known to this share only."""
SLOWEST = 3.0
"""Periods of the carrier that a time constant takes at least where its power is all there is."""
NOT_SEEN_DB = 0.1
"""A decay by less than this is none: its time constant says nothing."""
PART_OF_DECAY = 0.7
"""Time constants of the decay that a gate must last for a sustain to be foretold."""
CUT_SHORT = 1.8
"""Aim re the peak from which on an attack may have been let go on its way."""
MODEL_SHARE = 0.5
"""Share of the time between two crossings that an extrapolation may be off by."""
NO_SUSTAIN_DB = -60.0
"""A level below this is silence, not a sustain."""
SLOWS = 1.5
"""Factor by which a fall is slower at -40 dB than at -20 dB where it does not go to silence."""
DOWN_DB = (20, 40, 60)


@dataclass
class Numbers:
    """The numbers of one note.

    Parameters
    ----------
    values : dict of str to (float, float)
        Value and standard uncertainty; nan where there is none.
    reasons : dict of str to str
        Why a number is missing, and what to do.
    flags : dict of str to object
        What else is known: law, extrapolated, misfit and so on.
    """

    values: dict[str, tuple[float, float]] = field(default_factory=dict)
    reasons: dict[str, str] = field(default_factory=dict)
    flags: dict[str, object] = field(default_factory=dict)

    def none(self, names: tuple[str, ...], why: str) -> None:
        """Leave numbers out for a reason."""
        for name in names:
            self.values[name] = (math.nan, math.nan)
            self.reasons[name] = why


RISE = ("attack_s", "onset_to_peak_s", "peak_dbfs")
FALL = ("decay_time_constant_s", "sustain_db", "sag_db_per_10s")
RELEASE = ("gate_off_s", "release_20_s", "release_40_s", "release_s", "release_time_constant_s")
EVERY = ("onset_s", *RISE, *FALL, *RELEASE)


def inflation(fit: LeastSquares, part: slice = slice(None)) -> float:
    """Return by how much uncertainties grow through a misfit and through residuals that hang on.

    Residuals of neighbouring blocks that are alike hold less than their number. Where those of a
    part scatter more than all, they decide.
    """
    grown = _grown(fit.residuals, fit.scatter)
    own = fit.residuals[part]
    if own.size < 8:
        return grown
    return max(grown, _grown(own, float(own @ own) / max(own.size - 3, 1)))


def _grown(rest: Real, scatter: float) -> float:
    if rest.size < 8:
        return math.sqrt(max(1.0, scatter))
    centred = rest - rest.mean()
    power = float(centred @ centred)
    rho = float(centred[1:] @ centred[:-1]) / power if power > 0 else 0.0
    rho = min(max(rho, 0.0), 0.95)
    return math.sqrt(max(1.0, scatter) * (1 + rho) / (1 - rho))


def spread(
    function: Callable[[Real], float], fit: LeastSquares, part: slice = slice(None)
) -> float:
    """Return the standard uncertainty of a function of fitted parameters, to first order."""
    slope = np.empty(fit.values.size)
    u = np.sqrt(np.maximum(np.diag(fit.inverse), 1e-30))
    for i in range(slope.size):
        step = np.zeros(slope.size)
        step[i] = min(0.1 * u[i], 1e-3)
        slope[i] = (function(fit.values + step) - function(fit.values - step)) / (2 * step[i])
    variance = float(slope @ fit.inverse @ slope)
    return math.sqrt(max(variance, 0.0)) * inflation(fit, part)


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
    out = Numbers()
    _rise(out, source, found, held, power=power)
    _fall(out, found)
    _release(out, source, found, stop_s, shortest_s)
    if power:
        _too_quick(out, source.period_s)
    out.flags["law"] = found.law
    out.flags["misfit"] = found.rise.scatter
    for name, (value, u) in out.values.items():
        if name.endswith("_s") and name not in ("onset_s", "gate_off_s"):
            share = CLOCK if name.startswith("release_") and "constant" not in name else BLOCKS
            if found.law == "exponential":
                share = max(share, BLOCKS * found.shape.range_nepers)
            out.values[name] = (value, math.hypot(u, share * value))
    return out


def _too_quick(out: Numbers, period_s: float) -> None:
    """Leave out time constants that a carrier of which only the power is known is too low for."""
    for name in ("decay_time_constant_s", "release_time_constant_s"):
        if out.values[name][0] < SLOWEST * period_s:
            out.none((name,), "shorter than three periods of a carrier that does not keep its wave")


def _shape(found: NoteFit, p: Real) -> Shape:
    return found.shape._replace(**dict(zip(found.free, p.tolist(), strict=True)))


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
        shares.append(rise_share_s(share, rise_s, shape.bend))
    return shares[1] - shares[0]


def _rise(out: Numbers, source: Source, found: NoteFit, held: float, *, power: bool) -> None:
    fit, shape = found.rise, found.shape
    rise_s = shape.rise_s
    time_s = found.blocks.time_s
    ends = np.searchsorted(time_s, [shape.onset_s - 0.1 * rise_s, shape.peak_s + 0.3 * rise_s])
    rising = slice(int(ends[0]), int(ends[1]))
    u_onset = spread(lambda p: _shape(found, p).onset_s, fit, rising)
    out.values["onset_s"] = (shape.onset_s, max(u_onset, 1e-7))
    peak_db = 20 * math.log10(shape.size)
    u_peak = 20 / math.log(10) * spread(lambda p: _shape(found, p).log_size, fit, rising)
    out.values["peak_dbfs"] = (peak_db, max(u_peak, 1e-4))
    u_rise = spread(lambda p: _shape(found, p).rise_s, fit, rising)
    out.values["onset_to_peak_s"] = (rise_s, u_rise)
    attack = attack_of(found, shape)
    u_attack = spread(lambda p: attack_of(found, _shape(found, p)), fit, rising)
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
    elif not u_attack < 0.5 * attack:
        out.none(
            ("attack_s", "onset_to_peak_s"),
            "too noisy or too few periods: play louder, hold longer",
        )


def _fall(out: Numbers, found: NoteFit) -> None:
    shape, fit, law = found.shape, found.rise, found.law
    end = shape.gate_off_s if found.knee else float(found.blocks.time_s[-1])
    decay_s = shape.decay_s
    held_s = end - shape.peak_s
    nepers = shape.range_nepers if law == "exponential" else 0.0

    def sustain_db(p: Shape) -> float:
        if law == "exponential":
            return -20 / math.log(10) * nepers * (1 - p.sustain)
        settled = 5 * p.decay_s if "log_decay_s" in found.free else 0.0
        level = p.sustain * (1 - p.sag * settled)
        return 20 * math.log10(max(level, 1e-6))

    free = "sustain" in found.free
    if not found.knee and _cut_short(out, found):
        out.none(
            FALL,
            "the fall begins where the attack was still rising steeply: the gate may have ended in "
            "the attack; hold the key longer",
        )
        out.flags["cut_short"] = True
        return
    if free:
        value = decay_s
        u = decay_s * spread(lambda p: _shape(found, p).log_decay_s, fit)
    else:
        value, u = math.nan, math.nan
    sustain = sustain_db(shape)
    u_sustain = spread(lambda p: sustain_db(_shape(found, p)), fit) if free or shape.sag else 0.0
    size_u = 20 / math.log(10) * spread(lambda p: _shape(found, p).log_size, fit)
    u_sustain = max(math.hypot(u_sustain, 0.0 if free else size_u), 1e-4)
    if found.knee and held_s < 0.05 * shape.rise_s:
        out.none(FALL, "the gate ended in the attack: hold the key longer")
        return
    seen = held_s / decay_s if free else math.inf
    if not free or -sustain < max(NOT_SEEN_DB, 3 * u_sustain):
        out.none(
            ("decay_time_constant_s",),
            "no decay: the level is held at the peak (sustain at 100 %); lower the sustain",
        )
    elif not u < 0.3 * value:
        out.none(("decay_time_constant_s",), "the gate ended too early in the decay: hold longer")
    else:
        out.values["decay_time_constant_s"] = (value, u)
    silent = free and law == "linear" and shape.sustain < 10 ** (NO_SUSTAIN_DB / 20)
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
    u = spread(lambda p: _shape(found, p).bend, found.rise)
    bend = found.shape.bend + 2 * u
    return not bend > 0 or 1 / -math.expm1(-bend) > CUT_SHORT


def _held(out: Numbers, found: NoteFit, decay_s: float) -> None:
    """Read the held level and its slope from the blocks after the decay, without the model."""
    shape = found.shape
    settled, end = shape.peak_s + SETTLED * decay_s, shape.gate_off_s
    short = not (found.knee and math.isfinite(settled) and end - settled >= LEAST_HELD_S)
    data = found.blocks.between(settled, end)
    gain = data.gain - _left_of_decay(found, data.time_s, decay_s)
    good = gain > 4 * data.u_gain
    if short or good.sum() < 8:
        why = (
            "not held long enough after the decay: hold the key for 10 s or more"
            if short
            else "the held level is hidden by noise: raise the sustain or the gain"
        )
        out.none(("sag_db_per_10s",), why)
        return
    t, level = data.time_s[good], 20 * np.log10(gain[good])
    weight = gain[good] / data.u_gain[good] * math.log(10) / 20
    columns = np.stack([np.ones_like(t), t - settled], axis=1) * weight[:, None]
    inverse = np.linalg.inv(columns.T @ columns)
    p = inverse @ (columns.T @ (level * weight))
    rest = level * weight - columns @ p
    fit = LeastSquares(p, inverse, float(rest @ rest), t.size - 2, rest)
    grown = inflation(fit)
    out.values["sag_db_per_10s"] = (-10 * float(p[1]), 10 * math.sqrt(inverse[1, 1]) * grown)
    if math.isfinite(out.values["sustain_db"][0]) and found.law == "linear":
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
    size = shape.size * (1 - shape.sustain)
    left: Real = size * np.exp(-(time_s - shape.peak_s) / decay_s)
    return left


def _release(
    out: Numbers, source: Source, found: NoteFit, stop_s: float, shortest_s: float
) -> None:
    shape = found.shape
    out.flags["release_extrapolated"] = False
    out.flags["level_at_release"] = math.nan
    if not found.knee and not out.flags.get("cut_short"):
        out.none(
            RELEASE,
            "no knee shows where the key was let go: the note falls in one curve; use a key "
            "microphone or a sustain above zero",
        )
        return
    if not found.knee:
        off, u_off = shape.peak_s, spread(lambda p: _shape(found, p).peak_s, found.rise)
        level, u_level = shape.size, 0.0
        release_s = shape.decay_s
        u_release = release_s * spread(lambda p: _shape(found, p).log_decay_s, found.rise)
    elif found.release is not None:
        fit = found.release
        grown = inflation(fit, slice(*found.near))
        off, u_off = float(fit.values[2]), math.sqrt(max(fit.inverse[2, 2], 0.0)) * grown
        level, u_level = math.exp(fit.values[0]), math.sqrt(max(fit.inverse[0, 0], 0.0)) * grown
        release_s = math.exp(fit.values[3])
        u_release = release_s * math.sqrt(max(fit.inverse[3, 3], 0.0)) * grown
    else:
        off = shape.gate_off_s
        u_off = spread(lambda p: _shape(found, p).gate_off_s, found.rise)
        level = float(note(np.array([off - 1e-9]), found.law, shape)[0][0])
        u_level = spread(
            lambda p: math.log(
                float(note(np.array([off - 1e-9]), found.law, _shape(found, p))[0][0])
            ),
            found.rise,
        )
        release_s = shape.release_s
        u_release = release_s * spread(lambda p: _shape(found, p).log_release_s, found.rise)
    out.values["gate_off_s"] = (off, max(u_off, 1e-7))
    out.values["release_time_constant_s"] = (release_s, u_release)
    out.flags["level_at_release"] = level
    if not u_release < 0.3 * release_s:
        out.none(("release_time_constant_s",), "too little of the release stands above the floor")
    _times(out, source, (off, u_off, level, u_level), release_s, stop_s, shortest_s)


def _times(
    out: Numbers,
    source: Source,
    knee: tuple[float, float, float, float],
    release_s: float,
    stop_s: float,
    shortest_s: float,
) -> None:
    """Read the crossings; extrapolate the last where the floor hides it, and say so."""
    off, u_off, level, u_level = knee
    names = {20: "release_20_s", 40: "release_40_s", 60: "release_s"}
    seen: dict[int, Crossing] = {}
    begin, fall_s = off, release_s
    for down in DOWN_DB:
        found = crossing(source, level * 10 ** (-down / 20), begin, stop_s, fall_s, shortest_s)
        if found is None:
            break
        seen[down] = found
        u = math.sqrt(found.u_time_s**2 + u_off**2 + (u_level * found.fall_s) ** 2)
        out.values[names[down]] = (found.time_s - off, u)
        begin = found.time_s - 0.5 * (found.time_s - begin)
        fall_s = found.fall_s
    missing = [down for down in DOWN_DB if down not in seen]
    if not missing:
        return
    why = (
        "the note does not fall by {} dB above the floor, or before it ends or the next begins: "
        "wait longer, raise the level"
    )
    out.none(tuple(names[d] for d in missing), why.format(missing[0]))
    for down in missing:
        out.reasons[names[down]] = why.format(down)
    if missing[0] == 60 or (missing[0] == 40 and seen):
        _extrapolated(out, source, (off, level), seen, stop_s)


def _extrapolated(
    out: Numbers,
    source: Source,
    knee: tuple[float, float],
    seen: dict[int, Crossing],
    stop_s: float,
) -> None:
    """Go on at the rate of the last crossing, unless the level stays where it is."""
    off, level = knee
    down = max(seen)
    last = seen[down]
    stays = _stays(source, last, stop_s)
    share = level * 10 ** (-down / 20)
    expected = share * math.exp(-(stop_s - 0.3 - last.time_s) / last.fall_s)
    leaks = stays is not None and stays[0] > max(4 * stays[1], 1.2e-3 * level, 2 * expected)
    if not leaks and 20 in seen and down == 40 and last.fall_s > SLOWS * seen[20].fall_s:
        out.none(
            ("release_s",),
            "the fall slows down before -60 dB: the amplifier leaks or does not close",
        )
        return
    if leaks and stays is not None:
        out.none(
            ("release_s",),
            f"the level stays {20 * math.log10(stays[0] / level):.0f} dB below that at release: "
            "the amplifier leaks or does not close",
        )
        return
    more = last.fall_s * math.log(share / (level * 1e-3))
    value = last.time_s - off + more
    out.values["release_s"] = (value, math.hypot(last.u_time_s, MODEL_SHARE * more))
    out.reasons["release_s"] = (
        f"extrapolated from {down} dB: the floor hides the rest; raise the level or lower the noise"
    )
    out.flags["release_extrapolated"] = True


def _stays(source: Source, last: Crossing, stop_s: float) -> tuple[float, float] | None:
    """Return the level that is left long after the last crossing, with its uncertainty."""
    begin = max(last.time_s + 2 * last.fall_s, stop_s - 0.3)
    if stop_s - begin < 4 * source.period_s:
        begin = 0.5 * (last.time_s + stop_s)
    if stop_s - begin < 4 * source.period_s:
        return None
    _, gain, u = source.blocks(np.array([begin, stop_s]))
    return (float(gain[0]), float(u[0])) if gain.size else None


__all__ = ["EVERY", "INDEX", "Numbers", "numbers_of"]
