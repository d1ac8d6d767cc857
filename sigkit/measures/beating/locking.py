"""Locking width: the range of fine tune within which two oscillators stop beating.

While the fine tune moves slowly and evenly, the detune of free oscillators follows a straight line
through zero. Where they pull each other into step, the beating stops early and begins late; the
line, continued from both sides, says how far the fine tune went meanwhile.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sigkit.arrays import Real
from sigkit.captures.wav import Capture
from sigkit.measures.fits import fit_line
from sigkit.quantity import Quantity, Term, combine, not_measurable
from sigkit.tracks.beats import BeatWindow, bands_of
from sigkit.tracks.two_tones.start import find_one

LEAST_SWEEP_CENTS = 3.0
"""How far the detune must go on either side of zero."""
LEAST_WINDOWS = 4
STRAIGHT = 0.1
"""Largest scatter about the line, as a share of its range."""
FREE = 0.35
"""The line is taken where the detune is more than this share of its largest: there the
oscillators are free."""
BENT = 4.0
"""How many times the squares about one line exceed those about two where a hold meets a sweep."""
HELD_SLOPE = 0.5
"""Largest slope of a hold, as a share of that of the sweep beside it."""
FINE_S, FINE_HOP_S = 0.5, 0.1
COARSE_HOP_S, NEAR_CENTS = 0.5, 2.0
FINE_BANDS = 16
BEATING = 0.1
"""Share of what a single tone leaves of free oscillators, from which on they beat."""
BORDER = 0.25
"""A window that holds a border reads as beating from half of it on, this share more or less: where
a tenth of what free oscillators leave is there depends on the turn at which the beat begins."""
SEEN_TURNS, SEEN_FROM, SEEN_TO = 0.75, 2 / 3, 4 / 3
"""Turns of the highest band used within a window by which a beat is seen, and within which shares
of that it may begin to be: half a turn and a whole one."""


@dataclass(frozen=True)
class Sweep:
    """A fine tune that moves evenly through zero detune.

    Parameters
    ----------
    start_s, stop_s : float
        Where it begins and ends.
    zero_s : float
        When the free oscillators would be in tune.
    slope, u_slope : float
        Cents per second, without sign, and its standard uncertainty.
    locked, u_locked : float
        Range of fine tune without a beat by Adler's equation, cents, and its standard uncertainty;
        nan where the oscillators do not pull each other.
    """

    start_s: float
    stop_s: float
    zero_s: float
    slope: float
    u_slope: float
    locked: float = math.nan
    u_locked: float = math.nan


def find_sweep(windows: Sequence[BeatWindow]) -> Sweep | None:
    """Find an even sweep of the detune of a unison through zero; None where there is none."""
    both = [w for w in windows if w.kind == "two" and w.steps[0] == w.steps[1]]
    if len(both) < 2 * LEAST_WINDOWS:
        return None
    time_s = np.array([w.centre_s for w in both])
    pulled = any(w.pulled for w in both)
    size = np.abs([w.detune_cents for w in both])
    # The sides are told by the lowest point between two falling and rising stretches.
    found: list[tuple[float, Sweep]] = []
    for turn in range(LEAST_WINDOWS, len(both) - LEAST_WINDOWS + 1):
        sweep = _through(time_s, size, turn, pulled=pulled)
        if sweep is not None:
            found.append(sweep)
    return min(found, key=lambda pair: pair[0])[1] if found else None


def _through(time_s: Real, size: Real, turn: int, *, pulled: bool) -> tuple[float, Sweep] | None:
    """Fit one line through a falling and a rising side that meet before ``turn``."""
    signed = np.where(np.arange(size.size) < turn, -size, size)
    begin = turn - 1
    while begin > 0 and signed[begin - 1] < signed[begin] + 0.2:
        begin -= 1
    end = turn
    while end < size.size - 1 and signed[end + 1] > signed[end] - 0.2:
        end += 1
    begin += _held_first(time_s[begin:turn], signed[begin:turn])
    end -= _held_first(-time_s[end : turn - 1 : -1], -signed[end : turn - 1 : -1])
    part = slice(begin, end + 1)
    t, s = time_s[part], signed[part]
    if -s[0] < LEAST_SWEEP_CENTS or s[-1] < LEAST_SWEEP_CENTS:
        return None
    free = np.abs(s) > FREE * np.abs(s).max()
    before, after = free & (t < time_s[turn]), free & (t >= time_s[turn])
    if min(np.count_nonzero(before), np.count_nonzero(after)) < LEAST_WINDOWS - 1:
        return None
    fit = fit_line(t[free], s[free])
    scatter = float(np.std(fit.residuals))
    if scatter > STRAIGHT * float(np.ptp(s)) or not fit.values[1] > 0:
        return None
    # Oscillators that pull each other beat slower than the line has it, never faster.
    line = fit.values[0] + fit.values[1] * t
    if np.any(np.abs(s) > np.abs(line) + STRAIGHT * float(np.ptp(s)) / 2):
        return None
    # Both sides must have the same slope by themselves, or this is no even sweep.
    slopes = [float(np.polyfit(t[side], s[side], 1)[0]) for side in (before, after)]
    if min(slopes) < 0.6 * max(slopes):
        return None
    zero_s, slope, own_u, locked, u_locked = _by_adler(t[free], s[free])
    u_slope = math.hypot(own_u, abs(slopes[1] - slopes[0]) / 4)
    if not pulled:
        locked, u_locked = math.nan, math.nan
    if not (slope > 0 and t[0] < zero_s < t[-1]):
        return None
    sweep = Sweep(float(t[0]), float(t[-1]), zero_s, slope, u_slope, locked, u_locked)
    return scatter / float(np.ptp(s)), sweep


def _by_adler(time_s: Real, signed: Real) -> tuple[float, float, float, float, float]:
    """Return when the fine tune is at zero, its speed, the locked range, both with uncertainties.

    By Adler's equation the squared detune is that of the free oscillators less a constant.
    """
    t = time_s - time_s.mean()
    design = np.stack([t**2, t, np.ones(t.size)], axis=1) / np.abs(signed)[:, None]
    values = np.linalg.lstsq(design, np.abs(signed), rcond=None)[0]
    left = np.abs(signed) - design @ values
    spread = float(left @ left) / max(1, t.size - 3) * np.linalg.inv(design.T @ design)
    if not values[0] > 0:
        return (math.nan,) * 5
    slope = math.sqrt(values[0])
    zero_s = float(time_s.mean() - values[1] / 2 / values[0])
    u_slope = math.sqrt(spread[0, 0]) / 2 / slope
    half = values[1] ** 2 / 4 / values[0] - values[2]
    if not half > 0:
        return zero_s, slope, u_slope, math.nan, math.nan
    ratio = values[1] / values[0]
    change = np.array([-(ratio**2) / 4, ratio / 2, -1.0]) / 2 / math.sqrt(half)
    u_locked = 2 * math.sqrt(float(change @ spread @ change))
    return zero_s, slope, u_slope, 2 * math.sqrt(half), u_locked


def _held_first(time_s: Real, signed: Real) -> int:
    """Count the values of one side that belong to a hold before the sweep begins."""
    # Near zero the oscillators are not free.
    free = np.abs(signed) > FREE * np.abs(signed).max(initial=0.0)
    count = int(np.argmin(free)) if not free.all() else free.size
    return held_before(time_s[:count], signed[:count])


def held_before(time_s: Real, values: Real) -> int:
    """Count the values that belong to a hold before an even rise: two lines against one."""
    best, at = math.inf, 0
    for cut in range(2, values.size - LEAST_WINDOWS + 2):
        hold, hold_slope = _line(time_s[:cut], values[:cut])
        rise, slope = _line(time_s[cut:], values[cut:])
        if abs(hold_slope) < HELD_SLOPE * slope and hold + rise < best:
            best, at = hold + rise, cut
    return at if at and _line(time_s, values)[0] > BENT * best else 0


def _line(time_s: Real, values: Real) -> tuple[float, float]:
    """Sum of squares about a straight line, and its slope."""
    t = time_s - time_s.mean()
    slope = float(t @ values / (t @ t))
    return float(np.sum((values - values.mean() - slope * t) ** 2)), slope


def locking_width_of(
    capture: Capture, windows: Sequence[BeatWindow], sweep: Sweep | None
) -> tuple[Quantity, Quantity | None]:
    """Return the locking width, and an upper bound where no locked stretch is seen.

    Parameters
    ----------
    capture : Capture
        The sound.
    windows : sequence of BeatWindow
        What it holds.
    sweep : Sweep or None
        The sweep through zero.
    """
    if sweep is None:
        return not_measurable(
            "cents",
            "no slow sweep through zero beat; turn the fine tune evenly from -10 to +10 cents in "
            "60 s",
        ), None
    pitch_hz = float(np.mean([w.scaled_hz.mean() for w in windows if w.kind == "two"]))
    time_s, still, length_s = _standing_still(capture, windows, sweep, pitch_hz)
    run = _longest(still)
    resolved = _resolved(sweep, pitch_hz, length_s)
    locked_s = 0.0
    if run is not None:
        # A window reads as beating from about half its length beyond the border.
        locked_s = float(time_s[run[1]] - time_s[run[0]]) + length_s - FINE_HOP_S
    width = sweep.slope * locked_s
    if run is None or width < resolved:
        term = Term("resolution of the sweep", resolved / math.sqrt(12), "B")
        none = not_measurable("cents", f"no locked stretch seen: at most {resolved:.2g} cents")
        return none, combine(resolved, "cents", [term])
    if sweep.locked > 3 * sweep.u_locked:
        # Held, they still slide a quarter turn either way, which hides the borders.
        terms = [
            Term("fit of Adler's equation to the beats beside it", sweep.u_locked, "A"),
            Term("locked stretch seen", abs(sweep.locked - width) / math.sqrt(12), "B"),
            Term("resolution of the sweep", resolved / math.sqrt(12), "B"),
        ]
        return combine(sweep.locked, "cents", terms), None
    return _by_borders(sweep, locked_s, length_s, pitch_hz), None


def _by_borders(sweep: Sweep, locked_s: float, length_s: float, pitch_hz: float) -> Quantity:
    """Return the locking width from how long the waveform stood still."""
    # Beyond the border they beat by sqrt(tuned^2 - locked^2), too slowly to be seen at first.
    beats = 2 * _slowest_seen(pitch_hz, length_s) * np.array([SEEN_FROM, 1, SEEN_TO])
    width = sweep.slope * locked_s
    most, locked, least = np.sqrt(np.maximum(width**2 - beats**2, 0.0)).tolist()
    border = sweep.slope * BORDER * length_s / math.sqrt(3)
    terms = [
        Term("borders of the locked stretch", math.sqrt(2) * border, "B"),
        Term("slowest beat seen beside it", (most - least) / math.sqrt(12), "B"),
        Term("speed of the sweep", locked_s * sweep.u_slope, "A"),
    ]
    return combine(locked, "cents", terms)


def _resolved(sweep: Sweep, pitch_hz: float, length_s: float) -> float:
    """Detune that still turns the highest band used visibly within a window, both sides, cents."""
    return 2 * _slowest_seen(pitch_hz, length_s) + sweep.slope * length_s


def _slowest_seen(pitch_hz: float, length_s: float) -> float:
    """Detune, in cents, that turns the highest band used by three quarters within a window.

    Then a fifth of the bands, those with more than half a turn or so, leave what free ones do.
    """
    return 1200 / math.log(2) * SEEN_TURNS / length_s / FINE_BANDS / pitch_hz


def _standing_still(
    capture: Capture, windows: Sequence[BeatWindow], sweep: Sweep, pitch_hz: float
) -> tuple[Real, np.ndarray, float]:
    """Centres of short windows across the sweep, and whether the waveform stands still in each."""
    length_s = max(FINE_S, 30 / pitch_hz)
    times, left = [], []
    two = np.array([w.centre_s for w in windows if w.kind == "two"])
    near_s = NEAR_CENTS / sweep.slope
    close = (
        min(float(two[two < sweep.zero_s].max()) - 2, sweep.zero_s - near_s),
        max(float(two[two > sweep.zero_s].min()) + 2, sweep.zero_s + near_s),
    )
    at = sweep.start_s
    while at + length_s < min(sweep.stop_s, capture.duration_s):
        sound = capture.read(at, at + length_s)
        cut = bands_of(sound, capture.rate, pitch_hz)
        if cut is not None:
            fit = find_one(cut[2][:FINE_BANDS], most=FINE_BANDS)
            power = np.mean(np.abs(cut[2][: fit.bands]) ** 2, axis=1)
            strong = power > 1e-3 * power.max()
            times.append(at + length_s / 2)
            left.append(float(np.mean(fit.left[strong] / power[strong])))
        centre = at + length_s / 2
        at += FINE_HOP_S if close[0] < centre < close[1] else COARSE_HOP_S
    share, at_s = np.array(left), np.array(times)
    apart = (at_s <= close[0]) | (at_s >= close[1])
    free = float(np.median(share[apart])) if apart.any() else 0.0
    return at_s, share < BEATING * free, length_s


def _longest(flags: np.ndarray) -> tuple[int, int] | None:
    """First and last index of the longest run of true values."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(int), [0]])))
    if not edges.size:
        return None
    begins, ends = edges[::2], edges[1::2]
    longest = int(np.argmax(ends - begins))
    return int(begins[longest]), int(ends[longest]) - 1
