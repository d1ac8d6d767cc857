"""A carrier's wave learned anew along the fitted envelopes, where few periods bend it."""

from __future__ import annotations

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
A_PERIOD = 8
"""Places in a period at which a lag is told."""
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
    heard = [(found, span) for found, span in zip(notes, spans, strict=True) if found is not None]
    lags = [lag for found, span in heard if (lag := _lag(carrier, found, span)) is not None]
    if lags:
        carrier = carrier.ahead(*np.concatenate(lags, axis=1))
    t = carrier.time_s
    level = np.zeros(t.size)
    for found, span in heard:
        a, b = np.searchsorted(t, [max(span[0], found.shape.peak_s), span[1]]).tolist()
        level[a:b] = level_of(t[a:b], found.law, found.shape)
    x, g = (values.reshape(-1, carrier.points) for values in (carrier.sound, level))
    energy = np.einsum("ij,ij->j", g, g)
    wave = np.einsum("ij,ij->j", g, x) / np.where(energy > 0, energy, 1.0)
    return carrier.on_wave(np.where(energy > 0, wave, carrier.wave))


def _lag(carrier: CarrierTrack, found: NoteFit, span: Span) -> Real | None:
    """Return places along a note, and how far it is ahead of the wave there, both in periods.

    What a small lag leaves is the slope of the wave at the level of the note, times the lag: a
    polynomial in time where the note is loud, the same beyond. None: the note is too short.
    """
    t, points = carrier.time_s, carrier.points
    a, b = np.searchsorted(t, [max(span[0], found.shape.onset_s), span[1]]).tolist()
    if b - a < 4 * points:
        return None
    level = level_of(t[a:b], found.law, found.shape)
    loud = np.flatnonzero(level > LOUD * level.max())
    begin, end = t[a + loud[0]], t[a + loud[-1]]
    if not end > begin:
        return None
    place = np.arange(a, b) % points
    ahead = points * np.gradient(
        np.concatenate([carrier.wave[-1:], carrier.wave, carrier.wave[:1]])
    )
    when = np.clip(2 * (t[a:b] - begin) / (end - begin) - 1, -1, 1)
    terms = np.polynomial.legendre.legvander(when, DEGREE)
    left = carrier.sound[a:b] - level * carrier.wave[place]
    lag, *_ = np.linalg.lstsq((level * ahead[place])[:, None] * terms, left, rcond=None)
    some = slice(None, None, max(1, points // A_PERIOD))
    return np.stack([np.arange(a, b)[some] / points, (terms @ lag)[some]])
