"""The instant of switch-on, from the thump that it leaves in a capture."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from sigkit.captures.wav import Capture

PIECE_S = 0.010
LOOK_BACK_S = 120.0
"""The tone has to begin within this time after switch-on for its thump to be looked for."""
STANDS_OUT_DB = 20.0
"""Level of the thump above what was there before it."""
THUMP_S = 0.030
TONE_ONSET_S = 0.4
"""The pitch of a tone is known so much later than its first sound."""


def find_power_on(capture: Capture, tone_begins_s: float) -> float | None:
    """Find the switch-on thump before a tone.

    Parameters
    ----------
    capture : Capture
        The recording.
    tone_begins_s : float
        Where its tone begins, seconds from the start.

    Returns
    -------
    float or None
        Start of the first 10 ms that stand 20 dB above the usual level before them, in seconds
        from the start of the capture; None where nothing does before the tone.

    Notes
    -----
    The sound before the mains switch is the recorder's own noise; its level over 10 ms pieces,
    slowly followed, is the reference, and at least 0.3 s of it must precede the thump. A thump
    lasts 30 ms or longer; a shorter click is taken only where there is no thump. Of several the
    loudest counts; the onset of the tone itself counts only where there is nothing before it.
    """
    start_s = max(0.0, tone_begins_s - LOOK_BACK_S)
    stop_s = min(capture.duration_s, tone_begins_s + 0.05)
    sound = capture.read(start_s, stop_s)
    size = round(PIECE_S * capture.rate)
    count = sound.size // size
    if count < 40:
        return None
    pieces = sound[: count * size].reshape(count, size)
    power = np.mean((pieces - pieces.mean(axis=1, keepdims=True)) ** 2, axis=1)
    least = 2.0**-46
    loud = np.zeros(count, dtype=bool)
    quiet = np.median(power[:30])
    for i in range(30, count):
        loud[i] = power[i] > max(quiet, least) * 10 ** (STANDS_OUT_DB / 10)
        if not loud[i]:
            quiet += (power[i] - quiet) * 0.02
    loud = ndimage.binary_closing(loud, np.ones(5, dtype=bool))
    marks = np.diff(np.concatenate([[False], loud, [False]]))
    begins, ends = (side.astype(np.intp) for side in np.flatnonzero(marks).reshape(-1, 2).T)
    if not begins.size:
        return None
    peak = np.array([power[b:e].max() for b, e in zip(begins, ends, strict=True)])
    tone = begins * PIECE_S > tone_begins_s - start_s - TONE_ONSET_S
    thump = ends - begins >= THUMP_S / PIECE_S - 0.5
    for candidates in (thump & ~tone, ~tone, tone):
        if candidates.any():
            return start_s + float(begins[np.argmax(np.where(candidates, peak, -1.0))]) * PIECE_S
    return None
