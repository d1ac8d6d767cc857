"""Spread and extents of a pitch in windows, without the noise of its track."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from sigkit.arrays import Real
from sigkit.measures.stability.wander import BANDS
from sigkit.measures.steadiness import (
    HELD_PERIODS,
    LEVEL_KNOWN,
    MOST_HELD,
    SOUGHT_S,
    root_of,
    variance_terms,
)
from sigkit.quantity import Quantity, Term, combine, not_measurable
from sigkit.tracks.pitch import PitchTrack
from sigkit.tracks.swings import Vibrato

LEAST_PERIODS = 6
"""Periods in the windows of a low note."""
MOST_DRAWS, FEWEST_DRAWS, DRAWN = 200, 20, 4_000_000
SEED = 1
MEAN_OF_WALK = 1 / math.sqrt(3)
"""Rms of the mean of a random walk from zero over its length, re that of its end."""
SLOWLY = 0.02
"""Cycles a frame up to which a line is a slow wander to the frames."""
SMOOTHED = "vibrato that the windows smooth"
MAINS_LEFT = "mains wobble in the windows"
"""Source of what windows do not smooth away of it."""


@dataclass(frozen=True, eq=False)
class Windows:
    """Pitch in overlapping windows, its first and last value held to where the tone ends.

    Parameters
    ----------
    cents, u_cents : ndarray, shape (n_frames,)
        Pitch and its standard uncertainty by noise; nan in gaps.
    window_s, hop_s : float
        Length of the windows and distance of the frames.
    held : tuple of (slice, float)
        The frames at either end that hold the value next to them, and by how much the pitch
        usually changes over so long, in cents.
    left_cents : float
        Peak of what the windows leave of mains wobble, where the phase still has it.
    last_hops : float
        Hops that the last frame stands for: half of one, and what the capture goes on.
    slow_cents : float
        Peak of what is left of lines at multiples of the rate of the frames, which the frames show
        as a slow wander.
    vibrato : Vibrato or None
        A steady swing of the pitch.
    """

    cents: Real
    u_cents: Real
    window_s: float
    hop_s: float
    held: tuple[tuple[slice, float], ...]
    left_cents: float = 0.0
    last_hops: float = 0.5
    slow_cents: float = 0.0
    vibrato: Vibrato | None = None

    @property
    def left(self) -> float:
        """Share of a vibrato that windows weighed by a parabola leave: 3 (sin x - x cos x) / x^3.

        x is pi times its periods in the window.
        """
        if self.vibrato is None:
            return 1.0
        x = math.pi * self.vibrato.hz * self.window_s
        return 3 * (math.sin(x) - x * math.cos(x)) / x**3

    @property
    def noise(self) -> Real:
        """Autocovariance of the noise, by frames apart."""
        u = math.sqrt(float(np.nanmean(self.u_cents**2)))
        return window_noise(u, self.window_s, self.hop_s)

    @property
    def fast_cents(self) -> float:
        """Root mean square of the pitch less its running mean over three windows, without noise."""
        known = self.cents[np.isfinite(self.cents)]
        slow = ndimage.uniform_filter1d(known, 3 * max(1, round(self.window_s / self.hop_s)))
        return math.sqrt(max(0.0, float(np.mean((known - slow) ** 2)) - float(self.noise[0])))

    def u_of_ends(self, statistic: Callable[[Real], float], share: float = 1.0) -> float:
        """Return the standard uncertainty of a statistic of the cents by the ends that are held.

        ``share`` is by how much of its change over the whole end a held part is off as the
        statistic sees it: an extreme sees all, a mean `MEAN_OF_WALK`.
        """
        value, squares = statistic(self.cents), 0.0
        for part, change in self.held:
            moved = []
            for shift in (-2 * share * change, 2 * share * change):
                cents = self.cents.copy()
                cents[part] += shift
                moved.append(abs(statistic(cents) - value))
            squares += (max(moved) / 2) ** 2
        return math.sqrt(squares)


def windows_of(
    track: PitchTrack,
    reference_hz: float,
    duration_s: float,
    lines: Sequence[tuple[float, float]] = (),
    vibrato: Vibrato | None = None,
) -> Windows:
    """Return a track in cents above a reference, held to the ends of its tone.

    Parameters
    ----------
    track : PitchTrack
        The pitch.
    reference_hz : float
        What the cents refer to.
    duration_s : float
        Length of the capture.
    lines : sequence of (float, float)
        Frequency in Hz and peak in cents of mains wobble. A window weighed by a parabola leaves at
        most 3 / x^2 of it, x = pi times its periods in the window.
    vibrato : Vibrato, optional
        A steady swing; what the windows take of it is given back to spread and peak to peak.
    """
    window_s = max(track.window_s, LEAST_PERIODS / reference_hz)
    cents = np.array(track.cents(reference_hz), np.float64)
    u_cents = np.array(track.u_cents(), np.float64)
    known = np.flatnonzero(np.isfinite(cents))
    seen = cents[known]
    shared = window_noise(1.0, window_s, track.hop_s)
    reach_s = window_s / 2 + MOST_HELD * HELD_PERIODS / reference_hz + SOUGHT_S
    reach = math.ceil(reach_s / track.hop_s) + 1
    first, last = int(known[0]), int(known[-1])
    held = []
    for count, end, part in (
        (first, first, slice(0, first)),
        (cents.size - 1 - last, last, slice(last + 1, cents.size)),
    ):
        if not 0 < count <= reach or known.size < 4 * count:
            continue
        moved = float(np.mean((seen[count:] - seen[:-count]) ** 2))
        by_noise = 1 - (shared[count] if count < shared.size else 0.0)
        by_noise *= 2 * float(np.nanmean(u_cents**2))
        cents[part] = cents[end]
        # Frames within a window share sound; chance as for any mean square of so many values.
        worth = known.size * track.hop_s / window_s
        chance = moved * math.sqrt(2 / max(2.0, worth))
        held.append((part, math.sqrt(max(0.0, moved - by_noise) + chance)))
    rest = [(hz, 3 * peak / (math.pi * hz * window_s) ** 2) for hz, peak in lines]
    left = math.hypot(*(peak for _, peak in rest), 0.0)
    beats = [(hz * track.hop_s, peak) for hz, peak in rest]
    # The phase, once a period, may show them the other way round: up to twice that.
    slow = 2 * math.hypot(*(peak for at, peak in beats if abs(at - round(at)) < SLOWLY), 0.0)
    last_hops = 0.5 + float(np.clip((duration_s - track.time_s[-1]) / track.hop_s, 0, 1))
    return Windows(
        cents, u_cents, window_s, track.hop_s, tuple(held), left, last_hops, slow, vibrato
    )


def window_noise(u_cents: float, window_s: float, hop_s: float) -> Real:
    """Return the autocovariance of the noise of frames that share their windows, by lag.

    A slope over a window is the phase weighted by a ramp; frames a hop apart share most of it.
    """
    ramp = _ramp(window_s, hop_s)
    shared = np.correlate(ramp, ramp, "full")[ramp.size - 1 :]
    return np.asarray(u_cents**2 * shared / shared[0], np.float64)


def _ramp(window_s: float, hop_s: float) -> Real:
    half = max(1.0, window_s / hop_s / 2)
    ramp = np.arange(-math.floor(half), math.floor(half) + 1) / half
    return np.asarray(ramp / np.sqrt(ramp @ ramp), np.float64)


def spread_of(windows: Windows) -> Quantity:
    """Return the standard deviation of the pitch without its track's noise, in cents."""
    # A frame stands for half a hop on either side of it.
    hops = np.ones(windows.cents.size)
    hops[0], hops[-1] = 0.5, windows.last_hops
    hops[np.isnan(windows.cents)] = 0.0
    hops /= hops.sum()

    def variance(cents: Real) -> float:
        cents = np.nan_to_num(cents)
        return float(hops @ (cents - hops @ cents) ** 2)

    noise, known = windows.noise, windows.cents[np.isfinite(windows.cents)]
    terms = variance_terms(known - known.mean(), noise)
    terms.append(Term("unseen ends", windows.u_of_ends(variance, MEAN_OF_WALK), "B"))
    if windows.left_cents > 0:  # all of it or nothing, as the tone's bands let it through
        terms.append(Term(MAINS_LEFT, windows.left_cents**2 / 2 / math.sqrt(3), "B"))
    if windows.slow_cents > 0:  # correlated with the path by anything from -1 to 1, rectangular
        most = 2 * float(np.std(known)) * windows.slow_cents / math.sqrt(2)
        terms.append(Term(MAINS_LEFT, most / math.sqrt(3), "B"))
    smoothed = 0.0
    if windows.vibrato is not None:
        taken = (1 - windows.left**2) / 2
        smoothed = taken * windows.vibrato.power
        terms.append(Term(SMOOTHED, taken * windows.vibrato.u_power, "A"))
    return root_of(variance(windows.cents) - float(noise[0]) + smoothed, terms)


