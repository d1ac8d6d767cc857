"""The carrier of a stretch, and hum that lies at it or at one of its harmonics."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import chain
from typing import NamedTuple

import numpy as np

from sigkit.arrays import Flags, Real
from sigkit.measures.envelope.told import EVERY, Numbers
from sigkit.tracks.envelope.carrier import CarrierTrack, find_carrier
from sigkit.tracks.envelope.hum import still_in, without_hum_beside
from sigkit.tracks.envelope.rough import rough_pitches
from sigkit.tracks.envelope.stretches import Stretch

INCOHERENT = 0.05
"""Share of a note's energy that its wave leaves, from which on only its power is used."""
FEWEST_HELD = 6.0
"""Periods that a wave is learned from at least."""
QUICK_HZ = 100.0
"""Pitches from here on are looked for again where none keeps its wave."""
BESIDE_HZ = 760.0
"""Carriers below this have harmonics among the lines of hum that are taken out."""
MOST, MOST_CROSSED = 0.003, 0.1
"""What may be hum or the tone, re the peak, up to which numbers are told, and re a level that is
crossed: 0.026 dB of the peak, and a tenth of a time constant."""
LEARNED = 3e-3
"""Hum at the carrier re its wave from which on the wave was learned with it."""
DB = 20 / math.log(10)


class Beside(NamedTuple):
    """A sound less its hum, where it is quiet, the mains frequency, and what is left open.

    ``untold``: level re the peak that may be hum or the tone itself; ``again``: whether the
    carrier's wave was learned with so much hum in it that both have to be told anew.
    """

    sound: Real
    quiet: Flags
    hz: float
    untold: float
    again: bool


def carrier_of(
    sound: Real, quiet: Flags, stretch: Stretch, pitches: list[float]
) -> tuple[CarrierTrack | None, bool]:
    """Return the carrier that explains a sound best, and whether it keeps its wave.

    Parameters
    ----------
    sound, quiet
        As for `find_carrier`.
    stretch : Stretch
        Where they are from.
    pitches : list of float
        Rough pitches, the likeliest first.
    """
    carrier = None
    # A tone that dies within a few periods seems to have a longer one.
    for rough in chain(pitches, _quick_pitches(sound, stretch.rate)):
        tried = find_carrier(sound, stretch.rate, stretch.start_s, quiet, rough)
        if tried is None:
            continue
        if tried.misfit < INCOHERENT and tried.held >= FEWEST_HELD:
            return tried, True
        if carrier is None or tried.misfit < carrier.misfit:
            carrier = tried
    return carrier, False


def _quick_pitches(sound: Real, rate: int) -> Iterator[float]:
    yield from rough_pitches(sound, rate, QUICK_HZ)


def hum_beside(stretch: Stretch, quiet: Flags, carrier: CarrierTrack, near_hz: float) -> Beside:
    """Take the hum out of a stretch anew, beside a carrier whose wave is known.

    Parameters
    ----------
    stretch : Stretch
        As it was recorded.
    quiet : ndarray of bool, shape (n_samples,)
        Where it is at its floor: the end of a release changes within a period, and is like lines
        beside the carrier.
    carrier : CarrierTrack
        Its carrier.
    near_hz : float
        Mains frequency of the stretch before.
    """
    rate = stretch.rate
    phase = carrier.phase_at(stretch.start_s + np.arange(stretch.sound.size) / rate)
    sound, hum, untold = without_hum_beside(
        stretch.sound, rate, quiet, phase, carrier.wave, near_hz
    )
    still = still_in(sound, rate, quiet)
    quiet = quiet if still is None else still
    if quiet.any():
        sound = sound - sound[quiet].mean()
    top = float(carrier.gain.max())
    if hum is None:
        return Beside(sound, quiet, math.nan, 0.0, False)
    again = hum.at(carrier.hz) > LEARNED * carrier.wave_rms * top
    return Beside(sound, quiet, hum.hz, untold / top, again)


def tell_hum(numbers: Numbers, untold: float, mains_hz: float, carrier_hz: float) -> None:
    """Widen or leave out the numbers of a note that hum in step with its carrier may have moved.

    Parameters
    ----------
    numbers : Numbers
        The numbers of the note.
    untold : float
        As in `Beside`.
    mains_hz, carrier_hz : float
        What the reader is told.
    """
    if not untold > 0:
        return
    why = (
        f"hum of {mains_hz:.2f} Hz lies at the carrier of {carrier_hz:.2f} Hz and can't be told "
        "from it: play another note"
    )
    if untold > MOST:
        numbers.none(tuple(name for name in EVERY if name != "onset_s"), why)
        numbers.flags |= {"law": "", "law_power": math.nan, "misfit": math.nan}
        return
    values = numbers.values
    released = float(str(numbers.flags.get("level_at_release", math.nan)))
    level = 10 ** (values["sustain_db"][0] / 20)
    level = released if math.isfinite(released) else level
    level = max(level, untold) if math.isfinite(level) else 1.0
    fall_s = values["release_time_constant_s"][0]
    absolute = {"peak_dbfs": DB * untold, "sustain_db": DB * untold * (1 + 1 / level)}
    shares = {
        "attack_s": untold,
        "onset_to_peak_s": untold,
        "decay_time_constant_s": 2 * untold / max(1 - level, 0.1),
        "release_time_constant_s": 3 * untold / level,
    }
    for name, share in shares.items():
        absolute[name] = share * values[name][0]
    for name, down in (("release_20_s", 20), ("release_40_s", 40), ("release_s", 60)):
        share = untold / (level * 10 ** (-down / 20))
        if share > MOST_CROSSED and math.isfinite(values[name][0]):
            numbers.none((name,), why)
        absolute[name] = share * fall_s
    for name, more in absolute.items():
        value, u = values[name]
        if math.isfinite(value) and math.isfinite(more):
            values[name] = (value, math.hypot(u, more))
