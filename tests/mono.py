"""A synthesizer that sounds one note at a time, with exact truth, made without sigkit.

One oscillator, or two a little apart, read at a phase that is summed along a control voltage: keys,
glide, vibrato, an octave switch. One capacitor is charged and discharged by the gate.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
from keyboards import nominal_hz
from scipy import signal
from tones import tone

RATE = 24_000


def presses_of(keys, *, hold_s=0.5, gap_s=0.2, first_s=0.5):
    """(on, off, key) of keys played one after the other."""
    step = hold_s + gap_s
    return [(first_s + step * i, first_s + step * i + hold_s, k) for i, k in enumerate(keys)]


def played(
    presses,
    rng,
    *,
    errors,
    wave="saw",
    glide_s=0.0,
    vibrato=(0.0, 5.0),
    second_cents=None,
    switch=None,
    attack_s=0.0015,
    release_s=0.02,
    snr_db=50.0,
    level=0.1,
):
    """Sound of presses; ``errors`` in cents by key; ``switch`` is (instant, octaves)."""
    count = round((presses[-1][1] + 0.8) * RATE)
    t = np.arange(count) / RATE
    cents, gate = np.empty(count), np.zeros(count, bool)
    cents[:] = 100 * presses[0][2] + errors[presses[0][2]]
    for on, off, key in presses:
        cents[t >= on] = 100 * key + errors[key]
        gate |= (t >= on) & (t < off)
    if glide_s:
        keep = math.exp(-1 / (glide_s * RATE))
        cents = signal.lfilter([1 - keep], [1, -keep], cents - cents[0]) + cents[0]
    cents = cents + vibrato[0] * np.sin(2 * np.pi * vibrato[1] * t + 6 * rng.random())
    if switch is not None:
        cents = cents + 1200 * switch[1] * (t > switch[0])
    top = math.floor(0.45 * RATE / nominal_hz(cents.max() / 100))
    out = np.zeros(count)
    for more in (0.0,) if second_cents is None else (0.0, second_cents):
        phase = np.cumsum(nominal_hz((cents + more) / 100)) / RATE + rng.random()
        out += tone(wave, phase, top)
    edges = [0, *(np.flatnonzero(np.diff(gate)) + 1).tolist(), count]
    gain, held = np.zeros(count), 0.0
    for a, b in itertools.pairwise(edges):
        aim, tau = (1.0, attack_s) if gate[a] else (0.0, release_s)
        gain[a:b] = aim - (aim - held) * np.exp(-np.arange(1, b - a + 1) / (tau * RATE))
        held = gain[b - 1]
    out *= level * gain / np.sqrt(np.mean(out[gate] ** 2))
    return out + level * 10 ** (-snr_db / 20) * rng.standard_normal(count)


def speech(rng, seconds=0.5, level=0.1):
    """A voiced sound whose pitch goes up and down, as of a word."""
    t = np.arange(round(seconds * RATE)) / RATE
    hz = 125 * (1 + 0.2 * np.sin(2 * np.pi * rng.uniform(1.2, 2) * t))
    phase = np.cumsum(hz) / RATE
    out = sum(
        math.exp(-(((125 * h - 600) / 400) ** 2)) * np.cos(2 * np.pi * (h * phase + rng.random()))
        for h in range(1, 20)
    )
    return out * np.hanning(t.size) * level