def without_noise(cents: Real, noise: Real) -> Real:
    """Return the series smoothed as much as its noise asks for, by Stein's estimate of the error.

    Parameters
    ----------
    cents : ndarray, shape (n,)
        Path and noise.
    noise : ndarray, shape (n_lags,)
        Autocovariance of the noise.

    Returns
    -------
    ndarray, shape (n,)
        The flattest of the common mean and of running means over ..., 15, 7, 3 and 1 values whose
        expected error [1]_ is the least but for what chance does to that.

    References
    ----------
    .. [1] C. Stein, "Estimation of the mean of a multivariate normal distribution", Annals of
       Statistics 9 (1981), 1135-1151.
    """
    n = cents.size
    tried = [(0.0, cents)]
    size = 3
    while size <= n:
        smooth = ndimage.uniform_filter1d(cents, size, mode="nearest")
        lags = noise[: size // 2 + 1]
        shared = (2 * float(lags.sum()) - float(lags[0])) / size
        tried.append(
            (float(np.mean((smooth - cents) ** 2)) + 2 * (shared - float(noise[0])), smooth)
        )
        size = 2 * size + 1
    tried.append((float(np.var(cents)) - 2 * float(noise[0]), np.full(n, cents.mean())))
    worth = n * float(noise[0]) ** 2 / (2 * float(noise @ noise) - float(noise[0]) ** 2)
    chance = float(noise[0]) * math.sqrt(2 / worth)
    least = min(risk for risk, _ in tried)
    return next(path for risk, path in reversed(tried) if risk <= least + chance)


def extents_of(windows: Windows) -> tuple[Quantity, Quantity]:
    """Return highest less lowest pitch, and that of its medians over 1 s, without noise's share.

    Notes
    -----
    What noise adds to the extremes of this path is found by adding noise of the same kind to the
    path smoothed by `without_noise`, up to 200 times; the scatter of that is the uncertainty.
    """
    cents, known = windows.cents, np.isfinite(windows.cents)
    u_cents = np.where(np.isnan(windows.u_cents), np.nanmedian(windows.u_cents), windows.u_cents)
    path = np.full(cents.size, np.nan)
    path[known] = without_noise(cents[known], windows.noise)
    ramp, rng = _ramp(windows.window_s, windows.hop_s), np.random.default_rng(SEED)
    seconds = _Medians(cents, windows.hop_s)
    whole, slow = [], []
    for _ in range(int(np.clip(DRAWN // cents.size, FEWEST_DRAWS, MOST_DRAWS))):
        white = rng.standard_normal(cents.size + ramp.size - 1)
        drawn = path + u_cents * np.convolve(white, ramp, "valid")
        whole.append(_extent_of(drawn))
        slow.append(seconds.extent(drawn))
    extent = _extent(windows, path, _extent_of, np.array(whole))
    if windows.left_cents > 0:
        left = Term(MAINS_LEFT, 2 * windows.left_cents / math.sqrt(3), "B")
        extent = combine(extent.value, "cents", [*extent.budget, left])
    if windows.vibrato is not None:
        taken, swing = 2 * (1 - windows.left), windows.vibrato
        at_extremes = Term(SMOOTHED, taken * swing.scatter / 2 / swing.cents, "A")
        extent = combine(extent.value + taken * swing.cents, "cents", [*extent.budget, at_extremes])
    if seconds.count < 3:
        return extent, not_measurable(
            "cents", "fewer than 3 whole seconds of tone: record 10 s or more"
        )
    wander = _extent(windows, path, seconds.extent, np.array(slow))
    if windows.slow_cents > 0:  # at both extremes, at moments of its period that are not known
        left = Term(MAINS_LEFT, windows.slow_cents, "B")
        wander = combine(wander.value, "cents", [*wander.budget, left])
    return extent, wander


def _extent_of(cents: Real) -> float:
    return float(np.nanmax(cents) - np.nanmin(cents))


def _extent(
    windows: Windows, path: Real, statistic: Callable[[Real], float], drawn: Real
) -> Quantity:
    by_noise = max(0.0, float(drawn.mean()) - statistic(path))
    return combine(
        max(0.0, statistic(windows.cents) - by_noise),
        "cents",
        [
            Term("noise at the extremes", max(float(drawn.std()), 1e-9), "A"),
            Term("noise taken out", by_noise * LEVEL_KNOWN, "B"),
            Term("unseen ends", windows.u_of_ends(statistic), "B"),
            Term("reach of the bands", BANDS * windows.fast_cents, "B"),
        ],
    )


class _Medians:
    """Medians over the whole seconds of which at least half is tone."""

    def __init__(self, cents: Real, hop_s: float) -> None:
        self.size = round(1 / hop_s)
        rows = cents[: cents.size // self.size * self.size].reshape(-1, self.size)
        self.use = np.isfinite(rows).sum(axis=1) >= self.size / 2
        self.count = int(self.use.sum())

    def extent(self, values: Real) -> float:
        rows = values[: values.size // self.size * self.size].reshape(-1, self.size)[self.use]
        return float(np.ptp(np.nanmedian(rows, axis=1))) if self.count else 0.0
