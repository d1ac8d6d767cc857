"""The envelope of a sound whose wave cannot be learned: from its power, noise taken out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sigkit.arrays import Flags, Real

NOISE_STEP_S = 0.001
HIDDEN = 1.5
"""Level of noise re that beside it, below which how much of it is left hangs on chance."""
APART = 2.0
"""Shortest block of noise, re the time over which it is alike: what scatters less is no noise."""
LAGS = 256
SURE = 3.0
"""Standard deviations from which on a power stands out of the noise by itself."""
UNSTEADY = 0.01
"""Share of the level that a block of whole periods of an unsteady tone is off by."""


@dataclass(frozen=True, eq=False)
class PowerTrack:
    """Root of the power in blocks of any length, the noise beside it taken out.

    Parameters
    ----------
    period_s : float
        Shortest block: a period of the tone, or 1 ms of noise.
    is_noise : bool
        Whether the carrier is noise.
    running : ndarray, shape (n_samples + 1,)
        Running sum of the sound's square.
    start_s, rate : float, int
        Time of the first sample, and samples a second.
    floor : float
        Power of what is heard where nothing sounds.
    alike : float
        Sum of the squared autocorrelation of the sound: 1 for white noise. The power of n samples
        scatters by the root of twice that over n.
    size : float
        What gains are in: the level of the loudest 20 ms.
    """

    period_s: float
    is_noise: bool
    running: Real
    start_s: float
    rate: int
    floor: float
    alike: float
    size: float

    @property
    def wave_rms(self) -> float:
        """Root mean square of the sound where its gain is 1."""
        return self.size

    @property
    def hidden(self) -> float:
        """Gain below which noise cannot be told from the noise beside it."""
        return HIDDEN * math.sqrt(self.floor) / self.size if self.is_noise else 0.0

    def blocks(self, edges: Real) -> tuple[Real, Real, Real]:
        """Return time, envelope and its standard deviation in whole periods between times."""
        index = np.round((np.asarray(edges) - self.start_s) * self.rate).astype(np.intp)
        index = np.unique(np.clip(index, 0, self.running.size - 1))
        if index.size < 2:
            return np.zeros(0), np.zeros(0), np.zeros(0)
        least = max(1, round(self.period_s * self.rate))
        kept = [int(index[0])]
        for i in index[1:].tolist():
            if i - kept[-1] >= least:
                whole = kept[-1] + round((i - kept[-1]) / least) * least
                kept.append(min(whole, self.running.size - 1) if not self.is_noise else i)
        at = np.unique(np.array(kept))
        count = np.diff(at)
        power = np.diff(self.running[at]) / count
        signal = power - self.floor
        if self.is_noise:
            share = np.sqrt(2 * self.alike / count)
            smooth = np.convolve(power, np.ones(3) / 3, mode="same") if power.size > 4 else power
            u_power = share * np.maximum(smooth, self.floor)
            bias = 1 + share**2 / 8
            # What is hidden by noise is told by its neighbours too, or chance gives it weight.
            usual = np.where(signal > SURE * u_power, signal, smooth - self.floor)
        else:
            cross = np.sqrt(4 * self.floor * np.maximum(signal, 0) / count)
            u_power = np.sqrt(cross**2 + 2 * self.floor**2 / count)
            u_power = np.hypot(u_power, 2 * UNSTEADY * np.maximum(signal, 0))
            bias, usual = np.ones(count.size), signal
        gain = np.sign(signal) * np.sqrt(np.abs(signal)) * bias
        # A root hidden by noise has the mean size of a normal deviate for its variance.
        scale = np.sqrt(4 * np.maximum(usual, 0) + np.sqrt(np.pi / 2) * u_power)
        time = self.start_s + (at[:-1] + at[1:] - 1) / 2 / self.rate
        return time, gain / self.size, np.maximum(u_power / scale, 1e-12) / self.size


def power_track(
    sound: Real, rate: int, start_s: float, quiet: Flags, hz: float | None
) -> PowerTrack:
    """Return the envelope from the power of a sound.

    Parameters
    ----------
    sound : ndarray, shape (n_samples,)
        Sound, hum taken out.
    rate : int
        Sample rate in Hz.
    start_s : float
        Time of the first sample.
    quiet : ndarray of bool, shape (n_samples,)
        Where nothing sounds.
    hz : float or None
        Rough pitch; None: the carrier is noise.
    """
    running = np.concatenate([[0.0], np.cumsum(sound**2)])
    size = max(1, round(0.02 * rate))
    means = np.diff(running[::size]) / size
    loudest = int(np.argmax(means)) if means.size else 0
    alike = _alike(sound[max(0, (loudest - 2) * size) : (loudest + 3) * size])
    floor = float(np.mean(sound[quiet] ** 2)) if quiet.any() else 0.0
    return PowerTrack(
        period_s=max(NOISE_STEP_S, APART * alike / rate) if hz is None else 1 / hz,
        is_noise=hz is None,
        running=running,
        start_s=start_s,
        rate=rate,
        floor=floor,
        alike=alike,
        size=math.sqrt(max(float(means.max()) if means.size else 0.0, 1e-20)),
    )


def _alike(sound: Real) -> float:
    if sound.size < 8:
        return 1.0
    lags = min(LAGS, sound.size // 4)
    centred = sound - sound.mean()
    power = float(centred @ centred)
    if not power > 0:
        return 1.0
    rho = np.array([float(centred[k:] @ centred[:-k]) for k in range(1, lags)]) / power
    # What chance alone adds to every lag is taken out.
    return float(max(1.0, 1 + 2 * (np.sum(rho**2) - rho.size / sound.size)))
