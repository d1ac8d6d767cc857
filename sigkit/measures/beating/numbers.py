"""From windows of two tones to the numbers of the bench: means, drift, wander, sign, parts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from sigkit.arrays import Real
from sigkit.captures.wav import Capture
from sigkit.measures.fits import fit_line
from sigkit.measures.repeats import independent_values, peak_to_peak_of
from sigkit.quantity import Quantity, Term, combine, not_measurable
from sigkit.tracks.beats import BeatWindow
from sigkit.tracks.two_tones.whole import fit_whole

KINDS = {
    "two": "two oscillators",
    "one": "one oscillator or locked",
    "pulling": "two oscillators that pull each other",
    "unclear": "one oscillator or locked",
    "none": "no tone",
}
WHOLE_SAMPLES = 1_200_000
"""Longest stretch that is fitted as a whole: its size in memory is bounded."""
STEADY = 3.0
"""Mean square of the windows' departures, in their uncertainties, up to which a whole is tried."""
WANDER_S = 60.0
SHAPED = 0.003
"""By how much a window departs from a parabola's mean, re the steps from window to window where
both walk at random. Of one tone the fit is that mean exactly; of two a little of each one's path
leaks into the other's, which depends on waves, phases and beats and has no short closed form. So
it is by simulation: 0.001 to 0.008, median 0.003, over 18 pairs of saws, pulses and triangles in
unison, fifths and octaves of 80 to 400 Hz, 0.2 to 6 beats a window, walks of 0.05 to 0.5 cents in
a second, without noise. Outside that range it is not known."""
DRIFT_LEAST = 4
CENTS = 1200 / math.log(2)
GRID_S = 0.02
ANOTHER = "another capture, from the wander in this one"
SEPARATE = 0.8
"""Degrees of freedom of each step between windows that overlap by half; steps share sound."""


@dataclass(frozen=True)
class Pair:
    """Both pitches over the parts where two oscillators are told apart.

    Parameters
    ----------
    cents : ndarray, shape (2,)
        Mean pitch of each, divided by its step, in cents above ``reference_hz``.
    noise : ndarray, shape (2, 2)
        Covariance of ``cents`` by noise.
    unseen : ndarray, shape (2, 2)
        Covariance by what the windows do not see.
    unseen_dof : float
        Degrees of freedom that ``unseen`` was estimated with.
    reference_hz : float
        What the cents refer to.
    """

    cents: Real
    noise: Real
    unseen: Real
    unseen_dof: float
    reference_hz: float


def apart(windows: Sequence[BeatWindow]) -> list[BeatWindow]:
    """Return windows that share no sound, in order."""
    kept: list[BeatWindow] = []
    for window in windows:
        if not kept or window.start_s >= kept[-1].stop_s - 0.15:
            kept.append(window)
    return kept


def cents_of(windows: Sequence[BeatWindow], reference_hz: float) -> tuple[Real, Real]:
    """Return both pitches in cents, shape (n, 2), and their uncertainties by noise."""
    hz = np.array([w.scaled_hz for w in windows])
    u = np.array([np.sqrt(np.diag(w.covariance)) for w in windows])
    return 1200 * np.log2(hz / reference_hz), CENTS * u / hz


def mean_pair(capture: Capture, windows: Sequence[BeatWindow], *, ends_s: float = 0.0) -> Pair:
    """Return the mean of both pitches over all windows that hold two tones.

    A stretch that stands still within its noise is fitted as a whole, coherently. What the pitches
    do may go on for ``ends_s`` beyond the windows.
    """
    reference_hz = float(np.mean([w.scaled_hz for w in windows]))
    cents, u = cents_of(windows, reference_hz)
    start_s, stop_s = windows[0].start_s, windows[-1].stop_s
    length_s = np.mean([w.stop_s - w.start_s for w in windows])
    unbroken = np.all(np.diff([w.centre_s for w in windows]) < 1.05 * length_s)
    still = np.mean(((cents - np.average(cents, axis=0, weights=u**-2)) / u) ** 2) < STEADY
    short = (stop_s - start_s) * capture.rate < WHOLE_SAMPLES
    if unbroken and still and short:
        guard_s = windows[0].start_s - max(0.0, windows[0].start_s - 0.3)
        begin = start_s - guard_s if start_s < 0.3 else start_s
        end = capture.duration_s if capture.duration_s - stop_s < 0.3 else stop_s
        hz = reference_hz * 2 ** (np.average(cents, axis=0, weights=u**-2) / 1200)
        whole = fit_whole(capture.read(begin, end), capture.rate, windows[0].steps, hz)
        if whole is not None:
            scale = CENTS / whole.scaled_hz
            noise = whole.covariance * scale[:, None] * scale
            return Pair(
                1200 * np.log2(whole.scaled_hz / reference_hz),
                noise,
                np.zeros((2, 2)),
                math.inf,
                reference_hz,
            )
    return _mean_of_windows(windows, cents, reference_hz, ends_s)


