"""Sliders of four kinds, by what they control: level, pitch, timbre or pulse width."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from sigkit.errors import InputError
from sigkit.synth.dirt import Kind, Place, crossings, event_table, only, soil, steps, thrown
from sigkit.synth.filters import LowPass
from sigkit.synth.oscillators import Oscillator, Response, Shape, rms
from sigkit.synth.paths import at_cents
from sigkit.synth.sound import Sound, truth_path
from sigkit.synth.travel import Travel

Array = NDArray[np.float64]
_STEADY: tuple[Kind, ...] = (
    "burst",
    "dropout",
    "chopped contact",
    "jumping value",
)  # all but a step of pitch


def audio_taper(position: Array) -> Array:
    """Gain of a level slider with an audio taper: 0 at the bottom, 1 at the top, 1/11 halfway."""
    return np.expm1(position * math.log(100)) / 99


def dirty_level_slider(
    path: Travel,
    *,
    frequency_hz: float,
    places: Sequence[Place],
    rng: np.random.Generator,
    shape: Shape = "saw",
    response: Response | None = None,
    level_dbfs: float = -12.0,
) -> Sound:
    """Play a tone through a level slider that is moved and is dirty in places.

    Parameters
    ----------
    path : Travel
        How the slider moves.
    frequency_hz : float
        Pitch of the tone.
    places : sequence of Place
        Any but pitch jumps; empty for a clean slider.
    rng : numpy.random.Generator
        Decides which crossings fire, how a burst sounds and how a contact opens and closes.
    shape : {"sine", "triangle", "saw", "pulse"}
        The wave.
    response : Response, optional
        Filter of the tone, such as ``LowPass(120.0)`` for a dark one.
    level_dbfs : float
        RMS level of the tone with the slider at the top.

    Returns
    -------
    Sound
        Truth: ``time_s`` with ``frequency_hz``, ``position`` and ``gain`` (of the clean slider);
        ``clean``, the same sound without dirt; ``passes``; ``events`` with start_s, stop_s, kind,
        position, level_db, size_cents (nan), place (index in ``places``), number (of the pass).
        ``level_db`` is the RMS of dirty less clean over the event, re the RMS of the clean tone
        at the slider's mean gain over the event.

    Raises
    ------
    InputError
        A place holds a pitch jump.
    """
    only(places, _STEADY)
    n, rate = len(path.position), path.rate
    tone = Oscillator(shape, rate).play(np.full(n, frequency_hz), response=response)
    tone *= 10 ** (level_dbfs / 20) / (rms(tone) * math.sqrt(2))
    gain = audio_taper(path.position)
    steady, clean = rms(tone), tone * gain

    def around(part: slice) -> float:
        return steady * rms(gain[part])

    fired = crossings(path, places, rng=rng)
    moved = tone * audio_taper(thrown(path, places, fired, rng=rng))
    dirty = soil(moved, path, places, fired, around=around, rng=rng)
    events = event_table(
        path,
        places,
        fired,
        level_db=lambda part: _db(rms(dirty[part] - clean[part]), around(part)),
    )
    hz = np.full(n, float(frequency_hz))
    paths = truth_path(rate, frequency_hz=hz, position=path.position, gain=gain)
    return Sound(dirty, rate, {**paths, "clean": clean, "passes": path.passes, "events": events})


def dirty_pitch_slider(
    path: Travel,
    *,
    lowest_hz: float,
    range_cents: float,
    places: Sequence[Place],
    rng: np.random.Generator,
    shape: Shape = "saw",
    response: Response | None = None,
    level_dbfs: float = -12.0,
) -> Sound:
    """Play a tone whose pitch slider is moved and is dirty in places.

    Parameters
    ----------
    path : Travel
        How the slider moves.
    lowest_hz : float
        Pitch at the bottom of the travel.
    range_cents : float
        Range of the slider, even in cents along its travel.
    places : sequence of Place
        Of any kind; empty for a clean slider.
    rng : numpy.random.Generator
        Decides which crossings fire, how a burst sounds and how a contact opens and closes.
    shape : {"sine", "triangle", "saw", "pulse"}
        The wave.
    response : Response, optional
        Filter of the tone.
    level_dbfs : float
        RMS level of the tone.

    Returns
    -------
    Sound
        Truth: ``time_s`` with ``frequency_hz`` (dirt included), ``clean_hz`` and ``position``;
        ``clean``, the tone at ``frequency_hz`` without bursts, dropouts and bad contacts;
        ``passes``; ``events`` as `dirty_level_slider` has them. ``size_cents`` is given for pitch
        jumps and jumping values, ``level_db`` for the other kinds: the RMS of the sound less
        ``clean``, re the RMS of ``clean`` over whole periods around.

    Notes
    -----
    The frequency path is rounded to steps of 2**-24 Hz, so that the phase is the same to the last
    bit on any machine.
    """
    fired = crossings(path, places, rng=rng)
    offset = steps(len(path.position), places, fired, rate=path.rate)
    hz, clean_hz = (
        np.rint(at_cents(lowest_hz, cents) * 2**24) / 2**24
        for cents in (
            range_cents * thrown(path, places, fired, rng=rng) + offset,
            range_cents * path.position,
        )
    )
    clean = Oscillator(shape, path.rate).play(hz, response=response)
    clean *= 10 ** (level_dbfs / 20) / (rms(clean) * math.sqrt(2))

    def around(part: slice) -> float:
        return _over_periods(clean, part, path.rate / float(hz[part].min()))

    dirty = soil(clean, path, places, fired, around=around, rng=rng)

    def level(part: slice) -> float:
        added = rms(dirty[part] - clean[part])
        return _db(added, around(part)) if added > 0 else math.nan

    def size(place: Place) -> float:
        thrown_cents = range_cents * place.jump if place.kind == "jumping value" else math.nan
        return place.size_cents if place.kind == "pitch jump" else thrown_cents

    events = event_table(path, places, fired, level_db=level, size_cents=size)
    paths = truth_path(path.rate, frequency_hz=hz, clean_hz=clean_hz, position=path.position)
    return Sound(
        dirty, path.rate, {**paths, "clean": clean, "passes": path.passes, "events": events}
    )


def dirty_timbre_slider(
    path: Travel,
    *,
    frequency_hz: float,
    cutoff_hz: float | tuple[float, float],
    places: Sequence[Place],
    rng: np.random.Generator,
    q: float | tuple[float, float] = 0.5,
    shape: Shape = "saw",
    level_dbfs: float = -12.0,
) -> Sound:
    """Play a tone through a low-pass whose slider is moved and is dirty in places.

    Parameters
    ----------
    path : Travel
        How the slider moves.
    frequency_hz : float
        Pitch of the tone.
    cutoff_hz : float or (float, float)
        Cutoff of the low-pass of 24 dB per octave at the bottom and the top of the travel, even
        in octaves between; one number where the slider does not move it.
    places : sequence of Place
        Any but pitch jumps; empty for a clean slider.
    rng : numpy.random.Generator
        Decides which crossings fire, how a burst sounds and how a contact opens and closes.
    q : float or (float, float)
        Quality factor, likewise: a pair for a slider of resonance. 0.5 is none.
    shape : {"sine", "triangle", "saw", "pulse"}
        The wave.
    level_dbfs : float
        RMS level of the whole clean sound.

    Returns
    -------
    Sound
        Truth: ``time_s`` with ``frequency_hz``, ``position``, ``cutoff_hz`` and ``q`` (of the
        clean slider); ``clean``, the same sound without dirt; ``passes``; ``events`` as
        `dirty_level_slider` has them. ``level_db`` is the RMS of dirty less clean over the event,
        re the RMS of the clean tone over whole periods around.

    Raises
    ------
    InputError
        A place holds a pitch jump; a cutoff or q not above zero.

    See Also
    --------
    LowPass : the filter, exact for each harmonic, without the transients of a circuit.
    """
    only(places, _STEADY)
    if min(np.min(cutoff_hz), np.min(q)) <= 0:
        raise InputError("A low-pass needs cutoff and q above zero at both ends of the travel.")
    hz = np.full(len(path.position), float(frequency_hz))

    def play(position: Array) -> Array:
        response = LowPass(_along(cutoff_hz, position), q=_along(q, position))
        return Oscillator(shape, path.rate).play(hz, response=response)

    cutoff, quality = (np.broadcast_to(_along(v, path.position), hz.shape) for v in (cutoff_hz, q))
    return _soiled(path, places, rng, play, hz, level_dbfs, {"cutoff_hz": cutoff, "q": quality})


def dirty_width_slider(
    path: Travel,
    *,
    frequency_hz: float,
    places: Sequence[Place],
    rng: np.random.Generator,
    width: tuple[float, float] = (0.5, 0.9),
    response: Response | None = None,
    level_dbfs: float = -12.0,
) -> Sound:
    """Play a pulse whose width slider is moved and is dirty in places.

    Parameters
    ----------
    path : Travel
        How the slider moves.
    frequency_hz : float
        Pitch of the pulse.
    places : sequence of Place
        Any but pitch jumps; empty for a clean slider.
    rng : numpy.random.Generator
        Decides which crossings fire, how a burst sounds and how a contact opens and closes.
    width : (float, float)
        Share of the period in which the pulse is high, at the bottom and the top of the travel;
        even between.
    response : Response, optional
        Filter of the tone.
    level_dbfs : float
        RMS level of the whole clean sound.

    Returns
    -------
    Sound
        Truth: ``time_s`` with ``frequency_hz``, ``position`` and ``width`` (of the clean slider);
        ``clean``, ``passes`` and ``events`` as `dirty_timbre_slider` has them.

    Raises
    ------
    InputError
        A place holds a pitch jump; a width out of 0 to 1.
    """
    only(places, _STEADY)
    hz = np.full(len(path.position), float(frequency_hz))

    def at(position: Array) -> Array:
        return width[0] + (width[1] - width[0]) * position

    def play(position: Array) -> Array:
        return Oscillator("pulse", path.rate).play(hz, width=at(position), response=response)

    return _soiled(path, places, rng, play, hz, level_dbfs, {"width": at(path.position)})


def _soiled(
    path: Travel,
    places: Sequence[Place],
    rng: np.random.Generator,
    play: Callable[[Array], Array],
    hz: Array,
    level_dbfs: float,
    control: Mapping[str, Array],
) -> Sound:
    """Play a tone whose waveform depends on the slider's position, clean and dirty."""
    clean = play(path.position)
    scale = 10 ** (level_dbfs / 20) / (rms(clean) * math.sqrt(2))
    clean *= scale

    def around(part: slice) -> float:
        return _over_periods(clean, part, path.rate / float(hz[0]))

    fired = crossings(path, places, rng=rng)
    position = thrown(path, places, fired, rng=rng)
    moved = clean if position is path.position else scale * play(position)
    dirty = soil(moved, path, places, fired, around=around, rng=rng)
    events = event_table(
        path,
        places,
        fired,
        level_db=lambda part: _db(rms(dirty[part] - clean[part]), around(part)),
    )
    paths = truth_path(path.rate, frequency_hz=hz, position=path.position, **control)
    return Sound(
        dirty, path.rate, {**paths, "clean": clean, "passes": path.passes, "events": events}
    )


def _along(ends: float | tuple[float, float], position: Array) -> float | Array:
    """Value at a position, even in its logarithm between both ends."""
    if not isinstance(ends, tuple):
        return float(ends)
    return np.asarray(ends[0] * (ends[1] / ends[0]) ** position, np.float64)


def _over_periods(samples: Array, part: slice, period: float) -> float:
    """RMS over the fewest whole periods, of so many samples each, that hold a part."""
    middle, length = (part.start + part.stop) / 2, part.stop - part.start
    half = math.ceil(length / period) * period / 2
    return rms(samples[max(0, round(middle - half)) : round(middle + half)])


def _db(value: float, reference: float) -> float:
    return 20 * math.log10(value / reference)
