"""A stretch of sound read between its samples, period by period."""

from __future__ import annotations

import copy

import numpy as np
from numpy.typing import NDArray
from scipy import fft, ndimage

from sigkit.arrays import Complex
from sigkit.tracks.neighbours import Rows

Array = NDArray[np.floating]

FINER, ENOUGH_RATE = 2, 80_000
"""Sound of a lower rate is read between its samples after the rate was raised by this."""
CHUNK = 16_384
"""Values read at a time: they stay near the processor."""
NODES = 4
"""Points of a period whose place is drawn straight between two that are worked out."""
PLACES = 128
"""Places between two samples that are told apart where the loss of reading there is worked out."""
EIGHTH = 8
"""Samples from one to the next where a few places are looked up in a phase."""


class Spline:
    """A cubic spline through evenly spaced values, kept as the polynomial of each interval."""

    def __init__(self, values: Array) -> None:
        c = ndimage.spline_filter1d(values, order=3, mode="mirror", output=np.float32)
        c = np.concatenate([c[1:2], c, c[-2:-4:-1]])
        step = np.diff(c)
        step /= 6
        slope = step[:-2] + step[1:-1]
        slope *= 3
        bend = np.diff(step)
        twist = np.diff(bend)
        bend *= 3
        self.parts = [values.astype(np.float32, copy=False), slope, bend[:-1], twist]

    def at(self, position: Array) -> Rows:
        """Return the values between, at positions from 0 to one less than their number."""
        flat = position.ravel()
        out = np.empty(flat.size, np.float32)
        for first in range(0, flat.size, CHUNK):
            self._read(flat[first : first + CHUNK], out[first : first + CHUNK])
        return out.reshape(position.shape)

    def between(self, node: Array) -> Rows:
        """Return the values at four positions from each node to the next, shape (4 * n_nodes,)."""
        out = np.empty((node.size - 1) * NODES, np.float32)
        size = CHUNK // NODES
        for first in range(0, node.size - 1, size):
            here = node[first : first + size + 1]
            at, step = np.empty((here.size - 1, NODES)), np.diff(here)
            for k, place in enumerate(at.T):
                np.multiply(step, k / NODES, out=place)
                place += here[:-1]
            self._read(at.ravel(), out[first * NODES : first * NODES + at.size])
        return out

    def _read(self, at: Array, out: Rows) -> None:
        whole = at.astype(np.intp)
        beyond = (at - whole).astype(np.float32)
        value, straight, bend, twist = self.parts
        twist.take(whole, mode="clip", out=out)
        for part in (bend, straight, value):
            out *= beyond
            out += part.take(whole, mode="clip")


def straight(values: Rows, position: Array) -> Rows:
    """Return values drawn straight between evenly spaced ones."""
    out = np.empty(position.size, np.float32)
    for first in range(0, position.size, CHUNK):
        at = position[first : first + CHUNK]
        whole = at.astype(np.intp)
        value = values.take(whole, mode="clip")
        here = out[first : first + CHUNK]
        values.take(whole + 1, mode="clip", out=here)
        here -= value
        here *= at - whole
        here += value
    return out


class Sound:
    """A stretch of sound to be read between its samples."""

    def __init__(self, x: Array, rate: int) -> None:
        self.finer = FINER if rate < ENOUGH_RATE else 1
        size = fft.next_fast_len(x.size + 64, real=True)
        spectrum = np.zeros(self.finer * size // 2 + 1, complex)
        spectrum[: size // 2 + 1] = fft.rfft(x, size)
        fine = self.finer * fft.irfft(spectrum, self.finer * size)[: self.finer * x.size]
        self.spline, self.first = Spline(fine), 0

    def since(self, first: int) -> Sound:
        """Return the same sound, its samples counted from another one."""
        out = copy.copy(self)
        out.first = self.first + first
        return out

    def at(self, sample: Array) -> Rows:
        """Return the sound at fractional positions, in samples."""
        return self.spline.at(self.finer * (sample + self.first))

    def passes(self, cycles: Array, sample: Array) -> Complex:
        """Return what reading at some positions makes of tones, re what they are there.

        Parameters
        ----------
        cycles : ndarray, shape (n_tones,)
            Their frequencies in cycles a sample, up to 0.5.
        sample : ndarray, shape (n_rows, n_points)
            Where the sound is read, in samples.

        Returns
        -------
        ndarray, shape (n_points, n_tones)
            Mean response of the rows: 1 at the samples themselves, below that between them.

        Notes
        -----
        A cubic spline through a tone's samples is a sum of B-splines whose weights are the samples
        over their own response, (2 + cos w) / 3 [1]_.

        References
        ----------
        .. [1] M. Unser, "Splines: a perfect fit for signal and image processing", IEEE Signal
           Processing Magazine 16 (1999), 22-38 (from memory).
        """
        at = self.finer * (sample + self.first)
        points = sample.shape[1]
        place = (at % 1.0 * PLACES).astype(np.intp).clip(0, PLACES - 1)
        own = place + PLACES * np.arange(points)
        count = np.bincount(own.ravel(), minlength=PLACES * points).reshape(points, PLACES)
        d = ((np.arange(PLACES) + 0.5) / PLACES)[:, None]
        turn = 2 * np.pi * np.asarray(cycles)[None, :] / self.finer
        knots_at = (
            (-1, (1 - d) ** 3 / 6),
            (0, 2 / 3 - d**2 + d**3 / 2),
            (1, 2 / 3 - (1 - d) ** 2 + (1 - d) ** 3 / 2),
            (2, d**3 / 6),
        )
        back = np.exp(-1j * turn * d)
        read = sum(weight * (back * np.exp(1j * turn * j)) for j, weight in knots_at)
        left: Complex = count @ (3 * read / (2 + np.cos(turn))) / sample.shape[0]
        return left

    def between(self, sample: Array) -> Rows:
        """Return the sound at four positions from each of these, in samples, to the next."""
        return self.spline.between(self.finer * (sample + self.first))


def read_periods(
    sound: Sound, phase: Array, count: int, points: int, edge: Array | None = None
) -> Rows:
    """Return the sound at points of each period of a phase, or of it laid on the edges.

    Parameters
    ----------
    sound : Sound
        The sound.
    phase : ndarray, shape (n_samples,)
        Phase in periods from the first row.
    count, points : int
        Periods, and points of each.
    edge : ndarray, shape (n_rows,), optional
        Edges that are to lie in the middle of their periods, as `laid_on` moves them.

    Returns
    -------
    ndarray, shape (count, points)
        One period a row.
    """
    grid = np.arange(-(-count * points // NODES) + 1) * (NODES / points)
    if edge is not None:
        middle = np.arange(edge.size) + 0.5
        grid = np.maximum.accumulate(grid - np.interp(grid, middle, middle - edge))
    out = sound.between(np.interp(grid, phase, np.arange(phase.size)))
    return out[: count * points].reshape(count, points)


def knots(phase: Array) -> tuple[Array, NDArray[np.intp]]:
    """Return the phase at every eighth sample and the last, and which these are."""
    at = np.append(np.arange(0, phase.size - 1, EIGHTH), phase.size - 1)
    return phase[at], at


def laid_on(phase: Array, edge: Array) -> Array:
    """Return the phase moved so that every edge lies in the middle of its period."""
    offset = np.arange(edge.size) + 0.5 - edge
    out: Array = phase + np.interp(phase, edge, offset)
    return np.maximum.accumulate(out, out=out)
