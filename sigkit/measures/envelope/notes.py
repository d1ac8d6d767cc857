"""The notes of one stretch of sound: parted, fitted one by one, and put into numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sigkit.arrays import Real
from sigkit.measures.envelope.beside import BESIDE_HZ, carrier_of, hum_beside, tell_hum
from sigkit.measures.envelope.blocks import Blocks, Source, blocks_of
from sigkit.measures.envelope.fit import NoteFit, fit_note
from sigkit.measures.envelope.model import level_of
from sigkit.measures.envelope.numbers import numbers_of
from sigkit.measures.envelope.relearn import with_relearned_wave
from sigkit.measures.envelope.told import EVERY, FALL, RELEASE, RISE, Numbers
from sigkit.tracks.envelope.beating import beats
from sigkit.tracks.envelope.carrier import CarrierTrack
from sigkit.tracks.envelope.hum import cleaned
from sigkit.tracks.envelope.power import power_track
from sigkit.tracks.envelope.rough import rough_pitches
from sigkit.tracks.envelope.stretches import Stretch

RISE_DB, RISE_DB_NOISE, RISE_DB_POWER = 1.0, 3.0, 6.0
"""Rise of the level that is another note: on a known wave, of noise, of a tone that beats."""
LOUD_DB, DEEP_DB = 30.0, 60.0
"""Notes so far below the loudest of a stretch are not looked for, nor where they rise from."""
BOUNCE_S = 0.06
"""Onsets so soon after the one before are a retrigger, whoever plays."""
SHALLOW_DB, TREMBLES, TREMBLES_S, EVEN = 12.0, 3, 0.5, 0.1
"""Tremolo: rises after a fall by less than so much, so many gaps between them at least, each
shorter than a hand presses keys in turn, with a standard deviation of this share of their mean."""
WAVE_CHANGES = 3e-3
"""Share of a note's energy that its wave leaves, from which on a filter follows its level: 5e-3
where one does, 1e-5 and less where none does."""
SWINGS_CENTS = 15.0
"""Extent of the pitch from which on it is that, and no filter, which moves the wave."""
UNLIKE_WHY = (
    "its level does not rise and fall like a note's, or something else sounds with it: nothing is "
    "told"
)
UNLIKE = 0.1
"""Scatter about its fit, re the peak, from which on a note is not of that shape."""
LOUDER = 6.0
"""Loudest block of noise re the peak of a fit from which on it is not of that shape."""
TELLS = 3.0
"""Noise of a block re the usual one up to which it counts for that."""
DRAWN = 400
"""Points of a note that are kept to be drawn."""
FEWEST_STILL = 8
"""Blocks that tell by how much the level scatters where nothing sounds."""
THUMP_S = 0.04
NOISE_LOOK_S = 0.03
"""Blocks in which onsets of noise are looked for: 0.2 dB of scatter."""
LEAD_S = 0.05
"""Rest before the first onset that is fitted with it: the note before may still fade."""


@dataclass(frozen=True, eq=False)
class HeardNote:
    """One note with its numbers and its envelope.

    Parameters
    ----------
    numbers : Numbers
        Its numbers.
    coherent : bool
        Whether the carrier's wave was used; else its power only.
    carrier_hz : float
        Pitch of the carrier; nan: noise.
    time_s, gain : ndarray, shape (n_points,)
        Its envelope in the units of the capture, rms of the tone times the root of two.
    floor : float
        Uncertainty of the envelope by noise, in the same units.
    retrigger : bool
        Whether it began on top of the one before within a few hundredths of a second.
    hum_hz : float
        Mains frequency of the hum that was taken out; nan: none.
    """

    numbers: Numbers
    coherent: bool
    carrier_hz: float
    time_s: Real
    gain: Real
    floor: float
    retrigger: bool
    hum_hz: float


@dataclass(frozen=True)
class _Span:
    """From when to when a note has the sound for itself, and how it begins.

    ``bounced``: a retrigger; ``shallow``: its level had hardly fallen from the note before.
    """

    start_s: float
    stop_s: float
    bounced: bool
    shallow: bool


def notes_of(stretch: Stretch, near_hz: float = math.nan) -> tuple[list[HeardNote], float]:
    """Return the notes of a stretch, and the mains frequency of its hum.

    Parameters
    ----------
    stretch : Stretch
        Sound with the quiet around it.
    near_hz : float
        Mains frequency of the stretch before.
    """
    pitches = rough_pitches(stretch.sound, stretch.rate)
    first = pitches[0] if pitches else None
    low = first is not None and first < BESIDE_HZ
    sound, quiet, hum_hz = cleaned(
        stretch.sound, stretch.rate, stretch.quiet, near_hz, first, first=low
    )
    carrier, coherent = carrier_of(sound, quiet, stretch, pitches)
    untold = 0.0
    # The wave was learned with the hum in it, where that lies at the carrier: twice.
    for _ in range(2):
        if carrier is None or not coherent or carrier.hz > BESIDE_HZ:
            break
        beside = hum_beside(stretch, quiet, carrier, near_hz)
        if math.isnan(beside.hz) and math.isnan(hum_hz):
            break
        sound, quiet, hum_hz, untold = beside.sound, beside.quiet, beside.hz, beside.untold
        carrier, coherent = carrier_of(sound, quiet, stretch, [carrier.hz])
        if not beside.again:
            break
    track: Source
    if carrier is not None and coherent:
        track, shortest_s = carrier, 0.5 / stretch.rate
        size, held, hz = carrier.wave_rms, carrier.held, carrier.hz
    else:
        hz = carrier.hz if carrier is not None else math.nan
        own = None if carrier is None else carrier.hz
        power = power_track(sound, stretch.rate, stretch.start_s, quiet, own)
        track, shortest_s, size, held = power, power.period_s, power.size, math.inf
    rise_db = RISE_DB if coherent else (RISE_DB_NOISE if math.isnan(hz) else RISE_DB_POWER)
    spans, trembles_hz = _without_tremolo(_spans(track, stretch, rise_db))
    why = ""
    if math.isfinite(trembles_hz):
        why = f"its level rises and falls {trembles_hz:.1f} times a second: turn tremolo off"
    elif carrier is not None and not coherent and beats(carrier):
        why = "its harmonics come and go, as where two oscillators beat: let one sound"
    out = []
    fits: list[NoteFit | None] = [None] * len(spans)
    bounds = [(begin, end) for begin, end, _ in spans]
    if not why:
        fits = [fit_note(track, *bound, shortest_s, coherent=coherent) for bound in bounds]
    if carrier is not None and coherent:
        carrier, fits = with_relearned_wave(carrier, fits, bounds, shortest_s)
        track, size = carrier, carrier.wave_rms
    for i, (begin, end, bounced) in enumerate(spans):
        found = fits[i]
        if found is None or not _is_like(found, begin, end, noise=math.isnan(hz)):
            numbers, drawn = _unlike(track, begin, end, why or UNLIKE_WHY)
            scale = size * math.sqrt(2)
            numbers.values["peak_dbfs"] = (math.nan, math.nan)
            out.append(
                HeardNote(
                    numbers, coherent, hz, drawn.time_s, drawn.gain * scale, 0.0, bounced, hum_hz
                )
            )
            continue
        numbers = numbers_of(
            track, found, stop_s=end, shortest_s=shortest_s, held=held, power=not coherent
        )
        if carrier is not None and coherent:
            numbers.flags["thump_db"] = _thump(carrier, found)
            tell_hum(numbers, untold, hum_hz, carrier.hz)
            if carrier.misfit > WAVE_CHANGES:
                _wave_changes(numbers, carrier)
        elif carrier is not None and not found.law_told and carrier.drift_cents > SWINGS_CENTS:
            _wave_changes(numbers, carrier)
        _edges_of_sound(numbers, stretch, first=i == 0, last=i == len(spans) - 1)
        # It begins somewhere in its own stretch, whatever a bad fit says.
        value, u = numbers.values["onset_s"]
        numbers.values["onset_s"] = (value, min(u, (end - begin) / math.sqrt(12)))
        value, u = numbers.values["peak_dbfs"]
        scale = size * math.sqrt(2)
        numbers.values["peak_dbfs"] = (value + 20 * math.log10(scale), u)
        drawn = _drawn(track, found, begin, end)
        out.append(
            HeardNote(
                numbers,
                coherent,
                hz,
                drawn.time_s,
                drawn.gain * scale,
                float(np.median(drawn.u_gain)) * scale,
                bounced,
                hum_hz,
            )
        )
    return out, hum_hz


def _wave_changes(numbers: Numbers, carrier: CarrierTrack) -> None:
    """Leave out what can't be told of a tone that keeps its pitch or its wave too badly."""
    if carrier.drift_cents > SWINGS_CENTS:
        numbers.none(
            (*RISE, *FALL, *RELEASE),
            f"its pitch moves by {carrier.drift_cents:.0f} cents while it sounds: turn vibrato, "
            "glide and bender off",
        )
        numbers.flags |= {"law": "", "law_power": math.nan, "thump_db": math.nan}
        return
    numbers.none(
        (*FALL, *RELEASE),
        "the tone's wave changes with its level, as a filter makes it that follows the "
        "note: open the filter and turn its envelope down",
    )


