"""The carrier of a note: its pitch to a millionth, its own waveform, and the envelope on it.

A rectifier follows an envelope no faster than a period of its carrier. A note is the product of a
known wave and an envelope: once the wave is known, every sample tells the envelope, signed and
without ripple. The sound is read at equal steps of the carrier's phase; the wave is the mean of all
periods weighted by the envelope; the envelope between any two points is the projection of the sound
onto it, which is its least-squares estimate in white noise.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from sigkit.arrays import Flags, Real
from sigkit.tracks.envelope.phase import follow, refined
from sigkit.tracks.envelope.rough import rough_pitches
from sigkit.tracks.sound import Sound

STEADY = 0.15
"""Largest change of level from one period to the next where the wave is learned first."""
ROUNDS = 2
"""Times the phase is followed, by a polynomial; the last time by a smoothing spline where that
does not do."""
HEARD = 0.1
"""Level re the peak from which on a period counts."""
SURE, ENDS = 0.5, 60
"""Level re the peak where the phase is sure, and periods at its ends that it is gone on from."""
FEW_POINTS, LEAST_READ = 200, 0.2
"""Points a period up to which each of them is looked at for what reading there loses, and share of
a harmonic left by that from which on it is made up for."""
FEWEST = 6
"""Periods that a wave needs at least."""


class Course(NamedTuple):
    """A phase that goes straight from one place to the next.

    Parameters
    ----------
    sample, phase : ndarray, shape (n_places,)
        Places in samples, rising, and the phase there in periods.
    """

    sample: Real
    phase: Real

    def ahead(self, periods: Real, turn: Real) -> Course:
        """Return the course that is so many periods ahead at so many periods from its start."""
        first = self.phase[0]
        places = np.union1d(self.sample, np.interp(periods + first, self.phase, self.sample))
        phase = np.interp(places, self.sample, self.phase)
        return Course(places, phase + np.interp(phase - first, periods, turn))


class Place(NamedTuple):
    """Where a carrier is read: its sound, along which course, and the time of that in seconds."""

    reader: Sound
    course: Course
    start_s: float
    rate: int


@dataclass(frozen=True, eq=False)
class CarrierTrack:
    """The envelope on a carrier of known wave, to be summed between any two points.

    Parameters
    ----------
    hz : float
        Frequency of the carrier where it is loudest.
    drift_cents : float
        Extent of its change of pitch while it is loud.
    points : int
        Points a period.
    time_s : ndarray, shape (n_points,)
        Time of every point from the start of the capture.
    sums : ndarray, shape (3, n_points + 1)
        Running sums of sound times wave, of the wave's square, and of time times that.
    gain : ndarray, shape (n_periods,)
        Envelope of each period, 1 where the wave has its mean size.
    wave_rms : float
        Root mean square of the tone where its gain is 1, what reading between samples loses made
        up for.
    misfit : float
        Energy of what the wave does not explain where the note is loud and steady, noise taken out,
        as a share of that of the note; 0 for a coherent one.
    noise : float
        Standard deviation of the white noise of one point.
    held : float
        Periods behind the wave that are not far below the peak.
    sound : ndarray, shape (n_points,)
        The sound at every point.
    wave : ndarray, shape (points,)
        One period of the carrier where its gain is 1.
    place : Place
        Where the points were read.
    """

    hz: float
    drift_cents: float
    points: int
    time_s: Real
    sums: Real
    gain: Real
    wave_rms: float
    misfit: float
    noise: float
    held: float
    sound: Real
    wave: Real
    place: Place

    @property
    def period_s(self) -> float:
        """Length of a period."""
        return 1 / self.hz

    def blocks(self, edges: Real) -> tuple[Real, Real, Real]:
        """Return time, envelope and its standard deviation between consecutive times.

        Parameters
        ----------
        edges : ndarray, shape (n + 1,)
            Times in rising order.

        Returns
        -------
        time_s, gain, u_gain : ndarray, shape (m,)
            Of the blocks that hold any of the wave; the time is the centre of the wave's energy.
        """
        index = np.unique(np.searchsorted(self.time_s, edges))
        product, energy, moment = np.diff(self.sums[:, index], axis=1)
        # A block where the wave is near zero tells nothing.
        told = energy > 1e-6 * self.wave_rms**2 * np.diff(index)
        product, energy, moment = product[told], energy[told], moment[told]
        return moment / energy, product / energy, self.noise / np.sqrt(energy)

    def phase_at(self, time_s: Real) -> Real:
        """Return the carrier's phase in periods from its first point, gone on evenly beyond it.

        Where the note is loud it is as followed; before and after that the pitch stays, because
        what is heard of it there may be hum.
        """
        loud = np.flatnonzero(self.gain > SURE * self.gain.max())
        first, last = int(loud[0]), int(loud[-1])
        begins = self.time_s[:: self.points]
        out: Real = np.interp(time_s, self.time_s, np.arange(self.time_s.size) / self.points)
        for edge, other in ((first, min(first + ENDS, last)), (last, max(last - ENDS, first))):
            if edge == other:
                continue
            a, b = sorted((edge, other))
            slope, offset = np.polyfit(begins[a : b + 1], np.arange(a, b + 1), 1)
            beyond = time_s < begins[edge] if edge == a else time_s > begins[edge]
            out[beyond] = offset + slope * time_s[beyond]
        return out

    def ahead(self, periods: Real, turn: Real) -> CarrierTrack:
        """Return the sound read anew along a phase that is so many periods ahead at some places.

        The places are in periods from the first point. The wave is to be learned again.
        """
        place = self.place._replace(course=self.place.course.ahead(periods, turn))
        rows, at = _read(place.reader, place.course, self.points, self.gain.size)
        time_s = place.start_s + at / place.rate
        return replace(self, sound=rows.ravel(), time_s=time_s, place=place)

    def on_wave(self, wave: Real) -> CarrierTrack:
        """Return the envelope on another wave."""
        size = math.sqrt(float(np.mean(wave**2)) / float(np.mean(self.wave**2)))
        sums = _sums(self.sound, wave, self.time_s)
        return replace(self, wave=wave, sums=sums, wave_rms=self.wave_rms * size)

    def rest(
        self, start_s: float, stop_s: float, envelope: Callable[[Real], Real]
    ) -> tuple[float, float]:
        """Return the rms of what an envelope on this wave does not explain, and that of noise.

        Parameters
        ----------
        start_s, stop_s : float
            From and to.
        envelope : callable
            Gains at given times.
        """
        a, b = np.searchsorted(self.time_s, [start_s, stop_s]).tolist()
        if b - a < 2:
            return math.nan, self.noise
        full = self.wave[np.arange(a, b) % self.points]
        left = self.sound[a:b] - envelope(self.time_s[a:b]) * full
        return float(np.sqrt(np.mean(left**2))), self.noise


def find_carrier(
    sound: Real, rate: int, start_s: float, quiet: Flags, rough: float | None = None
) -> CarrierTrack | None:
    """Find the carrier of a stretch of sound that holds one note or several of one pitch.

    Parameters
    ----------
    sound : ndarray, shape (n_samples,)
        The stretch, hum and direct voltage taken out.
    rate : int
        Sample rate in Hz.
    start_s : float
        Time of its first sample.
    quiet : ndarray of bool, shape (n_samples,)
        Where nothing sounds; tells the noise.
    rough : float, optional
        Rough pitch, as from `rough_pitches`; by default it is looked for.

    Returns
    -------
    CarrierTrack or None
        None where there is no tone whose phase can be followed.

    Notes
    -----
    The pitch is found progressively: the phases of neighbouring periods are compared, then of
    periods twice as far apart, and so on while they keep together. The phase of groups of periods
    against the wave so far is then smoothed (generalised cross-validation), the sound read again
    along it, and the wave learned again, three times.
    """
    if rough is None:
        found = rough_pitches(sound, rate)
        if not found:
            return None
        rough = found[0]
    points = max(8, math.ceil(rate / rough))
    reader = Sound(sound, rate)
    ends = np.array([0.0, sound.size - 1.0])
    course = Course(ends, ends * (rough / rate))
    rows, _ = _read(reader, course, points)
    if len(rows) < FEWEST:
        return None
    course = course._replace(phase=course.phase * (1 + refined(rows)))
    for turn_of in range(ROUNDS):
        rows, _ = _read(reader, course, points)
        if len(rows) < FEWEST:
            return None
        moved = follow(rows, rough, last=turn_of == ROUNDS - 1)
        if moved is None:
            return None
        course = course.ahead(*moved)
    rows, at = _read(reader, course, points)
    wave, gain, held = _wave(rows)
    if not np.any(wave):
        return None
    quiet_points = quiet[np.minimum(at.astype(np.intp), quiet.size - 1)]
    misfit, noise = _misfit(rows, wave, gain, np.all(quiet_points.reshape(rows.shape), axis=1))
    own_hz = rate / np.diff(at[::points])
    loud_hz = own_hz[(gain > 0.5 * gain.max())[: own_hz.size]]
    hz = float(np.median(loud_hz)) if loud_hz.size else rough
    drift = float(np.ptp(1200 * np.log2(loud_hz / hz))) if loud_hz.size else 0.0
    time_s = start_s + at / rate
    # Points lie a little closer than samples, so that their noise is not quite independent.
    closer = max(1.0, points * hz / rate)
    return CarrierTrack(
        hz=hz,
        drift_cents=drift,
        points=points,
        time_s=time_s,
        sums=_sums(rows.ravel(), wave, time_s),
        gain=gain,
        wave_rms=_rms(wave, hz / rate, reader, at.reshape(rows.shape)[gain > HEARD * gain.max()]),
        misfit=misfit,
        noise=noise * math.sqrt(closer),
        held=held,
        sound=rows.ravel(),
        wave=wave,
        place=Place(reader, course, start_s, rate),
    )


def _sums(sound: Real, wave: Real, time_s: Real) -> Real:
    """Return the running sums of a track on a wave."""
    full = np.tile(wave, sound.size // wave.size)
    out = np.zeros((3, full.size + 1))
    np.cumsum(sound * full, out=out[0, 1:])
    full *= full
    np.cumsum(full, out=out[1, 1:])
    np.cumsum(np.multiply(time_s, full, out=full), out=out[2, 1:])
    return out


def _read(
    reader: Sound, course: Course, points: int, count: int | None = None
) -> tuple[np.ndarray, Real]:
    """Return the sound at so many points of each whole period, a row each, and their samples."""
    first = course.phase[0]
    count = max(int(course.phase[-1] - first), 0) if count is None else count
    grid = np.arange(count * points) / points + first
    at = np.interp(grid, course.phase, course.sample)
    return reader.at(at).reshape(-1, points), at


def _wave(rows: np.ndarray) -> tuple[Real, Real, float]:
    """Return the wave at gain 1, the gain of each period, and the periods behind it."""
    data = rows.astype(np.float64)
    power = np.sum(data**2, axis=1)
    wave = data[int(np.argmax(power))]
    usable = np.ones(len(data), bool)
    count, points = data.shape
    place = (np.arange(points) + 0.5) / points - 0.5
    gain = np.zeros(count)
    for _ in range(6):
        norm = float(wave @ wave)
        if norm == 0:
            return np.zeros(points), gain, 0.0
        gain = data @ wave / norm
        slope = np.gradient(gain) if count > 1 else np.zeros(1)
        usable = (np.abs(slope) < STEADY * np.abs(gain)) & (gain > 0.02 * gain.max())
        if usable.sum() < FEWEST:
            usable = gain > 0.3 * gain.max()
        level = gain[usable, None] + slope[usable, None] * place
        wave = np.sum(level * data[usable], axis=0) / np.sum(level**2, axis=0)
    size = float(np.max(gain))
    held = float(np.count_nonzero(usable & (gain > HEARD * size)))
    return wave * size, gain / size, held


def _rms(wave: Real, cycles: float, reader: Sound, read_at: Real) -> float:
    """Return the root mean square of a wave before it was read at some places between samples.

    The fundamental is given in cycles a sample, the places as one period a row.
    """
    points = wave.size
    orders = np.arange(1, min((points - 1) // 2, int(0.5 / cycles)) + 1)
    mean = float(np.mean(wave))
    if points > FEW_POINTS:
        spectrum = np.fft.rfft(wave)[orders] / np.abs(
            reader.passes(orders * cycles, read_at.reshape(-1, 1))[0]
        )
        return math.sqrt(mean**2 + 2 * float(np.sum(np.abs(spectrum) ** 2)) / points**2)
    # Where periods lie alike on the samples, what reading makes of one harmonic is heard as others.
    turn = np.exp(2j * np.pi * np.outer(np.arange(points), orders) / points)
    read = turn * reader.passes(orders * cycles, read_at)
    columns = np.concatenate([read.real, -read.imag], axis=1)
    parts = np.linalg.lstsq(columns, wave - mean, rcond=LEAST_READ)[0]
    return math.sqrt(mean**2 + float(parts @ parts) / 2)


def _misfit(rows: np.ndarray, wave: Real, gain: Real, quiet: Flags) -> tuple[float, float]:
    """Return the energy that the wave leaves where the note is loud, and the noise of a point."""
    data = rows.astype(np.float64)
    place = (np.arange(data.shape[1]) + 0.5) / data.shape[1] - 0.5
    tilt = np.gradient(gain) if gain.size > 1 else np.zeros(gain.size)
    tone = (gain[:, None] + tilt[:, None] * place) * wave
    own = np.mean((data - tone) ** 2, axis=1)
    soft = quiet if quiet.sum() >= 3 else own <= np.quantile(own, 0.1)
    noise = float(np.mean(own[soft])) if soft.any() else 0.0
    # All that is loud counts, also where the wave finds nothing of itself in it.
    power = np.mean(data**2, axis=1)
    loud = power > 0.1 * power.max()
    shares = np.maximum(own[loud] - noise, 0.0) / np.maximum(power[loud], 1e-20)
    return float(np.median(shares)), math.sqrt(max(noise, 1e-20))
