"""Slider sweeps of four kinds in the time domain, with exact truth, apart from any estimator.

``sweep(seed)`` draws a tone, a hand that moves a slider, and dirt at places of the travel that
fires when they are crossed. Dirt is rendered where it arises: on the signal (noise, a chopping
contact, a gap) or on the voltage that sets level, pitch, cutoff, resonance or pulse width. Truth is
the difference to the same sweep without it; for pitch, whose phase never returns, the voltage.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import soundfile as sf
from scipy import signal
from sliders_hand import protocol_path, random_path
from voice import RATE, decimate, lowpass, oscillate

from sigkit.captures.wav import open_capture

LEVEL = 0.1  # rms of the tone, of a level slider's tone when full up; full scale = 1
KINDS = ("level", "pitch", "timbre", "width")
WAVES = {
    "level": ("saw", "pulse", "triangle", "sine", "dull saw", "dull pulse"),
    "pitch": ("saw", "pulse", "triangle", "sine", "dull saw", "dull pulse"),
    "timbre": ("saw", "pulse", "triangle"),
    "width": ("pulse", "dull pulse"),
}
CAUSES = {
    "level": {"added": 0.3, "chopped": 0.3, "control": 0.15, "dropout": 0.25},
    "pitch": {"jump": 0.4, "control": 0.1, "added": 0.25, "chopped": 0.1, "dropout": 0.15},
    "timbre": {"control": 0.45, "added": 0.25, "chopped": 0.12, "dropout": 0.18},
    "width": {"control": 0.45, "added": 0.25, "chopped": 0.12, "dropout": 0.18},
}
FIRES = 0.88
APART_S = 0.15


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


@dataclass
class Sweep:
    sound: np.ndarray
    clean: np.ndarray  # without dirt, hiss, hum; with pitch jumps
    kind: str
    subject: str  # 'level', 'pitch', 'cutoff', 'resonance' or 'width'
    waveform: str
    pitch_hz: float  # lowest
    hiss: float  # rms
    press_s: float
    release_s: float
    position: np.ndarray  # 0 to 1, every sample
    control: np.ndarray  # gain in dB, log2 Hz of pitch or cutoff, log2 of Q, or width
    passes: pd.DataFrame
    events: list[Planted] = field(default_factory=list)
    pops: list[tuple[float, str]] = field(default_factory=list)

    def capture(self, folder, name=None):
        path = folder / (name or f"slider-{self.kind}.wav")
        sf.write(path, self.sound, RATE, subtype="FLOAT")
        return open_capture(path)


def sweep(
    seed,
    *,
    kind=None,
    waveform=None,
    pitch_hz=None,
    seconds=None,
    dirty=True,
    snr_db=55.0,
    protocol=False,
    flicks=True,
    pops=True,
    causes=None,
):
    """Draw one sweep; ``None`` leaves a choice to the seed. ``snr_db=None`` draws 50 to 75 dB.

    ``seconds`` is about how long the hand moves (``None``: one pass, a return or 3 to 5 passes);
    ``protocol`` moves five times up in 4 s and down in 4 s with rests of 1 s. ``causes`` maps the
    causes of dirt to their shares.
    """
    rng = np.random.default_rng(seed)
    drawn = str(rng.choice(KINDS))
    kind = kind or drawn
    drawn = str(rng.choice(WAVES[kind]))
    waveform = waveform or drawn
    hand = protocol_path(rng) if protocol else random_path(rng, seconds, kind, flicks)
    press = int(rng.uniform(0.4, 1.2) * RATE)
    lead, tail = press + int(rng.uniform(0.3, 0.8) * RATE), int(rng.uniform(0.3, 0.8) * RATE)
    end = int(rng.uniform(0.4, 1.0) * RATE)
    position = np.concatenate(
        [np.full(lead, hand.position[0]), hand.position, np.full(tail + end, hand.position[-1])]
    )
    release = position.size - end
    passes = hand.passes.assign(
        start_s=hand.passes.start_s + lead / RATE, stop_s=hand.passes.stop_s + lead / RATE
    )
    voice = Voice(rng, kind, waveform, pitch_hz, position)
    plan = []
    if dirty:
        share = causes or CAUSES[kind]
        plan = _plan(rng, position, passes, hand.flick_s + lead / RATE, release, share)
    gain = _key(rng, press, release, position.size)
    reference, dirt = voice.render(plan)
    scale = LEVEL / np.sqrt(np.mean(reference[press:release] ** 2))
    reference = reference * gain * scale * voice.level
    dirt = dirt * gain * scale * voice.level_with(plan)
    snr = rng.uniform(50, 75) if snr_db is None else snr_db
    hiss = LEVEL * 10 ** (-snr / 20)
    events = []
    for i, p in enumerate(plan):
        _spoil(rng, dirt, reference, p)
        until = plan[i + 1].at if i + 1 < len(plan) else release
        event = _truth(dirt, reference, hiss, p, until)
        if event is not None:
            events.append(event)
    sound = dirt + _outside(rng, press, release, position.size, hiss)
    popped = _pop(rng, sound, press, release, events) if pops and rng.random() < 0.1 else []
    return Sweep(
        sound,
        reference,
        kind,
        voice.subject,
        waveform,
        voice.pitch_hz,
        hiss,
        press / RATE,
        release / RATE,
        position,
        voice.control,
        passes,
        events,
        popped,
    )


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


def _plan(rng, position, passes, flick_s, release, share):
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


def telegraph(rng, count, dwell_s):
    """A contact that opens and shuts: 0 or 1, starting at 1."""
    flips = np.cumsum(np.maximum(1, rng.exponential(dwell_s, count + 1) * RATE)).astype(int)
    return (1 + np.searchsorted(flips, np.arange(count), side="right")) % 2


def _smooth(x, tau_s):
    r = math.exp(-1 / (tau_s * RATE))
    return signal.lfilter([1 - r], [1, -r], x)


class Voice:
    """A tone whose level, pitch, cutoff, resonance or width follows the slider's position."""

    def __init__(self, rng, kind, waveform, pitch_hz, position):
        count = position.size
        self.rng, self.kind, self.shape, self.position = rng, kind, waveform.split()[-1], position
        self.subject = kind
        span = float(rng.uniform(1, 4)) if kind == "pitch" else 0.0
        high = {"level": 1100, "pitch": 2000 / 2**span, "timbre": 800, "width": 1000}[kind]
        drawn = math.exp(rng.uniform(math.log(60 if kind == "level" else 55), math.log(high)))
        self.pitch_hz = pitch_hz or drawn
        t = np.arange(count) / RATE
        cents = 3 * np.sin(2 * np.pi * rng.uniform(0.02, 0.2) * t + rng.uniform(0, 6))
        cents += rng.uniform(-3, 3) * t / t[-1]
        self.octaves = math.log2(self.pitch_hz) + cents / 1200 + span * position
        most = int(np.sum(2.0**self.octaves) / RATE * 1.6) + 100
        self.jitter = rng.standard_normal(most) * math.exp(rng.uniform(*np.log([1e-5, 6e-5])))
        self.phase = float(rng.uniform(0, 1))
        self.coupling_hz = float(rng.uniform(2, 20))
        self.width = np.full(count, rng.choice([0.5, rng.uniform(0.15, 0.5)]))
        self.stages = int(rng.integers(1, 3))
        self.cutoff = self.quality = None
        self.level = 1.0
        self.control = self.octaves
        if "dull" in waveform:
            top = self.pitch_hz * 2 ** (span * 0.7)
            self.cutoff = np.full(count, math.log2(top * math.exp(rng.uniform(0, 1.6))))
            self.quality = np.full(count, math.log2(rng.uniform(0.6, 1.0)))
        if kind == "level":
            self.level, self.control = _taper(rng, position)
        elif kind == "width":
            self.width = 0.5 - position * rng.uniform(0.2, 0.42)
            self.control = self.width
        elif kind == "timbre":
            self._timbre(rng, position)

    def _timbre(self, rng, position):
        hum = math.log2(self.pitch_hz)
        if rng.random() < 0.7:
            low = max(math.log2(120), hum + rng.uniform(-0.5, 1.5))
            high = rng.uniform(max(low + 2, math.log2(2500)), max(low + 2.5, math.log2(13_000)))
            self.cutoff = low + (min(high, math.log2(13_000)) - low) * position
            self.quality = np.full(position.size, rng.uniform(math.log2(0.7), math.log2(9)))
            self.subject, self.control = "cutoff", self.cutoff
        else:
            self.cutoff = np.full(position.size, hum + rng.uniform(1, 4))
            self.quality = math.log2(0.7) + math.log2(9 / 0.7) * position
            self.subject, self.control = "resonance", self.quality

    def render(self, plan):
        """Return the sound at 48 kHz without and with the dirt that acts on the control.

        Pitch jumps are in both, since the phase never returns from them.
        """
        acting = [p for p in plan if p.cause in ("control", "jump")]
        for p in acting:
            self._disturb(p)
        change = np.zeros(self.position.size)
        for p in acting:
            change[p.at : p.at + p.change.size] += p.change[: change.size - p.at]
        octaves = self.octaves + (change if self.kind == "pitch" else 0)
        x = oscillate(self.shape, octaves, self.width, self.jitter, self.phase)
        clean = self._finish(x, 0.0)
        if not acting or self.kind in ("pitch", "level"):
            return clean, clean.copy()
        if self.kind == "width":
            x = oscillate(self.shape, octaves, self.width + change, self.jitter, self.phase)
            return clean, self._finish(x, 0.0)
        return clean, self._finish(x, change)

    def _finish(self, x, change):
        if self.cutoff is not None:
            cutoff = self.cutoff + (change if self.subject == "cutoff" else 0)
            quality = self.quality + (change if self.subject == "resonance" else 0)
            quality = np.maximum(2.0**quality, 0.3)
            x = lowpass(x, 2.0 ** np.minimum(cutoff, 14.6), quality, self.stages)
        return decimate(x, self.coupling_hz)

    def _disturb(self, p):
        """Give a planned event its change of the control, smoothed by what follows the wiper."""
        rng = self.rng
        tail = int(0.1 * RATE)
        shape = np.zeros(p.count + tail)
        if p.cause == "jump":
            shape[: p.count] = 1
        else:
            slow = (0.008, 0.04) if self.kind == "pitch" else (0.0003, 0.006)
            if self.kind == "pitch":
                p.count = max(p.count, int(0.008 * RATE))
                shape = np.zeros(p.count + tail)
            shape[: p.count] = telegraph(rng, p.count, rng.uniform(*slow))
        on = np.flatnonzero(shape)
        p.count = int(on[-1]) + 1
        shape = _smooth(shape, math.exp(rng.uniform(math.log(5e-5), math.log(1.5e-3))))
        low, high = {
            "level": (0.05, 6.0),
            "pitch": (10.0, 600.0),
            "cutoff": (0.01, 2.0),
            "resonance": (0.03, 2.0),
            "width": (1e-4, 0.15),
        }[self.subject]
        sign = -1.0 if self.kind == "level" else float(rng.choice([-1, 1]))
        p.size = sign * math.exp(rng.uniform(math.log(low), math.log(high)))
        p.change = shape * (p.size / 1200 if self.kind == "pitch" else p.size)

    def level_with(self, plan):
        """Return the slider's gain with the dirt on its control, where it sets the level."""
        if self.kind != "level":
            return 1.0
        db = np.zeros(self.position.size)
        for p in plan:
            if p.change is not None:
                db[p.at : p.at + p.change.size] += p.change[: db.size - p.at]
        return self.level * 10 ** (db / 20)


