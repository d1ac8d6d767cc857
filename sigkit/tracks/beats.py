"""Two tones along a capture, window by window: both pitches where there are two, and where not."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from sigkit.arrays import Complex, Real
from sigkit.captures.wav import Capture
from sigkit.tracks.coarse import CoarsePitch
from sigkit.tracks.harmonics import EDGE, demodulate
from sigkit.tracks.two_tones.choice import Finding, what_is_there

WINDOW_S, HOP_S = 2.0, 1.0
LONGER_S = (6.0, 18.0, 54.0)
"""Windows for what shorter ones do not resolve."""
SHORTEST_S = 0.4
LOWEST_HZ, HIGHEST_HZ = 25.0, 2500.0
"""A fifth above 55 Hz has a common fundamental of 27.5 Hz."""
RATIOS: tuple[tuple[int, int], ...] = ((2, 3), (1, 2), (1, 1))
"""Lower and upper note against their common fundamental: fifth, octave, unison."""
GUARD = EDGE + 2
SAME_NOTE = 0.04
"""Relative step between rough pitches of one note; wider than the widest unison."""
MOST_OF = 0.75
"""Share of a window's rough frames that must hold its note."""
QUIET = 1e-5
PULSE_TURNS = 1.2
"""Turns of one tone against the other that a pulse of moving width can't make."""
HEARD_SHARE = 1e-3
"""Power of a harmonic against the strongest one of its tone from which it counts as there."""
STEADY_CENTS = 5.0
"""Largest change of the detune from one window to the next in a believable track."""

SWINGS, SWING_TURNS = 0.2, 1.5
"""Share by which the beat changes from one short window to the next where two pull each other,
and turns in a window from which it repeats there."""
SLOW_TURNS, SLOW_IN_ALL = 0.3, 0.6
LEAST_IN_ALL, UNEVEN = 0.25, 0.5
"""Turns a window, and in all, that locked oscillators make as well while they are detuned;
fewer where the whole capture beats that slowly, with less than that spread of the beats."""

Kind = Literal["two", "one", "pulling", "unclear", "none"]
LIKE_ONE = {"unclear": "one", "pulling": "one"}


@dataclass(frozen=True)
class BeatWindow:
    """What one window holds.

    Parameters
    ----------
    start_s, stop_s : float
        The sound it was measured on.
    kind : {"two", "one", "pulling", "unclear", "none"}
        Two tones, one steady tone, two that pull each other too much to be told apart, sound that
        none of these explains, or no tone.
    steps : tuple of int
        Lower and upper note against their common fundamental; (1,) where there are not two.
    scaled_hz : ndarray, shape (n_tones,)
        Each tone's pitch divided by its step, lowest first in a unison: in tune they are equal.
    covariance : ndarray, shape (n_tones, n_tones)
        Covariance of ``scaled_hz`` by noise and by motion within the window.
    one_pulse : bool
        Whether the two may be the edges of one pulse.
    pulled : bool
        Whether the two pull each other, so that they beat unevenly.
    """

    start_s: float
    stop_s: float
    kind: Kind
    steps: tuple[int, ...] = (1,)
    scaled_hz: Real = field(default_factory=lambda: np.empty(0))
    covariance: Real = field(default_factory=lambda: np.empty((0, 0)))
    one_pulse: bool = False
    pulled: bool = False

    @property
    def centre_s(self) -> float:
        """Middle of the window."""
        return (self.start_s + self.stop_s) / 2

    @property
    def detune_cents(self) -> float:
        """Second tone against the first, cents."""
        return float(1200 * np.log2(self.scaled_hz[1] / self.scaled_hz[0]))

    @property
    def u_detune_cents(self) -> float:
        """Standard uncertainty of the detune; the sound card's clock is not in it."""
        turned = np.array([-1.0, 1.0]) / self.scaled_hz
        return 1200 / math.log(2) * math.sqrt(float(turned @ self.covariance @ turned))


