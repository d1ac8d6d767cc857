"""A second, independent opinion on the pitch of a few windows: librosa's yin."""

from __future__ import annotations

import math
import threading

import numpy as np
from numpy.typing import NDArray

from sigkit.captures.remarks import spoken_place
from sigkit.captures.wav import Capture
from sigkit.tracks.pitch import PitchTrack
from sigkit.tracks.turns import PATIENCE_S, own_turn

Real = NDArray[np.float64]

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
    voiced = np.flatnonzero(track.voiced)
    if not voiced.size:
        return ()
    prepare_second_opinion()
    remarks = []
    for share in (np.arange(WINDOWS) + 0.5) / WINDOWS:
        frame = int(voiced[int(share * voiced.size)])
        hz, at = float(track.frequency_hz[frame]), float(track.time_s[frame])
        length = 1 << max(9, math.ceil(math.log2(10 * capture.rate / hz)))
        half_s = length / 2 / capture.rate
        if at < half_s or at + half_s > capture.duration_s:
            continue
        sound = capture.read(at - half_s, at + half_s)
        lowest_hz = max(hz / 4, 2.1 * capture.rate / sound.size)
        other = _yin(sound, capture.rate, lowest_hz, min(hz * 4, 0.45 * capture.rate))
        if abs(1200 * math.log2(other / hz)) > DIFFERS_CENTS:
            remarks.append(
                f"second opinion differs at {spoken_place(at, 1)}: {other:.1f} Hz (librosa yin) "
                f"against {hz:.1f} Hz; check the octave by ear"
            )
    return tuple(remarks)


def prepare_second_opinion(*, wait: bool = True) -> None:
    """Let librosa load and compile what it compiles, one process at a time.

    On a fresh installation librosa compiles with numba and keeps the result in a cache that all
    processes share. Several that do so at the same time can read a half-made entry and crash.
    Those that waited for the one that compiled load what it made at the same time.

    Parameters
    ----------
    wait : bool, optional
        Whether to wait for another process that is about it; if not, nothing is done then.
    """
    global _prepared
    if not _first.acquire(blocking=wait):
        return
    try:
        if _prepared:
            return
        with own_turn("librosa", patience_s=PATIENCE_S if wait else 0.0) as turn:
            if not (turn.held or wait):
                return
            if turn.done_meanwhile:
                turn.done()
            _yin(np.sin(2 * np.pi * 0.01 * np.arange(4096)), 22_050, 100.0, 1000.0)
            turn.done()
        _prepared = True
    finally:
        _first.release()


_first = threading.Lock()
_prepared = False


def _yin(sound: Real, rate: int, lowest_hz: float, highest_hz: float) -> float:
    """Return librosa's pitch of a whole window."""
    import librosa

    pitch = librosa.yin(
        sound,
        fmin=lowest_hz,
        fmax=highest_hz,
        sr=rate,
        frame_length=sound.size,
        hop_length=sound.size,
        center=False,
    )
    return float(pitch[0])
