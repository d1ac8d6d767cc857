"""Paths of pitch in cents and of amplitude, as exact functions of time.

Each function takes times in seconds and returns one value per time, so that paths are added up
(``warmup_cents(t, ...) + vibrato_cents(t, ...)``) and turned into Hz once, by `at_cents`. Random
paths depend on their seed and the absolute time only: a long sound may ask for them block by
block.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sigkit.errors import InputError

Series = NDArray[np.float64]


def at_cents(reference_hz: float, cents: ArrayLike) -> Series:
    """Return the frequency in Hz that lies ``cents`` above a reference."""
    return reference_hz * np.exp2(np.asarray(cents, np.float64) / 1200)


def cents_above(reference_hz: float, frequency_hz: ArrayLike) -> Series:
    """Return how many cents a frequency lies above a reference: 1200 log2(f/f_ref)."""
    return 1200 * np.log2(np.asarray(frequency_hz, np.float64) / reference_hz)


def warmup_cents(
    time_s: Series, *, total_cents: float, time_constant_s: float, power_on_s: float = 0.0
) -> Series:
    """Drift of a warm-up: zero until power-on, then exponentially towards ``total_cents``.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Times in seconds.
    total_cents : float
        Where the pitch ends, in cents from where it begins.
    time_constant_s : float
        Time to cover 63.2 % of it.
    power_on_s : float
        When it begins.

    Returns
    -------
    ndarray, shape (n,)
        Cents above the pitch at power-on.

    Examples
    --------
    >>> import numpy as np
    >>> warmup_cents(np.array([0.0, 600.0]), total_cents=10.0, time_constant_s=600.0).round(4)
    array([0.    , 6.3212])
    """
    since = np.maximum(np.asarray(time_s, np.float64) - power_on_s, 0.0)
    return -total_cents * np.expm1(-since / time_constant_s)


def settling_time_s(*, total_cents: float, time_constant_s: float, band_cents: float) -> float:
    """Return when an exponential drift stays within ``band_cents`` of its final value."""
    return time_constant_s * max(0.0, math.log(abs(total_cents) / band_cents))


def line_cents(time_s: Series, *, cents_per_min: float, start_s: float = 0.0) -> Series:
    """Steady drift from ``start_s`` on, in cents."""
    return cents_per_min / 60 * np.maximum(np.asarray(time_s, np.float64) - start_s, 0.0)


def jump_cents(time_s: Series, *, at_s: float, size_cents: float, rise_s: float = 0.0) -> Series:
    """Step that stays, centred on ``at_s``; with ``rise_s`` above zero it is smooth (C2)."""
    t = np.asarray(time_s, np.float64)
    if rise_s == 0:
        return np.where(t >= at_s, size_cents, 0.0)
    return size_cents * smooth_step((t - at_s) / rise_s + 0.5)


def vibrato_cents(
    time_s: Series, *, rate_hz: float, peak_cents: float, phase_rad: float = 0.0
) -> Series:
    """Sinusoidal modulation of the pitch, such as vibrato or mains wobble, in cents."""
    t = np.asarray(time_s, np.float64)
    return peak_cents * np.sin(2 * np.pi * rate_hz * t + phase_rad)


def wander_cents(
    time_s: Series, *, spread_cents: float, time_constant_s: float, seed: int
) -> Series:
    """Bounded random wander: a first-order random process, straight between its points.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Times in seconds, not negative.
    spread_cents : float
        Standard deviation over a long time.
    time_constant_s : float
        Time over which the wander forgets where it was.
    seed : int
        The same seed gives the same path for any block of times.

    Returns
    -------
    ndarray, shape (n,)
        Cents about zero.

    Notes
    -----
    An Ornstein-Uhlenbeck process, exact at points a tenth of the time constant apart and straight
    between them. Over a window not much longer than the time constant the spread of the path
    itself differs from ``spread_cents``: the truth is the path.
    """
    step = time_constant_s / 10
    times, draws = _nodes(time_s, step, seed)
    memory = math.exp(-0.1)
    values = np.empty(len(draws))
    values[0] = draws[0]
    for n in range(1, len(draws)):
        values[n] = memory * values[n - 1] + math.sqrt(1 - memory**2) * draws[n]
    return np.interp(time_s, times, spread_cents * values)


def random_walk_cents(
    time_s: Series, *, cents_per_root_s: float, seed: int, step_s: float = 0.05
) -> Series:
    """Random walk whose standard deviation grows with the root of time, in cents.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Times in seconds, not negative.
    cents_per_root_s : float
        Standard deviation after one second.
    seed : int
        The same seed gives the same path for any block of times.
    step_s : float
        Spacing of the points between which the path is straight.

    Returns
    -------
    ndarray, shape (n,)
        Cents, zero at time zero.
    """
    times, draws = _nodes(time_s, step_s, seed)
    draws[0] = 0.0
    return np.interp(time_s, times, np.cumsum(draws) * cents_per_root_s * math.sqrt(step_s))


def pulled_hz(
    time_s: Series, *, apart_hz: ArrayLike, lock_hz: float, phase_rad: float = 0.0
) -> Series:
    """Return how far an oscillator runs above another one that pulls at it, in Hz.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Times in seconds, rising, close together beside a period of the beat.
    apart_hz : float or ndarray, shape (n,)
        How far above the other it would run if it were left alone.
    lock_hz : float
        Within plus and minus this distance it is held: locking is twice as wide.
    phase_rad : float
        Phase between the two at the first time.

    Returns
    -------
    ndarray, shape (n,)
        Hz; zero on average where it is held, a beat of uneven speed where it is not.

    Notes
    -----
    Adler's equation [1]_ with the phase p between the two: p' = 2 pi (apart - lock sin p). At a
    steady distance it beats at sqrt(apart^2 - lock^2) or comes to rest at sin p = apart / lock.
    With x = tan(p/2) it is a Riccati equation, so that (cos p/2, sin p/2) turns by a linear map
    over a time of steady distance. That map is exact; between two times the distance is taken as
    the mean of both.

    References
    ----------
    .. [1] R. Adler, "A study of locking phenomena in oscillators", Proc. IRE 34 (1946), 351-357;
       the equation from memory.

    Examples
    --------
    >>> import numpy as np
    >>> t = np.arange(10_000) / 1000
    >>> float(pulled_hz(t, apart_hz=1.25, lock_hz=0.75).mean().round(3))  # 10 s of 1 beat/s
    1.0
    >>> bool(abs(pulled_hz(t, apart_hz=0.5, lock_hz=0.75)[-1]) < 1e-9)
    True
    """
    t = np.asarray(time_s, np.float64)
    apart = np.broadcast_to(np.asarray(apart_hz, np.float64), t.shape)
    # d/dt (c, s) = pi ((lock, -apart), (apart, -lock)) (c, s), solved over each step
    mean, step = np.pi * (apart[:-1] + apart[1:]) / 2, np.diff(t)
    turn = np.sqrt((mean**2 - (np.pi * lock_hz) ** 2).astype(np.complex128))
    same = np.cos(turn * step).real
    share = (np.sinc(turn * step / np.pi) * step).real
    pull, push = share * np.pi * lock_hz, share * mean
    c, s = math.cos(phase_rad / 2), math.sin(phase_rad / 2)
    sine = np.empty(t.shape)
    sine[0] = 2 * c * s
    for n, (stay, hold, free) in enumerate(zip(same, pull, push, strict=True), start=1):
        c, s = (stay + hold) * c - free * s, free * c + (stay - hold) * s
        size = math.hypot(c, s)
        c, s = c / size, s / size
        sine[n] = 2 * c * s
    return apart - lock_hz * sine


def caught_hz(
    time_s: Series, *, apart_hz: ArrayLike, lock_hz: float, phase_cycles: float = 0.25
) -> Series:
    """Return how far an oscillator runs above another one that resets it too early, in Hz.

    Two ramp oscillators on a shared supply: the reset of one trips the other, if that was about
    to reset anyway. So they run free until their resets meet, and are caught then if they are
    closer in pitch than one early reset per period makes up for.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Times in seconds, rising.
    apart_hz : float or ndarray, shape (n,)
        How far above the other it would run if it were left alone.
    lock_hz : float
        Largest distance, up or down, at which it is caught and held.
    phase_cycles : float
        Phase between the two at the first time, 0 to 1: where they meet is 0.

    Returns
    -------
    ndarray, shape (n,)
        Hz: exactly zero while it is held, ``apart_hz`` elsewhere.

    See Also
    --------
    pulled_hz : Locking of smooth oscillators, which already pull at each other outside it.

    Examples
    --------
    >>> import numpy as np
    >>> t = np.arange(4) / 2
    >>> caught_hz(t, apart_hz=-0.4, lock_hz=0.5)  # 0.25 cycles to go
    array([-0.4, -0.4,  0. ,  0. ])
    """
    t = np.asarray(time_s, np.float64)
    apart = np.array(np.broadcast_to(np.asarray(apart_hz, np.float64), t.shape))
    phase, held = phase_cycles % 1.0, False
    for n in range(len(t)):
        near = abs(apart[n]) <= lock_hz
        if n and not held:
            phase += (apart[n - 1] + apart[n]) / 2 * (t[n] - t[n - 1])
            held = near and not 0 < phase < 1
        held = held and near
        phase = 0.0 if held else phase % 1.0
        if held:
            apart[n] = 0.0
    return apart


def glide_rc_cents(
    time_s: Series, *, start_s: float, interval_cents: float, time_constant_s: float
) -> Series:
    """Glide of a resistor charging a capacitor, in log pitch; 10 % to 90 % takes tau ln 9."""
    return warmup_cents(
        time_s,
        total_cents=interval_cents,
        time_constant_s=time_constant_s,
        power_on_s=start_s,
    )


def glide_line_cents(
    time_s: Series, *, start_s: float, interval_cents: float, duration_s: float
) -> Series:
    """Glide of constant rate in log pitch; 10 % to 90 % takes 0.8 of its duration."""
    t = np.asarray(time_s, np.float64)
    return interval_cents * np.clip((t - start_s) / duration_s, 0.0, 1.0)


@dataclass(frozen=True, kw_only=True)
class Envelope:
    """Attack, decay, sustain and release of a resistor-capacitor envelope, in amplitude.

    Parameters
    ----------
    attack_time_constant_s : float
        Time constant of the rise.
    attack_target : float
        Level that the rise aims at; it is cut off at the peak, 1. Above 1.
    decay_time_constant_s : float
        Time constant of the fall from the peak to ``sustain``.
    sustain : float
        Amplitude held, 0 to 1. With 1 it is an attack-release envelope.
    release_time_constant_s : float
        Time constant of the fall to zero after the gate.
    sag_time_constant_s : float
        Time constant with which what is held leaks away; by default it does not.

    Examples
    --------
    >>> import numpy as np
    >>> envelope = Envelope(attack_time_constant_s=0.01, sustain=0.5)
    >>> envelope(np.array([0.0, 0.5, 0.999]), on_s=0.0, off_s=1.0).round(3)
    array([0.   , 0.504, 0.5  ])
    """

    attack_time_constant_s: float
    attack_target: float = 1.5
    decay_time_constant_s: float = 0.1
    sustain: float = 1.0
    release_time_constant_s: float = 0.1
    sag_time_constant_s: float = math.inf

    def __post_init__(self) -> None:
        if not (self.attack_target > 1 and 0 <= self.sustain <= 1):
            raise InputError(
                "attack_target must be above 1 and sustain between 0 and 1; "
                f"got {self.attack_target} and {self.sustain}.",
            )

    @property
    def time_to_peak_s(self) -> float:
        """Time from the gate to the peak."""
        return self._reach_s(1.0)

    @property
    def attack_s(self) -> float:
        """Time from 10 % to 90 % of the peak (transition duration, IEEE Std 181)."""
        return self._reach_s(0.9) - self._reach_s(0.1)

    @property
    def release_60_db_s(self) -> float:
        """Time from release to 60 dB below the level at release."""
        return self.release_time_constant_s * math.log(1000)

    def __call__(self, time_s: Series, *, on_s: float, off_s: float) -> Series:
        """Return the amplitude at each time for a gate from ``on_s`` to ``off_s``."""
        t = np.asarray(time_s, np.float64)
        held = self._held(np.maximum(np.minimum(t, off_s) - on_s, 0.0))
        released = np.exp(-np.maximum(t - off_s, 0.0) / self.release_time_constant_s)
        return np.where(t < on_s, 0.0, held * released)

    def _held(self, since: Series) -> Series:
        rise = -self.attack_target * np.expm1(-since / self.attack_time_constant_s)
        after = np.maximum(since - self.time_to_peak_s, 0.0)
        held = self.sustain * np.exp(-after / self.sag_time_constant_s)
        fall = held + (1 - self.sustain) * np.exp(-after / self.decay_time_constant_s)
        return np.where(since < self.time_to_peak_s, rise, fall)

    def late_s(self, level: float) -> float:
        """Return how far into its attack a press is that begins at a level below the peak."""
        return self._reach_s(level)

    def _reach_s(self, level: float) -> float:
        return -self.attack_time_constant_s * math.log(1 - level / self.attack_target)


def smooth_step(progress: ArrayLike) -> Series:
    """Rise from 0 to 1 while ``progress`` goes from 0 to 1, with two continuous derivatives."""
    u = np.clip(np.asarray(progress, np.float64), 0.0, 1.0)
    return u**3 * (10 + u * (6 * u - 15))


def fade(time_s: Series, *, start_s: float, stop_s: float, length_s: float = 0.01) -> Series:
    """Gain that rises smoothly after ``start_s`` and falls smoothly before ``stop_s``."""
    return smooth_step(np.minimum(time_s - start_s, stop_s - time_s) / length_s)


def _nodes(time_s: Series, step_s: float, seed: int) -> tuple[Series, Series]:
    """Points of a random path from time zero to the last time, and a normal draw for each."""
    if np.min(time_s) < 0:
        raise InputError("A random path begins at time zero; got a negative time.")
    count = math.floor(float(np.max(time_s)) / step_s) + 2
    times = np.arange(count, dtype=np.float64) * step_s
    return times, np.random.default_rng(seed).standard_normal(count)