def track_beats(capture: Capture) -> list[BeatWindow]:
    """Follow two tones along a capture.

    Parameters
    ----------
    capture : Capture
        Two oscillators in unison, a fifth or an octave apart, alone or together; 55 Hz to 2 kHz.

    Returns
    -------
    list of BeatWindow
        Windows of 2 s every second in order of time, longer ones where the beat is too slow for
        those.

    Notes
    -----
    A second look with windows of 6, 18 and 54 s is taken only at what windows of 2 s do not
    resolve.
    """
    tracker = _Tracker(capture)
    windows = tracker.along(0.0, capture.duration_s, WINDOW_S, HOP_S)
    windows = _even(_turning(_pulled_in_a_row(_believable(windows))))
    for length_s in LONGER_S:
        windows = tracker.look_longer(windows, length_s)
    return _turning(windows)


class _Tracker:
    def __init__(self, capture: Capture) -> None:
        self.capture = capture
        self.coarse = CoarsePitch(capture.rate, LOWEST_HZ, min(HIGHEST_HZ, 0.45 * capture.rate))
        self.guess: tuple[tuple[int, ...], Real] | None = None
        self.ratios = RATIOS

    def along(
        self, start_s: float, stop_s: float, length_s: float, hop_s: float
    ) -> list[BeatWindow]:
        """Measure windows of that length, one every ``hop_s``."""
        span = stop_s - start_s
        length = min(length_s, span)
        count = 1 + math.floor((span - length) / hop_s + 1e-9)
        windows = []
        for index in range(count):
            begin = start_s + index * hop_s
            if index == count - 1 and count > 1:
                begin = stop_s - length  # the last one ends with the sound
            windows.append(self.window(begin, begin + length))
        return windows

    def window(self, start_s: float, stop_s: float) -> BeatWindow:
        """Measure one window."""
        nothing = BeatWindow(start_s, stop_s, "none")
        sound = self.capture.read(start_s, stop_s)
        if sound.size < max(self.coarse.size, SHORTEST_S * self.capture.rate):
            return nothing
        if float(np.std(sound)) < QUIET:
            return nothing
        grid_hz, share = self._grid(sound)
        if share < 0.5:
            return nothing
        if share < MOST_OF:
            return replace(nothing, kind="unclear")
        cut = bands_of(sound, self.capture.rate, grid_hz)
        if cut is None:
            return replace(nothing, kind="unclear")
        grid_hz, first, bands = cut
        guess = None
        if self.guess is not None:
            guess = self.guess[0], self.guess[1] / grid_hz - 1
        found = what_is_there(bands, self.ratios, guess=guess)
        begin = start_s + first / grid_hz
        return self._written(found, grid_hz, begin, begin + (bands.shape[1] - 1) / grid_hz)

    def _written(self, found: Finding, grid_hz: float, start_s: float, stop_s: float) -> BeatWindow:
        hz = grid_hz * (1 + found.tones.offsets)
        covariance = grid_hz**2 * found.tones.offset_covariance
        steps = found.steps
        if found.kind == "two":
            self.guess = steps, hz
            self.ratios = tuple(r for r in RATIOS if r == steps) or RATIOS
            steps, common = _true_steps(found)
            hz, covariance = common * hz, common**2 * covariance
            turned = hz[1] < hz[0] if steps[0] == steps[1] else steps[1] < steps[0]
            if turned:
                steps, hz, covariance = steps[::-1], hz[::-1], covariance[::-1, ::-1]
        return BeatWindow(
            start_s,
            stop_s,
            found.kind,
            steps,
            hz,
            covariance,
            one_pulse=found.one_pulse,
            pulled=found.pulled,
        )

    def _grid(self, sound: Real) -> tuple[float, float]:
        """Rough common fundamental of a window, and the share of its frames that hold it."""
        size = self.coarse.size
        count = int(min(24, max(3, sound.size // (size * 2))))
        starts = np.linspace(0, sound.size - size, count).astype(np.intp)
        rough = np.array([self.coarse(sound[s : s + size])[0] for s in starts])
        known = rough[np.isfinite(rough)]
        if not known.size:
            return math.nan, 0.0
        middle = float(np.median(known))
        around = known[np.abs(known / middle - 1) < SAME_NOTE]
        # Frames may fall on a multiple or part of the common fundamental.
        ratio = np.maximum(known / middle, middle / known)
        near = np.abs(ratio / np.rint(ratio) - 1) < SAME_NOTE
        return float(np.mean(around)) if around.size else middle, float(near.sum()) / count

    def look_longer(self, windows: Sequence[BeatWindow], length_s: float) -> list[BeatWindow]:
        """Look again, with longer windows, at every run of tone in which no two tones were seen."""
        kept: list[BeatWindow] = []
        for run in _runs(windows):
            span = run[-1].stop_s - run[0].start_s
            tone = LIKE_ONE.get(run[0].kind, run[0].kind) == "one"
            shortest = max(w.stop_s - w.start_s for w in run)
            if not tone or span < 1.4 * shortest or span < 0.5 * length_s or len(run) < 2:
                kept += run
                continue
            longer = self._longer(run, min(length_s, span))
            kept += _still_pulling(longer, run) if longer else run
        return kept

    def _longer(self, run: Sequence[BeatWindow], length_s: float) -> list[BeatWindow]:
        low = min(w.scaled_hz.min(initial=math.inf) for w in run)
        guard_s = GUARD / low if math.isfinite(low) else 0.0
        start = max(0.0, run[0].start_s - guard_s)
        stop = min(self.capture.duration_s, run[-1].stop_s + guard_s)
        # One in the middle first: wander that hides a slow beat hides it all along.
        middle = (start + stop - length_s) / 2
        if stop - start > 1.5 * length_s and self.window(middle, middle + length_s).kind != "two":
            return []
        found = _believable(self.along(start, stop, length_s, length_s / 2))
        return found if any(w.kind == "two" for w in found) else []


def _true_steps(found: Finding) -> tuple[tuple[int, ...], int]:
    """Return steps by the harmonics of the tones, such as 4 and 5 in a major third, and a factor.

    A tone of which only every so-many-th line is there plays so many times as high. What all
    steps have in common is the factor by which the common fundamental is higher.
    """
    power = np.abs(found.tones.amplitudes) ** 2
    steps = []
    for step, own in zip(found.steps, power, strict=True):
        orders = np.arange(1, own.size + 1) // step
        heard = orders[(own > HEARD_SHARE * own.max()) & (orders > 0)]
        steps.append(step * int(np.gcd.reduce(heard)))
    common = math.gcd(*steps)
    return tuple(step // common for step in steps), common


def bands_of(sound: Real, rate: int, hz: float) -> tuple[float, int, Complex] | None:
    """Return the bands around the multiples of a fundamental, without the ends they reach over.

    Parameters
    ----------
    sound : ndarray, shape (n,)
        The sound.
    rate : int
        Sample rate in Hz.
    hz : float
        The fundamental, about.

    Returns
    -------
    grid_hz : float
        The fundamental exactly.
    first : int
        Period of the sound that is the first one in the bands.
    bands : ndarray of complex, shape (n_bands, n_periods)
        From `demodulate`; None in place of all three where the sound is too short.
    """
    periods = int(sound.size / rate * hz)
    size = round(periods * rate / hz)
    if size > sound.size:
        periods -= 1
        size = round(periods * rate / hz)
    if periods < 2 * GUARD + 12:
        return None
    bands = demodulate(sound[:size] - float(np.mean(sound[:size])), periods)
    return periods * rate / size, GUARD, bands[:, GUARD:-GUARD]


def _runs(windows: Sequence[BeatWindow]) -> list[list[BeatWindow]]:
    """Group windows in order: two, tone but not two, none."""
    runs: list[list[BeatWindow]] = []
    for window in windows:
        group = LIKE_ONE.get(window.kind, window.kind)
        last = LIKE_ONE.get(runs[-1][-1].kind, runs[-1][-1].kind) if runs else ""
        if group == last:
            runs[-1].append(window)
        else:
            runs.append([window])
    return runs


def _turns(window: BeatWindow) -> float:
    """Beats within a window of a unison, in turns; many where it is not one."""
    if window.kind != "two" or window.steps[0] != window.steps[1]:
        return math.inf
    return abs(float(np.diff(window.scaled_hz)[0])) * (window.stop_s - window.start_s)


def _slow_runs(
    windows: Sequence[BeatWindow], most_turns: float, *, gap: int = 0
) -> list[list[int]]:
    """Group windows with fewer turns each, ``gap`` others between two of them at most."""
    runs: list[list[int]] = []
    for index, window in enumerate(windows):
        if window.pulled or _turns(window) >= most_turns:
            continue
        if runs and runs[-1][-1] >= index - 1 - gap:
            runs[-1].append(index)
        else:
            runs.append([index])
    return runs


def _turning(windows: list[BeatWindow]) -> list[BeatWindow]:
    """Take back two tones that hardly turn beside others: a locked pair slides as far in phase."""
    kept = list(windows)
    for run in _slow_runs(windows, SLOW_TURNS):
        slow = [windows[i] for i in run]
        beats = np.array([abs(float(np.diff(w.scaled_hz)[0])) for w in slow])
        even = len(run) == len(windows) and np.ptp(beats) < UNEVEN * beats.mean()
        turns = beats.mean() * (slow[-1].stop_s - slow[0].start_s)
        if turns < (LEAST_IN_ALL if even else SLOW_IN_ALL):
            for index in run:
                kept[index] = replace(windows[index], kind="unclear")
    return kept


def _pulled_in_a_row(windows: list[BeatWindow]) -> list[BeatWindow]:
    """Take back two that pull each other in one window alone: a turn of the knob looks alike."""
    pulled = [False, *(w.pulled for w in windows), False]
    beside = [a or b for a, b in zip(pulled, pulled[2:], strict=False)]
    return [
        replace(w, kind="unclear", pulled=False) if w.pulled and not near else w
        for w, near in zip(windows, beside, strict=True)
    ]


def _even(windows: list[BeatWindow]) -> list[BeatWindow]:
    """Take back two tones whose distance swings from window to window: longer windows show why."""
    kept = list(windows)
    for run in _slow_runs(windows, SWING_TURNS, gap=2):
        beats = np.array([abs(float(np.diff(windows[i].scaled_hz)[0])) for i in run])
        # A sweep changes the beat steadily; what it does not is taken for a swing.
        bends = np.abs(np.diff(beats, 2)) / 2
        if len(run) > 2 and np.median(bends) > SWINGS * np.median(beats):
            for index in run:
                kept[index] = replace(windows[index], kind="pulling")
    return kept


def _still_pulling(longer: Sequence[BeatWindow], run: Sequence[BeatWindow]) -> list[BeatWindow]:
    """Keep what shorter windows said of a beat that longer ones do not resolve."""
    centres = [w.centre_s for w in run if w.kind == "pulling"]
    return [
        replace(w, kind="pulling")
        if w.kind == "unclear" and any(w.start_s + 1 < c < w.stop_s - 1 for c in centres)
        else w
        for w in longer
    ]


def _believable(windows: list[BeatWindow]) -> list[BeatWindow]:
    """Take back two tones seen once among many windows, and pulses of moving width."""
    kept: list[BeatWindow] = []
    for run in _runs(windows):
        if run[0].kind == "two" and not _holds(run, alone=len(run) == len(windows)):
            run = [replace(w, kind="unclear") for w in run]
        kept += run
    return kept


def _holds(run: Sequence[BeatWindow], *, alone: bool) -> bool:
    if len(run) == 1 and not alone:
        return False
    detune = np.array([w.detune_cents for w in run])
    if len(run) > 1 and np.median(np.abs(np.diff(detune))) > STEADY_CENTS:
        return False
    if np.mean([w.one_pulse for w in run]) < 0.5:
        return True
    times = np.array([w.centre_s for w in run])
    beats = np.array([float(np.diff(w.scaled_hz)[0]) for w in run])
    span = run[-1].stop_s - run[0].start_s
    return abs(float(np.mean(beats))) * max(span, float(np.ptp(times))) > PULSE_TURNS