def _unlike(track: Source, begin: float, end: float, why: str) -> tuple[Numbers, Blocks]:
    """Return a note that is like no charge of a capacitor: where it begins, and nothing else."""
    step = max(track.period_s, (end - begin) / DRAWN)
    rough = blocks_of(track, np.arange(begin, end + step, step))
    numbers = Numbers()
    numbers.none(EVERY, why)
    if rough.gain.size:
        onset = float(rough.time_s[int(np.argmax(rough.gain > 0.5 * rough.gain.max()))])
        numbers.values["onset_s"] = (onset, 2 * step)
        del numbers.reasons["onset_s"]
    return numbers, rough


def _is_like(found: NoteFit, begin: float, end: float, *, noise: bool) -> bool:
    """Whether a note is like its fit at all, and begins where it is looked for."""
    fit, data = found.rise, found.blocks
    if not (math.isfinite(fit.chi2) and fit.chi2 > 0):
        return False
    u = data.u_gain[: fit.residuals.size]
    # What noise alone would leave is taken out: short blocks are full of it.
    # Blocks about a zero of the carrier tell next to nothing.
    told = u < TELLS * np.median(u)
    left = float(np.mean(((fit.residuals**2 - 1) * u**2)[told]))
    away = math.sqrt(max(left, 0.0)) / found.shape.size
    inside = begin - 0.1 * (end - begin) < found.shape.onset_s < end
    if noise:
        # What noise scatters by hides a misfit, but not that it is louder than any peak of the fit.
        return inside and float(data.gain.max()) < LOUDER * found.shape.size
    return inside and away < UNLIKE


