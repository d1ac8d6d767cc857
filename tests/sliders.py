"""Slider sweeps of four kinds in the time domain, with exact truth, apart from any estimator.

``sweep(seed)`` draws a tone, a hand that moves a slider, and dirt at places of the travel that
fires when they are crossed. Dirt is rendered where it arises: on the signal (noise, a chopping
contact, a gap) or on the voltage that sets level, pitch, cutoff, resonance or pulse width. Truth is
the difference to the same sweep without it; for pitch, whose phase never returns, the voltage.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import soundfile as sf
from sliders_dirt import Planted, plan_dirt, spoil, truth_of
from sliders_hand import protocol_path, random_path
from sliders_room import key_gain, outside, pop
from sliders_voice import Voice
from voice import RATE

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
    protocol=0,
    flicks=True,
    pops=True,
    causes=None,
):
    """Draw one sweep; ``None`` leaves a choice to the seed. ``snr_db=None`` draws 50 to 75 dB.

    ``seconds`` is about how long the hand moves (``None``: one pass, a return or 3 to 5 passes);
    ``protocol`` moves so many times up in 4 s and down in 4 s with rests of 1 s. ``causes`` maps
    the causes of dirt to their shares.
    """
    rng = np.random.default_rng(seed)
    drawn = str(rng.choice(KINDS))
    kind = kind or drawn
    drawn = str(rng.choice(WAVES[kind]))
    waveform = waveform or drawn
    hand = protocol_path(rng, protocol) if protocol else random_path(rng, seconds, kind, flicks)
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
        plan = plan_dirt(rng, position, passes, hand.flick_s + lead / RATE, release, share)
    gain = key_gain(rng, press, release, position.size)
    clean, change, sound = _render(rng, voice, plan, gain, slice(press, release))
    snr = rng.uniform(50, 75) if snr_db is None else snr_db
    hiss = LEVEL * 10 ** (-snr / 20)
    about = {"hiss": hiss, "full": LEVEL, "press": press, "release": release}
    events = _events(plan, kind, change, clean, about)
    sound += outside(rng, press, release, position.size, hiss, LEVEL)
    popped = pop(rng, sound, press, release, events) if pops and rng.random() < 0.1 else []
    return Sweep(
        sound,
        clean,
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


def _events(plan, kind, change, clean, about):
    """Return the truth of each planned event that changes something."""
    out = []
    for i, p in enumerate(plan):
        until = plan[i + 1].at if i + 1 < len(plan) else about["release"]
        pitch = kind == "pitch" and p.cause in ("control", "jump")
        out.append(truth_of(p, change, clean, until=until, pitch=pitch, **about))
    return [event for event in out if event is not None]


def _render(rng, voice, plan, gain, sounding):
    """Return the tone without dirt, what the dirt changes, and both together as they are heard."""
    tone, moved = voice.render(plan)
    clean = voice.couple(tone)
    scale = LEVEL / np.sqrt(np.mean(clean[sounding] ** 2)) * gain
    clean, moved = clean * scale * voice.level, moved * scale
    change = moved + clean * (voice.dirty_gain(plan) - 1)
    sound = clean + voice.couple(moved) + (change - moved)
    for p in plan:
        here = slice(p.at, p.at + p.count)
        added = spoil(rng, clean, p)
        change[here] += added
        sound[here] += added
    return clean, change, sound
