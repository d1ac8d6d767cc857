"""Pitch in windows, as sharp as they allow: what they smooth of it is given back."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from sigkit.arrays import Real
from sigkit.measures.steadiness import HELD_PERIODS, MOST_HELD, SOUGHT_S
from sigkit.tracks.pitch import PitchTrack
from sigkit.tracks.swings import Vibrato

LEAST_PERIODS = 6
"""Periods in the windows of a low note."""
SLOWLY = 0.02
"""Cycles a frame up to which a line is a slow wander to the frames."""


@dataclass(frozen=True, eq=False)
class Windows:
    """Pitch in overlapping windows, its first and last value held to where the tone ends.

    Parameters
    ----------
    cents, u_cents : ndarray, shape (n_frames,)
        Pitch, its bend given back, and its standard uncertainty by noise before that; nan in gaps.
    bent, missed : ndarray, shape (n_frames,)
        First order of what the windows smooth, which was given back, and the second, cents.
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
    bent: Real
    missed: Real
    window_s: float
    hop_s: float
    held: tuple[tuple[slice, float], ...]
    left_cents: float = 0.0
    last_hops: float = 0.5
    slow_cents: float = 0.0
    vibrato: Vibrato | None = None

    @property
    def left(self) -> float:
        """Share of a vibrato that is left in windows weighed by a parabola.

        That is 3 (sin x - x cos x) / x^3, x being pi times its periods in the window, and what
        was given back of it.
        """
        if self.vibrato is None:
            return 1.0
        x = math.pi * self.vibrato.hz * self.window_s
        return 3 * (math.sin(x) - x * math.cos(x)) / x**3 * (1 + self._bend)

    def with_orders(self, orders: int) -> Real:
        """Return the pitch with 0 to 2 orders of what the windows smooth given back, cents."""
        return self.cents + (-self.bent, 0.0, self.missed)[orders]

    def of_vibrato(self, orders: int) -> float:
        """Return the mean square of the vibrato alone in that, cents squared."""
        if self.vibrato is None:
            return 0.0
        parts = (1.0, self._bend, self._bend**2)[: orders + 1]
        left = self.left / (1 + self._bend) * math.fsum(parts)
        return left**2 / 2 * self.vibrato.power

    @property
    def _bend(self) -> float:
        """Share of a vibrato, as the windows leave it, that was given back."""
        assert self.vibrato is not None
        away, share = _sharpening(self.window_s, self.hop_s)
        return 2 * share * (1 - math.cos(2 * math.pi * self.vibrato.hz * away * self.hop_s))

    @property
    def noise(self) -> Real:
        """Autocovariance of the noise, by frames apart."""
        return window_noise(self.u_noise, self.ramp(1))

    @property
    def u_noise(self) -> float:
        """Standard uncertainty by noise of a value before its bend was given back, rms, cents."""
        return math.sqrt(float(np.nanmean(self.u_cents**2)))

    def ramp(self, orders: int) -> Real:
        """Return `window_ramp` for these windows."""
        return window_ramp(self.window_s, self.hop_s, orders=orders)

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
    jumps_s: Real | None = None,
) -> Windows:
    """Return a track in cents above a reference, its bend given back, held to jumps and ends.

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
    jumps_s : ndarray, shape (n_jumps,), optional
        Steps of pitch that stay: no window is read across one.
    """
    window_s = max(track.window_s, LEAST_PERIODS / reference_hz)
    u_cents = np.array(track.u_cents(), np.float64)
    seen_at = np.array(track.cents(reference_hz), np.float64)
    plain, across = _held_to_jumps(seen_at, np.empty(0) if jumps_s is None else jumps_s, track)
    bent = _bent(plain, window_s, track.hop_s, across)
    missed = np.nan_to_num(_bent(bent, window_s, track.hop_s, across))
    bent = np.nan_to_num(bent)
    cents = plain + bent
    held = _hold_ends(cents, float(np.nanmean(u_cents**2)), window_s, track.hop_s, reference_hz)
    rest = [(hz, 3 * peak / (math.pi * hz * window_s) ** 2) for hz, peak in lines]
    left = math.hypot(*(peak for _, peak in rest), 0.0)
    beats = [(hz * track.hop_s, peak) for hz, peak in rest]
    # The phase, once a period, may show them the other way round: up to twice that.
    slow = 2 * math.hypot(*(peak for at, peak in beats if abs(at - round(at)) < SLOWLY), 0.0)
    last_hops = 0.5 + float(np.clip((duration_s - track.time_s[-1]) / track.hop_s, 0, 1))
    return Windows(
        cents,
        u_cents,
        bent,
        missed,
        window_s,
        track.hop_s,
        held,
        left,
        last_hops,
        slow,
        vibrato,
    )


