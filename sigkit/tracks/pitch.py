"""The pitch of a capture over time, with an uncertainty for every frame and gaps without a tone."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from sigkit.arrays import Flags, Real
from sigkit.captures.needed import takes_capture
from sigkit.captures.wav import Capture
from sigkit.errors import InputError
from sigkit.tracks.coarse import CoarsePitch
from sigkit.tracks.harmonics import EDGE
from sigkit.tracks.phase import PhaseJoiner, PhaseTrack
from sigkit.tracks.slopes import StretchPhase, Window, pitch_in_windows
from sigkit.tracks.stretch import TRIM, measure_stretch

LOWEST_HZ = 27.0
HIGHEST_HZ = 4500.0
CORE_S = 4.0
"""Sound taken in at a time."""
COARSE_HOP_S = 0.030
SAME_NOTE, SMOOTH = 0.06, 0.04
"""Largest relative step of pitch between two rough frames of one tone: a semitone; and how far a
larger one, of a wide vibrato, may depart from its neighbours."""


@dataclass(frozen=True, eq=False)
class PitchTrack:
    """Pitch of a capture on an even grid of frames.

    Parameters
    ----------
    frequency_hz : ndarray, shape (n_frames,)
        Pitch over the window, weighted by a parabola as least squares on the phase does; nan in
        gaps.
    u_hz : ndarray, shape (n_frames,)
        Its standard uncertainty by additive noise, in single precision; nan in gaps. The sound
        card's clock is not in it. Frames closer than a window share sound, so their noise is
        correlated.
    window_s, hop_s : float
        Length of the window (longer for low notes) and distance of the frames.
    """

    frequency_hz: Real
    u_hz: Real
    window_s: float
    hop_s: float

    @property
    def time_s(self) -> Real:
        """Centres of the frames from the start of the capture, shape (n_frames,)."""
        return np.arange(self.frequency_hz.size) * self.hop_s

    @property
    def voiced(self) -> Flags:
        """Whether the whole window holds a tone, shape (n_frames,)."""
        return np.isfinite(self.frequency_hz)

    def cents(self, reference_hz: float) -> Real:
        """Return the pitch in cents above ``reference_hz``; nan in gaps."""
        cents: Real = 1200 * np.log2(self.frequency_hz / reference_hz)
        return cents

    def u_cents(self) -> Real:
        """Return the standard uncertainty of every frame in cents; nan in gaps."""
        return 1200 / math.log(2) * self.u_hz / self.frequency_hz

    def to_frame(self) -> pd.DataFrame:
        """Return the track as columns time_s, frequency_hz, u_hz, voiced."""
        return pd.DataFrame(
            {
                "time_s": self.time_s,
                "frequency_hz": self.frequency_hz,
                "u_hz": self.u_hz,
                "voiced": self.voiced,
            }
        )


@takes_capture
def track_pitch(
    capture: Capture,
    *,
    window_s: float = 0.1,
    hop_s: float = 0.01,
    least_periods: int = 6,
    low_hz: float = LOWEST_HZ,
    high_hz: float = HIGHEST_HZ,
) -> PitchTrack:
    """Track the pitch of a monophonic capture.

    Parameters
    ----------
    capture : Capture
        The recording; its chosen channel is read once, in blocks.
    window_s : float, default 0.1
        Length of sound behind each frame, in seconds.
    hop_s : float, default 0.01
        Distance of the frames in seconds.
    least_periods : int, default 6
        The window holds at least this many periods, so it is longer for low notes.
    low_hz, high_hz : float
        Range of pitches looked for, in Hz.

    Returns
    -------
    PitchTrack
        Frames at 0, ``hop_s``, 2 ``hop_s`` ... to the end of the capture; gaps (``voiced`` false,
        nan) where the window holds no tone, changes its note, or reaches over the capture's ends.

    Raises
    ------
    InputError
        A length or a range that is not positive and in order.
    SignalError
        The capture holds samples that are not numbers.

    See Also
    --------
    sigkit.measure_stability : Offset, spread, drift and jumps of a held note.

    Notes
    -----
    Rough pitch comes from the window-corrected autocorrelation [1]_. The number comes from the
    phases of all harmonics together, once a period, and is the slope of that phase in the window:
    at the Cramer-Rao bound of a harmonic signal in white noise [2]_ for steady tones. It is thus
    the mean of the pitch weighted by a parabola over the window, which is what to compare a
    moving pitch with. The stated uncertainty holds for additive noise; real jitter of the
    oscillator is signal.

    References
    ----------
    .. [1] P. Boersma, "Accurate short-term analysis of the fundamental frequency and the
       harmonics-to-noise ratio of a sampled sound", Proc. Institute of Phonetic Sciences
       Amsterdam 17 (1993), 97-110.
    .. [2] D. Rife, R. Boorstyn, "Single-tone parameter estimation from discrete-time
       observations", IEEE Trans. Information Theory 20 (1974), 591-598.
    """
    return _track(capture, window_s, hop_s, least_periods, (low_hz, high_hz), None)


def track_tone(
    capture: Capture,
    *,
    window_s: float = 0.1,
    hop_s: float = 0.01,
    least_periods: int = 6,
    low_hz: float = LOWEST_HZ,
    high_hz: float = HIGHEST_HZ,
) -> tuple[PitchTrack, PhaseTrack]:
    """Track pitch and phase of a monophonic capture in one pass.

    Parameters
    ----------
    capture, window_s, hop_s, least_periods, low_hz, high_hz
        As those of `track_pitch`.

    Returns
    -------
    PitchTrack, PhaseTrack
        The pitch in windows, and the phase behind it, about once a period.

    Raises
    ------
    InputError, SignalError
        As `track_pitch` does.

    See Also
    --------
    track_pitch : The pitch alone, in less memory.
    """
    phases = PhaseJoiner()
    track = _track(capture, window_s, hop_s, least_periods, (low_hz, high_hz), phases)
    return track, phases.track()


def _track(
    capture: Capture,
    window_s: float,
    hop_s: float,
    least_periods: int,
    range_hz: tuple[float, float],
    phases: PhaseJoiner | None,
) -> PitchTrack:
    if not (window_s > 0 and hop_s > 0 and least_periods >= 3):
        raise InputError(
            f"window_s and hop_s must be above 0 and least_periods at least 3; got {window_s}, "
            f"{hop_s} and {least_periods}.",
            where="track_pitch",
            remedy="Give times in seconds.",
        )
    low_hz, high_hz = range_hz
    if not 0 < low_hz < high_hz:
        raise InputError(
            f"low_hz must be above 0 and below high_hz; got {low_hz} and {high_hz}.",
            where="track_pitch",
        )
    tracker = _Tracker(capture.rate, Window(window_s, least_periods), low_hz, high_hz)
    count = math.floor(capture.duration_s / hop_s + 1e-9) + 1
    hz, u_hz = np.full(count, np.nan), np.full(count, np.nan, np.float32)
    for start_s, sound, core_from_s, core_to_s in _overlapping(capture, tracker.guard_s):
        first, last = math.ceil(core_from_s / hop_s - 1e-9), math.ceil(core_to_s / hop_s - 1e-9)
        frames = slice(first, min(last, count))
        time_s = np.arange(frames.start, frames.stop) * hop_s
        last = core_to_s > capture.duration_s
        for phase, offset_s in tracker.stretches(sound, whole=last):
            found = pitch_in_windows(phase, time_s - start_s - offset_s, tracker.window)
            known = np.isfinite(found[0])
            hz[frames][known], u_hz[frames][known] = (values[known] for values in found)
            if phases is not None:
                phases.add(phase, start_s + offset_s, core_from_s, core_to_s)
    return PitchTrack(hz, u_hz, window_s, hop_s)


def _overlapping(capture: Capture, guard_s: float) -> Iterator[tuple[float, Real, float, float]]:
    """Yield start, sound, and the core's own from and to, with a guard at both ends."""
    rate = capture.rate
    guard, core = math.ceil(guard_s * rate), round(CORE_S * rate)
    held, begin, centre = np.empty(0), 0, 0
    for block in capture.blocks(CORE_S):
        held = np.concatenate([held, block])
        # Two guards are kept back, so that the last piece is no shorter than its guard.
        while begin + held.size >= centre + core + 2 * guard:
            sound = held[: centre + core + guard - begin]
            yield begin / rate, sound, centre / rate, (centre + core) / rate
            centre += core
            drop = max(0, centre - guard - begin)
            held, begin = held[drop:], begin + drop
    yield begin / rate, held, centre / rate, (begin + held.size) / rate + 1


