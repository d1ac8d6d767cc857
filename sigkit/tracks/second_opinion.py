"""A second, independent opinion on the pitch of a few windows: librosa's yin."""

from __future__ import annotations

import functools
import math

import numpy as np

from sigkit.captures.remarks import spoken_place
from sigkit.captures.wav import Capture
from sigkit.tracks.pitch import PitchTrack

WINDOWS = 3
DIFFERS_CENTS = 50.0
"""yin is right to some cents; it is asked about the note and the octave, not the number."""


def second_opinion(capture: Capture, track: PitchTrack) -> tuple[str, ...]:
    """Compare a few windows of the track with librosa's yin and report where they differ.

    Parameters
    ----------
    capture : Capture
        The recording the track was made from.
    track : PitchTrack
        Its pitch.

    Returns
    -------
    tuple of str
        One remark per window that differs by more than a quarter tone; empty where all agree.
        Nothing is averaged or corrected.

    References
    ----------
    .. [1] A. de Cheveigné, H. Kawahara, "YIN, a fundamental frequency estimator for speech and
       music", J. Acoust. Soc. Am. 111 (2002), 1917-1930.
    """
    import librosa

    voiced = np.flatnonzero(track.voiced)
    if not voiced.size:
        return ()
    remarks = []
    for share in (np.arange(WINDOWS) + 0.5) / WINDOWS:
        frame = int(voiced[int(share * voiced.size)])
        hz, at = float(track.frequency_hz[frame]), float(track.time_s[frame])
        length = 1 << max(9, math.ceil(math.log2(10 * capture.rate / hz)))
        half_s = length / 2 / capture.rate
        if at < half_s or at + half_s > capture.duration_s:
            continue
        sound = capture.read(at - half_s, at + half_s)
        other = float(
            librosa.yin(
                sound,
                fmin=max(hz / 4, 2.1 * capture.rate / sound.size),
                fmax=min(hz * 4, 0.45 * capture.rate),
                sr=capture.rate,
                frame_length=sound.size,
                hop_length=sound.size,
                center=False,
            )[0]
        )
        if abs(1200 * math.log2(other / hz)) > DIFFERS_CENTS:
            remarks.append(
                f"second opinion differs at {spoken_place(at, 1)}: {other:.1f} Hz (librosa yin) "
                f"against {hz:.1f} Hz; check the octave by ear"
            )
    return tuple(remarks)


@functools.cache
def prepare_second_opinion() -> None:
    """Let librosa compile what it compiles, and keep it, before several processes ask for it.

    On a fresh installation they would all compile at the same time, and the cache that they share
    does not stand that.
    """
    import librosa

    tone = np.sin(2 * np.pi * 0.01 * np.arange(4096))
    librosa.yin(tone, fmin=100, fmax=1000, sr=22_050, frame_length=2048, center=False)
