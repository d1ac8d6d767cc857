"""Idle noise: floor, mains hum and ripple of an instrument on which nothing plays."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from dataclasses import dataclass, field

from sigkit.captures.needed import takes_capture
from sigkit.captures.wav import Capture, open_capture
from sigkit.errors import InputError
from sigkit.measures.held_note import require_number, source_of
from sigkit.measures.noise.numbers import QuietSum, quiet_sum
from sigkit.measures.noise.part import Heard, heard_in
from sigkit.measures.noise.result import NoiseResult
from sigkit.measures.noise.spectrum import noise_band_hz
from sigkit.measures.noise.tone import (
    LEAST_S,
    LOUDER_DB,
    NO_TONE,
    FullTone,
    is_tone,
    reference_tone,
    tone_in,
)
from sigkit.measures.noise.words import remarks_of, why_nothing
from sigkit.tracks.level_parts import Part, level_parts

MOST_PARTS = 40
"""Parts of 30 s that are taken to pieces: 20 minutes."""
ALIKE_DB = 8.0
"""Parts whose levels differ by less are the same quiet."""
OFF_ALIKE_HZ = 0.2
"""Mains frequencies of two parts of a capture that differ by more are not one mains."""
MAINS_RANGE_HZ = (40.0, 70.0)


@takes_capture
def measure_noise(
    capture: Capture,
    *,
    mains_hz: float | None = None,
    reference: Capture | str | os.PathLike[str] | None = None,
) -> NoiseResult:
    """Measure the idle noise of an instrument: floor, hum, ripple, and what bleeds through.

    Parameters
    ----------
    capture : Capture
        The output of the instrument with the volume full and no key held, 10 s or longer, best 30.
        Where a key is then held at full level for some seconds in the same capture, everything is
        given relative to that tone too. For bleed the oscillators are up meanwhile, and the same
        key was the last one played.
    mains_hz : float, optional
        Nominal frequency of the mains, 50 or 60, where it is known; by default both are tried.
    reference : Capture or path, optional
        Another capture, of the full tone, with the same input gain; by default a tone in the
        capture itself.

    Returns
    -------
    NoiseResult
        Levels in dBFS and relative to the tone, the lines of the mains, other tones, spectrum.

    Raises
    ------
    InputError
        ``mains_hz`` is not between 40 and 70 Hz, or the reference is no capture.

    Notes
    -----
    The capture is cut where its level changes; the quiet that lasts longest is measured, in one
    pass. The mains is the frequency on whose multiples most lines agree, within 1 Hz of 50 or
    60 Hz; its lines are turned back by their common phase, so that its wander smears none of them.
    Lines above the 20th are taken from the spectrum. The floor is Welch's averaged spectrum summed
    over 20 Hz to 20 kHz (to the sample rate over 2.2 where that is lower), the lines of the mains
    bridged by the noise on either side; weightings are factors on the spectrum, not filters.
    Levels are those of AES17 [1]_: a full-scale sine reads 0 dBFS.

    Odd multiples of the mains are what loops and magnetic fields bring in, even ones what a
    rectifier leaves (common practice, no source); distorted hum has both, so that this is a hint.

    References
    ----------
    .. [1] AES17, Measurement of digital audio equipment (level definition, from memory).
    .. [2] IEC 61672-1:2013, Sound level meters (A-weighting).
    .. [3] ITU-R BS.468-4 (weighting curve; its quasi-peak detector is not made here).
    """
    if mains_hz is not None:
        require_number("mains_hz", mains_hz, capture)
        if not MAINS_RANGE_HZ[0] <= mains_hz <= MAINS_RANGE_HZ[1]:
            raise InputError(
                f"mains_hz must be from 40 to 70 Hz; got {mains_hz}.",
                where=capture.path.name,
                remedy="Give 50 or 60, or leave it out to try both.",
            )
    sorted_out = _sorted_out(capture, mains_hz)
    tone = sorted_out.tone if reference is None else reference_tone(_opened(reference))
    settings: dict[str, object] = {
        "mains_hz": mains_hz,
        "reference": None if reference is None else tone.where or str(tone.level.reason),
    }
    quiet = quiet_sum(sorted_out.quiet, noise_band_hz(capture.rate), tone)
    nothing = why_nothing(sorted_out, capture) if quiet is None else ""
    return _result(capture, settings, sorted_out, quiet, tone, nothing)


@dataclass
class SortedOut:
    """The parts of a capture by what they hold.

    Parameters
    ----------
    quiet : list of Heard
        Parts that were measured.
    tone : FullTone
        The tone that is held in the capture, if there is one.
    silent : list of (float, float)
        From when to when it holds digital silence.
    other : list of (float, float, float)
        From when to when it has another level, and that level in dBFS.
    short_s : float
        Length of the longest part that was too short.
    left_s : float
        Seconds of quiet that were not looked at because there was more than enough.
    """

    quiet: list[Heard] = field(default_factory=list)
    tone: FullTone = NO_TONE
    silent: list[tuple[float, float]] = field(default_factory=list)
    other: list[tuple[float, float, float]] = field(default_factory=list)
    short_s: float = 0.0
    left_s: float = 0.0


def _opened(reference: Capture | str | os.PathLike[str]) -> Capture:
    return reference if isinstance(reference, Capture) else open_capture(reference)


def _sorted_out(capture: Capture, mains_hz: float | None) -> SortedOut:
    """Go through the capture once; keep what is quiet, and the loudest tone."""
    out = SortedOut()
    loud: Part | None = None
    like_hum: tuple[Part, Heard] | None = None
    tonal: list[Heard] = []
    for part in level_parts(capture):
        if math.isinf(part.level_dbfs):
            out.silent.append((part.start_s, part.stop_s))
            continue
        if part.duration_s < LEAST_S:
            out.short_s = max(out.short_s, part.duration_s)
            continue
        if len(out.quiet) + len(tonal) >= MOST_PARTS:
            out.left_s += part.duration_s
            continue
        alike = [h for h in out.quiet if abs(h.level_dbfs - part.level_dbfs) < ALIKE_DB]
        known = next((h.mains for h in reversed(alike) if h.mains.kind == "found"), None)
        heard = heard_in(part, mains_hz, known)
        # A note may look like hum at a wrong rate.
        own = heard.cover & (heard.mains.kind == "found")
        if not is_tone(heard.spectrum, own):
            out.quiet.append(heard)
            louder = like_hum is None or part.level_dbfs > like_hum[1].level_dbfs
            if own.any() and louder and is_tone(heard.spectrum, own & False):
                like_hum = part, heard
            continue
        tonal.append(heard)
        if loud is None or part.level_dbfs > loud.level_dbfs:
            loud = part
    lowest = min((h.level_dbfs for h in (*out.quiet, *tonal)), default=math.inf)
    if loud is None and like_hum is not None and _is_note(like_hum[1], out.quiet):
        loud, note = like_hum
        out.quiet.remove(note)
        tonal.append(note)
    if loud is not None and loud.level_dbfs > lowest + LOUDER_DB:
        out.tone = tone_in(loud, f"{loud.start_s:.1f} to {loud.stop_s:.1f} s of this capture")
    # A tone that bleeds is heard in the quiet too.
    out.quiet += [h for h in tonal if h.level_dbfs <= lowest + LOUDER_DB]
    out.quiet.sort(key=lambda h: h.start_s)
    _longest_quiet(out)
    return out


def _is_note(loud: Heard, quiet: Sequence[Heard]) -> bool:
    """Whether lines near those of a mains are a note: another frequency than the quiet's hum."""
    others = [h for h in quiet if h.level_dbfs < loud.level_dbfs - LOUDER_DB]
    known = [h.mains.hz for h in others if h.mains.kind == "found" and not h.mains.doubtful]
    if not known:
        return bool(others) and loud.mains.doubtful
    return all(abs(hz - loud.mains.hz) > OFF_ALIKE_HZ for hz in known)