def _without_tremolo(spans: list[_Span]) -> tuple[list[tuple[float, float, bool]], float]:
    """Lay together notes that only seem to begin: rises and falls of one note, evenly in time.

    Returns the notes, and how often in a second their level rises; nan: it does not tremble.
    """
    plain = [(span.start_s, span.stop_s, span.bounced) for span in spans]
    rises = np.array([span.start_s for span in spans if span.shallow])
    gaps = np.diff(rises)
    gaps = gaps[gaps < TREMBLES_S]
    if gaps.size < TREMBLES or float(np.std(gaps)) > EVEN * float(np.mean(gaps)):
        return plain, math.nan
    merged: list[tuple[float, float, bool]] = []
    for span in spans:
        if span.shallow and merged:
            merged[-1] = (merged[-1][0], span.stop_s, merged[-1][2])
        else:
            merged.append((span.start_s, span.stop_s, span.bounced))
    return merged, 1 / float(np.mean(gaps))


def _spans(track: Source, stretch: Stretch, rise_db: float) -> list[_Span]:
    """Return from when to when each note has the sound for itself."""
    begin = stretch.start_s
    end = begin + stretch.sound.size / stretch.rate
    step = max(track.period_s, (end - begin) / 8000, 0.0015)
    if getattr(track, "is_noise", False):
        step = NOISE_LOOK_S
    t, g, u = track.blocks(np.arange(begin, end, step))
    if t.size < 4:
        return []
    size = float(np.max(g))
    # Hum that is left where nothing sounds comes and goes as notes do.
    at = np.clip(np.round((t - begin) * stretch.rate), 0, stretch.quiet.size - 1).astype(np.intp)
    still = g[stretch.quiet[at]]
    u = np.hypot(u, float(np.std(still)) if still.size > FEWEST_STILL else 0.0)
    floor = max(size * 10 ** (-DEEP_DB / 20), 5 * float(np.median(u)))
    level = 20 * np.log10(np.maximum(g, floor) / floor)
    noise = 8.7 * u / np.maximum(g, floor)
    loud = 20 * math.log10(size / floor) - LOUD_DB
    onsets = [o for o in _onsets(level, np.maximum(rise_db, 9 * noise)) if level[o[1]] > loud]
    if not onsets:
        return []
    lows = [t[valley] for valley, _ in onsets]
    spans = []
    for i, (valley, peak) in enumerate(onsets):
        start = lows[i] - 0.5 * step
        if not i:
            start = max(begin, start - max(LEAD_S, 4 * track.period_s))
        stop = lows[i + 1] - 0.5 * step if i + 1 < len(lows) else end
        bounced = False
        if i:
            before = onsets[i - 1][1]
            bounced = t[peak] - t[before] < BOUNCE_S or (
                level[valley] > level[before] - 20 and t[valley] - t[before] < BOUNCE_S
            )
        fell = level[onsets[i - 1][1]] - level[valley] if i else math.inf
        spans.append(_Span(float(start), float(stop), bool(bounced), bool(fell < SHALLOW_DB)))
    return spans


