"""Oscillators without aliasing that follow any smooth path of frequency and pulse width.

Every wave is the sum of its own Fourier series up to just below half the sample rate, at the
integrated phase of the frequency path. Nothing is approximated but the ideal corner, so the
frequency of the sound at every instant is the path that was asked for.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import Literal, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sigkit.errors import InputError
from sigkit.synth.paths import smooth_step
from sigkit.synth.sound import Sound, truth_path

Shape = Literal["sine", "triangle", "saw", "pulse"]
SHAPES: tuple[Shape, ...] = ("sine", "triangle", "saw", "pulse")

FADE = (0.88, 0.97)
"""Harmonics fade out between these fractions of half the sample rate, so that none clicks."""
LOWEST_HZ = 1.0
"""Lowest frequency an oscillator plays; the cost grows with the number of harmonics."""

_CYCLE = 1 << 52  # the phase is an exact integer of 2**-52 cycles: no drift over hours
_CHUNK = 4096
_INAUDIBLE = 1e-9  # harmonics filtered below -180 dB re full scale are left out


class Response(Protocol):
    """A filter as its complex response, which may change from sample to sample."""

    def __call__(
        self, frequency_hz: NDArray[np.float64], where: slice | NDArray[np.intp]
    ) -> NDArray[np.complex128]:
        """Return the response at one frequency per sample, for the samples ``where``."""


class Oscillator:
    """One oscillator that is played block after block, its phase carried over.

    Parameters
    ----------
    shape : {"sine", "triangle", "saw", "pulse"}
        The wave. Each swings between -1 and 1, less its mean where the pulse is not symmetric;
        phases follow ``scipy.signal.sawtooth`` and ``scipy.signal.square``.
    rate : int
        Sample rate in Hz.
    phase : float
        Phase of the first sample in cycles.

    Raises
    ------
    InputError
        Unknown shape, or a rate that is not above zero.

    See Also
    --------
    tone : a whole sound with its truth.

    Notes
    -----
    With z = exp(i phi) the series is a polynomial in z, summed by Horner's rule:

    - saw: -(2/pi) sum sin(k phi)/k
    - triangle: -(8/pi^2) sum over odd k of cos(k phi)/k^2
    - pulse of width d: (2/pi) sum [sin(k phi) - sin(k (phi - 2 pi d))]/k

    phi is the integral of the frequency path, straight between samples. A harmonic whose own
    frequency passes `FADE` is faded out smoothly, so a rising note loses it without a click.
    Sidebands of a path that itself moves at audio rate are not limited.

    Examples
    --------
    >>> import numpy as np
    >>> saw = Oscillator("saw", 48000)
    >>> a = saw.play(np.full(1000, 440.0))
    >>> b = saw.play(np.full(1000, 440.0))
    >>> whole = Oscillator("saw", 48000).play(np.full(2000, 440.0))
    >>> bool(np.allclose(np.concatenate([a, b]), whole, atol=1e-12))
    True
    """

    def __init__(self, shape: Shape, rate: int, *, phase: float = 0.0) -> None:
        if shape not in SHAPES:
            raise InputError(
                f"There is no wave named {shape!r}.", remedy=f"Choose one of {', '.join(SHAPES)}."
            )
        if not rate > 0:
            raise InputError(f"The sample rate must be above zero; got {rate} Hz.")
        self.shape = shape
        self.rate = rate
        self._phase = round((phase % 1.0) * _CYCLE) % _CYCLE
        self._last_hz: float | None = None

    def play(
        self,
        frequency_hz: NDArray[np.float64],
        *,
        width: ArrayLike = 0.5,
        response: Response | None = None,
    ) -> NDArray[np.float64]:
        """Return the next block of samples.

        Parameters
        ----------
        frequency_hz : ndarray, shape (n_samples,)
            Frequency at every sample in Hz, from 1 Hz to 0.4 of the sample rate.
        width : float or ndarray, shape (n_samples,)
            Share of the period in which a pulse is high, between 0 and 1.
        response : Response, optional
            A filter, applied to each harmonic as gain and phase.

        Returns
        -------
        ndarray, shape (n_samples,)
            The samples.

        Raises
        ------
        InputError
            A path of wrong shape or out of range.
        """
        f = np.asarray(frequency_hz, np.float64)
        if f.ndim != 1 or not np.all((f >= LOWEST_HZ) & (f <= 0.4 * self.rate)):
            raise InputError(
                f"frequency_hz must be one row of {LOWEST_HZ:g} to {0.4 * self.rate:g} Hz.",
                remedy="Check the path: is it in Hz, and one value per sample?",
            )
        w = np.broadcast_to(np.asarray(width, np.float64), f.shape)
        if not np.all((w >= 0) & (w <= 1)):
            raise InputError("width must lie between 0 and 1.", remedy="Check the width path.")
        cycles = self._advance(f)
        out = np.empty(len(f))
        for start in range(0, len(f), _CHUNK):
            part = slice(start, min(start + _CHUNK, len(f)))
            out[part] = _wave(self.shape, cycles[part], f[part], w[part], self.rate, response, part)
        return out

    def _advance(self, f: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the phase of every sample in cycles and remember where it ended."""
        if len(f) == 0:
            return np.empty(0)
        before = np.concatenate(([self._last_hz if self._last_hz is not None else f[0]], f[:-1]))
        steps = np.rint((before + f) / 2 / self.rate * _CYCLE).astype(np.int64)
        if self._last_hz is None:
            steps[0] = 0
        steps[0] += self._phase
        phase = np.cumsum(steps) & (_CYCLE - 1)  # overflow wraps at whole cycles, harmlessly
        self._phase, self._last_hz = int(phase[-1]), float(f[-1])
        return phase / _CYCLE


