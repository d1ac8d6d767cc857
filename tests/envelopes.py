"""Notes with a known envelope, made without sigkit: closed forms of a capacitor that is charged.

A generator is a capacitor that goes exponentially toward an aim; each stretch of a note is one such
approach, so that level, times and crossings are known exactly. The carrier is a Fourier series read
from a fine table, at a phase that is known at every sample.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile as sf
from scipy import optimize
from tones import harmonic_amplitudes

TABLE = 2**17


@dataclass(frozen=True, kw_only=True)
class Plant:
    """A generator and the amplifier it drives.

    ``to_peak_s`` is the time from rest to the peak, ``aim`` what the attack charges toward re the
    peak, ``sustain`` a share of the peak, ``release_aim`` what the release goes toward (below zero:
    it is cut off at zero), ``dead`` the share of the control below which the amplifier is closed,
    ``leak`` what always passes, ``range_db`` that of an exponential amplifier (None: a linear one),
    ``power`` another law, ``sag_s`` the time constant with which a held sustain fades away.
    """

    to_peak_s: float = 0.02
    aim: float = 1.4
    decay_s: float = 0.15
    sustain: float = 0.5
    release_s: float = 0.1
    release_aim: float = 0.0
    dead: float = 0.0
    leak: float = 0.0
    range_db: float | None = None
    power: float = 1.0
    attack_release: bool = False
    sag_s: float = math.inf

    @property
    def attack_tau_s(self) -> float:
        return self.to_peak_s / math.log(self.aim / (self.aim - 1))

    def gain(self, control):
        """The amplifier's gain for a control of 0 to 1."""
        c = np.clip(control, 0, None)
        if self.range_db is not None:
            return 10 ** (-self.range_db / 20 * (1 - c))
        return np.clip((c - self.dead) / (1 - self.dead), 0, None) ** self.power + self.leak


@dataclass
class Note:
    """Exact truth of one note; nan where the note has no such thing."""

    onset_s: float
    peak_s: float
    gate_off_s: float
    attack_s: float = math.nan
    decay_time_constant_s: float = math.nan
    sustain_db: float = math.nan
    release_time_constant_s: float = math.nan
    level_at_release: float = math.nan
    peak: float = 1.0
    reached_peak: bool = True
    crossings_s: dict = field(default_factory=dict)
    """Time from the release until 20, 40, 60 dB below the level at release."""


def control_and_notes(plant: Plant, gates, t):
    """The control at times ``t`` for gates (on, off) in seconds, and the truth of every note."""
    c, notes, level = np.zeros(t.size), [], 0.0

    def approach(start, stop, first, aim, tau):
        part = (t >= start) & (t < stop)
        c[part] = aim - (aim - first) * np.exp(-(t[part] - start) / tau)
        return aim - (aim - first) * math.exp(-min((stop - start) / tau, 700.0))

    for i, (on, off) in enumerate(gates):
        later = gates[i + 1][0] if i + 1 < len(gates) else math.inf
        tau = plant.attack_tau_s
        to_peak = tau * math.log((plant.aim - level) / (plant.aim - 1))
        first, peak_s = level, min(on + to_peak, off)
        level = approach(on, peak_s, first, plant.aim, tau)
        reached = on + to_peak <= off
        note = Note(on, peak_s, off, reached_peak=reached)
        aim = plant.sustain if not plant.attack_release else 1.0
        top = float(plant.gain(np.array(level)))

        def rise(share, first=first, tau=tau, span=peak_s - on, top=top):
            base = float(plant.gain(np.array(first)))

            def above(s):
                control = plant.aim - (plant.aim - first) * math.exp(-s / tau)
                return float(plant.gain(np.array(control))) - base - share * (top - base)

            return optimize.brentq(above, 0.0, span, xtol=1e-12)

        note.attack_s = rise(0.9) - rise(0.1)
        note.peak = top
        if reached and off > peak_s:
            if math.isinf(plant.sag_s):
                level = approach(peak_s, off, level, aim, plant.decay_s)
            else:
                part = (t >= peak_s) & (t < off)

                def held(s, aim=aim):
                    return aim * np.exp(-s / plant.sag_s) + (1 - aim) * np.exp(-s / plant.decay_s)

                c[part] = held(t[part] - peak_s)
                level = float(held(off - peak_s))
            if aim < 1:
                note.decay_time_constant_s = plant.decay_s
            note.sustain_db = 20 * math.log10(
                max(float(plant.gain(np.array(aim))), 1e-12) / note.peak
            )
        note.level_at_release = float(plant.gain(np.array(level)))
        note.release_time_constant_s = plant.release_s
        tau, start, aim = plant.release_s, level, plant.release_aim

        def fall(s, *, tau=tau, start=start, aim=aim, plant=plant):
            return float(plant.gain(np.array(aim - (aim - start) * math.exp(-s / tau))))

        for down in (20, 40, 60):
            want = note.level_at_release * 10 ** (-down / 20)
            if fall(40 * tau) < want:
                note.crossings_s[down] = optimize.brentq(
                    lambda s, want=want, fall=fall: fall(s) - want, 0.0, 40 * tau, xtol=1e-12
                )
            else:
                note.crossings_s[down] = math.nan
        level = approach(off, later, start, aim, tau)
        level = max(level, 0.0)
        notes.append(note)
    return c, notes


