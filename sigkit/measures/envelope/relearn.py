"""A carrier's wave learned anew along the fitted envelopes, where few periods bend it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from sigkit.arrays import Real
from sigkit.measures.envelope.fit import NoteFit, fit_note, refit_note
from sigkit.measures.envelope.model import level_of
from sigkit.tracks.envelope.carrier import CarrierTrack

BELOW_HZ = 400.0
"""Carriers whose level changes enough within a period to bend the wave."""
MISFIT = 2.0
"""Scatter about its fit, in units of the noise, from which on a note asks for it."""
BETTER = 0.8
"""Scatter that has to be left at most, re what was."""
ALIKE = 1.1
"""The same up to which a note found afresh is preferred."""
LOUD, DEGREE = 0.1, 4
"""Level re the peak where a lag shows, and degree of the polynomial that it is taken for."""
ROUNDS = 3

Span = tuple[float, float]


def with_relearned_wave(
    carrier: CarrierTrack, notes: list[NoteFit | None], spans: list[Span], shortest_s: float
) -> tuple[CarrierTrack, list[NoteFit | None]]:
    """Return the envelope on a wave learned along the fits of its notes, and these fitted anew.

    Parameters
    ----------
    carrier : CarrierTrack
        The envelope on the wave as it was learned first: each period at a level that goes straight
        from its neighbour's to the next.
    notes : list of NoteFit or None
        What was fitted to it.
    spans : list of (float, float)
        From when to when each has the sound for itself.
    shortest_s : float
        Length of the shortest block.

    Notes
    -----
    With the envelope known, the wave is the least-squares estimate from every period but those of
    the attack; with the wave better known, so is the envelope.
    """
    first = notes
    for _ in range(ROUNDS):
        asks = [found for found in notes if found is not None]
        if not asks or carrier.hz > BELOW_HZ or _scatter(asks) < MISFIT:
            break
        other = _relearned(carrier, notes, spans)
        again = [
            None if found is None else refit_note(other, *span, shortest_s, found)
            for found, span in zip(notes, spans, strict=True)
        ]
        if not _scatter([found for found in again if found is not None]) < BETTER * _scatter(asks):
            break
        carrier, notes = other, again
    if notes is first:
        return carrier, notes
    # What bent with the old wave may have been taken for another law.
    return carrier, [
        found
        if old is None or found is None or old.rise.scatter < MISFIT
        else _afresh(carrier, span, shortest_s, found)
        for old, found, span in zip(first, notes, spans, strict=True)
    ]


def _afresh(carrier: CarrierTrack, span: Span, shortest_s: float, found: NoteFit) -> NoteFit:
    other = fit_note(carrier, *span, shortest_s, coherent=True)
    return found if other is None or other.rise.scatter > ALIKE * found.rise.scatter else other


def _scatter(notes: list[NoteFit]) -> float:
    return float(np.mean([found.rise.scatter for found in notes]))


def _relearned(
    carrier: CarrierTrack, notes: list[NoteFit | None], spans: list[Span]
) -> CarrierTrack:
    t = carrier.time_s
    level, used = np.zeros(t.size), np.zeros(t.size)
    for found, span in zip(notes, spans, strict=True):
        if found is None:
            continue
        a, b = np.searchsorted(t, [max(span[0], found.shape.peak_s), span[1]]).tolist()
        level[a:b] = level_of(t[a:b], found.law, found.shape)
        used[a:b] = 1.0
    shape = (-1, carrier.points)
    sound = carrier.sound
    for found, span in zip(notes, spans, strict=True):
        if found is not None:
            sound = _in_phase(carrier, sound, found, span)
    x, g = sound.reshape(shape), (level * used).reshape(shape)
    energy = np.sum(g**2, axis=0)
    wave = np.sum(g * x, axis=0) / np.where(energy > 0, energy, 1.0)
    wave = np.where(energy > 0, wave, carrier.wave)
    full = np.tile(wave, x.shape[0])
    running = np.zeros((3, t.size + 1))
    np.cumsum(sound * full, out=running[0, 1:])
    np.cumsum(full**2, out=running[1, 1:])
    np.cumsum(t * full**2, out=running[2, 1:])
    size = math.sqrt(float(np.mean(wave**2)) / float(np.mean(carrier.wave**2)))
    return replace(carrier, sound=sound, wave=wave, sums=running, wave_rms=carrier.wave_rms * size)


def _in_phase(carrier: CarrierTrack, sound: Real, found: NoteFit, span: Span) -> Real:
    """Return a sound whose phase lies on the wave along a note, where it was a little off.

    What a small lag leaves is the slope of the wave at the level of the note, times the lag: a
    polynomial in time where the note is loud, the same beyond.
    """
    t = carrier.time_s
    a, b = np.searchsorted(t, [max(span[0], found.shape.onset_s), span[1]]).tolist()
    if b - a < 4 * carrier.points:
        return sound
    level = level_of(t[a:b], found.law, found.shape)
    loud = np.flatnonzero(level > LOUD * level.max())
    place = np.arange(a, b) % carrier.points
    ahead = np.gradient(np.concatenate([carrier.wave[-1:], carrier.wave, carrier.wave[:1]]))[1:-1]
    begin, end = t[a + loud[0]], t[a + loud[-1]]
    if not end > begin:
        return sound
    when = np.clip(2 * (t[a:b] - begin) / (end - begin) - 1, -1, 1)
    columns = (level * ahead[place])[:, None] * np.polynomial.legendre.legvander(when, DEGREE)
    left = sound[a:b] - level * carrier.wave[place]
    lag, *_ = np.linalg.lstsq(columns, left, rcond=None)
    out = sound.copy()
    out[a:b] -= columns @ lag
    return out