class _Tracker:
    """Carries the pitch from one piece of sound to the next."""

    def __init__(self, rate: int, window: Window, low_hz: float, high_hz: float) -> None:
        self.rate, self.window = rate, window
        self.guard_s = self._guard_s(low_hz)
        self.coarse = CoarsePitch(rate, low_hz, min(high_hz, 0.45 * rate))
        self.locked_hz = math.nan

    def _guard_s(self, hz: float) -> float:
        """Sound that a note needs on either side of what is asked about."""
        longest_s = max(self.window.seconds, self.window.least_periods / hz)
        return (longest_s / 2 + (EDGE + 3) / hz + TRIM * CORE_S) / (1 - 2 * TRIM)

    def stretches(self, sound: Real, *, whole: bool) -> Iterator[tuple[StretchPhase, float]]:
        """Yield the phase of every stretch of tone, and where in ``sound`` its time counts from."""
        if sound.size < self.coarse.size or not sound.any():
            return
        # A note that is known needs less on either side than the lowest one.
        spare = 0 if whole or math.isnan(self.locked_hz) else self._spare()
        steady = self._same_note(sound[spare : sound.size - spare], whole=whole)
        if steady is not None:
            yield steady, spare / self.rate
            return
        self.locked_hz = math.nan
        for first, path_hz in self._runs(sound):
            hop = round(COARSE_HOP_S * self.rate)
            begin = max(0, first * hop)
            end = min(sound.size, (first + path_hz.size - 1) * hop + self.coarse.size)
            piece = sound[begin:end]
            moving = path_hz.max() / path_hz.min() > 1.02
            start = _extended(path_hz) if moving else float(np.median(path_hz))
            phase = measure_stretch(piece, self.rate, start, self.window, whole=True)
            if phase is None:
                continue
            yield phase, begin / self.rate
            if phase.steady:
                self.locked_hz = phase.mean_hz

    def _spare(self) -> int:
        return int(max(0.0, self.guard_s - 1.1 * self._guard_s(self.locked_hz)) * self.rate)

    def _same_note(self, sound: Real, *, whole: bool) -> StretchPhase | None:
        """Measure with the pitch of the piece before, if that explains all of this piece."""
        if math.isnan(self.locked_hz):
            return None
        middle = (sound.size - self.coarse.size) // 2
        rough, _ = self.coarse(sound[middle : middle + self.coarse.size])
        if not abs(rough / self.locked_hz - 1) < 0.01:
            return None
        phase = measure_stretch(sound, self.rate, self.locked_hz, self.window, whole=whole)
        if phase is None or not phase.steady:
            return None
        self.locked_hz = phase.mean_hz
        return phase

    def _runs(self, sound: Real) -> Iterator[tuple[int, Real]]:
        """Yield first frame and rough pitches of every unbroken tone."""
        hop = round(COARSE_HOP_S * self.rate)
        starts = range(0, sound.size - self.coarse.size + 1, hop)
        rough = np.array([self.coarse(sound[s : s + self.coarse.size])[0] for s in starts])
        rough = _without_slips(rough)
        on = _goes_on(rough)
        begin = 0
        for i in range(1, rough.size + 1):
            if i < rough.size and on[i - 1]:
                continue
            if np.isfinite(rough[begin:i]).all():
                yield begin, rough[begin:i]
            begin = i