def _onsets(level: Real, rise: Real) -> list[tuple[int, int]]:
    """Return the valley before each rise and the top after it, of a level in dB above the floor."""
    found: list[tuple[int, int]] = []
    low = top = 0
    rising = False
    for i in range(level.size):
        if not rising:
            # The last point at the bottom is where a rise begins.
            if level[i] <= level[low]:
                low = i
            elif level[i] > level[low] + rise[i]:
                rising, top = True, i
        else:
            if level[i] > level[top]:
                top = i
            elif level[i] < level[top] - rise[i]:
                found.append((low, top))
                rising, low = False, i
    if rising:
        found.append((low, top))
    return found


def _edges_of_sound(numbers: Numbers, stretch: Stretch, *, first: bool, last: bool) -> None:
    """Leave out what lies beyond the ends of the capture."""
    if stretch.began_before and first:
        numbers.none(
            (*RISE[:2], "onset_s"),
            "the note sounds before the capture begins: leave 1 s of silence before it",
        )
    if stretch.goes_on and last:
        numbers.none(
            RELEASE,
            "the note still sounds where the capture ends, or is held longer than is looked at "
            "(50 s at 48 kHz): leave silence after it",
        )
        if not math.isfinite(numbers.values["decay_time_constant_s"][0]):
            numbers.none(FALL[1:], numbers.reasons.get("decay_time_constant_s", ""))


def _drawn(track: Source, found: NoteFit, begin: float, end: float) -> Blocks:
    """Return a note's envelope in few points, for its chart."""
    rise_s = found.shape.rise_s
    start = max(begin, found.shape.onset_s - max(0.3 * rise_s, 2 * track.period_s))
    rising = np.linspace(start, found.shape.peak_s, DRAWN // 4)
    step = max((end - found.shape.peak_s) / (3 * DRAWN / 4), track.period_s)
    edges = np.concatenate([rising, np.arange(found.shape.peak_s, end, step)[1:]])
    if rising[1] - rising[0] < 0.25 * track.period_s:
        # Within a period the envelope is drawn from the fit, as its parts may hold nothing.
        t = np.linspace(start, found.shape.peak_s, 40)
        value = level_of(t, found.law, found.shape)
        rest = blocks_of(track, edges[edges >= found.shape.peak_s])
        u = float(np.median(rest.u_gain)) if rest.u_gain.size else 0.0
        return Blocks(
            np.concatenate([t, rest.time_s]),
            np.concatenate([value, rest.gain]),
            np.concatenate([np.full(t.size, u), rest.u_gain]),
        )
    return blocks_of(track, edges)


def _thump(carrier: CarrierTrack, found: NoteFit) -> float:
    """Return the level of what sounds beside the carrier after the onset, dB re the peak.

    Minus infinity where it does not stand out of the noise.
    """
    onset = found.shape.onset_s
    rest, usual = carrier.rest(
        onset, onset + THUMP_S, lambda t: level_of(t, found.law, found.shape)
    )
    later = found.shape.peak_s + THUMP_S
    held, _ = carrier.rest(later, later + THUMP_S, lambda t: level_of(t, found.law, found.shape))
    if not (math.isfinite(rest) and rest > 2 * max(usual, held if math.isfinite(held) else 0.0)):
        return -math.inf
    size = carrier.wave_rms * found.shape.size
    return 20 * math.log10(rest / size)
