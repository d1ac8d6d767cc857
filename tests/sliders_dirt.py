"""Dirt at places of a slider's travel: when it fires, what it does, and what is true of it.

Truth of a burst or a dropout is the difference to the same sound without it. The phase of a moved
pitch never returns, so there a difference says nothing: truth of a pitch jump is the voltage.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from sliders_voice import smooth, telegraph
from voice import RATE

FIRES = 0.88
APART_S = 0.15
LEAST_S = 0.001  # a shorter burst's energy is spread over this much
JUMP_S = 0.010  # the size of a pitch jump is its mean over this much
END_S, FOOT_DB, FAINT_DB = 0.2, -40.0, 20.0


@dataclass
class Planted:
    start_s: float
    stop_s: float
    kind: str  # 'burst', 'dropout' or 'pitch jump'
    cause: str  # 'added', 'chopped', 'control', 'dropout' or 'jump'
    level_db: float  # rms of (dirty - clean) re the tone around it; nan for a pitch jump
    over_noise_db: float  # the same re the hiss; nan for a pitch jump
    tone_db: float  # the tone around it re the full tone
    place_percent: float
    direction: str
    number: int  # of the pass
    depth_db: float = 0.0
    size_cents: float = 0.0
    held_s: float = 0.0  # how long a pitch jump's voltage is off by half its size or more
    excused: str = ""  # why a measure may pass it over: 'faint tone', 'foot' or 'near end'


@dataclass
class Dirt:
    """One event as planned: samples, cause, and where on the travel."""

    at: int
    count: int
    cause: str
    place: float
    direction: str
    number: int
    change: np.ndarray | None = None  # of the control, if that is where it arises
    size: float = 0.0


def plan_dirt(rng, position, passes, flick_s, release, share):
    """Places on the travel that fire at each crossing; mostly the same cause at one place."""
    names, chances = list(share), np.array(list(share.values())) / sum(share.values())
    crossings = []
    for place in rng.uniform(0.06, 0.96, rng.integers(2, 7)):
        own = str(rng.choice(names, p=chances))
        for at in np.flatnonzero(np.diff(position >= place)):
            cause = own if rng.random() < 0.7 else str(rng.choice(names, p=chances))
            if rng.random() < FIRES:
                crossings.append((int(at), float(place), cause))
    plan, free = [], 0.0
    for at, place, cause in sorted(crossings):
        t = at / RATE
        inside = passes[(passes.start_s <= t) & (passes.stop_s > t)]
        if t < free or t > flick_s or at > release - 0.4 * RATE or not len(inside):
            continue
        count = int(RATE * _length(rng, cause))
        row = inside.iloc[0]
        plan.append(Dirt(at, count, cause, place, str(row.direction), int(row.number)))
        free = t + count / RATE + APART_S
    return plan


def _length(rng, cause):
    low, high = {"dropout": (0.001, 0.2), "jump": (0.008, 0.25)}.get(cause, (0.001, 0.12))
    return math.exp(rng.uniform(math.log(low), math.log(high)))


def spoil(rng, clean, p):
    """Return what an event adds to the signal itself: noise, a chopping contact, a gap.

    Zero for dirt of the control, which the voice has rendered.
    """
    here = clean[p.at : p.at + p.count]
    level = np.sqrt(np.mean(here**2)) * 10 ** (rng.uniform(-45, -5) / 20)
    if p.cause == "added":
        noise = rng.standard_normal(p.count)
        if rng.random() < 0.4:  # one value held for some time
            hold = rng.uniform(1e-4, 2e-3)
            noise = noise[np.cumsum(rng.random(p.count) < 1 / (hold * RATE))]
            noise = smooth(noise, 3e-5)
        if rng.random() < 0.5:
            noise = noise * np.exp(-np.arange(p.count) / (0.4 * p.count))
        return noise * level / max(np.sqrt(np.mean(noise**2)), 1e-12)
    if p.cause == "chopped":
        chop = smooth(telegraph(rng, p.count, rng.uniform(0.0003, 0.003)), 2e-5)
        change = np.sqrt(np.mean((here * chop) ** 2))
        depth = min(1.0, level / change) if change > 0 else 0.0
        p.size = -20 * math.log10(max(1 - depth, 1e-3))
        return -here * depth * chop
    if p.cause == "dropout":
        ends = np.minimum(np.arange(p.count), np.arange(p.count)[::-1]) + 1
        ramp = min(math.exp(rng.uniform(math.log(2e-5), math.log(5e-3))), 0.2 * p.count / RATE)
        p.size = rng.uniform(10, 45)
        return -here * np.clip(ends / (ramp * RATE + 1), 0, 1) * (1 - 10 ** (-p.size / 20))
    return np.zeros(p.count)


def truth_of(p, change, clean, *, pitch, hiss, full, press, release, until):
    """Describe one event; None where it changes nothing that could be heard.

    ``change`` is the difference that all events make to ``clean``, of which the samples until
    ``until`` may belong to this one; ``pitch`` says that the voltage moved the pitch.
    """
    around = slice(max(p.at - RATE // 50, 0), p.at + p.count + RATE // 50)
    tone = np.sqrt(np.mean(clean[around] ** 2))
    if not tone > 0:
        return None
    if pitch:
        found, levels = _jump(p), (np.nan, np.nan)
    else:
        found, levels = _difference(p, change, tone, hiss, until), None
    if found is None:
        return None
    start, stop = found[:2]
    kind = "pitch jump" if pitch else "dropout" if p.cause == "dropout" else "burst"
    tone_db = 20 * math.log10(tone / full)
    return Planted(
        start / RATE,
        stop / RATE,
        kind,
        p.cause,
        *(levels or found[2:]),
        tone_db,
        100 * p.place,
        p.direction,
        p.number,
        depth_db=p.size if p.cause in ("dropout", "chopped") else 0.0,
        size_cents=found[2] if pitch else 0.0,
        held_s=found[3] if pitch else 0.0,
        excused=_excuse(tone, tone_db, hiss, start - press, release - stop),
    )


def _excuse(tone, tone_db, hiss, after, before):
    if tone < hiss * 10 ** (FAINT_DB / 20):
        return "faint tone"
    if tone_db < FOOT_DB:
        return "foot"
    return "near end" if min(after, before) < END_S * RATE else ""


def _difference(p, change, tone, hiss, until):
    """First and last sample of 99 % of an event's energy, its level re tone and re hiss in dB."""
    first, last = max(p.at - 48, 0), min(until, p.at + p.count + RATE // 4)
    energy = np.cumsum(change[first:last] ** 2)
    if not energy[-1] > 0:
        return None
    start = first + int(np.searchsorted(energy, 0.005 * energy[-1]))
    stop = first + int(np.searchsorted(energy, 0.995 * energy[-1])) + 1
    power = energy[-1] / max(stop - start, LEAST_S * RATE)
    over = 10 * math.log10(power / hiss**2)
    return None if over < -20 else (start, stop, 10 * math.log10(power / tone**2), over)


def _jump(p):
    """First and last sample of a pitch jump, its size in cents, and how long it is held.

    The size is the largest mean of the voltage's change over 10 ms, or over the whole event where
    that is shorter; the event lasts from the first to the last time that the change is more than
    half of that. A contact that opens and shuts may let the pitch come back in between.
    """
    cents = 1200 * p.change
    width = min(int(JUMP_S * RATE), p.count)
    means = np.convolve(cents, np.ones(width) / width, "valid")
    size = means[np.argmax(np.abs(means))]
    off = np.flatnonzero(np.abs(cents) >= abs(size) / 2)
    return p.at + off[0], p.at + off[-1] + 1, float(size), off.size / RATE
