"""Which channel of a recording holds a cue track, from a few short looks."""

from __future__ import annotations

import numpy as np
import soundfile as sf
from scipy import fft

from sigkit.arrays import Real
from sigkit.captures.cues.code import COUNT, HIGHEST_HZ, LOWEST_HZ
from sigkit.captures.cues.find import RATE, TICK, at_rate, find_ticks

LOOK_S, LOOKS_AT = 10, (0.5, 0.2, 0.8)
LEAST_OPEN = 5.0
"""How far the usual tick sticks out of the sound around it where a cue lies open."""
LEAST_NOISY = 0.02
"""Median power of the bins re their mean: ln 2 for noise, next to nothing for a tone."""


def cue_channel(sound: sf.SoundFile, power: Real) -> int | None:
    """Return the loudest channel if it holds a cue track and another one holds sound.

    Parameters
    ----------
    sound : SoundFile
        An open decoder; where it stands afterwards is not said.
    power : ndarray, shape (n_channels,)
        Power of each channel.

    Returns
    -------
    int or None
        0-based channel; None where the loudest holds no cue.
    """
    loudest = int(np.argmax(power))
    if np.count_nonzero(power) < 2 or sound.samplerate < RATE:
        return None
    count = min(LOOK_S * sound.samplerate, sound.frames)
    for share in LOOKS_AT:
        sound.seek(int(share * (sound.frames - count)))
        block = sound.read(count, dtype="float64", always_2d=True)
        if holds_ticks(np.nan_to_num(block[:, loudest]), sound.samplerate):
            return loudest
    return None


def holds_ticks(sound: Real, rate: int) -> bool:
    """Return whether a few seconds of sound hold the ticks of a cue track that lies open.

    Notes
    -----
    The usual tick has to stick out of the sound around it by itself, in the noise that counts: a
    tone or a rhythm does not.
    """
    if sound.size < 8 * TICK * rate // RATE or not _is_noise(sound, rate):
        return False
    found = find_ticks(at_rate(sound, rate))
    return found is not None and float(np.median(np.abs(found.soft[:, COUNT]))) > LEAST_OPEN


def _is_noise(sound: Real, rate: int) -> bool:
    """Return whether the sound has no lines that stand far above the rest: a cheap first look."""
    spectrum = fft.rfft(sound)
    begin, end = (round(hz * sound.size / rate) for hz in (LOWEST_HZ, HIGHEST_HZ))
    power = np.abs(spectrum[begin:end]) ** 2
    return bool(np.median(power) > LEAST_NOISY * np.mean(power))