def tone(
    shape: Shape,
    frequency_hz: ArrayLike,
    *,
    rate: int,
    seconds: float | None = None,
    level_dbfs: float | None = None,
    amplitude: ArrayLike = 1.0,
    width: ArrayLike = 0.5,
    phase: float = 0.0,
    response: Response | None = None,
) -> Sound:
    """Play one oscillator along a path of frequency and return it with its truth.

    Parameters
    ----------
    shape : {"sine", "triangle", "saw", "pulse"}
        The wave; see `Oscillator`.
    frequency_hz : float or ndarray, shape (n_samples,)
        Frequency at every sample in Hz; a single number is held for ``seconds``.
    rate : int
        Sample rate in Hz.
    seconds : float, optional
        Length, needed where ``frequency_hz`` is a single number.
    level_dbfs : float, optional
        Scale the whole sound to this RMS level; a full-scale sine reads 0 dBFS [1]_.
    amplitude : float or ndarray, shape (n_samples,)
        Envelope, as a factor; applied before ``level_dbfs``.
    width : float or ndarray, shape (n_samples,)
        Share of the period in which a pulse is high.
    phase : float
        Phase of the first sample in cycles.
    response : Response, optional
        A filter; see `sigkit.synth.filters`.

    Returns
    -------
    Sound
        Truth: ``time_s`` with ``frequency_hz``, ``amplitude`` and ``width``; ``gain``, the factor
        that ``level_dbfs`` led to; ``shape``.

    Raises
    ------
    InputError
        Paths of unequal lengths or out of range; no length.

    References
    ----------
    .. [1] AES17, measurement of digital audio equipment: definition of dBFS.

    Examples
    --------
    >>> sound = tone("saw", 110.0, rate=48000, seconds=0.5, level_dbfs=-20.0)
    >>> sound.samples.shape, round(sound.window_mean("frequency_hz", 0.1, 0.4), 6)
    ((24000,), 110.0)
    """
    f = np.asarray(frequency_hz, np.float64)
    if f.ndim == 0:
        if seconds is None:
            raise InputError(
                "A tone of one frequency needs its length.", remedy="Give seconds=..., in seconds."
            )
        f = np.full(round(seconds * rate), float(f))
    for name, path in (("amplitude", amplitude), ("width", width)):
        if np.shape(path) not in ((), f.shape):
            raise InputError(
                f"{name} must be one number or one per sample; got {np.shape(path)} for {f.shape}.",
                remedy="Make all paths from the same time axis.",
            )
    envelope = np.broadcast_to(np.asarray(amplitude, np.float64), f.shape)
    samples = Oscillator(shape, rate, phase=phase).play(f, width=width, response=response)
    samples *= envelope
    gain = 1.0 if level_dbfs is None else 10 ** (level_dbfs / 20) / (rms(samples) * math.sqrt(2))
    widths = np.broadcast_to(np.asarray(width, np.float64), f.shape)
    paths = truth_path(rate, frequency_hz=f, amplitude=envelope, width=widths)
    return Sound(samples * gain, rate, {**paths, "gain": gain, "shape": shape})


