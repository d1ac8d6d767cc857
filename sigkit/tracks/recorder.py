"""Faults of the recorder, told from what the instrument does: lost sound, silence, glitches."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from sigkit.arrays import Complex, Real
from sigkit.captures.parts import JoinedCapture
from sigkit.captures.watch import Silence, Watch
from sigkit.captures.wav import Capture
from sigkit.tracks.bend_or_leap import STANDS_OUT, Change
from sigkit.tracks.phase import PhaseTrack
from sigkit.tracks.pitch import PitchTrack

Row = tuple[float, str, float, float, int]
LOST = "lost or repeated samples"
COLUMNS = ["time_s", "kind", "samples", "u_samples", "channels"]
LEAST_SAMPLES = 4.0
"""Less of a leap than this is not called lost sound."""
MODEL_SAMPLES = 0.02
"""What bands and harmonics leave of a leap at high signal to noise, found by simulation."""
MOST_HARMONICS = 20
PERIODS_READ, LEAST_READ_S = 8, 0.05
MOST_READ = 100
SAME_PITCH_CENTS = 3.0
"""A leap is lost sound only where the pitch is the same on both sides."""
RESTS_PER_S = 2.0
"""More runs of zeros than this belong to a waveform that rests at zero."""
BESIDE_ZEROS = 0.01
"""Share of the peak that a sample beside a patch of silence has; a fading tone has less."""
NEAR_S = 0.02
"""What sticks out this near to a fault is part of it."""
ORDER = 24
REACH_PERIODS = 4.0
"""Periods on either side of a fault that its sound reaches, by the bands of the phase."""


def recorder_faults(
    capture: Capture, watch: Watch, phase: PhaseTrack, changes: Sequence[Change]
) -> pd.DataFrame:
    """Collect what the recorder, and not the instrument, did to a tone.

    Parameters
    ----------
    capture : Capture
        The recording; only short stretches around suspected instants are read.
    watch : Watch
        What was seen while the track was made.
    phase : PhaseTrack
        Phase of the tone.
    changes : sequence of Change
        Its sudden changes.

    Returns
    -------
    DataFrame
        Columns time_s; kind: ``lost or repeated samples``, ``silence`` or ``glitch``; samples, how
        many; u_samples, its standard uncertainty, 0 where counted; channels, the number of channels
        that show it. In order of time. Lost and repeated samples are known but for whole periods of
        the tone: the smallest number is given, above zero for lost ones, and 45 repeated ones of a
        period of 109 may as well be 64 lost ones.

    Notes
    -----
    Lost sound moves the phase of a tone and leaves its pitch. The number of samples is the leap of
    phase between the harmonics before and after the instant. A leap by whole periods of the tone
    cannot be seen. Other channels count where a linear prediction of their sound fails at the same
    instant; a channel of silence proves nothing, and one of steady noise neither. Where sound is
    missing between the files of a joined capture, that is known and no fault; see `known_gaps`.
    """
    if not phase.time_s.size:
        return pd.DataFrame(columns=COLUMNS)
    begin, end = float(phase.time_s[0]), float(phase.time_s[-1])
    rate, alive = capture.rate, set(watch.alive)
    gaps = fault_spans(known_gaps(capture), rate)
    seen = _but_for(gaps, _seen(capture, watch, begin, end), rate)
    silences, glitches = ([row for row in seen if row[1] == kind] for kind in ("silence", "glitch"))
    rows, leaps = list(silences), []
    suspects = [c for c in changes if c.kind != "step"]
    for change in suspects[:MOST_READ]:
        reach_s = change.gap_s / 2 + REACH_PERIODS / change.before_hz
        if any(t - reach_s < change.time_s < t + n / rate + reach_s for t, _, n, _, _ in silences):
            continue
        if _meets(gaps, change.time_s - reach_s, change.time_s + reach_s):
            continue
        leap = _leap(capture, change)
        if leap is None:
            continue
        others = sum(
            _breaks_off(replace(capture, channel=c), leap.time_s)
            for c in sorted(alive - {capture.channel})
        )
        leaps.append((leap.time_s, reach_s))
        rows.append((leap.time_s, LOST, leap.samples, leap.u_samples, 1 + others))
    # Where sound was cut, a sample may stick out as well.
    rows += [g for g in glitches if all(abs(g[0] - t) >= reach_s for t, reach_s in leaps)]
    return pd.DataFrame(sorted(rows), columns=COLUMNS)


def faults_seen(
    capture: Capture, watch: Watch, begin_s: float, end_s: float, glitches: Sequence[float] = ()
) -> pd.DataFrame:
    """Return the patches of silence and the glitches between two instants, without any phase.

    Parameters
    ----------
    capture : Capture
        The recording.
    watch : Watch
        What was seen while a track was made of it.
    begin_s, end_s : float
        First and last instant of the tone.
    glitches : sequence of float
        Instants at which single samples stick out of what is left of the tone.

    Returns
    -------
    DataFrame
        As from `recorder_faults`, without lost or repeated samples. Exact zeros are the recorder's:
        a contact that opens leaves the hiss of the interface.
    """
    rate = capture.rate
    rows = _seen(capture, watch, begin_s, end_s)
    new = [t for t in glitches if all(abs(t - row[0]) > NEAR_S for row in rows)]
    rows += [(t, "glitch", 1.0, 0.0, 1) for t in new if begin_s < t < end_s]
    gaps = fault_spans(known_gaps(capture), rate)
    return pd.DataFrame(sorted(_but_for(gaps, rows, rate)), columns=COLUMNS)


def _seen(capture: Capture, watch: Watch, begin_s: float, end_s: float) -> list[Row]:
    """Return the patches of silence and the glitches between two instants."""
    rate, alive = capture.rate, set(watch.alive)
    rows: list[Row] = [
        (s.first / rate, "silence", float(s.samples), 0.0, len(alive.intersection(s.channels)))
        for s in _patches(watch, capture, begin_s, end_s)
    ]
    at = [(g.at / rate, len(g.channels)) for g in watch.glitches]
    return rows + [(t, "glitch", 1.0, 0.0, channels) for t, channels in at if begin_s < t < end_s]


def _but_for(gaps: list[tuple[float, float]], rows: list[Row], rate: int) -> list[Row]:
    """Return the faults that lie two samples or more from what is known to be missing."""
    return [
        row for row in rows if not _meets(gaps, row[0] - 2 / rate, row[0] + (row[2] + 2) / rate)
    ]


def known_gaps(capture: Capture) -> pd.DataFrame:
    """Return the sound missing between the files of a joined capture, as a table like the faults'.

    Parameters
    ----------
    capture : Capture
        Any capture; only a joined one has such gaps.
    """
    rows: list[tuple[float, str, float, float, int]] = []
    if isinstance(capture, JoinedCapture):
        for one, other in itertools.pairwise(capture.parts):
            missing = float(other.begin - one.end)
            if missing > 0:
                rows.append((one.end / capture.rate, "silence", missing, 0.0, capture.channels))
    return pd.DataFrame(rows, columns=COLUMNS)


def _meets(spans: list[tuple[float, float]], first_s: float, last_s: float) -> bool:
    """Whether a stretch of time meets any of the spans."""
    return any(begin <= last_s and end >= first_s for begin, end in spans)


def fault_spans(faults: pd.DataFrame, rate: int) -> list[tuple[float, float]]:
    """Return first and last instant of every fault, in seconds."""
    first_s = faults["time_s"].to_numpy(np.float64)
    lasting = np.where(faults["kind"] == "silence", faults["samples"], 0.0).astype(np.float64)
    last_s = first_s + lasting / rate
    return list(zip(first_s.tolist(), last_s.tolist(), strict=True))


def without_faults(track: PitchTrack, faults: pd.DataFrame, rate: int, hz: float) -> PitchTrack:
    """Return the track with gaps where its windows hold a fault of the recorder."""
    if faults.empty:
        return track
    reach_s = max(track.window_s, 6 / hz) / 2 + REACH_PERIODS / hz
    voiced = track.voiced.copy()
    for first_s, last_s in fault_spans(faults, rate):
        voiced &= (track.time_s < first_s - reach_s) | (track.time_s > last_s + reach_s)
    hz_left, u_left = (np.where(voiced, v, np.nan) for v in (track.frequency_hz, track.u_hz))
    return replace(track, frequency_hz=hz_left, u_hz=u_left)


def cut_at_faults(phase: PhaseTrack, faults: pd.DataFrame, rate: int, hz: float) -> PhaseTrack:
    """Return the phase in tones that end before and begin after each fault of the recorder."""
    keep, tone = np.ones(phase.time_s.size, dtype=bool), phase.tone.copy()
    reach_s = REACH_PERIODS / hz
    for first_s, last_s in fault_spans(faults, rate):
        keep &= (phase.time_s < first_s - reach_s) | (phase.time_s > last_s + reach_s)
        tone += phase.time_s > first_s
    return PhaseTrack(phase.time_s[keep], phase.cycles[keep], phase.u_cycles[keep], tone[keep])


def _patches(watch: Watch, capture: Capture, begin_s: float, end_s: float) -> list[Silence]:
    """Patches of silence within the tone, none where the waveform itself rests at zero."""
    least = BESIDE_ZEROS * float(watch.peaks[capture.channel])
    found = [
        silence
        for silence in watch.silences
        if begin_s < silence.first / capture.rate < end_s and silence.beside > least
    ]
    return found if len(found) <= max(1.0, RESTS_PER_S * (end_s - begin_s)) else []


@dataclass(frozen=True)
class _Leap:
    time_s: float
    samples: float
    u_samples: float


def _leap(capture: Capture, change: Change) -> _Leap | None:
    """Measure a leap on the sound itself; None where there is none, or the pitch differs."""
    hz = (change.before_hz + change.after_hz) / 2
    differs = 1200 * abs(math.log2(change.after_hz / change.before_hz))
    if change.kind == "break" and differs > max(SAME_PITCH_CENTS, STANDS_OUT * change.u_size):
        return None
    half_gap = change.gap_s / 2 + (2.5 / hz if change.kind == "slip" else 0.5 / hz)
    side_s = max(LEAST_READ_S, PERIODS_READ / hz)
    from_s = change.time_s - half_gap - side_s
    to_s = change.time_s + half_gap + side_s
    if from_s < 0 or to_s > capture.duration_s:
        return None
    sound = capture.read(from_s, to_s)
    t = round(from_s * capture.rate) / capture.rate + np.arange(sound.size) / capture.rate
    t = t - change.time_s
    before, after = t < -half_gap, t > half_gap
    count = max(1, min(MOST_HARMONICS, int(0.45 * capture.rate / hz)))
    one, other = (_harmonics(t[part], sound[part], hz, count) for part in (before, after))
    cycles = change.size if change.kind == "slip" else _turn(one, other)
    u = math.hypot(change.u_leap_cycles, 0.5 * change.u_size / 1731 * hz * (2 * half_gap + side_s))
    if change.kind == "slip":
        u = change.u_size
    samples, u_samples = cycles * capture.rate / hz, u * capture.rate / hz
    u_samples = math.hypot(u_samples, MODEL_SAMPLES)
    if abs(samples) < max(LEAST_SAMPLES, STANDS_OUT * u_samples):
        return None
    miss = [(sound - _sound(t, hz, amplitudes)) ** 2 for amplitudes in (one, other)]
    cost = np.cumsum(miss[0]) + np.sum(miss[1]) - np.cumsum(miss[1])
    return _Leap(change.time_s + float(t[np.argmin(cost)]), samples, u_samples)


def _harmonics(t: Real, sound: Real, hz: float, count: int) -> Complex:
    """Complex amplitudes of the harmonics at t = 0, by least squares; the mean is left out."""
    angle = 2 * np.pi * hz * t[:, None] * np.arange(1, count + 1)
    design = np.hstack([np.cos(angle), -np.sin(angle), np.ones((t.size, 1))])
    found = _least_squares(design, sound)
    amplitudes: Complex = found[:count] + 1j * found[count : 2 * count]
    return amplitudes


def _least_squares(design: Real, wanted: Real) -> Real:
    """Solve by normal equations, held from being singular."""
    square = design.T @ design
    held = square + np.eye(len(square)) * (1e-12 * float(np.trace(square)) + 1e-300)
    found: Real = np.linalg.solve(held, design.T @ wanted)
    return found


def _sound(t: Real, hz: float, amplitudes: Complex) -> Real:
    turns = np.exp(2j * np.pi * hz * t[:, None] * np.arange(1, amplitudes.size + 1))
    sound: Real = (turns @ amplitudes).real
    return sound


def _turn(one: Complex, other: Complex) -> float:
    """Cycles by which one set of harmonics is ahead of the other, -0.5 to 0.5."""
    order = np.arange(1, one.size + 1)
    cross = np.conj(one) * other
    grid = (np.arange(4096) / 4096) - 0.5
    match = (np.exp(-2j * np.pi * grid[:, None] * order) @ cross).real
    top = float(grid[np.argmax(match)])
    for _ in range(4):
        terms = cross * np.exp(-2j * np.pi * order * top)
        bend = float(np.sum(order**2 * terms.real))
        if bend <= 0:
            break
        top += float(np.sum(order * terms.imag)) / bend / (2 * np.pi)
    return top


def _breaks_off(capture: Capture, time_s: float) -> bool:
    """Whether the linear prediction of a channel fails at an instant as nowhere near it."""
    from_s, to_s = max(0.0, time_s - 0.1), min(capture.duration_s, time_s + 0.1)
    sound = capture.read(from_s, to_s)
    if sound.size < 20 * ORDER or not sound.any():
        return False
    past = np.lib.stride_tricks.sliding_window_view(sound[:-1], ORDER)
    future, at = sound[ORDER:], round((time_s - from_s) * capture.rate) - ORDER
    away = np.abs(np.arange(future.size) - at) > 2 * ORDER
    weights = _least_squares(past[away], future[away])
    miss = np.abs(future - past @ weights)
    near = ~away & (np.abs(np.arange(future.size) - at) <= ORDER)
    return bool(near.any() and miss[near].max() > 1.5 * miss[away].max())
