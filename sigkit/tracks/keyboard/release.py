"""What the release of a note leaves under the next one, taken out."""

from __future__ import annotations

import math

import numpy as np

from sigkit.tracks.keyboard.attack import REACH_S
from sigkit.tracks.keyboard.notes import KeyNote
from sigkit.tracks.keyboard.pitch import NotePitch
from sigkit.tracks.keyboard.sound import KeySound
from sigkit.tracks.keyboard.wave import HeldWave

TAIL_HEARD, SHORTEST_TAIL_S, TAIL_S = 4.0, 0.004, 1.0
TAIL_LEAVES = 0.7
"""Share of the power just before the next note that a tail taken out may leave."""


def take_tail_out(whole: KeySound, note: KeyNote, pitch: NotePitch, next_s: float) -> None:
    """Take out what the release of a note leaves under the next one.

    Parameters
    ----------
    whole : KeySound
        The sweep; its sound is changed in place, where that leaves less: the wave of the note,
        fading on exponentially as between the two notes, is taken out.
    note, pitch : KeyNote, NotePitch
        The note that was let go.
    next_s : float
        When the next one begins.
    """
    begin, end = note.stop_s + 0.005, next_s - 0.004
    width = max(0.002, 0.5 / pitch.hz)
    if end - begin < 5 * width:
        return
    near = whole.part(end - 2 * width, end)
    if float(np.mean(near.astype(np.float64) ** 2)) < TAIL_HEARD * whole.floor:
        return
    wave = HeldWave.of(whole, note, pitch)
    if wave is None:
        return
    a, size = round(begin * whole.rate), round(width * whole.rate)
    count = round((end - begin) * whole.rate) // size
    t = np.arange(a, a + count * size) / whole.rate
    w = wave.at(t)
    x = whole.sound[a : a + count * size].astype(np.float64)
    energy = (w * w).reshape(count, size).sum(axis=1)
    gain = (x * w).reshape(count, size).sum(axis=1) / np.maximum(energy, 1e-30)
    middle = t.reshape(count, size).mean(axis=1)
    heard = gain > 3 * math.sqrt(whole.floor / wave.power / size)
    last = int(np.argmin(heard)) if not heard.all() else count
    if last < 5:
        return
    weight = np.sqrt(energy[:last]) * gain[:last]
    line = np.polyfit(middle[:last] - begin, np.log(gain[:last]), 1, w=weight)
    if not -1 / SHORTEST_TAIL_S < line[0] < 0:
        return
    first = round(max(begin, next_s - REACH_S) * whole.rate)
    stop = min(whole.sound.size, first + round(min(TAIL_S, -6 / line[0]) * whole.rate))
    t = np.arange(first, stop) / whole.rate
    tail = (wave.at(t) * np.exp(np.polyval(line, t - begin))).astype(np.float32)
    lead = whole.sound[first : round(end * whole.rate)]
    if np.sum((lead - tail[: lead.size]) ** 2) <= TAIL_LEAVES * np.sum(lead**2):
        whole.sound[first:stop] -= tail