def _mean_of_windows(
    windows: Sequence[BeatWindow], cents: Real, reference_hz: float, ends_s: float
) -> Pair:
    scale = [CENTS / w.scaled_hz for w in windows]
    each = np.array([w.covariance * s[:, None] * s for w, s in zip(windows, scale, strict=True)])
    weights, unseen = _weights_of(windows)
    noise = np.tensordot(weights, each, 1) / len(apart(windows))
    mean = weights @ cents
    parabola = np.zeros((2, 2))
    if len(windows) > 1:
        steps = np.diff(cents, axis=0)
        parabola = steps.T @ steps / len(steps) * unseen
    if ends_s > 0 and len(windows) > 2:
        time_s = np.array([w.centre_s for w in windows])
        pace = np.polyfit(time_s - time_s.mean(), cents, 1)[0]
        # The mean of a longer hold lies up to half of the unseen end further on; rectangular.
        parabola = parabola + np.outer(pace, pace) * (ends_s / 2) ** 2 / 3
    dof = SEPARATE * max(1, len(windows) - 1)
    return Pair(mean, noise, parabola, dof, reference_hz)


def _weights_of(windows: Sequence[BeatWindow], *, slope: bool = False) -> tuple[Real, float]:
    """Return the weight of each window in the mean or slope, and what the windows do not see.

    Every moment is counted with the window whose middle is nearest. A window weighs its own time
    by a parabola, so that the mean of a pitch that walks at random is missed by a little, most at
    the ends: the second number is the variance of that, re the variance of the steps from window
    to window by the same walk. A slope is that per second; of a straight path it is exact.
    """
    start_s, stop_s = (np.array([getattr(w, n) for w in windows]) for n in ("start_s", "stop_s"))
    centre_s = (start_s + stop_s) / 2
    time_s = np.arange(start_s[0], stop_s[-1], GRID_S) + GRID_S / 2
    heard = np.searchsorted(start_s, time_s) > np.searchsorted(stop_s, time_s)
    nearest = np.searchsorted((centre_s[1:] + centre_s[:-1]) / 2, time_s)
    asked = np.where(heard, 1 / np.count_nonzero(heard), 0.0)
    if slope:
        away = np.where(heard, time_s - time_s[heard].mean(), 0.0)
        asked = away / float(away @ away)
    weights = np.bincount(nearest[heard], asked[heard], len(windows)).astype(np.float64)
    if slope:
        weights = weights / float(weights @ centre_s)
    seen = sum(w * _reach(time_s, a, b) for w, a, b in zip(weights, start_s, stop_s, strict=True))
    missed = seen - np.cumsum(asked)
    if len(windows) == 1:
        return weights, 0.0
    close = int(np.argmin(np.diff(centre_s)))
    step = _reach(time_s, start_s[close], stop_s[close])
    step = step - _reach(time_s, start_s[close + 1], stop_s[close + 1])
    return weights, float(np.sum(missed**2) / np.sum(step**2))


def _reach(time_s: Real, start_s: float, stop_s: float) -> Real:
    """Return how much of a window's weight lies before each time: 0 to 1."""
    x = np.clip((time_s - start_s) / (stop_s - start_s), 0, 1)
    reach: Real = x**2 * (3 - 2 * x)
    return reach


def drift_in(windows: Sequence[BeatWindow], tone: int, reference_hz: float) -> Quantity:
    """Slope of a straight line through the pitch of one tone, cents/min.

    The slope of this capture's own path: what wander has in it of a slope belongs to it.
    """
    if len(apart(windows)) < DRIFT_LEAST:
        span_s = windows[-1].stop_s - windows[0].start_s
        return not_measurable(
            "cents/min",
            f"only {span_s:.1f} s of two oscillators, drift needs {2 * DRIFT_LEAST} s",
        )
    cents, u = cents_of(windows, reference_hz)
    weights, unseen = _weights_of(windows, slope=True)
    steps = np.diff(cents[:, tone])
    by_noise = weights * u[:, tone]
    noise = float(by_noise @ _shared_noise(windows) @ by_noise)
    return combine(
        60 * float(weights @ cents[:, tone]),
        "cents/min",
        [
            Term("noise", max(60 * math.sqrt(max(noise, 0.0)), 1e-9), "A"),
            Term(
                "wander between the windows",
                60 * math.sqrt(float(np.mean(steps**2)) * unseen),
                "A",
                SEPARATE * len(steps),
            ),
        ],
    )