def _taper(rng, position):
    """Return gain, to true zero at the foot in most, and the same in dB."""
    law = rng.choice(["linear", "two slopes", "60 dB", "40 dB", "30 dB to the end"])
    if law == "linear":
        gain = position
    elif law == "two slopes":
        gain = np.where(position < 0.5, position * 0.3, 0.15 + (position - 0.5) * 1.7)
    else:
        gain = 10 ** (-float(law.split()[0]) * (1 - position) / 20)
        if "end" not in law:
            gain = gain * np.clip(position / 0.05, 0, 1)
    gain = np.clip(gain, 0, 1)
    return gain, 20 * np.log10(np.maximum(gain, 1e-6))


def _key(rng, press, release, count):
    gain = np.ones(count)
    gain[:press] = 0
    attack = int(rng.uniform(0.001, 0.02) * RATE)
    gain[press : press + attack] = np.linspace(0, 1, attack)
    gain[release:] = np.exp(-np.arange(count - release) / (rng.uniform(0.01, 0.2) * RATE))
    return gain


def _spoil(rng, sound, clean, p):
    """Act on the signal itself: noise, a chopping contact, a gap."""
    here = slice(p.at, p.at + p.count)
    level = np.sqrt(np.mean(clean[here] ** 2)) * 10 ** (rng.uniform(-45, -5) / 20)
    if p.cause == "added":
        noise = rng.standard_normal(p.count)
        if rng.random() < 0.4:  # one value held for some time
            hold = rng.uniform(1e-4, 2e-3)
            noise = noise[np.cumsum(rng.random(p.count) < 1 / (hold * RATE))]
            noise = _smooth(noise, 3e-5)
        if rng.random() < 0.5:
            noise = noise * np.exp(-np.arange(p.count) / (0.4 * p.count))
        sound[here] += noise * level / max(np.sqrt(np.mean(noise**2)), 1e-12)
    elif p.cause == "chopped":
        chop = _smooth(telegraph(rng, p.count, rng.uniform(0.0003, 0.003)), 2e-5)
        change = np.sqrt(np.mean((clean[here] * chop) ** 2))
        depth = min(1.0, level / change) if change > 0 else 0.0
        sound[here] *= 1 - depth * chop
        p.size = -20 * math.log10(max(1 - depth, 1e-3))
    elif p.cause == "dropout":
        ends = np.minimum(np.arange(p.count), np.arange(p.count)[::-1]) + 1
        ramp = min(math.exp(rng.uniform(math.log(2e-5), math.log(5e-3))), 0.2 * p.count / RATE)
        p.size = rng.uniform(10, 45)
        sound[here] *= 1 - np.clip(ends / (ramp * RATE + 1), 0, 1) * (1 - 10 ** (-p.size / 20))