def _hold_ends(
    cents: Real, u_squared: float, window_s: float, hop_s: float, reference_hz: float
) -> tuple[tuple[slice, float], ...]:
    """Hold the pitch to the ends of a tone, in place, and say how much it may change there."""
    known = np.flatnonzero(np.isfinite(cents))
    seen = cents[known]
    shared = window_noise(1.0, window_ramp(window_s, hop_s, orders=1))
    shared /= shared[0]
    reach_s = window_s / 2 + MOST_HELD * HELD_PERIODS / reference_hz + SOUGHT_S
    reach = math.ceil(reach_s / hop_s) + 1
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
        by_noise *= 2 * u_squared
        cents[part] = cents[end]
        # Frames within a window share sound; chance as for any mean square of so many values.
        worth = known.size * hop_s / window_s
        chance = moved * math.sqrt(2 / max(2.0, worth))
        held.append((part, math.sqrt(max(0.0, moved - by_noise) + chance)))
    return tuple(held)


def _bent(cents: Real, window_s: float, hop_s: float, across: Real) -> Real:
    """Return what windows weighed by a parabola take of a pitch that bends, to first order.

    Parameters
    ----------
    cents : ndarray, shape (n,)
        Pitch in the windows; nan in gaps.
    window_s, hop_s : float
        Their length and distance.
    across : ndarray of bool, shape (n,)
        Frames whose windows hold a jump: nan there, and beside gaps and ends.

    Notes
    -----
    Such a window leaves 1 - x^2 / 10 of a slow swing, x being pi times its periods in the window:
    the pitch and 1/40 of its second derivative times the window's length squared. That is read
    from the values half a window before and after.
    """
    away, share = _sharpening(window_s, hop_s)
    taken = np.full(cents.size, np.nan)
    if cents.size > 2 * away:
        middle = cents[away : cents.size - away]
        bend = 2 * middle - cents[: -2 * away] - cents[2 * away :]
        taken[away : cents.size - away] = share * bend
    taken[across] = np.nan
    return taken


def _sharpening(window_s: float, hop_s: float) -> tuple[int, float]:
    """Half a window in frames, and the share of the bend over it that is given back."""
    away = max(1, round(window_s / hop_s / 2))
    return away, (window_s / hop_s / away) ** 2 / 40


def _held_to_jumps(cents: Real, jumps_s: Real, track: PitchTrack) -> tuple[Real, Real]:
    """Hold the pitch on both sides of each jump up to it, and say which frames see across one."""
    held, across = cents.copy(), np.zeros(cents.size, bool)
    time_s = np.arange(cents.size) * track.hop_s
    reach = math.ceil(track.window_s / 2 / track.hop_s) + 1
    for jump_s in jumps_s.tolist():
        after = int(np.searchsorted(time_s, jump_s))
        from_, to = max(0, after - reach), min(cents.size, after + reach)
        across[from_:to] = True
        for part, at in ((slice(from_, after), from_ - 1), (slice(after, to), to)):
            if 0 <= at < cents.size and np.isfinite(cents[at]) and not across[at]:
                held[part] = cents[at]
    return held, across


def window_noise(u_cents: float, ramp: Real) -> Real:
    """Return the autocovariance of the noise of frames that share their windows, by lag.

    Parameters
    ----------
    u_cents : float
        Standard uncertainty by noise of a value before its bend is given back.
    ramp : ndarray
        Of `window_ramp`: frames a hop apart share most of it.
    """
    shared = np.correlate(ramp, ramp, "full")[ramp.size - 1 :]
    return np.asarray(u_cents**2 * shared, np.float64)


def window_ramp(window_s: float, hop_s: float, *, orders: int) -> Real:
    """Return the weights of the noise of the phase, frame by frame, behind a window's pitch.

    A slope over a window is the phase weighted by a ramp, here of unit power; ``orders`` of its
    bend, 0 to 2, are given back.
    """
    half = max(1.0, window_s / hop_s / 2)
    ramp = np.arange(-math.floor(half), math.floor(half) + 1) / half
    ramp = np.asarray(ramp / np.sqrt(ramp @ ramp), np.float64)
    away, share = _sharpening(window_s, hop_s)
    bend = np.zeros(2 * away + 1)
    bend[[0, away, 2 * away]] = -share, 2 * share, -share
    whole = part = ramp
    for _ in range(orders):
        part = np.convolve(part, bend)
        whole = np.pad(whole, away) + part
    return whole