def carrier(wave, phase_cycles, top, duty=0.5):
    """One period of a band-limited wave from a fine table, along a phase in cycles; rms 1."""
    spectrum = np.zeros(TABLE // 2 + 1, complex)
    spectrum[1 : top + 1] = -1j * harmonic_amplitudes(wave, top, duty) * TABLE / 2
    table = np.fft.irfft(spectrum, TABLE)
    table = np.append(table, table[0]) / np.sqrt(np.mean(table**2))
    at = (phase_cycles % 1.0) * TABLE
    whole = np.minimum(at.astype(np.int64), TABLE - 1)
    return table[whole] + (at - whole) * (table[whole + 1] - table[whole])


@dataclass
class Take:
    """A capture of several notes with its truth."""

    samples: np.ndarray
    rate: int
    notes: list
    gain: np.ndarray
    hz: float
    key: np.ndarray | None = None


def take(
    plant,
    gates,
    seconds,
    *,
    wave="saw",
    hz=440.0,
    rate=48_000,
    snr_db=60.0,
    level=0.2,
    duty=0.5,
    rng=None,
    hum_db=None,
    mains_hz=50.0,
    mains_move_hz=0.0,
    thump=0.0,
    dc=0.0,
    drift_cents=0.0,
    noise_carrier=False,
):
    """A take of one plant; levels in dB are re the rms of a note at its peak, which is ``level``.

    ``drift_cents`` is the pitch's change over the whole take; ``thump`` the height of a 30 Hz thump
    at every onset re the note's rms, ``mains_move_hz`` how far the mains rise over the whole take.
    """
    rng = np.random.default_rng(0) if rng is None else rng
    t = np.arange(round(seconds * rate)) / rate
    control, notes = control_and_notes(plant, gates, t)
    gain = plant.gain(control)
    if noise_carrier:
        sound = rng.standard_normal(t.size)
    else:
        path = hz * 2 ** (drift_cents / 1200 * (t / seconds - 0.5))
        phase = np.concatenate([[0.0], np.cumsum((path[1:] + path[:-1]) / 2 / rate)])
        top = max(1, math.floor(0.47 * rate / hz))
        sound = carrier(wave, phase + rng.random(), top, duty)
    x = level * gain * sound
    if hum_db is not None:
        turns = (mains_hz + 0.5 * mains_move_hz * (t / seconds - 1)) * t
        for k, down in ((1, 0.0), (2, 3.0), (3, 8.0), (5, 15.0)):
            size = level * 10 ** ((hum_db - down) / 20) * math.sqrt(2)
            x += size * np.cos(2 * np.pi * (k * turns + rng.random()))
    for on, _ in gates if thump else ():
        s = np.clip(t - on, 0, None)
        x += thump * level * np.sin(2 * np.pi * 30 * s) * np.exp(-s / 0.02) * (t >= on)
    x += dc * level + level * 10 ** (-snr_db / 20) * rng.standard_normal(t.size)
    key = np.zeros(t.size)
    for on, off in gates:
        key[(t >= on) & (t < off)] = 1.0
    return Take(x, rate, notes, gain, hz, key)


def write_take(folder: Path, made: Take, *, with_key=False, subtype="FLOAT", name=None) -> Path:
    """Write a take as a WAV file, its gate in channel 2 where asked."""
    path = folder / (name or f"envelope-loudness{len(list(folder.glob('*.wav')))}.wav")
    data = made.samples
    if with_key:
        data = np.column_stack([data, 0.5 * made.key])
    sf.write(path, data, made.rate, subtype=subtype)
    return path
