"""The instant of switch-on, from the thump that it leaves in a capture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from sigkit.arrays import Real
from sigkit.captures.wav import Capture

Index = NDArray[np.intp]

PIECE_S = 0.010
LOOK_BACK_S = 1800.0
"""The tone has to begin within this time after switch-on for its thump to be looked for."""
READ_S = 10.0
STANDS_OUT_DB = 12.0
"""Level of the thump above what was there before it."""
THUMP_S = 0.030
TONE_ONSET_S = 0.4
"""The pitch of a tone is known so much later than its first sound."""
BEFORE_S = 0.3
ONE_EVENT_S = 0.06
RISE_DB, CLEARLY = 1.0, 6.0
"""After switch-on the instrument's own hiss and hum remain: so much more than before it, and so
many times its standard uncertainty."""
QUIET_S, FADE_S = 0.25, 0.2
"""Least length of quiet on either side from which that is told, a moment after every event."""


@dataclass(frozen=True)
class PowerOn:
    """An instant of switch-on.

    Parameters
    ----------
    time_s : float
        Seconds from the start of the capture.
    kind : {"thump", "click", "tone"}
        What it was told by: a thump, a shorter click, or the first sound of the tone itself.
    """

    time_s: float
    kind: Literal["thump", "click", "tone"]


def find_power_on(capture: Capture, tone_begins_s: float) -> PowerOn | None:
    """Find the switch-on thump before a tone.

    Parameters
    ----------
    capture : Capture
        The recording.
    tone_begins_s : float
        Where its tone begins, seconds from the start.

    Returns
    -------
    PowerOn or None
        Start of the first 10 ms that stand 12 dB above the usual level before them; None where
        nothing does before the tone.

    Notes
    -----
    The sound before the mains switch is the recorder's own noise; its level over 10 ms pieces,
    slowly followed, is the reference, and at least 0.3 s of it must precede the thump. Of several
    events the one after which the quiet stays louder than before, by the instrument's own hiss and
    hum, is switch-on; else the loudest that lasts 30 ms, else the loudest click. The onset of the
    tone itself counts only where there is nothing before it.
    """
    start_s = max(0.0, tone_begins_s - LOOK_BACK_S)
    stop_s = min(capture.duration_s, tone_begins_s + 0.05)
    power = _power(capture, start_s, stop_s)
    if power.size < 40:
        return None
    begins, ends = _events(power)
    if not begins.size:
        return None
    peak = np.array([power[b:e].max() for b, e in zip(begins, ends, strict=True)])
    tone = begins * PIECE_S > tone_begins_s - start_s - TONE_ONSET_S
    thump = ends - begins >= THUMP_S / PIECE_S - 0.5
    # Where all that follows stays loud up to the tone, what began it is switch-on.
    to_tone = np.flatnonzero(~tone & (ends * PIECE_S >= tone_begins_s - start_s - TONE_ONSET_S))
    remains = int(to_tone[-1]) if to_tone.size else None
    if remains is None:
        remains = _remains(
            power[: begins[tone][0] if tone.any() else None], begins[~tone], ends[~tone]
        )
    stays = np.arange(begins.size) == (-1 if remains is None else remains)
    for candidates in (stays, thump & ~tone, ~tone):
        if candidates.any():
            best = int(np.argmax(np.where(candidates, peak, -1.0)))
            kind: Literal["thump", "click"] = "thump" if thump[best] else "click"
            return PowerOn(start_s + float(begins[best]) * PIECE_S, kind)
    return PowerOn(start_s + float(begins[np.argmax(np.where(tone, peak, -1.0))]) * PIECE_S, "tone")


def _power(capture: Capture, start_s: float, stop_s: float) -> Real:
    """Mean square of every piece, read some seconds at a time."""
    size = round(PIECE_S * capture.rate)
    count = int((stop_s - start_s) * capture.rate) // size
    at_once = round(READ_S / PIECE_S)
    found, offset = [], None
    for first in range(0, count, at_once):
        begin_s = start_s + first * size / capture.rate
        frames = min(at_once, count - first) * size
        sound = capture.read(begin_s, min(stop_s, begin_s + frames / capture.rate))
        pieces = sound[: sound.size // size * size].reshape(-1, size)
        # The offset of the recorder's converter goes, the slow swing of a thump stays.
        offset = float(np.median(pieces)) if offset is None else offset
        found.append(np.mean((pieces - offset) ** 2, axis=1))
    return np.concatenate(found) if found else np.empty(0)


def _events(power: Real) -> tuple[Index, Index]:
    """First and last piece of everything that stands out of the level before it."""
    least = 2.0**-46
    before = round(BEFORE_S / PIECE_S)
    loud = np.zeros(power.size, dtype=bool)
    quiet = float(np.median(power[:before]))
    for i in range(before, power.size):
        loud[i] = power[i] > max(quiet, least) * 10 ** (STANDS_OUT_DB / 10)
        if not loud[i]:
            quiet += (power[i] - quiet) * 0.02
    loud = ndimage.binary_closing(loud, np.ones(round(ONE_EVENT_S / PIECE_S), dtype=bool))
    marks = np.diff(np.concatenate([[False], loud, [False]]))
    begins, ends = (side.astype(np.intp) for side in np.flatnonzero(marks).reshape(-1, 2).T)
    return begins, ends


def _remains(power: Real, begins: Index, ends: Index) -> int | None:
    """Which event parts a quieter level from a louder one best; None where none clearly does."""
    quiet = np.ones(power.size, dtype=bool)
    for b, e in zip(begins, ends, strict=True):
        quiet[b : e + round(FADE_S / PIECE_S)] = False
    level = 10 * np.log10(np.maximum(power, 2.0**-46))
    least = round(QUIET_S / PIECE_S)
    best, best_score = None, CLEARLY
    for i, at in enumerate(begins):
        before, after = level[:at][quiet[:at]], level[at:][quiet[at:]]
        if before.size < least or after.size < least:
            continue
        rise = float(np.median(after) - np.median(before))
        pooled = float(np.hypot(np.std(before), np.std(after))) + 0.1
        score = (
            rise / pooled * float(np.sqrt(before.size * after.size / (before.size + after.size)))
        )
        if rise > RISE_DB and score > best_score:
            best, best_score = i, score
    return best