def _goes_on(rough: Real) -> Flags:
    """Say whether each rough pitch belongs to the same tone as the one before it.

    Either the step between them is small, or it is as large as the steps beside it.
    """
    step = np.diff(np.log(rough))
    if not step.size:
        return np.empty(0, bool)
    beside = np.pad(step, 1, mode="edge")
    smooth = np.abs(step - (beside[:-2] + beside[2:]) / 2) < SMOOTH
    same: Flags = (np.abs(step) < SAME_NOTE) | (smooth & (np.abs(step) < 2 * SAME_NOTE))
    return same


def _without_slips(rough: Real) -> Real:
    """Put single frames that are a whole multiple or part of their neighbours' pitch right."""
    around = np.lib.stride_tricks.sliding_window_view(np.pad(rough, 2, mode="edge"), 5)
    usual = np.median(around, axis=1)
    ratio = np.where(rough > usual, rough / usual, usual / rough)
    slip = (np.rint(ratio) >= 2) & (np.abs(ratio / np.rint(ratio) - 1) < 0.02)
    return np.where(slip, usual, rough)


def _extended(path_hz: Real) -> Real:
    """Rough pitches at the centres of frames, held over half a frame at both ends."""
    return np.concatenate([[path_hz[0]] * 2, path_hz, [path_hz[-1]] * 2])