def _longest_quiet(out: SortedOut) -> None:
    """Keep the quiet of one level that lasts longest; the rest is another level."""
    best: list[Heard] = []
    for seed in out.quiet:
        own = [h for h in out.quiet if abs(h.level_dbfs - seed.level_dbfs) < ALIKE_DB]
        if sum(h.seconds for h in own) > sum(h.seconds for h in best):
            best = own
    out.other += [(h.start_s, h.stop_s, h.level_dbfs) for h in out.quiet if h not in best]
    out.quiet = best


def _result(
    capture: Capture,
    settings: dict[str, object],
    sorted_out: SortedOut,
    quiet: QuietSum | None,
    tone: FullTone,
    nothing: str,
) -> NoiseResult:
    if quiet is None:
        quiet = QuietSum.none(nothing, tone)
    hint, remarks = remarks_of(capture, sorted_out, quiet, tone)
    return NoiseResult(
        source=source_of(capture),
        settings=settings,
        notes=remarks,
        **quiet.answers,
        hum=quiet.hum,
        second_hum=quiet.second_hum,
        tones=quiet.tones,
        hint=hint,
        band_hz=noise_band_hz(capture.rate),
        quiet_s=sum(h.seconds for h in sorted_out.quiet),
        frequency_hz=quiet.frequency_hz,
        density=quiet.density,
        covered=quiet.covered,
        bounds=quiet.bounds,
    )
