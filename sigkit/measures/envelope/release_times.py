"""When a note falls through levels below that at its release, read from the envelope itself."""

from __future__ import annotations

import math

import numpy as np

from sigkit.measures.envelope.along import WholeRelease, whole_release
from sigkit.measures.envelope.blocks import Source
from sigkit.measures.envelope.crossings import Crossing, crossing
from sigkit.measures.envelope.fit import NoteFit
from sigkit.measures.envelope.model import MOST_LOG, level_of, to_an_eth
from sigkit.measures.envelope.sixty import MODEL_SHARE, sixty_down
from sigkit.measures.envelope.tail import Tail, followed_tail
from sigkit.measures.envelope.told import RELEASE, Numbers, shape_at, spread
from sigkit.tracks.envelope.carrier import CarrierTrack

BENDS = 0.8
"""Time constants of the release over which a fall's logarithm is a parabola, whatever follows."""
SLOWS = 1.5
"""Factor by which a fall is slower at -40 dB than at -20 dB where it does not go to silence."""
STRAIGHT_DOWN = -1.0
"""Aim re the level at release below which a release is a straight line."""
NEAR_NOISE = 0.002
"""Uncertainty of a crossing re the time from the release from which on the whole fall is fitted."""
APART = 4.0
"""Standard deviations by which a crossing by itself and along the whole fall may differ."""
KNOWN = 0.125
"""Share to which the time constant of an exponential amplifier's release has to be known, where it
is not seen to fall by 20 dB, for its beginning to be told."""
DOWN_DB = (20, 40, 60)


def release_numbers(
    out: Numbers,
    source: Source,
    found: NoteFit,
    stop_s: float,
    shortest_s: float,
    *,
    power: bool,
) -> None:
    """Put into ``out`` when a note is let go, and when it falls through levels below that.

    Parameters
    ----------
    out : Numbers
        The numbers of the note, those of its rise and decay among them.
    source : Source
        Its envelope.
    found : NoteFit
        Its fit.
    stop_s : float
        When the next note begins, or the sound ends.
    shortest_s : float
        Length of the shortest block.
    power : bool
        Whether the envelope comes from the power only.
    """
    shape, aim = found.shape, 0.0
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
        off, u_off = shape.peak_s, spread(lambda p: shape_at(found, p).peak_s, found.rise)
        level, u_level = shape.size, 0.0
        release_s = shape.decay_s / shape.power
        u_release = release_s * spread(lambda p: shape_at(found, p).log_decay_s, found.rise)
    elif found.release is not None:
        fit = found.release
        grown = fit.inflation(slice(*found.near))
        off, u_off = float(fit.values[2]), math.sqrt(max(fit.inverse[2, 2], 0.0)) * grown
        level, u_level = (
            math.exp(min(float(fit.values[0]), MOST_LOG)),
            math.sqrt(max(fit.inverse[0, 0], 0.0)) * grown,
        )
        release_s = math.exp(min(max(float(fit.values[3]), -MOST_LOG), MOST_LOG))
        u_release = release_s * math.sqrt(max(fit.inverse[3, 3], 0.0)) * grown
        aim = float(fit.values[4])
    else:
        off = shape.gate_off_s
        u_off = spread(lambda p: shape_at(found, p).gate_off_s, found.rise)
        level = float(level_of(np.array([off - 1e-9]), found.law, shape)[0])
        u_level = spread(
            lambda p: math.log(
                float(level_of(np.array([off - 1e-9]), found.law, shape_at(found, p))[0])
            ),
            found.rise,
        )
        release_s = shape.release_s
        u_release = release_s * spread(lambda p: shape_at(found, p).log_release_s, found.rise)
    if power:
        # The power of a block that holds the knee is no value at its centre.
        u_off = math.hypot(u_off, source.period_s / math.sqrt(12))
    out.values["gate_off_s"] = (off, max(u_off, 1e-7))
    out.values["release_time_constant_s"] = (release_s, u_release)
    out.flags["level_at_release"] = level
    if aim < STRAIGHT_DOWN:
        out.none(("release_time_constant_s",), "the level falls in a straight line: it has none")
    elif not u_release < 0.3 * release_s:
        out.none(("release_time_constant_s",), "too little of the release stands above the floor")
    fall_s = to_an_eth(release_s, aim)
    if not u_off < fall_s:
        out.none(RELEASE, "the end of the gate is not told from the noise and the wave")
        return
    knee = off, u_off, level, u_level
    _times(out, source, knee, fall_s, stop_s, shortest_s, shape.power)
    known = u_release < KNOWN * release_s and release_s < stop_s - off
    unseen = not math.isfinite(out.values["release_20_s"][0])
    if found.law == "exponential" and unseen and not known:
        # Decay and release are nearly straight in decibels: what bends may be either.
        out.none(
            RELEASE,
            "the note does not fall by 20 dB above the floor once it is let go, too little to "
            "tell a release from a decay: raise the sustain or the level",
        )