def _truth(dirty, clean, hiss, p, until):
    """Describe an event by the energy of its difference; a pitch jump by its control alone."""
    around = slice(max(p.at - RATE // 50, 0), p.at + p.count + RATE // 50)
    tone = np.sqrt(np.mean(clean[around] ** 2))
    if not tone > 0:
        return None
    tone_db = 20 * math.log10(tone / LEVEL)
    place = (100 * p.place, p.direction, p.number)
    if (
        p.change is not None
        and p.cause in ("jump", "control")
        and np.array_equal(dirty[p.at : p.at + p.count], clean[p.at : p.at + p.count])
    ):
        start, stop = p.at / RATE, (p.at + p.count) / RATE
        return Planted(
            start, stop, "pitch jump", p.cause, np.nan, np.nan, tone_db, *place, 0.0, p.size
        )
    first, last = max(p.at - 48, 0), min(until, p.at + p.count + RATE // 4)
    energy = np.cumsum((dirty[first:last] - clean[first:last]) ** 2)
    if not energy[-1] > 0:
        return None
    start = first + int(np.searchsorted(energy, 0.005 * energy[-1]))
    stop = first + int(np.searchsorted(energy, 0.995 * energy[-1])) + 1
    power = energy[-1] / (stop - start)
    over = 10 * math.log10(power / hiss**2)
    if over < -20:
        return None
    return Planted(
        start / RATE,
        stop / RATE,
        "dropout" if p.cause == "dropout" else "burst",
        p.cause,
        10 * math.log10(power / tone**2),
        over,
        tone_db,
        *place,
        p.size if p.cause in ("dropout", "chopped") else 0.0,
    )


def _outside(rng, press, release, count, hiss):
    """Everything that the slider has no part in: hiss, hum, offset, thumps of the key, a switch."""
    t = np.arange(count) / RATE
    noise = rng.standard_normal(count) * hiss
    mains = rng.choice([50, 60]) * (1 + 1e-4 * rng.standard_normal())
    wave = sum(
        10 ** (-d / 20) * np.sin(2 * np.pi * mains * k * t + rng.uniform(0, 6))
        for k, d in zip((1, 2, 3, 4, 5, 7), (0, 3, 4, 12, 10, 16), strict=True)
    )
    noise += wave * LEVEL * 10 ** (rng.uniform(-85, -50) / 20) / np.std(wave)
    noise += rng.uniform(-2e-3, 2e-3)
    for at in (press - int(0.03 * RATE), release + int(0.02 * RATE)):  # key bed
        n = np.arange(int(0.03 * RATE))
        f = rng.uniform(50, 150)
        thump = np.sin(2 * np.pi * f * n / RATE) * np.exp(-n / (0.006 * RATE))
        noise[at : at + n.size] += thump * LEVEL * 10 ** (rng.uniform(-40, -20) / 20)
    for at in (int(0.12 * RATE), count - int(0.08 * RATE)):
        noise[at : at + 48] += 0.02 * rng.standard_normal(48) * np.exp(-np.arange(48) / 15)
    return noise


def _pop(rng, sound, press, release, events):
    """One fault of the recorder, well away from any event."""
    at = int(rng.uniform(press + 0.2 * RATE, release - 0.2 * RATE))
    if any(e.start_s - 0.3 < at / RATE < e.stop_s + 0.3 for e in events):
        return []
    if rng.random() < 0.5:
        sound[at] += rng.choice([-1, 1]) * rng.uniform(0.05, 0.5)
        return [(at / RATE, "glitch")]
    sound[at : at + rng.integers(8, 64)] = 0
    return [(at / RATE, "zeros")]
