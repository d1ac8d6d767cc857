"""An oscillator and a low-pass in the time domain, four times oversampled, for made-up sweeps.

Controls are given at 48 kHz and run straight between samples. Edges lie where phase and threshold,
both moving, really meet; each is smoothed by an integrated cubic B-spline (corners by one
integrated twice) at 192 kHz, then everything is filtered down to 20 kHz. Shares nothing with the
estimator, which works on periods, nor with ``sigkit.synth``.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from scipy import signal

RATE = 48_000
UP = 4
SAW, PULSE, TRIANGLE, SINE = range(4)
SHAPES = {"saw": SAW, "pulse": PULSE, "triangle": TRIANGLE, "sine": SINE}
TAPS = signal.firwin(287, 22_000, window=("kaiser", 9.0), fs=UP * RATE)


@njit(cache=True)
def _step(x):
    """Integrated cubic B-spline less the unit step, at x samples after it."""
    u = 2.0 - abs(x)
    if u <= 0:
        return 0.0
    if u < 1:
        s = u**4 / 24
    else:
        t = u - 1
        s = 1 / 24 + (t + 1.5 * t**2 + t**3 - 0.75 * t**4) / 6
    return s if x < 0 else -s


@njit(cache=True)
def _corner(x):
    """The same of the unit ramp."""
    u = 2.0 - abs(x)
    if u <= 0:
        return 0.0
    if u < 1:
        return u**5 / 120
    t = u - 1
    return 1 / 120 + t / 24 + (t**2 / 2 + t**3 / 2 + t**4 / 4 - 0.15 * t**5) / 6


@njit(cache=True)
def _mend(out, at, step, corner):
    """Smooth a step and a corner that lie between samples."""
    first = math.ceil(at) - 2
    for i in range(max(first, 0), min(first + 5, out.size)):
        if step != 0:
            out[i] += step * _step(i - at)
        if corner != 0:
            out[i] += corner * _corner(i - at)


@njit(cache=True)
def _oscillate(shape, octaves, width, jitter, phase, up):
    """Play log2 of the pitch in Hz, with a period that jitters from cycle to cycle."""
    count = octaves.size
    out = np.zeros(count * up)
    rate = 48_000.0 * up
    p, cycle, high, w0 = phase, 0, phase < width[0], width[0]
    f0 = 2.0 ** octaves[0]
    for j in range(count):
        f1 = 2.0 ** octaves[j]
        for i in range(up):
            n = j * up + i
            share = (i + 1) / up
            before = width[max(j - 1, 0)]
            w1 = before + share * (width[j] - before)
            dw = w1 - w0
            inc = (f0 + share * (f1 - f0)) * (1 + jitter[cycle]) / rate
            q = p + inc
            wrap = q >= 1
            turn = (1 - p) / inc
            if shape == 1:
                if wrap:
                    if not high:
                        _mend(out, n - 1 + turn, 2.0, 0.0)
                    q -= 1
                    high = True
                    if q >= w1:
                        f = (w0 + turn * inc) / (inc - dw)
                        _mend(out, n - 1 + min(max(f, turn), 1.0), -2.0, 0.0)
                        high = False
                else:
                    now = q < w1
                    if now != high:
                        f = (w0 - p) / (inc - dw)
                        _mend(out, n - 1 + min(max(f, 0.0), 1.0), 2.0 if now else -2.0, 0.0)
                        high = now
                out[n] += 1.0 if high else -1.0
            elif shape == 0:
                if wrap:
                    q -= 1
                    _mend(out, n - 1 + turn, -2.0, 0.0)
                out[n] += 2 * q - 1
            elif shape == 2:
                if p < 0.5 and q >= 0.5:
                    _mend(out, n - 1 + (0.5 - p) / inc, 0.0, 8 * inc)
                if wrap:
                    q -= 1
                    _mend(out, n - 1 + turn, 0.0, -8 * inc)
                out[n] += 4 * abs(q - 0.5) - 1
            else:
                if wrap:
                    q -= 1
                out[n] = math.sin(2 * math.pi * q)
            if wrap:
                cycle += 1
            p, w0 = q, w1
        f0 = f1
    return out


@njit(cache=True)
def _lowpass(x, cutoff_hz, quality, stages, up):
    """Filter with one or two state-variable low-passes (trapezoidal rule)."""
    out = np.empty(x.size)
    a = b = c = d = 0.0
    g0 = math.tan(math.pi * cutoff_hz[0] / (48_000 * up))
    k0 = 1 / quality[0]
    for j in range(cutoff_hz.size):
        g1 = math.tan(math.pi * cutoff_hz[j] / (48_000 * up))
        k1 = 1 / quality[j]
        for i in range(up):
            share = (i + 1) / up
            g = g0 + share * (g1 - g0)
            k = k0 + share * (k1 - k0)
            n = j * up + i
            v3 = x[n] - b
            a1 = 1 / (1 + g * (g + k))
            v1 = a1 * (a + g * v3)
            v2 = b + g * v1
            a, b = 2 * v1 - a, 2 * v2 - b
            if stages == 2:
                v3 = v2 - d
                a1 = 1 / (1 + g * (g + 1.6))
                v1 = a1 * (c + g * v3)
                v2 = d + g * v1
                c, d = 2 * v1 - c, 2 * v2 - d
            out[n] = v2
        g0, k0 = g1, k1
    return out


@njit(cache=True, fastmath=True)
def _decimate(x, taps, up):
    half = taps.size // 2
    padded = np.zeros(x.size + taps.size)
    padded[half : half + x.size] = x
    out = np.empty(x.size // up)
    for j in range(out.size):
        total = 0.0
        at = j * up
        for i in range(taps.size):
            total += taps[i] * padded[at + i]
        out[j] = total
    return out


def oscillate(shape, octaves, width, jitter, phase=0.0):
    """Return a tone at 192 kHz, -1 to 1: ``octaves`` is log2 of Hz at 48 kHz, ``width`` 0 to 1."""
    return _oscillate(SHAPES[shape], octaves, np.clip(width, 0.02, 0.98), jitter, phase, UP)


def lowpass(x, cutoff_hz, quality, stages):
    """Return ``x`` (192 kHz) through a low-pass of 12 dB an octave a stage."""
    return _lowpass(x, np.minimum(cutoff_hz, 40_000.0), quality, stages, UP)


def decimate(x):
    """Return ``x`` (192 kHz) at 48 kHz."""
    return _decimate(x, TAPS, UP)


def couple(x, corner_hz):
    """Return ``x`` (48 kHz) through a coupling capacitor."""
    r = math.exp(-2 * math.pi * corner_hz / RATE)
    return signal.lfilter([(1 + r) / 2, -(1 + r) / 2], [1, -r], x)