def stream(
    shape: Shape,
    frequency_hz: Callable[[NDArray[np.float64]], NDArray[np.float64]],
    *,
    rate: int,
    seconds: float,
    gain: float = 1.0,
    block_s: float = 10.0,
) -> Iterator[NDArray[np.float64]]:
    """Yield a tone of any length in blocks: hours of sound in the memory of one block.

    Parameters
    ----------
    shape : {"sine", "triangle", "saw", "pulse"}
        The wave.
    frequency_hz : callable
        Gives the frequency in Hz at an array of times in seconds.
    rate : int
        Sample rate in Hz.
    seconds : float
        Length of the whole.
    gain : float
        Factor on every sample.
    block_s : float
        Length of a block in seconds.

    Yields
    ------
    ndarray, shape (n_samples,)
        Consecutive blocks.

    Raises
    ------
    InputError
        A frequency out of range.

    Examples
    --------
    >>> sum(len(b) for b in stream("sine", lambda t: 220 + t, rate=8000, seconds=25.0))
    200000
    """
    source = Oscillator(shape, rate)
    total, size = round(seconds * rate), round(block_s * rate)
    for start in range(0, total, size):
        time = np.arange(start, min(start + size, total)) / rate
        yield gain * source.play(np.asarray(frequency_hz(time), np.float64))


def rms(samples: NDArray[np.float64]) -> float:
    """Return the root mean square, full scale = 1."""
    return math.sqrt(float(np.mean(np.square(samples)))) if len(samples) else 0.0


def dbfs(samples: NDArray[np.float64]) -> float:
    """Return the RMS level in dBFS as AES17 defines it: a full-scale sine reads 0 dBFS."""
    value = rms(samples)
    return 20 * math.log10(value * math.sqrt(2)) if value > 0 else -math.inf


def _wave(
    shape: Shape,
    cycles: NDArray[np.float64],
    f: NDArray[np.float64],
    width: NDArray[np.float64],
    rate: int,
    response: Response | None,
    where: slice,
) -> NDArray[np.float64]:
    z = np.exp(2j * np.pi * cycles)
    orders = _orders(shape, float(f.min()), rate)
    if response is not None:
        orders = _audible(orders, shape, f, response, where)
    weights = [_weight(shape, k, f, rate, response, where) for k in orders]
    if shape == "sine":
        return _series(z, z, weights).imag
    if shape == "triangle":
        return -8 / np.pi**2 * _series(z, z * z, weights).real
    if shape == "saw":
        return -2 / np.pi * _series(z, z, weights).imag
    late = z * np.exp(-2j * np.pi * width)
    return 2 / np.pi * (_series(z, z, weights) - _series(late, late, weights)).imag


def _orders(shape: Shape, lowest_hz: float, rate: int) -> list[int]:
    """Orders of the harmonics that can lie below the upper end of the fade."""
    if shape == "sine":
        return [1]
    last = max(1, math.floor(FADE[1] * rate / 2 / lowest_hz))
    return list(range(1, last + 1, 2 if shape == "triangle" else 1))


def _audible(
    orders: list[int], shape: Shape, f: NDArray[np.float64], response: Response, where: slice
) -> list[int]:
    """Leave out the highest harmonics that the filter has made inaudible, at every sample."""

    def loud(k: int, at: NDArray[np.intp]) -> bool:
        gain = np.abs(response(k * f[at], at + where.start)).max()
        return bool(gain * _ideal(shape, k) > _INAUDIBLE)

    probes = np.unique(np.linspace(0, len(f) - 1, 9).astype(np.intp))
    count = len(orders)
    while count > 1 and not loud(orders[count - 1], probes):
        count -= 1
    every = np.arange(len(f))  # a jump of the cutoff may lie between the probes
    while count < len(orders) and loud(orders[count], every):
        count += 1
    return orders[:count]


def _ideal(shape: Shape, k: int) -> float:
    return 1 / k**2 if shape == "triangle" else 1 / k


def _weight(
    shape: Shape,
    k: int,
    f: NDArray[np.float64],
    rate: int,
    response: Response | None,
    where: slice,
) -> float | NDArray[np.float64] | NDArray[np.complex128]:
    """Weight of one harmonic: its own, times the fade, times the filter."""
    weight: float | NDArray[np.float64] | NDArray[np.complex128] = _ideal(shape, k)
    low, high = FADE[0] * rate / 2, FADE[1] * rate / 2
    if shape != "sine" and k * f.max() > low:
        weight = weight * smooth_step((high - k * f) / (high - low))
    if response is not None:
        weight = weight * response(k * f, where)
    return weight


def _series(
    first: NDArray[np.complex128],
    ratio: NDArray[np.complex128],
    weights: list[float | NDArray[np.float64] | NDArray[np.complex128]],
) -> NDArray[np.complex128]:
    """Sum of weights[j] * first * ratio**j by Horner's rule."""
    total = np.zeros_like(first)
    for weight in reversed(weights[1:]):
        total += weight
        total *= ratio
    total += weights[0]
    total *= first
    return total
