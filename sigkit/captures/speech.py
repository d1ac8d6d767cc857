"""Speech in a capture: somebody talked while the recorder ran."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from sigkit.captures.problem import Problem
from sigkit.captures.remarks import spoken_span
from sigkit.captures.survey import PARTS, Survey

Real = NDArray[np.float64]

WINDOW_S = 3.0
LEAST_S = 2.0
SYLLABLES_HZ = (1.5, 8.0)
SWING_DB = 8.0
SYLLABIC = 0.3
BRIGHTNESS_DB = 10.0
SHAPE_DB = 6.5
VOICE_HZ = (65.0, 450.0)
STEP_CENTS = (15.0, 400.0)
MOVES = 0.7
LEAST_PAIRS = 4


def speech(survey: Survey) -> list[Problem]:
    """Find stretches that sound like speech in the chosen channel.

    All of it must be there at once: a level that swings as often as syllables follow each other
    (the modulation of speech is strongest near 4 Hz: T. Houtgast, H. J. M. Steeneken, J. Acoust.
    Soc. Am. 77 (1985) 1069; cited from memory), hisses and vowels in turn, a spectrum that never
    keeps its shape, and a voice whose pitch moves all the time and stays on no note. Speech under
    a louder tone, a whisper, or a word of less than 2 s is not found.
    """
    size = round(WINDOW_S / survey.frame_s)
    count = len(survey.power)
    if count < LEAST_S / survey.frame_s:
        return []
    found = []
    for begin in range(0, max(1, count - size // 2), size // 2):
        stop = min(count, begin + size)
        if _spoken(survey, slice(begin, stop)):
            found.append(begin)
    if not found:
        return []
    first, last = survey.at_s(found[0]), survey.at_s(min(count, found[-1] + size))
    how = f"about {max(1, round(len(found) * WINDOW_S / 2))} s that sound like speech"
    remedy = "Listen before you pass this on; keep voices out of the room for level tests."
    where = f"from {spoken_span(first, last, 0)}"
    return [Problem("speech", where, how, ("noise", "envelope"), remedy, "remark")]


def _spoken(survey: Survey, here: slice) -> bool:
    """Whether one stretch has every mark of speech."""
    parts = survey.parts[here].reshape(-1, 2)
    if len(parts) < LEAST_S / survey.frame_s * PARTS:
        return False
    level = 10 * np.log10(np.maximum(parts[:, 0], 1e-14))
    top = float(np.percentile(level, 95))
    level = np.maximum(level, top - 35)
    if top < -80 or level.std() < SWING_DB:
        return False
    rate_hz = PARTS / survey.frame_s
    lines = np.abs(fft.rfft((level - level.mean()) * signal.windows.hann(len(level)))) ** 2
    hz = np.arange(lines.size) * rate_hz / len(level)
    whole = float(lines[(hz > 0.3) & (hz < 20)].sum())
    syllables = float(lines[(hz > SYLLABLES_HZ[0]) & (hz < SYLLABLES_HZ[1])].sum())
    if syllables < SYLLABIC * whole:
        return False
    steps = 10 * np.log10(np.maximum(parts[:, 1], 1e-16) / np.maximum(parts[:, 0], 1e-14))
    steps = steps[level > top - 25]
    if np.ptp(np.percentile(steps, [10, 90])) < BRIGHTNESS_DB:
        return False
    own = survey.level_dbfs[here]
    loud = own > np.percentile(own, 95) - 25
    bands = survey.bands_db[here][loud]
    if (bands - bands.mean(axis=1, keepdims=True)).std(axis=0).mean() < SHAPE_DB:
        return False
    return _voice(survey.pitch_hz[here], survey.clarity[here], loud)


def _voice(pitch_hz: Real, clarity: Real, loud: NDArray[np.bool_]) -> bool:
    """Whether there is a pitch of a voice that moves all the time."""
    voiced = loud & (clarity > 0.55) & (pitch_hz > VOICE_HZ[0]) & (pitch_hz < VOICE_HZ[1])
    both = voiced[1:] & voiced[:-1]
    step = np.abs(1200 * np.log2(pitch_hz[1:][both] / pitch_hz[:-1][both]))
    step = step[step < STEP_CENTS[1]]
    return len(step) >= LEAST_PAIRS and float((step > STEP_CENTS[0]).mean()) > MOVES