def _times(
    out: Numbers,
    source: Source,
    knee: tuple[float, float, float, float],
    release_s: float,
    stop_s: float,
    shortest_s: float,
    power: float,
) -> None:
    """Read the crossings; extrapolate the last where the floor hides it, and say so."""
    off, u_off, level, u_level = knee
    names = {20: "release_20_s", 40: "release_40_s", 60: "release_s"}
    seen: dict[int, Crossing] = {}
    begin, fall_s = off, release_s
    whole: WholeRelease | None = None
    looked = out.flags["law"] == "exponential"
    peak_s = out.values["onset_s"][0] + out.values["onset_to_peak_s"][0]
    steady_s = min(peak_s, off) if math.isfinite(peak_s) else off
    tail: Tail | None = None
    known_s = stop_s
    if isinstance(source, CarrierTrack):
        # Its phase was smoothed for all notes alike, as far down as each group told its own.
        tail = followed_tail(source, steady_s, (off, level, fall_s), stop_s)
        source, known_s = tail.carrier, tail.known_s
    for down in DOWN_DB:
        share = level * 10 ** (-down / 20)
        found = crossing(source, share, begin, known_s, fall_s, shortest_s, BENDS * release_s)
        if found is None or share < getattr(source, "hidden", 0.0):
            break
        own = found
        if not looked and down < DOWN_DB[-1] and found.u_time_s > NEAR_NOISE * (found.time_s - off):
            looked = True
            bounds = (off + 2 * u_off, known_s)
            whole = whole_release(source, level, release_s, bounds, shortest_s, power)
        if down < DOWN_DB[-1]:
            found = _surer(found, whole, share)
        u_here = math.hypot(u_level, 0.0 if tail is None else tail.u_log_level(found.time_s))
        u = math.sqrt(found.u_time_s**2 + u_off**2 + (u_here * found.fall_s) ** 2)
        if not u < 0.5 * (found.time_s - off):
            break
        seen[down] = own
        out.values[names[down]] = (found.time_s - off, u)
        if down < DOWN_DB[-1] and tail is not None:
            tail = followed_tail(tail.along, steady_s, (own.time_s, share, own.fall_s), stop_s)
            source, known_s = tail.carrier, tail.known_s
        begin = own.time_s - 0.5 * (own.time_s - begin)
        fall_s = own.fall_s
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
    if out.flags["law"] == "exponential":
        return  # Its fall slows on its way, so that nothing is foretold.
    if missing[0] == 60 or (missing[0] == 40 and seen):
        lost = 0.0 if tail is None else tail.u_log_level(known_s)
        knee = off, u_off, level, math.hypot(u_level, lost)
        _extrapolated(out, source, knee, release_s, seen, known_s, power)


def _surer(found: Crossing, whole: WholeRelease | None, level: float) -> Crossing:
    """Return a crossing as the whole release tells it, where that tells it more surely."""
    other = None if whole is None else whole.crossing(level)
    if other is None or not other[1] < found.u_time_s:
        return found
    # Another law than that of the fit would show here first.
    apart = abs(other[0] - found.time_s) / math.sqrt(found.u_time_s**2 - other[1] ** 2)
    return Crossing(*other) if apart < APART else found


def _extrapolated(
    out: Numbers,
    source: Source,
    knee: tuple[float, float, float, float],
    release_s: float,
    seen: dict[int, Crossing],
    stop_s: float,
    power: float,
) -> None:
    """Go on from the last crossing, unless the level stays where it is."""
    off, u_off, level, u_level = knee
    down = max(seen)
    last = seen[down]
    if getattr(source, "is_noise", False):
        out.none(
            ("release_s",),
            "the power of a noise carrier scatters too much near the floor to foretell when it is "
            "60 dB down: play a note of steady pitch",
        )
        return
    stays = _stays(source, last, stop_s)
    share = level * 10 ** (-down / 20)
    expected = share * math.exp(-(stop_s - 0.3 - last.time_s) / last.fall_s)
    leaks = stays is not None and stays[0] > max(4 * stays[1], 1.2e-3 * level, 2 * expected)
    before_s = seen[20].fall_s if down == 40 else release_s
    if not leaks and last.fall_s > SLOWS * before_s:
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
    sixty = sixty_down(source, level, (last.time_s, last.fall_s), (off, stop_s), power)
    if sixty is None:
        out.none(
            ("release_s",),
            "what is left above the floor does not tell when it is 60 dB down, if ever: raise the "
            "level or lower the noise",
        )
        return
    law = MODEL_SHARE[str(out.flags["law"])] * (sixty[0] - last.time_s)
    u = math.hypot(sixty[1], u_off, u_level * last.fall_s, law)
    out.values["release_s"] = (sixty[0] - off, u)
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