def another_capture_of(curve: pd.DataFrame, beat_wander: Quantity) -> dict[str, Term]:
    """Return what the wander in one capture may do to the numbers of another one.

    Parameters
    ----------
    curve : DataFrame
        Windows with two oscillators, see `curve_of`.
    beat_wander : Quantity
        Its largest wander of the detune.
    """
    if len(curve) < DRIFT_LEAST:
        return {}
    time_s = curve["time_s"].to_numpy(float)
    names = {
        "frequency_1": "frequency_1_hz",
        "frequency_2": "frequency_2_hz",
        "detune": "detune_cents",
        "beat_rate": "beat_hz",
    }
    terms = {}
    for name, column in names.items():
        values = curve[column].to_numpy(float)
        for_mean, _ = independent_values(values)
        # Values that are worth n lie nearer to their own mean: s^2 / (n - 1), not s^2 / n.
        u = float(np.std(values)) / math.sqrt(max(1.0, for_mean - 1))
        terms[name] = Term(ANOTHER, u, "A", max(1.0, for_mean - 1))
    if beat_wander.measurable:
        _, worth = independent_values(curve["detune_cents"].to_numpy(float))
        u = float(beat_wander) / math.sqrt(2 * worth)
        terms["beat_wander"] = Term(ANOTHER, u, "A", max(1.0, worth - 1))
    for name, column in (("drift_1", "frequency_1_hz"), ("drift_2", "frequency_2_hz")):
        hz = curve[column].to_numpy(float)
        # Windows overlap by half.
        fit = fit_line(time_s[::2], 1200 * np.log2(hz / hz.mean())[::2])
        if fit.dof < 1:
            continue
        worth, _ = independent_values(fit.residuals)
        lost = math.sqrt(fit.residuals.size / worth)
        terms[name] = Term(ANOTHER, 60 * lost * float(fit.u[1]), "A", max(1.0, worth - 2))
    return {name: term for name, term in terms.items() if term.u > 0}


def _shared_noise(windows: Sequence[BeatWindow]) -> Real:
    """Return the correlation of the noise of windows that share sound.

    A frequency is the slope of the phase, which weighs the noise by a ramp: that of two windows a
    share x of their length apart correlates by 1 - 3 x + 2 x^3.
    """
    centre_s = np.array([w.centre_s for w in windows])
    length_s = np.array([w.stop_s - w.start_s for w in windows])
    x = np.abs(centre_s[:, None] - centre_s) / ((length_s[:, None] + length_s) / 2)
    x = np.minimum(x, 1.0)
    shared: Real = 1 - 3 * x + 2 * x**3
    return shared


def wander_of(windows: Sequence[BeatWindow]) -> Quantity:
    """Highest less lowest detune of windows within 60 s, noise taken out, cents."""
    if len(windows) < 3:
        return not_measurable(
            "cents", "fewer than 3 windows of two oscillators; hold both for 10 s or longer"
        )
    centre = np.array([w.centre_s for w in windows])
    detune = np.array([w.detune_cents for w in windows])
    noise = math.sqrt(float(np.mean([w.u_detune_cents**2 for w in windows])))
    found: list[Quantity] = []
    for first in range(len(windows)):
        inside = (centre >= centre[first]) & (centre <= centre[first] + WANDER_S)
        if first and centre[-1] - centre[first] < min(WANDER_S, centre[-1] - centre[0]) - 1:
            break
        if np.count_nonzero(inside) > 1:
            independent = float(
                max(2, len(apart([w for w, i in zip(windows, inside, strict=True) if i])))
            )
            found.append(peak_to_peak_of(detune[inside], noise, independent))
    largest = max(found, key=lambda q: q.value)
    beside = SHAPED * math.sqrt(2 * float(np.mean(np.diff(detune) ** 2)))
    if not beside > 0:
        return largest
    terms = [*largest.budget, Term("shape of the windows", beside, "B")]
    return combine(largest.value, "cents", terms)


def curve_of(windows: Sequence[BeatWindow], swapped: Sequence[bool]) -> pd.DataFrame:
    """One row per window: both pitches with their uncertainties, detune and beat rate."""
    rows = []
    for window, turned in zip(windows, swapped, strict=True):
        row = {"time_s": window.centre_s}
        if window.kind == "two":
            order = [1, 0] if turned else [0, 1]
            steps = np.array(window.steps)[order]
            hz, u = window.scaled_hz[order], np.sqrt(np.diag(window.covariance))[order]
            beat = math.lcm(*window.steps) * abs(float(hz[1] - hz[0]))
            row |= {
                "frequency_1_hz": hz[0] * steps[0],
                "u_1_hz": u[0] * steps[0],
                "frequency_2_hz": hz[1] * steps[1],
                "u_2_hz": u[1] * steps[1],
                "detune_cents": window.detune_cents * (-1 if turned else 1),
                "u_detune_cents": window.u_detune_cents,
                "beat_hz": beat,
            }
        rows.append(row)
    columns = ["time_s", "frequency_1_hz", "u_1_hz", "frequency_2_hz", "u_2_hz"]
    columns += ["detune_cents", "u_detune_cents", "beat_hz"]
    return pd.DataFrame(rows, columns=columns, dtype=float)


def parts_of(windows: Sequence[BeatWindow], duration_s: float) -> pd.DataFrame:
    """Return what the capture holds from start to end: borders lie midway between windows."""
    rows: list[list[float | str]] = []
    for before, window in zip([None, *windows], windows, strict=False):
        kind = KINDS[window.kind]
        if rows and rows[-1][2] == kind:
            continue
        border = 0.0 if before is None else (before.centre_s + window.centre_s) / 2
        if rows:
            rows[-1][1] = border
        rows.append([border, duration_s, kind])
    if not rows:
        rows = [[0.0, duration_s, KINDS["none"]]]
    return pd.DataFrame(rows, columns=["start_s", "stop_s", "kind"])
