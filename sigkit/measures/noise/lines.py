"""Lines of the mains: their common phase followed through its wander, and the power of each."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sigkit.arrays import Complex, Flags, Real
from sigkit.measures.noise.mains import OF_A_NOTE, ORDERS
from sigkit.measures.noise.peaks import TOP_HZ, Peak
from sigkit.tracks.mains_course import common_phase, smooth_course

WINDOW_S, LEAST_WINDOWS = 1.0, 4
GROUP_S = 3.0
"""Amplitudes are averaged with their phase over so long, and their powers over the rest."""
STEERS = 15.0
"""A line helps to follow the phase where its power in a window is so many times the noise."""
SEEN = 4.0
"""A line is there where its power exceeds this many standard deviations of the noise."""
ASTRAY, SLACK_HZ = 4.0, 0.001
"""A line is astray where it turns by more than so many uncertainties and so many hertz."""
ALIKE_HZ = 0.15
FOUND_HZ = 0.05
"""The mean over a part may lie so far from where its lines were found."""
APART, LEAST_APART, TELLS = 2.5, 9, 16.0
"""A tone is told from a line so many bins of the sound's length away, where windows are enough and
it stands out of the noise so many times."""
FAINT = 0.03
"""Amplitude re the line, below which what turns beside it may be wander that was not followed."""
PIECES = 4
"""A window begins a quarter of its length after the one before."""


@dataclass(frozen=True, eq=False)
class Lines:
    """The lines of one mains in a sound.

    Parameters
    ----------
    hz, u_hz : float
        Mean frequency of the mains over the sound and its standard uncertainty by noise.
    spread_hz : float
        Highest less lowest frequency on the way.
    orders : ndarray, shape (n_orders,)
        1 to 20, as far as the sound reaches.
    power, u_power : ndarray, shape (n_orders,)
        Power of each line (a full-scale sine has 1), noise taken off, and its uncertainty.
    u_noise : ndarray, shape (n_orders,)
        What the noise alone would make of that uncertainty.
    bin_noise : ndarray, shape (n_orders,)
        Power of the noise in a band as wide as one over the length of the sound.
    follows : ndarray of bool, shape (n_orders,)
        Whether the line moves as the others do; where not, another tone lies on it.
    beside_hz, beside_power : ndarray, shape (n_orders,)
        A tone close to the line that was taken out of it, and its power; nan: none.
    """

    hz: float
    u_hz: float
    spread_hz: float
    orders: Real
    power: Real
    u_power: Real
    u_noise: Real
    bin_noise: Real
    follows: Flags
    beside_hz: Real
    beside_power: Real

    @property
    def seen(self) -> Flags:
        """Whether each line stands out of the noise."""
        out: Flags = self.power > SEEN * self.u_noise
        return out


def lines_of(
    low: Real,
    rate: float,
    near_hz: float,
    noise: Real,
    step_hz: float,
    peaks: Sequence[Peak],
) -> Lines:
    """Measure the lines of a mains whose frequency is roughly known.

    Parameters
    ----------
    low : ndarray, shape (n_samples,)
        Sound from `lowered`.
    rate : float
        Its rate in Hz.
    near_hz : float
        Frequency of the mains to some hundredths of a hertz.
    noise : ndarray
        Noise per hertz in bins of ``step_hz``, from `peaks_of`.
    step_hz : float
        Width of those bins.
    peaks : sequence of Peak
        All lines of the sound.

    Returns
    -------
    Lines
        Frequency, and power of each order.

    Notes
    -----
    Every line is turned back to 0 Hz and averaged in Hann windows of 1 s. The phase that they have
    in common, each in proportion to its order, is found by maximum likelihood, window by window,
    and its course as an integrated random walk whose strength the sound itself tells; the mean
    frequency is the phase gone through over the length. With the wander taken out, power is what
    is left of each line in averages over some seconds, less the noise in them: neither wander nor
    a slow change of level is lost.
    """
    length_s = low.size / rate
    orders: Real = np.arange(1.0, max(2, min(ORDERS, int(TOP_HZ / (near_hz * 1.02)))) + 1)
    orders = orders[orders * near_hz < 0.48 * rate]
    if not orders.size:
        raise ValueError(f"no multiple of {near_hz} Hz below half of {rate} Hz")
    window_s = min(WINDOW_S, length_s / (LEAST_WINDOWS + 1))
    look = _Look.of(window_s, rate)
    width_hz = 1 / look.length_s(1)
    at = np.clip(np.rint(orders * near_hz / step_hz).astype(int), 0, noise.size - 1)
    density = noise[at]
    per_window = density * width_hz
    cycles = near_hz * np.arange(low.size) / rate
    turned = _turned(low, cycles, orders, look)
    time = (np.arange(turned.shape[1]) + PIECES / 2) * look.hop / rate
    steering, slope = _agreeing(turned, time, orders, per_window, look)
    hz, u_hz, spread = near_hz, math.inf, 0.0
    if steering.any():
        gone: Real = np.zeros(time.size)
        samples = np.arange(low.size) / rate
        for _ in range(2):
            phase, variance = common_phase(turned, orders, per_window, steering, slope * time)
            course = smooth_course(time, gone + phase, variance * look.shared(time.size), length_s)
            gone, slope = course.phase[1:-1], 0.0
            path = near_hz * samples + course.at(samples) / (2 * np.pi)
            turned = _turned(low, path, orders, look)
        hz, u_hz = near_hz + course.mean_hz, course.u_hz
        spread = float(np.ptp(course.hz))
    power, u, u_noise, follows, beside = _levels(turned, time, orders, hz, density, look)
    # What neither follows nor stands there as a line is the foot of a strong tone nearby.
    there = np.array([any(abs(p.hz - h * hz) < 1 for p in peaks) for h in orders.tolist()])
    foot = ~follows & ~there
    u_noise = np.where(foot, np.maximum(power, u_noise), u_noise)
    u, power = np.where(foot, u_noise, u), np.where(foot, 0.0, power)
    follows = follows | foot
    near = [
        _peak_at(b, h * hz, length_s, peaks)
        for b, h in zip(beside.tolist(), orders.tolist(), strict=True)
    ]
    beside = np.array([p.hz if p is not None else math.nan for p in near])
    beside_power = np.array([p.power if p is not None else 0.0 for p in near])
    return Lines(
        hz, u_hz, spread, orders, power, u, u_noise, density / length_s, follows, beside,
        beside_power,
    )  # fmt: skip


def _peak_at(hz: float, line_hz: float, length_s: float, peaks: Sequence[Peak]) -> Peak | None:
    """Return the line of the spectrum that is at a frequency and is not the line of the mains."""
    if math.isnan(hz):
        return None
    apart = max(0.1, 2 / length_s)
    own = [p for p in peaks if abs(p.hz - hz) < ALIKE_HZ and abs(p.hz - line_hz) > apart]
    return max(own, key=lambda p: p.power, default=None)


@dataclass(frozen=True, eq=False)
class _Look:
    """Hann windows through which lines are looked at; each begins a quarter after the last."""

    window: Real
    hop: int
    rate: float
    overlap: tuple[float, ...]

    @staticmethod
    def of(window_s: float, rate: float) -> _Look:
        hop = max(2, round(window_s * rate / PIECES))
        size = PIECES * hop
        window = np.sin(np.pi * (np.arange(size) + 0.5) / size) ** 2
        overlap = [float(window[k * hop :] @ window[: size - k * hop]) for k in range(PIECES)]
        return _Look(window, hop, rate, tuple(overlap))

    def length_s(self, count: int) -> float:
        """Length of sound that the mean of so many windows stands for, as to its noise."""
        whole = count * self.overlap[0]
        whole += 2 * sum((count - k) * self.overlap[k] for k in range(1, min(PIECES, count)))
        return float((count * self.window.sum()) ** 2 / whole) / self.rate

    def shared(self, count: int) -> Real:
        """Correlation of the noise in so many windows."""
        out: Real = np.eye(count)
        for k in range(1, PIECES):
            part = self.overlap[k] / self.overlap[0]
            out = out + part * (np.eye(count, k=k) + np.eye(count, k=-k))
        return out

    @property
    def redundant(self) -> float:
        """How many times the noise of a slow average is that of independent windows."""
        return 1 + 2 * sum(self.overlap[1:]) / self.overlap[0]


def _turned(low: Real, cycles: Real, orders: Real, look: _Look) -> Complex:
    """Mean of every line, turned back to 0 Hz, in windows; amplitude of a sine as modulus."""
    hop = look.hop
    count = low.size // hop
    base = np.exp(-2j * np.pi * cycles[: count * hop])
    turn = np.ones_like(base)
    sound = low[: count * hop]
    parts = look.window.reshape(PIECES, hop)
    out = np.zeros((orders.size, count - PIECES + 1), complex)
    for row in range(orders.size):
        turn = turn * base if row else base.copy()
        sums = (sound * turn).reshape(count, hop) @ parts.T
        for k in range(PIECES):
            out[row] += sums[k : count - PIECES + 1 + k, k]
    out *= 2 / look.window.sum()
    return out


def _agreeing(
    turned: Complex, time: Real, orders: Real, noise: Real, look: _Look
) -> tuple[Flags, float]:
    """Find the lines that agree on one frequency, and what it is off, in rad/s of the mains.

    Each line's own frequency is found over the same windows, so that wander moves all alike.
    """
    power = np.mean(np.abs(turned) ** 2, axis=1)
    strong = power > STEERS * noise
    if not strong.any():
        strong = power > 3 * noise
        strong &= power == power.max()
    if not strong.any():
        return strong, 0.0
    hop_s = float(time[1] - time[0])
    rows = np.flatnonzero(strong)
    slopes, sure = np.empty(rows.size), np.empty(rows.size)
    for i, row in enumerate(rows.tolist()):
        z, order = turned[row], int(orders[row])
        step = float(np.angle(np.sum(z[1:] * np.conj(z[:-1])))) / hop_s
        rest = np.unwrap(np.angle(z * np.exp(-1j * step * time)))
        step += float(np.polyfit(time, rest, 1)[0])
        slopes[i] = step / order
        spread = float(np.sum((time - time.mean()) ** 2))
        sure[i] = math.sqrt(look.redundant * noise[row] / (2 * power[row]) / spread) / order
    slack = 2 * np.pi * SLACK_HZ
    worth = np.minimum(6, np.log(power[rows] / noise[rows])) * np.minimum(1, 4 / orders[rows])
    best, most = np.zeros(rows.size, bool), -math.inf
    for slope, u in zip(slopes, sure, strict=True):
        own = np.abs(slopes - slope) < 4 * np.hypot(sure, u) + slack
        score = float(worth[own].sum())
        common = math.gcd(*orders[rows[own]].astype(int).tolist())
        if common > 1:
            score *= OF_A_NOTE if common == 2 or own.sum() == 1 else OF_A_NOTE**3
        score *= math.exp(-0.5 * (slope / (2 * np.pi * FOUND_HZ)) ** 2)
        if score > most:
            best, most = own, score
    own = best
    steering = np.zeros(orders.size, bool)
    steering[rows[own]] = True
    return steering, float(np.average(slopes[own], weights=1 / sure[own] ** 2))


def _follow(z: Complex, time: Real, order: float, noise: float) -> tuple[bool, float]:
    """Whether a line, turned back by the common phase, stands still as far as noise allows.

    And where it does not, by how much its power may be off, re itself: another tone on it beats
    with it, of which the sound may show less than a whole turn.
    """
    power = float(np.mean(np.abs(z) ** 2))
    if power < STEERS * noise:
        return True, 0.0
    step = float(np.angle(np.sum(z[1:] * np.conj(z[:-1]))))
    rest = np.unwrap(np.angle(z * np.exp(-1j * step * np.arange(z.size))))
    slope = step / float(time[1] - time[0]) + float(np.polyfit(time, rest, 1)[0])
    spread = float(np.sum((time - time.mean()) ** 2))
    sure = math.sqrt(noise / (2 * power) / spread)
    if abs(slope) < ASTRAY * sure + 2 * np.pi * SLACK_HZ * order:
        return True, 0.0
    size = np.abs(z)
    turns = abs(slope) * float(time[-1] - time[0]) / (2 * np.pi)
    return False, 2 * float(size.std() / size.mean()) * max(1.0, 1 / turns)


def _levels(
    turned: Complex, time: Real, orders: Real, hz: float, density: Real, look: _Look
) -> tuple[Real, Real, Real, Flags, Real]:
    """Power of each line, uncertainty, that by noise alone, whether it follows, a tone beside."""
    count, step_s = time.size, float(time[1] - time[0])
    group = max(1, min(count // 2, round(GROUP_S / step_s)))
    groups = max(1, count // group)
    used = groups * group
    out = np.empty((5, orders.size))
    sounded_s, whole_s = look.length_s(group), look.length_s(used)
    noise = density / look.length_s(1) * look.redundant
    for row, order in enumerate(orders.tolist()):
        z, turn = _alone(turned[row], time, float(noise[row]))
        follows, beats = _follow(z, time, order, float(noise[row]))
        means = z[:used].reshape(groups, group).mean(axis=1)
        under = float(density[row]) / sounded_s
        power = float(np.mean(np.abs(means) ** 2)) - under
        u_noise = under / math.sqrt(groups)
        u = math.sqrt(u_noise**2 + 2 * max(power, 0.0) * float(density[row]) / whole_s)
        u = math.hypot(u, beats * max(power, 0.0))
        out[:, row] = power, u, u_noise, follows, order * hz + turn
    return out[0], out[1], out[2], out[3] > 0, out[4]


def _alone(z: Complex, time: Real, noise: float) -> tuple[Complex, float]:
    """Take a tone close to a line out of it, as far as it can be told apart; and how far it is.

    The line stands still once its wander is gone; another tone turns.
    """
    step_s = float(time[1] - time[0])
    length_s = step_s * (time.size + 1)
    if time.size < LEAST_APART:
        return z, math.nan
    window = np.hanning(time.size + 2)[1:-1]
    width = float(window @ window) / window.sum() ** 2
    turns = np.arange(-0.5, 0.5, 0.125 / time.size) / step_s
    waves = np.exp(-2j * np.pi * np.outer(turns, time))
    still = float(np.abs(np.sum(z * window)) / window.sum())
    seen = np.abs(waves @ (z * window)) / window.sum()
    # What the line itself puts there by the window's side lobes.
    own = still * np.sqrt(_hann_lobe(np.abs(turns) * length_s))
    away = np.abs(turns) * length_s > APART
    over = np.where(away, seen**2 / (noise * width), 0.0)
    best = int(np.argmax(np.where(seen > 2 * own, over, 0.0)))
    least = max(2 * own[best], FAINT * still)
    if not away[best] or seen[best] <= least or over[best] < TELLS:
        return z, math.nan
    turn = float(turns[best])
    for _ in range(3):
        columns = np.exp(2j * np.pi * np.outer(time, [0.0, turn]))
        found, *_ = np.linalg.lstsq(columns, z, rcond=None)
        rest = (z - columns[:, 0] * found[0]) * np.exp(-2j * np.pi * turn * time)
        lean = np.imag(rest * np.conj(found[1])) / max(float(np.abs(found[1]) ** 2), 1e-30)
        turn += float(np.polyfit(time, lean, 1)[0]) / (2 * np.pi)
    columns = np.exp(2j * np.pi * np.outer(time, [0.0, turn]))
    found, *_ = np.linalg.lstsq(columns, z, rcond=None)
    if abs(turn) * length_s < APART:
        return z, math.nan
    return z - columns[:, 1] * found[1], turn


def _hann_lobe(bins: Real) -> Real:
    """Bound of the power of a Hann window's side lobes, so many bins from its middle."""
    out: Real = np.where(bins < 2.5, 1.0, 4e-3 * (2.5 / np.maximum(bins, 1e-3)) ** 6)
    return out
